"""Broken specs: each file says which problems it must give and where; all that is printed is pinned beside it.

The first lines of a file are remarks: `# problem: SLUG at line N`, `# warning: SLUG at line N`, one
for each expected problem, in the order in which they come out.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from safetymodel.model.build import load_text
from safetymodel.problems import Problem

TESTS = Path(__file__).resolve().parent
FOLDER = TESTS / "bad_specs"
FILES = sorted(FOLDER.glob("*.yaml"))
ROOMS = TESTS.parent / "safetymodel"
FEWEST = 60

EXPECTED = re.compile(r"# (problem|warning): ([a-z0-9-]+) at line (\d+)$", re.M)
# A slug is the first text in one of these calls, or the part of a shape that names one.
_GIVEN = re.compile(
    r"(?:Problem|problem|_problem|error|report|refuse|_warning)\(\s*(?:description,\s*)?\"([a-z0-9]+(?:-[a-z0-9]+)*)\"|"
    r"Form\([^\"]*\"[^\"]*\",\s*\"([a-z-]+)\"|rf?\"[^\"]*\",\s*\"(bad-[a-z]+)\""
)
ELSEWHERE = {
    "no-such-file",
    "not-a-file",
    "cannot-read",
    "file-too-large",
    "not-utf-8",
    "too-much-content",
    "more-problems",
}
"""What no small text file can give: tests/test_hostile.py has these."""


def found_in(path: Path) -> tuple[Problem, ...]:
    system, problems = load_text(path.read_bytes(), path.name)
    assert (system is None) == any(p.severity == "error" for p in problems)
    return problems


def slugs_in_the_source() -> set[str]:
    found: set[str] = set()
    rooms = [*sorted((ROOMS / "spec").glob("*.py")), *(ROOMS / "model" / n for n in ("build.py", "lowering.py"))]
    for room in (*rooms, ROOMS / "model" / "doubts.py"):
        for groups in _GIVEN.findall(room.read_text(encoding="utf-8")):
            found.update(slug for slug in groups if slug)
    return found


def test_there_are_enough_of_them() -> None:
    assert len(FILES) >= FEWEST
    assert {p.stem for p in FILES} == {p.stem for p in FOLDER.glob("*.txt")}


@pytest.mark.parametrize("path", FILES, ids=lambda p: p.stem)
def test_the_problems_are_the_expected_ones(path: Path) -> None:
    expected = EXPECTED.findall(path.read_text(encoding="utf-8"))
    assert expected, "the file does not say what it expects"
    problems = found_in(path)
    kinds = {"error": "problem", "warning": "warning"}
    assert [(kinds[p.severity], p.slug, str(p.span.line)) for p in problems] == expected
    printed = "\n".join(p.as_text() for p in problems) + "\n"
    assert printed == path.with_suffix(".txt").read_text(encoding="utf-8")


@pytest.mark.parametrize("path", FILES, ids=lambda p: p.stem)
def test_every_place_is_in_the_file(path: Path) -> None:
    lines = path.read_text(encoding="utf-8").split("\n")
    for problem in found_in(path):
        for span in (problem.span, *problem.others):
            assert 1 <= span.line <= len(lines), problem
            assert 1 <= span.column <= len(lines[span.line - 1]) + 1, problem
            assert span.length >= 1
        assert problem.source == lines[problem.span.line - 1]


def test_every_kind_of_problem_has_a_file() -> None:
    known = slugs_in_the_source()
    assert len(known) >= 50, "the search for slugs found too few to mean anything"
    shown = {slug for path in FILES for _, slug, _ in EXPECTED.findall(path.read_text(encoding="utf-8"))}
    assert shown <= known, "a slug that the search does not find in the source"
    assert known - shown == ELSEWHERE
    hostile = (TESTS / "test_hostile.py").read_text(encoding="utf-8")
    assert not [slug for slug in ELSEWHERE if f'"{slug}"' not in hostile]
