"""Response budgets: worked figures from outside, and the longest reaction against brute force."""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import replace
from fractions import Fraction
from itertools import combinations
from pathlib import Path

import pytest
from test_defects import busy_system
from test_engines import random_system, small_walk

from safetymodel.claims.clock import Clock
from safetymodel.claims.judge import judge
from safetymodel.explore.choice import EngineName, explore
from safetymodel.insight.distance import depth_at, distance_of, least_distance
from safetymodel.insight.influence import mentioned
from safetymodel.insight.response import Budget, response_budgets
from safetymodel.insight.review import review
from safetymodel.model.build import load, load_text
from safetymodel.model.formula import InState, Not
from safetymodel.model.state import State, initial_state
from safetymodel.model.step import holds, steps
from safetymodel.model.system import Approach, Requirement, System
from safetymodel.span import NOWHERE

ROOT = Path(__file__).resolve().parent.parent


@pytest.mark.parametrize(
    ("milliseconds", "height", "needed"),
    [
        (35 + 485, 0, 2032),  # ISO 13855, worked example of a mat on the floor, as check-values.md has it (mark C)
        (300, 0, 1680),  # arithmetic from the formula of the same clause (mark X)
        (150, 100, 1400),  # likewise (mark X)
    ],
)
def test_a_mat_on_the_floor(milliseconds: int, height: float, needed: float) -> None:
    assert least_distance(Fraction(milliseconds), 1600, depth_at(height)) == pytest.approx(needed)
    found = distance_of(Approach(needed, NOWHERE, height=height), Fraction(milliseconds))
    assert found.needed == pytest.approx(needed)
    assert not distance_of(Approach(needed - 1, NOWHERE, height=height), Fraction(milliseconds)).suffices


def test_what_is_not_given_is_said() -> None:
    found = distance_of(Approach(3000, NOWHERE), Fraction(100))
    assert len(found.supposed) == 2
    assert found.suffices
    assert not distance_of(Approach(3000, NOWHERE, speed=1600, depth=850), Fraction(100)).supposed
    assert depth_at(1000) == 850  # value from memory, check against the printed standard
    assert any("1000 mm" in text for text in distance_of(Approach(3000, NOWHERE, height=1200), Fraction(1)).supposed)


def budgets_of(system: System, engine: EngineName, faults: int) -> tuple[Budget, ...]:
    spaces = explore(system, sorted({0, faults}), engine).spaces
    judged = tuple(judge(spaces[faults], r) for r in system.requirements)
    return response_budgets(spaces, judged, Clock(), Clock())


def with_responses(system: System, seed: int) -> System:
    """Some parts and switches with a response, of a few ms."""
    rng = random.Random(seed)

    def some() -> Fraction | None:
        return Fraction(rng.choice([1, 2, 5, 10])) if rng.random() < 0.7 else None

    return replace(
        system,
        subsystems=tuple(replace(s, response=some()) for s in system.subsystems),
        signals=tuple(replace(s, response=some()) for s in system.signals),
    )


def cost(system: System, number: int) -> Fraction:
    """What one reaction takes: the part, and the slowest switch that its conditions read."""
    t = system.transitions[number]
    read, todo = set[int](), [t.interlock, t.physical]
    while todo:
        _, new = mentioned([todo.pop()])
        todo += [system.signals[s].reads for s in new - read]
        read |= new
    switches = [system.signals[s].response or Fraction(0) for s in read]
    return (system.subsystems[t.subsystem].response or Fraction(0)) + max(switches, default=Fraction(0))


def only_for_a_moment(walk) -> Iterator[Requirement]:  # type: ignore[no-untyped-def]
    """Claims that are true in every settled state and in some transient one are not."""
    settled = {pair for s in walk.settled for pair in combinations(enumerate(s.states), 2)}
    passing = {pair for s in walk.steps.keys() - walk.settled for pair in combinations(enumerate(s.states), 2)}
    for number, ((one, a), (other, b)) in enumerate(sorted(passing - settled)):
        effect = InState(other, (b,), negated=True)
        yield Requirement(number, f"Q{number}", "", "cause", InState(one, (a,)), NOWHERE, effect=effect)


