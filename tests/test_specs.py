"""Every spec under specs/ says which verdicts it expects; here they are compared with what comes out.

At the end of a spec stand comment lines, which format 1 ignores:
    # expect R1 broken in 4        a verdict, with the happenings of the shortest counterexample
    # expect R2 holds
    # expect states 0 1803 7816    fault budget, settled states, all states
    # expect edges 616             enabled (settled state, choice of an event) pairs without faults
    # expect stuck 2               settled states without faults in which no event is enabled
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from pathlib import Path

import families
import pytest
from verified import SPECS, run_of

from safetymodel.claims.verdict import Judgement
from safetymodel.model.build import load
from safetymodel.model.state import State, initial_state
from safetymodel.model.step import is_settled, steps
from safetymodel.model.system import System
from safetymodel.pipeline import Run, verify

FILES = sorted(SPECS.rglob("*.yaml"))

FEWEST_SPECS = 14
FEWEST_REQUIREMENTS = 175
WORDS = ("holds", "reacts", "broken", "empty")


@dataclass
class Expected:
    verdicts: dict[str, tuple[str, int | None]] = field(default_factory=dict)
    states: dict[int, tuple[int, int]] = field(default_factory=dict)
    edges: int | None = None
    stuck: int | None = None


def expected_of(text: str) -> Expected:
    """The expectations that a spec states; a line that cannot be read fails."""
    found = Expected()
    for line in text.splitlines():
        if not line.startswith("# expect "):
            continue
        words = line.removeprefix("# expect ").split()
        if words[0] == "states":
            budget, settled, every = map(int, words[1:])
            assert budget not in found.states, line
            found.states[budget] = (settled, every)
        elif words[0] == "edges" and found.edges is None:
            (found.edges,) = map(int, words[1:])
        elif words[0] == "stuck" and found.stuck is None:
            (found.stuck,) = map(int, words[1:])
        else:
            match = re.fullmatch(r"# expect (\w+) (\w+)(?: in (\d+))?", line)
            assert match, line
            name, word, happenings = match.groups()
            assert word in WORDS, line
            assert (word == "broken") == (happenings is not None), line
            assert name not in found.verdicts, line
            found.verdicts[name] = (word, int(happenings) if happenings else None)
    return found


def name_of(path: Path) -> str:
    return str(path.relative_to(SPECS))


def verdict_of(judgement: Judgement) -> tuple[str, int | None]:
    shown = judgement.word == "broken" and judgement.trace
    return judgement.word, shown.happenings if shown else None


def walked(system: System) -> tuple[int, int, int]:
    """Settled states, edges and stuck states without faults, by the reference step alone."""
    start = initial_state(system)
    seen: set[State] = {start}
    todo = [start]
    settled = edges = stuck = 0
    while todo:
        state = todo.pop()
        after = list(steps(system, state, 0))
        if is_settled(system, state):
            events = sum(step.kind == "event" for step in after)
            settled += 1
            edges += events
            stuck += not any(step.kind in ("event", "time") for step in after)
        for step in after:
            if step.after not in seen:
                seen.add(step.after)
                todo.append(step.after)
    return settled, edges, stuck


def test_there_are_specs_enough_to_mean_something() -> None:
    expected = [expected_of(path.read_text(encoding="utf-8")) for path in FILES]
    assert len(FILES) >= FEWEST_SPECS
    assert sum(len(e.verdicts) for e in expected) >= FEWEST_REQUIREMENTS
    words = {word for e in expected for word, _ in e.verdicts.values()}
    assert words >= {"holds", "reacts", "broken"}
    assert sum(bool(e.states) for e in expected) >= FEWEST_SPECS
    assert sum(e.edges is not None for e in expected) >= 7


@pytest.mark.parametrize(
    "line",
    ["# expect R1 brokn in 4", "# expect R1 broken", "# expect R1 holds in 2", "# expect states 0 12", "# expect R1"],
)
def test_an_expectation_that_says_nothing_fails(line: str) -> None:
    with pytest.raises((AssertionError, ValueError)):
        expected_of(line)


@pytest.mark.parametrize("path", FILES, ids=name_of)
def test_verdicts_are_as_the_spec_expects(path: Path) -> None:
    expected, run = expected_of(path.read_text(encoding="utf-8")), run_of(path)
    names = [r.name for r in run.system.requirements]
    assert names == list(expected.verdicts), "one expectation a requirement, in their order"
    assert {j.requirement.name: verdict_of(j) for j in run.judgements} == expected.verdicts
    assert not run.shortfall


@pytest.mark.parametrize("path", FILES, ids=name_of)
def test_counts_are_as_the_spec_expects(path: Path) -> None:
    expected, run = expected_of(path.read_text(encoding="utf-8")), run_of(path)
    counts = {budget: (c.settled, c.all) for budget, c in run.counts}
    assert expected.states
    assert counts == expected.states


@pytest.mark.parametrize("path", FILES, ids=name_of)
def test_scenarios_run_and_the_reader_has_nothing_to_say(path: Path) -> None:
    run = run_of(path)
    assert [s for s in run.scenarios if not s.ok] == []
    assert [p.as_text() for p in run.problems] == []
    assert run.findings == ()


@pytest.mark.parametrize("path", [p for p in FILES if "# expect edges" in p.read_text(encoding="utf-8")], ids=name_of)
def test_edges_by_the_reference_step(path: Path) -> None:
    expected, run = expected_of(path.read_text(encoding="utf-8")), run_of(path)
    settled, edges, stuck = walked(run.system)
    assert (settled, edges, stuck) == (expected.states[0][0], expected.edges, expected.stuck)


def test_every_form_of_requirement_is_used() -> None:
    requirements = [r for path in FILES for r in run_of(path).system.requirements]
    forms = {r.form for r in requirements}
    assert forms == {"never", "always", "possible", "always_possible", "permissive", "start", "cause"}
    assert any(r.form == "cause" and r.within is not None for r in requirements)
    assert any(r.begins is not None and r.ends is not None for r in requirements)
    assert any(r.prevent for r in requirements)


def test_the_coach_is_a_whole_coach() -> None:
    system, _ = load(str(SPECS / "whimbrel.yaml"))
    assert system is not None
    assert len(system.subsystems) >= 40
    assert len(system.faults) >= 25
    assert len(system.requirements) >= 50
    assert sum(r.withstand for r in system.requirements) >= 41
    assert len(system.scenarios) >= 6


def test_the_draft_of_the_coach_breaks_in_five_places_and_the_coach_in_none() -> None:
    coach = expected_of((SPECS / "whimbrel.yaml").read_text(encoding="utf-8")).verdicts
    draft = expected_of((SPECS / "whimbrel-draft.yaml").read_text(encoding="utf-8")).verdicts
    assert list(coach) == list(draft)
    assert {word for word, _ in coach.values()} == {"holds", "reacts"}
    assert sum(word == "broken" for word, _ in draft.values()) == 5


@pytest.mark.parametrize(
    ("file", "text"),
    [("kanban-1.yaml", families.kanban_text(1)), ("philosophers-3.yaml", families.philosophers_text(3))],
)
def test_written_families_are_what_their_function_gives(file: str, text: str) -> None:
    lines = (SPECS / "textbook" / file).read_text(encoding="utf-8").splitlines()
    assert [line for line in lines if line and not line.startswith("#")] == text.splitlines()


@pytest.mark.parametrize(
    ("text", "settled", "edges", "stuck"),
    [
        # Ciardo and Tilgner 1996, ICASE 96-35; edges recomputed by a brute-force walk written apart from the project
        (families.kanban_text(1), 160, 616, 0),
        (families.kanban_text(2), 4_600, 28_120, 0),
        (families.kanban_text(3), 58_400, None, 0),
        # Ciardo, Luettgen and Siminiceanu 2000: Lucas(3 n) states
        (families.philosophers_text(2), 18, 34, 2),
        (families.philosophers_text(3), 76, 213, 2),
        (families.philosophers_text(4), 322, 1_204, 2),
        (families.philosophers_text(5), 1_364, 6_375, 2),
        (families.philosophers_text(6), 5_778, None, 2),
    ],
    ids=["kanban 1", "kanban 2", "kanban 3", *(f"philosophers {n}" for n in range(2, 7))],
)
def test_published_counts(tmp_path: Path, text: str, settled: int, edges: int | None, stuck: int) -> None:
    file = tmp_path / "family.yaml"
    file.write_text(text, encoding="utf-8")
    run = verify(str(file))
    assert isinstance(run, Run), run.problems
    assert [(b, c.settled, c.all) for b, c in run.counts] == [(0, settled, settled)]
    if edges is not None:
        assert walked(run.system) == (settled, edges, stuck)
