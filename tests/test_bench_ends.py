"""How a run of the bench ends, and what is said and kept then: interruptions, what the map leaves out, old files."""

from __future__ import annotations

import json
import os
import re
import shlex
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from safetymodel.bench.kept import Replay, read_replay
from safetymodel.cli import main
from safetymodel.model.build import load
from safetymodel.model.system import System
from safetymodel.problems import Problem

ROOT = Path(__file__).parent.parent
HATCH = str(ROOT / "specs" / "two-door-hatch.yaml")
RIG = Path(__file__).parent / "rig_of_hatch.py"


@pytest.fixture(scope="module")
def hatch() -> System:
    system, _ = load(HATCH)
    assert system is not None
    return system


def called(*arguments: str) -> int:
    with pytest.raises(SystemExit) as left:
        main(["bench", HATCH, *arguments])
    return int(left.value.code or 0)


def lines(how: str = "") -> str:
    return f"lines:{shlex.join([sys.executable, str(RIG), how])}"


# -- interrupted --------------------------------------------------------------------------------


@pytest.mark.skipif(os.name == "nt", reason="signals of POSIX")
@pytest.mark.parametrize("name", ["SIGINT", "SIGTERM", "SIGHUP"])
def test_whoever_ends_a_run_gets_the_way_so_far_and_no_process_is_left(tmp_path: Path, name: str) -> None:
    pid = tmp_path / "pid"
    rig = tmp_path / "rig.py"
    rig.write_text(
        f"import os, sys\nopen({str(pid)!r}, 'w').write(str(os.getpid()))\n"
        f"sys.path.insert(0, {str(RIG.parent)!r})\nimport rig_of_hatch\nrig_of_hatch.talk('')\n",
        encoding="utf-8",
    )
    device = f"lines:{shlex.join([sys.executable, str(rig)])}"
    command = [sys.executable, "-m", "safetymodel.cli", "bench", HATCH, "--device", device, "--minutes", "5"]
    child = subprocess.Popen(
        [*command, "--faults", "0", "--out", str(tmp_path / "kept")],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=tmp_path, start_new_session=True,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )  # fmt: skip
    for _ in range(200):
        if pid.exists() and pid.read_text(encoding="utf-8"):
            break
        time.sleep(0.05)
    time.sleep(1.0)
    child.send_signal(getattr(signal, name))
    out, errors = child.communicate(timeout=30)
    assert child.returncode == 130, (out, errors)
    assert "ended early, which is never a pass: interrupted" in out
    assert "nothing was shown" not in errors
    (kept,) = (tmp_path / "kept").iterdir()
    assert json.loads(kept.read_text(encoding="utf-8"))["device"] == device
    with pytest.raises(ProcessLookupError):
        os.kill(int(pid.read_text(encoding="utf-8")), 0)


# -- nothing is known of what was not done ------------------------------------------------------


def test_what_the_map_leaves_out_is_said(tmp_path: Path, capsys: pytest.CaptureFixture[str], hatch: System) -> None:
    path = tmp_path / "map.yaml"
    path.write_text(
        "safetymodel_map: 1\nevents: {panel.ask_inner: {apply: panel.ask_inner}}\noutputs: {panel: {point: panel}}\n",
        encoding="utf-8",
    )
    arguments = ["--device", "twin", "--map", str(path), "--steps", "20", "--json", str(tmp_path / "r.json")]
    assert called(*arguments) == 0
    out = capsys.readouterr().out
    events = ", ".join(e.name for e in hatch.events if e.name != "panel.ask_inner")
    assert f"events that the map has no point for, never tried: {events}\n" in out
    faults = ", ".join(f.name for f in hatch.faults)
    assert f"faults that the map has no point for, never forced: {faults}\n" in out
    assert re.search(r"subsystems that no output shows anything of: inner_door, ", out)
    left_out = json.loads((tmp_path / "r.json").read_text(encoding="utf-8"))["left_out_by_the_map"]
    assert left_out["faults"] == [f.name for f in hatch.faults]
    assert called(*arguments, "--faults", "0") == 0
    assert "never forced" not in capsys.readouterr().out


