"""Suggested conditions of specs whose answers are known from textbooks, or by looking at them."""

from __future__ import annotations

from pathlib import Path

from plain_walk import walk

from safetymodel.claims.judge import judge
from safetymodel.explore.choice import explore
from safetymodel.insight.suggest.search import suggest, suggest_for
from safetymodel.insight.suggest.suggested import Suggestion
from safetymodel.model.build import load
from safetymodel.model.step import can_move
from safetymodel.model.system import System
from safetymodel.traces.wording import formula_text

TEXTBOOK = Path(__file__).resolve().parent.parent / "specs" / "textbook"


def read(name: str) -> System:
    system, problems = load(str(TEXTBOOK / name))
    assert system is not None, problems
    return system


def suggested(system: System, name: str, keep: bool = False) -> Suggestion:
    spaces = explore(system, sorted({0, *(r.withstand for r in system.requirements)})).spaces
    before = {r.name: judge(spaces[r.withstand], r) for r in system.requirements}
    requirement = next(r for r in system.requirements if r.name == name)
    return suggest(spaces, requirement, before, keep_possible=keep)


def size(system: System) -> tuple[int, int]:
    """Settled states and happenings out of them, of a system without faults, by a plain walk."""
    walked = walk(system, 0)
    return walked.counts[0], walked.edges


def conditions(system: System, found: Suggestion) -> dict[str, str]:
    return {
        f"{system.subsystems[system.transitions[c.transition].subsystem].name}": formula_text(system, c.formula)
        for c in found.conditions
    }


def test_two_machines_and_a_buffer() -> None:
    """Ramadge and Wonham 1987: the first starts only while the buffer is empty, the second only while it is full. By
    hand: (idle or working) x (idle or working) with the buffer empty, and the first idle with it full: 6 states; from
    them 2 + 2 starts of the first, 2 x 2 ends, and 1 start of the second: see the sum below."""
    system = read("two-machines-buffer.yaml")
    found = suggested(system, "R1")
    assert conditions(system, found) == {"first": "buffer is empty", "second": "buffer is full"}
    assert found.least_restrictive
    assert found.changed is not None
    # starts of the first: from (idle, idle, empty), (idle, working, empty); ends of the first: from the two states with
    # it working; starts of the second: from (idle, idle, full); ends of the second: from the three with it working
    assert size(found.changed) == (6, 2 + 2 + 1 + 3)
    assert not found.worse
    assert [c.requirement.name for c in found.better] == ["R2"]


def test_transfer_line() -> None:
    """Wonham and Cai 2019: the least restrictive non-blocking supervisor has 28 states and 65 transitions."""
    system = read("transfer-line.yaml")
    found = suggested(system, "R1", keep=True)
    assert found.outcome == "conditions"
    assert found.least_restrictive
    assert found.changed is not None
    assert size(found.changed) == (28, 65)
    assert [(c.requirement.name, c.after) for c in found.better] == [("R2", "holds")]


def test_without_the_demand_the_line_can_block() -> None:
    system = read("transfer-line.yaml")
    found = suggested(system, "R1")
    assert found.blocks
    spaces = explore(system, (0,)).spaces
    before = {r.name: judge(spaces[0], r) for r in system.requirements}
    assert [
        (s.requirement.name, s.simpler, s.keeps_possible)
        for r in system.requirements
        if before[r.name].word == "broken"
        for s in suggest_for(spaces, r, before)
    ] == [
        ("R1", True, True),
        ("R1", False, False),
        ("R1", False, True),
        ("R2", False, False),
    ]


def test_the_simpler_supervisor_of_the_line() -> None:
    """The first buffer is filled only when it is empty: shorter, and the first machine starts less often; how much so
    is counted again by a plain walk of the line under the least restrictive conditions."""
    system = read("transfer-line.yaml")
    spaces = explore(system, (0,)).spaces
    before = {r.name: judge(spaces[0], r) for r in system.requirements}
    simpler, _, least = suggest_for(spaces, system.requirements[0], before)
    assert simpler.simpler
    assert conditions(system, simpler)["first"] == "before_second is empty"
    assert least.changed is not None
    (beyond,) = simpler.beyond
    first = system.transitions[beyond.transition]
    starts = [
        s for s in walk(least.changed, 0).settled if can_move(least.changed, s, least.changed.transitions[first.number])
    ]
    empty = [s for s in starts if s.states[next(x.number for x in system.subsystems if x.name == "before_second")] == 0]
    assert (beyond.states, beyond.every) == (len(starts) - len(empty), len(starts))
    assert f"it also holds back first: idle -> working in {beyond.states} of {len(starts)} states" in "\n".join(
        simpler.sentences
    )
    assert not simpler.costs
