"""Minimal fault sets: equal to those found by brute force, one run a combination."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import replace
from itertools import combinations
from typing import Any

import pytest
from plain_walk import Walk, verdict, walk
from random_channels import channel_spec
from random_systems import random_spec

from safetymodel.claims.judge import judge
from safetymodel.explore.engine import Space
from safetymodel.explore.product import Product, ProductSpace
from safetymodel.explore.symbolic import Symbolic, SymbolicSpace
from safetymodel.faults.sets import minimal_sets, with_emptiness
from safetymodel.model.build import load_text
from safetymodel.model.state import State, initial_state
from safetymodel.model.system import Requirement, Scenario, ScenarioStep, System
from safetymodel.span import NOWHERE

ORDER = 3
SPECS = 60
PARTS = 6


def random_system(seed: int, text: Callable[[random.Random], str]) -> System:
    system, problems = load_text(text(random.Random(seed)), f"random-{seed}.yaml")
    assert system is not None, "\n".join(p.as_text() for p in problems)
    return system


def with_scenarios(system: System, rng: random.Random) -> System:
    """The system with scenarios of any steps: the search follows them first, whatever they do."""

    def step() -> ScenarioStep:
        kind = rng.choice(("event", "event", "event", "wait", "blocked", "fault"))
        if kind == "wait":
            return ScenarioStep("wait", NOWHERE, "", rng.randint(1, 3) if system.tick is not None else 0)
        if kind == "fault" and system.faults:
            return ScenarioStep("fault", NOWHERE, "", rng.randrange(len(system.faults)))
        return ScenarioStep("blocked" if kind == "blocked" else "event", NOWHERE, "", rng.randrange(len(system.events)))

    if not system.events:
        return system
    scenarios = (
        Scenario(f"s{n}", "", tuple(step() for _ in range(rng.randint(1, 8))), None, NOWHERE) for n in range(2)
    )
    return replace(system, scenarios=tuple(scenarios))


def limited(whole: Walk, chosen: frozenset[int]) -> Walk:
    """The walk in which no other faults strike."""
    found: dict[State, Any] = {}
    todo = [initial_state(whole.system)]
    while todo:
        state = todo.pop()
        if state in found:
            continue
        kept = tuple(s for s in whole.steps[state] if s.kind != "fault" or s.number in chosen)
        found[state] = kept
        todo.extend(s.after for s in kept)
    return Walk(whole.system, len(chosen), found, whole.settled & found.keys())


Found = dict[tuple[int, ...], int | None]
"""Each minimal set with the happenings of a shortest run to its breach."""


def by_brute_force(walks: dict[frozenset[int], Walk], requirement: Requirement) -> Found:
    """One judgement for each combination of faults, smallest first."""
    found: Found = {}
    for chosen, walked in sorted(walks.items(), key=lambda pair: len(pair[0])):
        if any(chosen.issuperset(smaller) for smaller in found):
            continue
        word, distance, _ = verdict(walked, requirement)
        if word == "broken":
            found[tuple(sorted(chosen))] = None if distance is None else distance[0]
    return found


def walks_of(system: System, order: int, most: int = 6_000) -> dict[frozenset[int], Walk] | None:
    """A walk for each combination of up to ``order`` faults; None where the system is too large for that."""
    try:
        whole = walk(system, order, most=most)
    except AssertionError:
        return None
    numbers = range(len(system.faults))
    chosen = [frozenset(c) for size in range(order + 1) for c in combinations(numbers, size)]
    return {c: limited(whole, c) for c in chosen}


def spaces_of(system: System, order: int) -> dict[str, Space[Any]]:
    return {
        "product": ProductSpace(Product(system, order)),
        "symbolic": SymbolicSpace(Symbolic(system, order)),
    }


def compared(seed: int, text: Callable[[random.Random], str] = random_spec) -> tuple[int, int]:
    """Compare every requirement of one random spec; (sets seen, sets of two or more faults)."""
    system = with_scenarios(random_system(seed, text), random.Random(seed))
    order = min(ORDER, len(system.faults))
    walks = walks_of(system, order)
    if not order or walks is None:
        return 0, 0
    seen = several = 0
    spaces = spaces_of(system, order)
    for requirement in system.requirements:
        expected = by_brute_force(walks, requirement)
        for name, space in spaces.items():
            result = minimal_sets(space, requirement)
            context = f"seed {seed}, {name}, {requirement.name}: {requirement.wording}"
            assert result.complete, context
            got = {s.faults: s.trace.happenings if s.trace else None for s in result.sets}
            assert set(got) == set(expected), context
            for faults, happenings in expected.items():
                if happenings is not None:
                    assert got[faults] == happenings, f"{context}, {faults}"
            for s in result.sets:
                if s.trace is not None:
                    assert s.trace.end.flags == sum(1 << f for f in s.faults), context
                    struck = {step.number for step in s.trace.steps if step.kind == "fault"}
                    assert struck == set(s.faults), context
            assert [s.faults for s in result.sets] == sorted(got, key=lambda f: (len(f), f)), context
            word = judge(space, requirement).word
            assert (word == "broken") == bool(result.sets), context
            assert (word == "empty") == (with_emptiness(space, result).empty is not None), context
        seen += len(expected)
        several += sum(len(faults) > 1 for faults in expected)
    return seen, several


@pytest.mark.parametrize("part", range(PARTS))
def test_sets_are_those_of_brute_force(part: int) -> None:
    counts = [compared(seed) for seed in range(part, SPECS, PARTS)]
    looked = [c for c in counts if c != (0, 0)]
    assert len(looked) >= SPECS // PARTS // 3
    assert sum(seen for seen, _ in counts) > 10


@pytest.mark.parametrize("part", range(3))
def test_sets_of_several_faults_are_those_of_brute_force(part: int) -> None:
    counts = [compared(seed, channel_spec) for seed in range(part, 24, 3)]
    assert sum(several for _, several in counts) >= 2
