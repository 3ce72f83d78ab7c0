"""Specs verified once for the whole suite: the coach takes most of a minute, so no test verifies it again."""

from __future__ import annotations

from functools import cache
from pathlib import Path

from safetymodel.pipeline import Run, verify

SPECS = Path(__file__).resolve().parent.parent / "specs"
LARGE = ("whimbrel.yaml", "whimbrel-draft.yaml")
"""Judged without a second opinion, which takes as long again; `verify` on the command line asks for one."""


@cache
def run_of(path: Path) -> Run:
    run = verify(str(path), second_opinion="off" if path.name in LARGE else "auto")
    assert isinstance(run, Run), "\n".join(p.as_text() for p in run.problems)
    return run
