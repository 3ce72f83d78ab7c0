"""Suggested conditions of random specs, held against a game that is played by brute force over the step function."""

from __future__ import annotations

import random
from collections import Counter

from random_systems import random_spec
from suggesting import BruteForce

from safetymodel.claims.judge import judge
from safetymodel.explore.choice import explore
from safetymodel.insight.standing import word_of
from safetymodel.insight.suggest.goal import goal_of
from safetymodel.insight.suggest.search import suggest
from safetymodel.model.build import load_text
from safetymodel.model.system import System

MOST_STATES = 1500


def loaded(seed: int) -> System | None:
    system, _ = load_text(random_spec(random.Random(seed)), "random.yaml")
    assert system is not None
    wide = max(t.latest for t in system.transitions) > 0 and len(system.transitions) > 22
    return None if wide else system


def compared(seed: int) -> Counter[str]:
    """What was found for each broken requirement of one random spec, everything asserted."""
    found: Counter[str] = Counter()
    system = loaded(seed)
    if system is None:
        return found
    budgets = sorted({0, *(r.withstand for r in system.requirements)})
    spaces = explore(system, budgets).spaces
    if any(space.size(space.reached) > MOST_STATES for space in spaces.values()):
        return found
    before = {r.name: judge(spaces[r.withstand], r) for r in system.requirements}
    for requirement in system.requirements:
        goal = goal_of(system, requirement)
        if before[requirement.name].word != "broken" or goal is None:
            continue
        try:
            brute = BruteForce(system, requirement.withstand, goal)
        except OverflowError:
            continue
        suggestion = suggest(spaces, requirement, before)
        found[suggestion.outcome] += 1
        if suggestion.outcome == "no condition":
            assert brute.start in brute.lost, f"{seed} {requirement.name}: something could be done"
            assert suggestion.way is not None
        elif suggestion.outcome == "conditions":
            assert brute.start not in brute.lost
            assert suggestion.changed is not None
            after = explore(suggestion.changed, (requirement.withstand,)).spaces[requirement.withstand]
            assert word_of(after, requirement) in ("holds", "reacts", "empty"), f"{seed} {requirement.name}"
            if suggestion.least_restrictive:
                found["least restrictive"] += 1
                found["held back"] += brute.check(suggestion.changed)
    return found


def test_random_specs() -> None:
    found: Counter[str] = Counter()
    for seed in range(60):
        found += compared(seed)
    assert found["no condition"] >= 50
    assert found["conditions"] >= 20
    assert found["least restrictive"] >= 20
    assert found["held back"] >= 100
