"""Everything that a terminal shows, at all widths, without colour, and in the code pages of older Windows consoles."""

from __future__ import annotations

import io
import re
import sys
from collections.abc import Callable, Iterable
from pathlib import Path

import pytest

from safetymodel.cli import main
from safetymodel.comparison import compare
from safetymodel.faults.study import study
from safetymodel.insight.review import review
from safetymodel.model.build import load_text
from safetymodel.pipeline import Run, verify
from safetymodel.report import terminal
from safetymodel.report.baseline import baseline_said, changes_between
from safetymodel.report.compare_said import said_of_comparison
from safetymodel.report.compared import Compared
from safetymodel.report.faults_said import said_of_faults
from safetymodel.report.machine import run_json
from safetymodel.report.review_said import said_of_review
from safetymodel.report.said import Block, said_of

HATCH = Path(__file__).resolve().parent.parent / "specs" / "two-door-hatch.yaml"
WIDER = ("if: outer_shut and panel is inner", "if: panel is inner")
ESCAPE = re.compile(r"\x1b\[[0-9;?]*[A-Za-z]")
FRAME = re.compile(r"[\u2500-\u259f|+-]")


class Screen(io.TextIOWrapper):
    """A terminal with an encoding."""

    def __init__(self, encoding: str) -> None:
        super().__init__(io.BytesIO(), encoding=encoding, newline="")

    def isatty(self) -> bool:
        return True

    def text(self) -> str:
        self.flush()
        buffer = self.buffer
        assert isinstance(buffer, io.BytesIO)
        return buffer.getvalue().decode(self.encoding)


@pytest.fixture(scope="module")
def said(tmp_path_factory: pytest.TempPathFactory) -> dict[str, list[Block]]:
    """What each command says of the hatch, and of the hatch with one condition less."""
    folder = tmp_path_factory.mktemp("specs")
    old, new = folder / "old.yaml", folder / "new.yaml"
    text = HATCH.read_text(encoding="utf-8").replace("asks for the inner door", "verlangt die innere Tür прошу")
    old.write_text(text, encoding="utf-8")
    new.write_text(text.replace(*WIDER), encoding="utf-8")
    runs = [verify(str(path), second_opinion="off") for path in (old, new)]
    before, after = runs
    assert isinstance(before, Run)
    assert isinstance(after, Run)
    compared = compare(str(old), str(new))
    assert isinstance(compared, Compared)
    system, _ = load_text(text, "hatch.yaml")
    assert system is not None
    changes = changes_between(run_json(before), run_json(after))
    return {
        "verify": list(said_of(after)),
        "faults": list(said_of_faults(study(system, 2), ("R1",), True)),
        "review": list(said_of_review(review(system))),
        "compare": list(said_of_comparison(compared)),
        "baseline": list(baseline_said([("hatch.yaml", change) for change in changes])),
    }


COMMANDS = ("verify", "faults", "review", "compare", "baseline")
Show = Callable[[Iterable[Block], int, str, str], str]


@pytest.fixture
def show(monkeypatch: pytest.MonkeyPatch) -> Show:
    def one(blocks: Iterable[Block], width: int, encoding: str = "utf-8", no_color: str = "") -> str:
        screen = Screen(encoding)
        monkeypatch.setattr(sys, "stdout", screen)
        monkeypatch.setenv("COLUMNS", str(width))
        monkeypatch.setenv("TERM", "xterm-256color")
        if no_color:
            monkeypatch.setenv("NO_COLOR", no_color)
        else:
            monkeypatch.delenv("NO_COLOR", raising=False)
        terminal.show(blocks, screen)
        return screen.text()

    return one


def words(text: str) -> list[str]:
    """What is read, whatever the wrapping, the colours and the rules of tables."""
    return sorted(FRAME.sub("", ESCAPE.sub("", text)).replace("\\", "").split())


@pytest.mark.parametrize("command", COMMANDS)
def test_every_width_fits(command: str, said: dict[str, list[Block]], show: Show) -> None:
    for width in (60, 72, 80, 100, 132, 200):
        for no_color in ("", "1"):
            text = ESCAPE.sub("", show(said[command], width, "utf-8", no_color))
            longest = max(text.splitlines(), key=len)
            assert len(longest) <= width or " " not in longest.strip(), (width, longest)
            assert len(text) > 150


@pytest.mark.parametrize("command", COMMANDS)
def test_no_meaning_by_colour_alone(command: str, said: dict[str, list[Block]], show: Show) -> None:
    """With all colour and weight taken away the words are those of a plain pipe."""
    plain = "\n".join(line for block in said[command] for line in terminal.plain_lines(block))
    coloured = show(said[command], 500)
    assert "\x1b[" in coloured
    assert words(coloured) == words(plain)
    bare = show(said[command], 500, "utf-8", "1")
    assert "\x1b" not in bare
    assert words(bare) == words(plain)


@pytest.mark.parametrize("encoding", ["cp437", "cp850", "cp1252", "cp932", "ascii"])
@pytest.mark.parametrize("command", COMMANDS)
def test_old_code_pages(command: str, encoding: str, said: dict[str, list[Block]], show: Show) -> None:
    """What a code page lacks is written out; nothing fails, in colour or without."""
    for no_color in ("", "1"):
        text = show(said[command], 100, encoding, no_color)
        if "verlangt" in text:
            assert ("прошу" if encoding == "cp932" else "\\u043f") in text


@pytest.mark.parametrize("encoding", ["cp437", "cp1252", "ascii", "utf-8"])
def test_the_sign_of_life_needs_no_more_than_the_terminal_has(encoding: str, monkeypatch: pytest.MonkeyPatch) -> None:
    import time

    screen = Screen(encoding)
    monkeypatch.setattr(sys, "stderr", screen)
    monkeypatch.setattr(terminal, "SPIN_AFTER", 0.0)
    monkeypatch.setattr(terminal, "_REFRESH", 0.0)
    monkeypatch.setenv("TERM", "xterm-256color")
    monkeypatch.delenv("NO_COLOR", raising=False)
    with terminal.progress() as report:
        for count in range(3):
            report("looking at прошу", count)
            time.sleep(0.15)
    assert "looking at" in screen.text()


@pytest.mark.parametrize(
    ("command", "told"),
    [("verify", "Spec files."), ("compare", "The earlier revision."), ("report", "The spec file"), ("new", "to write")],
)
def test_help_tells_what_the_arguments_are(command: str, told: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as end:
        main([command, "--help"])
    assert not end.value.code
    out = capsys.readouterr().out
    assert told in out
    if command != "new":  # which judges nothing
        assert "They do not replace risk" in " ".join(out.split())