def test_a_run_in_which_nothing_is_done_is_no_pass(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert called("--device", "twin", "--minutes", "0") == 3
    out = capsys.readouterr().out
    assert "ended early, which is never a pass: no stimulus was given" in out
    assert "no difference" not in out
    timeless = tmp_path / "bell.yaml"
    timeless.write_text(
        "safetymodel: 1\ntitle: Bell\nsubsystems:\n  bell: {states: [quiet, rings], events: {ring: {}},\n"
        "    transitions: [{from: quiet, to: rings, on: ring}]}\n",
        encoding="utf-8",
    )
    path = tmp_path / "map.yaml"
    path.write_text("safetymodel_map: 1\noutputs: {bell: {point: bell}}\n", encoding="utf-8")
    with pytest.raises(SystemExit) as left:
        main(["bench", str(timeless), "--device", "twin", "--map", str(path)])
    assert left.value.code == 3
    assert "the map has no point for any event" in capsys.readouterr().out


def test_what_was_not_exercised_is_named(capsys: pytest.CaptureFixture[str]) -> None:
    assert called("--device", "twin", "--steps", "3") == 0
    out = capsys.readouterr().out
    named = r"^states entered, still missing: \w+ is \w+ \(\S+hatch.yaml:[0-9]+\); .*; and [0-9]+ more$"
    assert re.search(named, out, re.MULTILINE)


def test_a_device_that_cannot_be_given_a_fault_is_told_how_to_do_without(capsys: pytest.CaptureFixture[str]) -> None:
    assert called("--device", lines("healthy"), "--seed", "1") == 3
    out = capsys.readouterr().out
    assert "refused: the device says: no such point" in out
    assert "hint: where the device cannot be given this fault: `--faults 0`, or a map without it" in out
    assert called("--device", lines("healthy"), "--seed", "1", "--faults", "0", "--steps", "300") == 0


# -- in the call --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["--device", "twin", "--minutes", "nan"], "nan is no time"),
        (["--device", "twin", "--timeout", "inf"], "inf is no time"),
        (
            ["--device", "twin", "--defect", "stuck:inner_shut:true,stuck:inner_shut:false"],
            "inner_shut cannot always read true and always read false",
        ),
    ],
)
def test_mistakes_in_numbers_and_defects(arguments: list[str], said: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert called(*arguments) == 2
    assert said in capsys.readouterr().err


def test_what_a_device_prints_is_no_part_of_the_result(capsys: pytest.CaptureFixture[str]) -> None:
    assert called("--device", "python:rig_of_hatch:Loud", "--faults", "0", "--steps", "5", "--json", "-") == 0
    out, errors = capsys.readouterr()
    assert json.loads(out)["ended"] == "limit"
    assert "noise" in errors


# -- files that are kept ------------------------------------------------------------------------


def test_a_further_difference_does_not_take_the_place_of_the_first(tmp_path: Path) -> None:
    for defect in ("stuck:inner_shut:true", "stuck:inner_shut:false", "stuck:inner_shut:true"):
        assert called("--device", "twin", "--defect", defect, "--out", str(tmp_path), "--quiet") == 1
    assert len(list(tmp_path.glob("bench_two_door_hatch_seed0_*.json"))) == 2
    assert len(list(tmp_path.glob("test_bench_two_door_hatch_seed0_*.py"))) == 2


def test_a_kept_test_finds_its_device_from_anywhere(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    bench, kept = tmp_path / "bench", tmp_path / "kept"
    bench.mkdir()
    (bench / "rig_of_hatch.py").write_text(RIG.read_text(encoding="utf-8"), encoding="utf-8")
    monkeypatch.chdir(bench)
    device = f"lines:{shlex.join([sys.executable, 'rig_of_hatch.py', 'careless'])}"
    assert called("--device", device, "--faults", "0", "--out", str(kept), "--quiet") == 1
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", str(next(kept.glob("test_*.py")))],
        capture_output=True, text=True, timeout=60, cwd=tmp_path,
    )  # fmt: skip
    assert done.returncode == 1, done.stdout
    assert "the device shows open" in done.stdout


def test_a_replay_of_another_revision_is_told(
    tmp_path: Path, hatch: System, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "old.json"
    old = {"format": 1, "spec": {"sha256": "0123456789abcdef"}, "stimuli": ["panel.ask_inner"]}
    path.write_text(json.dumps(old), encoding="utf-8")
    assert called("--device", "twin", "--replay", str(path)) == 0
    assert "kept for another revision of the spec, sha256 0123456789ab" in capsys.readouterr().out
    path.write_text(json.dumps({**old, "spec": {"sha256": hatch.sha256}}), encoding="utf-8")
    found = read_replay(str(path), hatch)
    assert isinstance(found, Replay)
    assert found.note == ""


@pytest.mark.parametrize(
    ("text", "line", "why"),
    [
        ('{\n "format": 1,\n "stimuli": ["a"', 3, "it is no JSON, or cut off"),
        ('{"format": 2, "stimuli": []}', 1, "its format is 2, and this version reads format 1"),
        ("[]", 1, "it has no `format`"),
        ('{"format": 1, "stimuli": [5]}', 1, "it has no list of names as `stimuli`"),
    ],
)
def test_why_a_file_is_no_replay(tmp_path: Path, hatch: System, text: str, line: int, why: str) -> None:
    path = tmp_path / "replay.json"
    path.write_text(text, encoding="utf-8")
    found = read_replay(str(path), hatch)
    assert isinstance(found, Problem)
    assert (found.slug, found.span.line) == ("not-a-replay", line)
    assert why in found.message
