"""What is written, and what never is: files whole, nothing over what was read, all of it though nobody reads on."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from safetymodel import files
from safetymodel.cli import main
from safetymodel.files import write_whole
from safetymodel.outlet import Outlet

ROOT = Path(__file__).parent.parent
PASS = ROOT / "specs" / "pass-through.yaml"


@pytest.fixture
def spec(tmp_path: Path) -> Path:
    return Path(shutil.copy(PASS, tmp_path / "mine.yaml"))


def left_with(arguments: list[str]) -> int:
    with pytest.raises(SystemExit) as left:
        main(arguments)
    assert isinstance(left.value.code, int)
    return left.value.code


@pytest.mark.parametrize("option", ["--json", "--junit", "--markdown"])
def test_a_spec_is_never_written_over(
    spec: Path, option: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = spec.read_bytes()
    link = tmp_path / "by-another-name"
    link.symlink_to(spec)
    for name in (spec, link):
        assert left_with(["verify", str(spec), "--quiet", option, str(name)]) == 2
        assert "name another file" in capsys.readouterr().err
        assert spec.read_bytes() == before
    assert link.is_symlink()


def test_a_link_stays_one_and_its_file_is_written(tmp_path: Path) -> None:
    link = tmp_path / "link.json"
    link.symlink_to(tmp_path / "real.json")
    write_whole(link, "new\n")
    assert link.is_symlink()
    assert (tmp_path / "real.json").read_text() == "new\n"


def test_a_file_keeps_its_mode_and_one_that_must_not_be_written_is_not(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "results.json"
    path.write_text("old\n")
    path.chmod(0o640)
    write_whole(path, "new\n")
    assert path.stat().st_mode & 0o777 == 0o640
    monkeypatch.setattr(os, "access", lambda *_: False)  # to the superuser everything is open
    with pytest.raises(PermissionError):
        write_whole(path, "newer\n")
    assert path.read_text() == "new\n"
    assert list(tmp_path.iterdir()) == [path]


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no named pipes here")
def test_a_pipe_is_written_to_and_stays_one(tmp_path: Path) -> None:
    path = tmp_path / "pipe"
    os.mkfifo(path)
    read: list[str] = []
    reader = threading.Thread(target=lambda: read.append(path.read_text()))
    reader.start()
    write_whole(path, "said\n")
    reader.join(10)
    assert read == ["said\n"]
    assert path.is_fifo()


def test_what_was_not_read_is_written_over(tmp_path: Path) -> None:
    path = tmp_path / "results.json"
    write_whole(path, "one\n")
    write_whole(path, "two\n")
    assert path.read_text() == "two\n"
    files.is_input(path)
    with pytest.raises(FileExistsError):
        write_whole(path, "three\n")
    assert path.read_text() == "two\n"


def test_files_are_written_though_nobody_reads_what_is_shown(spec: Path, tmp_path: Path) -> None:
    kept = tmp_path / "kept.json"
    program = [sys.executable, "-c", "from safetymodel.cli import main; main()"]
    arguments = ["verify", str(spec), "--json", str(kept), "--junit", str(tmp_path / "kept.xml")]
    reading, writing = os.pipe()
    os.close(reading)  # whoever was to read has gone
    try:
        done = subprocess.run([*program, *arguments], stdout=writing, stderr=subprocess.PIPE, timeout=120, cwd=ROOT)
    finally:
        os.close(writing)
    assert done.returncode == 0
    assert not done.stderr
    assert kept.is_file()
    assert (tmp_path / "kept.xml").is_file()


class Full:
    """A stream with room for no more."""

    encoding = "utf-8"

    def __init__(self, error: OSError) -> None:
        self.error = error
        self.tried = 0

    def write(self, _: str) -> int:
        self.tried += 1
        raise self.error

    def flush(self) -> None:
        raise self.error


def test_a_stream_that_failed_is_left_alone_and_says_why() -> None:
    full = Full(OSError(28, "No space left on device"))
    out = Outlet(full)  # type: ignore[arg-type]
    assert out.write("some") == 4
    out.write("more")
    out.flush()
    assert full.tried == 1
    assert out.failed is full.error
    assert out.encoding == "utf-8"
    gone = Outlet(Full(BrokenPipeError(32, "Broken pipe")))  # type: ignore[arg-type]
    gone.write("some")
    gone.flush()
    assert gone.failed is None


def test_a_full_disk_is_told_and_is_no_verdict(
    spec: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(sys, "stdout", Full(OSError(28, "No space left on device")))
    assert left_with(["verify", str(spec), "--json", "-"]) == 2
    assert "cannot write to the standard output: No space left on device" in capsys.readouterr().err
