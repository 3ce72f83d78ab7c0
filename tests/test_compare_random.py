"""Comparison of random pairs against following both by hand, sequence by sequence, with the reference step function."""

from __future__ import annotations

import random
from collections.abc import Iterator

import pytest
from random_revisions import pair, reworded
from random_systems import random_spec

from safetymodel.explore.engine import Limits
from safetymodel.model.build import load_text
from safetymodel.model.state import State, initial_state
from safetymodel.model.step import Step, happenings, reactions
from safetymodel.model.system import System
from safetymodel.revisions.compare import Behaviours, compare_behaviour
from safetymodel.revisions.sequences import Label

DEPTH = 4
MOST = 4_000


def system_of(text: str) -> System | None:
    system, _ = load_text(text, "random.yaml")
    return system


def settles(system: System, states: set[State]) -> frozenset[State]:
    seen, todo, ends = set(states), list(states), set()
    while todo:
        state = todo.pop()
        after = [step.after for step in reactions(system, state)]
        if not after:
            ends.add(state)
        for one in after:
            if one not in seen:
                seen.add(one)
                todo.append(one)
    return frozenset(ends)


def name(system: System, step: Step) -> Label:
    if step.kind == "event":
        return "event", system.events[step.number].name
    if step.kind in ("fault", "jump"):
        return step.kind, system.faults[step.number].name
    if step.kind == "tick":
        return "tick", ""
    t = system.transitions[step.number]
    s = system.subsystems[t.subsystem]
    return "time", f"{s.name}: {s.states[t.source]} -> {s.states[t.target]}"


def onward(system: System, states: frozenset[State], budget: int) -> dict[Label, frozenset[State]]:
    landed: dict[Label, set[State]] = {}
    for state in states:
        for step in happenings(system, state, budget):
            landed.setdefault(name(system, step), set()).add(step.after)
    found = {label: settles(system, after) for label, after in landed.items()}
    return {label: after for label, after in found.items() if after}


def looks(system: System, states: frozenset[State], names: list[str]) -> set[tuple[str, ...]]:
    subsystems = [system.subsystem_named(n) for n in names]
    return {tuple(s.states[state.states[s.number]] for s in subsystems if s is not None) for state in states}


def sequences(old: System, new: System, budget: int) -> Iterator[tuple[tuple[Label, ...], frozenset, frozenset]]:
    """Every sequence up to a depth that one of them has, shortest first, with where each can have settled."""
    layer = [((), settles(old, {initial_state(old)}), settles(new, {initial_state(new)}))]
    told = 0
    for _ in range(DEPTH + 1):
        following = []
        for labels, there, here in layer:
            yield labels, there, here
            told += 1
            if told > MOST:
                return
            if not there or not here:
                continue
            theirs, ours = onward(old, there, budget), onward(new, here, budget)
            for label in theirs.keys() | ours.keys():
                none: frozenset[State] = frozenset()
                following.append(((*labels, label), theirs.get(label, none), ours.get(label, none)))
        layer = following


def states_after(system: System, labels: tuple[Label, ...], budget: int) -> frozenset[State]:
    states = settles(system, {initial_state(system)})
    for label in labels:
        states = onward(system, states, budget).get(label, frozenset())
    return states


def agrees(found: Behaviours, old: System, new: System, exact: bool) -> bool:
    """Checks everything that is said; gives back whether following by hand found any difference."""
    budget = found.budget
    old, new = found.old, found.new  # counted in one tick
    names = [s.name for s in old.subsystems if new.subsystem_named(s.name)]
    shortest: dict[object, int] = {}
    for labels, there, here in sequences(old, new, budget):
        if labels and bool(there) != bool(here):
            key = (labels[-1:], "new" if here else "old")
            shortest.setdefault(key, len(labels) - 1)
        elif looks(old, there, names) != looks(new, here, names):
            shortest.setdefault("states", len(labels))
    if shortest:
        assert found.equal is not True
    told: dict[object, int] = {}
    for d in found.divergences:
        there, here = states_after(old, d.labels, budget), states_after(new, d.labels, budget)
        assert bool(there) or bool(here) or not d.labels
        assert d.states or d.only_old or d.only_new or looks(old, there, names) != looks(new, here, names)
        for s in d.states:
            place = names.index(s.subsystem)
            assert set(s.old) == {row[place] for row in looks(old, there, names)}
            assert set(s.new) == {row[place] for row in looks(new, here, names)}
            assert set(s.old) != set(s.new)
        for label in d.only_old:
            assert label in onward(old, there, budget)
            assert label not in onward(new, here, budget)
        for label in d.only_new:
            assert label in onward(new, here, budget)
            assert label not in onward(old, there, budget)
        for run, system in ((d.old_run, old), (d.new_run, new)):
            if run is not None:
                assert tuple(name(system, s) for s in run.steps if s.kind != "reaction") == d.labels
        for which, only in (("old", d.only_old), ("new", d.only_new)):
            for label in only:
                key = ((label,), which)
                told[key] = min(len(d.labels), told.get(key, len(d.labels)))
        if d.states:
            told["states"] = min(len(d.labels), told.get("states", len(d.labels)))
    if exact and not budget:  # with faults, those with the fewest come first
        for key, length in shortest.items():
            assert told[key] == length, (key, length, told)
    return bool(shortest)


@pytest.mark.parametrize("budget", [0, 1])
def test_random_pairs_agree_with_following_both_by_hand(budget: int) -> None:
    compared = {True: 0, False: 0, None: 0}
    for seed in range(30):
        texts = pair(1000 * budget + seed, 1 + seed % 3)
        old, new = (system_of(text) for text in texts)
        if old is None or new is None:
            continue
        found = compare_behaviour(old, new, budget)
        differ = agrees(found, old, new, exact=True)
        compared[found.equal] += 1
        by_sets = compare_behaviour(old, new, budget, Limits(states=1))
        agrees(by_sets, old, new, exact=False)
        assert by_sets.equal is None or by_sets.equal == found.equal, seed
        if differ and by_sets.equal is None:
            assert by_sets.reason
    assert compared[True] >= 4
    assert compared[False] >= 8
    assert not compared[None]


def test_other_words_for_the_same_are_proved_equal() -> None:
    for seed in range(12):
        rng = random.Random(500 + seed)
        text = random_spec(rng)
        old, new = system_of(text), system_of(reworded(text, rng))
        assert old is not None
        assert new is not None
        found = compare_behaviour(old, new, min(1, len(old.faults)))
        assert found.equal
        assert found.road == "conditions"
        assert (found.ways, found.parts, found.divergences) == ((), (), ())
        assert len(found.unchanged) == len(new.subsystems)
        assert set(found.same_claims) == {r.name for r in new.requirements}