def longest(system: System, walk, requirement: Requirement, unit: bool) -> Fraction:  # type: ignore[no-untyped-def]
    """The costliest run of reactions through the states that break the requirement, its last step included."""
    if requirement.form == "cause":
        assert requirement.effect is not None
        bad = {
            s for s in walk.steps if holds(system, s, requirement.subject) and not holds(system, s, requirement.effect)
        }
    else:
        wrong = requirement.subject if requirement.form == "never" else Not(requirement.subject)
        bad = {s for s in walk.steps if holds(system, s, wrong)}
    bad -= walk.settled
    worth: dict[State, Fraction] = {}
    left = set(bad)
    while left:
        ready = [s for s in left if not any(t.after in left for t in walk.steps[s])]
        assert ready
        for state in ready:
            ways = [
                (Fraction(1) if unit else cost(system, t.number)) + worth.get(t.after, Fraction(0))
                for t in walk.steps[state]
            ]
            worth[state] = max(ways)
        left -= set(ready)
    return max(worth.values())


@pytest.mark.parametrize("engine", ["product", "symbolic"])
def test_the_longest_reaction_of_random_systems(engine: EngineName) -> None:
    looked = timed = 0
    for seed in range(120):
        system = with_responses(random_system(seed) if seed % 3 else busy_system(seed), seed)
        faults = min(seed % 2, len(system.faults))
        walk = small_walk(system, faults)
        if walk is None or len(walk.steps) > 1_500:
            continue
        system = replace(system, requirements=tuple(only_for_a_moment(walk))[:5])
        for budget in budgets_of(system, engine, faults):
            if budget.requirement.begins is not None:
                continue
            assert budget.steps == longest(system, walk, budget.requirement, unit=True), seed
            if budget.time is not None:
                assert budget.time == longest(system, walk, budget.requirement, unit=False), seed
                timed += 1
            _shows(system, budget, faults, seed)
            looked += 1
    assert looked > 20
    assert timed > 10


def _shows(system: System, budget: Budget, faults: int, seed: int) -> None:
    """The run is one of the model's, and its end costs what is said."""
    assert budget.run is not None
    state = initial_state(system)
    for step in budget.run.steps:
        assert step in tuple(steps(system, state, faults)), seed
        state = step.after
    reaction = budget.run.steps[budget.begins :]
    assert all(step.kind == "reaction" for step in reaction)
    if budget.time is None:
        assert len(reaction) == budget.steps
    else:
        assert sum(cost(system, step.number) for step in reaction) == budget.time


def test_the_loading_bay_is_32_mm_short() -> None:
    system, _ = load(str(ROOT / "specs" / "loading-bay.yaml"))
    assert system is not None
    found = review(system)
    (budget,) = found.response or ()
    assert budget.time == 520
    assert budget.distance is not None
    assert budget.distance.needed == pytest.approx(2032)
    assert found.short == (budget,)
    assert found.found
    nearer = load_text((ROOT / "specs" / "loading-bay.yaml").read_text().replace("2 m, height", "2.1 m, height"), "b")[
        0
    ]
    assert nearer is not None
    assert not review(nearer, parts=("response",)).found


def test_a_deadline_counts_its_wait_and_the_stopping() -> None:
    text = """
safetymodel: 1
title: Saw
tick: 100 ms
subsystems:
  guard:
    states: [shut, open]
    events: {pull: {}, push: {}}
    transitions: [{from: shut, to: open, on: pull}, {from: open, to: shut, on: push}]
  blade:
    states: [still, turning, braking]
    events: {start: {}}
    transitions:
      - {from: still, to: turning, on: start, if: shut}
      - {from: turning, to: braking, if: not shut}
      - {from: braking, to: still, after: 300 ms}
signals: {shut: {reads: guard is shut}}
requirements:
  R1:
    cause: guard is open
    effect: blade is still
    within: 300 ms
    approach: {distance: 900 mm, speed: 1600 mm / s, depth: 0 mm, stopping: 200 ms}
"""
    system, _ = load_text(text, "saw.yaml")
    assert system is not None
    (budget,) = review(system).response or ()
    assert budget.ticks == 3
    assert budget.time == 500
    assert budget.distance is not None
    assert budget.distance.needed == pytest.approx(800)


def test_parts_without_a_response_are_named() -> None:
    text = (ROOT / "specs" / "loading-bay.yaml").read_text().replace("    response: 485 ms\n", "")
    system, _ = load_text(text, "bay.yaml")
    assert system is not None
    (budget,) = review(system).response or ()
    assert budget.missing == ("table",)
    assert budget.time == 35
