"""The linter and the type checker have nothing to say."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent


@pytest.mark.parametrize(
    "command", [("ruff", "check", "safetymodel", "tests"), ("mypy",)], ids=lambda command: str(command[0])
)
def test_nothing_to_say(command: tuple[str, ...]) -> None:
    done = subprocess.run([sys.executable, "-m", *command], cwd=ROOT, capture_output=True, text=True, timeout=300)
    assert done.returncode == 0, done.stdout + done.stderr
