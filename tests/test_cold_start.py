"""What a verification of a small spec loads: every import costs a person's time."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent

HEAVY = {"networkx", "graphviz", "graphviz_pure", "hypothesis", "transitions", "jinja2", "pymodbus", "pytest", "z3"}


def loaded(*arguments: str) -> set[str]:
    """The top-level modules that a run of the program has loaded at its end."""
    program = (
        "import sys, contextlib, io\n"
        "try:\n"
        "    with contextlib.redirect_stdout(io.StringIO()):\n"
        "        from safetymodel.cli import main\n"
        "        main(sys.argv[1:])\n"
        "except SystemExit:\n"
        "    pass\n"
        "print('LOADED', *sorted({name.split('.')[0] for name in sys.modules}))\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", program, *arguments], cwd=ROOT, capture_output=True, text=True, timeout=120, check=True
    )
    line = next(line for line in done.stdout.splitlines() if line.startswith("LOADED"))
    return set(line.split()[1:])


def test_a_verification_loads_nothing_heavy() -> None:
    names = loaded("verify", "specs/pass-through.yaml")
    assert {"safetymodel", "lark", "ruamel"} <= names
    assert not names & HEAVY


@pytest.mark.parametrize("arguments", [("verify", "no-such-file.yaml"), ("--help",), ("schema",)])
def test_short_answers_load_no_engine(arguments: tuple[str, ...]) -> None:
    names = loaded(*arguments)
    assert "safetymodel" in names
    assert not names & (HEAVY | {"oxidd", "pysat"})
