"""The README's examples: each command is run, and what it prints is what the page shows."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from verified import run_of

from safetymodel.report import terminal

ROOT = Path(__file__).resolve().parent.parent
README = ROOT / "README.md"
BLOCK = re.compile(r"```console\n(.*?)```", re.DOTALL)
EXCERPT = re.compile(r"```text\n(.*?)```", re.DOTALL)
LEFT_OUT = "[...]"


def sessions() -> list[tuple[str, str]]:
    """(command, what it prints) of every console block."""
    found = []
    for block in BLOCK.findall(README.read_text(encoding="utf-8")):
        for part in re.split(r"^\$ ", block, flags=re.MULTILINE)[1:]:
            command, _, output = part.partition("\n")
            found.append((command, output))
    return found


def settled(text: str) -> str:
    """The text without what differs from run to run: seconds, and white space at line ends."""
    text = re.sub(r"\b[0-9.]+ m?s$", "TIME", text, flags=re.MULTILINE)
    return "\n".join(line.rstrip() for line in text.strip().splitlines())


def run(command: str, folder: Path) -> str:
    program = Path(sys.executable).parent
    path = f"{program}{os.pathsep}{os.environ['PATH']}"
    environment = {**os.environ, "PATH": path, "NO_COLOR": "1", "COLUMNS": "100"}
    done = subprocess.run(
        ["bash", "-c", command],
        cwd=folder,
        env=environment,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        timeout=120,
    )
    return done.stdout


def test_the_examples_of_the_readme(tmp_path: Path) -> None:
    shutil.copytree(ROOT / "specs", tmp_path / "specs")
    found = sessions()
    assert len(found) >= 5
    for command, shown in found:
        assert settled(run(command, tmp_path)) == settled(shown), command


def test_the_two_commands_are_those_of_continuous_integration() -> None:
    text = README.read_text(encoding="utf-8")
    commands = re.findall(r"```sh\n(.*?)\n```", text)
    assert len(commands) == 2
    assert commands[1] in (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    assert text.index("builder of special vehicles") < 200


def test_what_the_page_shows_of_the_coach_is_what_verify_prints(capsys: pytest.CaptureFixture[str]) -> None:
    """Each excerpt, between its marks of what is left out, stands in the output, in this order."""
    excerpts = EXCERPT.findall(README.read_text(encoding="utf-8"))
    for name, excerpt in zip(("whimbrel.yaml", "whimbrel-draft.yaml"), excerpts, strict=True):
        terminal.print_result(run_of(ROOT / "specs" / name))
        printed, found = settled(capsys.readouterr().out), 0
        for part in excerpt.split(LEFT_OUT):
            shown = settled(f"|{part}|").strip("|").strip("\n")
            assert shown
            found = printed.find(f"\n{shown}\n", found)
            assert found >= 0, shown
