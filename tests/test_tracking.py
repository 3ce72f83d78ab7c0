"""The possible states of a device under test are those of the reference step function, on random specs."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import replace
from functools import partial

import pytest
from random_systems import random_spec

from safetymodel.bench.reactions import CannotTrack
from safetymodel.bench.stimulus import Stimulus
from safetymodel.bench.tracking import Tracker
from safetymodel.model.build import load_text
from safetymodel.model.formula import FALSE, TRUE, Not
from safetymodel.model.state import State, initial_state
from safetymodel.model.step import can_move, choices, happenings, jumped, may_strike, moved, reactions, steps, ticked
from safetymodel.model.system import System


def plainly_settled(system: System, states: set[State]) -> set[State]:
    seen: set[State] = set()
    settled: set[State] = set()
    stack = list(states)
    while stack:
        state = stack.pop()
        if state in seen:
            continue
        seen.add(state)
        nexts = [step.after for step in reactions(system, state)]
        if not nexts:
            settled.add(state)
            nexts = [s.after for s in steps(system, state, 0) if s.kind == "time"]
        stack.extend(nexts)
    return settled


def plainly_after(system: System, states: set[State], stimulus: Stimulus) -> set[State]:
    if stimulus.kind == "wait":
        for _ in range(stimulus.number):
            states = plainly_settled(system, {ticked(system, state) for state in states})
        return states
    landed: set[State] = set()
    for state in states:
        if stimulus.kind == "event":
            landed.update(moved(state, way) for way in choices(system, state, system.events[stimulus.number]))
            if not choices(system, state, system.events[stimulus.number]):
                landed.add(state)
            continue
        fault = system.faults[stimulus.number]
        up = bool(state.flags >> fault.number & 1)
        if stimulus.kind == "jump":
            able = up and state.states[fault.subject] == fault.state
            landed.add(jumped(state, fault.subject, fault.target) if able else state)
        elif may_strike(system, state, fault.number, len(system.faults)):
            landed.add(state._replace(flags=state.flags | 1 << fault.number))
        else:
            landed.add(state)
    return plainly_settled(system, landed)


def some_stimulus(rng: random.Random, system: System) -> Stimulus:
    kinds = ["event"] * 6 + (["wait"] * 2 if system.tick is not None else []) + (["fault"] if system.faults else [])
    kind = rng.choice(kinds)
    if kind == "event":
        return Stimulus("event", rng.randrange(len(system.events)))
    if kind == "wait":
        return Stimulus("wait", rng.randint(1, 3))
    fault = rng.choice(system.faults)
    return Stimulus(rng.choice(["fault", "jump"]) if fault.kind == "jump" else "fault", fault.number)


@pytest.mark.parametrize("seed", range(40))
def test_possible_states_are_those_of_the_step_function(seed: int) -> None:
    rng = random.Random(seed)
    system, _ = load_text(random_spec(rng), "random.yaml")
    assert system is not None
    tracker = Tracker(system)
    try:
        states = tracker.start()
    except CannotTrack:
        assert not plainly_settled(system, {initial_state(system)})
        return
    assert set(states) == plainly_settled(system, {initial_state(system)})
    for _ in range(30):
        stimulus = some_stimulus(rng, system)
        plain = plainly_after(system, set(states), stimulus)
        try:
            found = tracker.after(states, stimulus)
        except CannotTrack:
            assert not plain
            return
        assert len(found) == len(set(found))
        assert set(found) == plain, stimulus
        for state in found[:3]:
            for t in system.transitions:
                assert tracker.can(state, t.number) == can_move(system, state, t)
            events = {s.number for s in happenings(system, state, 0) if s.kind == "event"}
            assert events == {e.number for e in system.events if tracker.choices(state, e.number)}
        states = found if len(found) < 50 else found[:1]


def test_slack_is_the_union_of_shorter_and_longer_waits() -> None:
    looked = 0
    for seed in range(60):
        rng = random.Random(seed)
        system, _ = load_text(random_spec(rng), "random.yaml")
        assert system is not None
        if system.tick is None:
            continue
        tracker = Tracker(system)
        try:
            states = tracker.start()
            waits = [tracker.after(states, Stimulus("wait", n)) for n in (1, 2, 3)]
            loose = tracker.after(states, Stimulus("wait", 2), slack=1)
        except CannotTrack:
            continue
        looked += 1
        assert set(loose) == set().union(*waits)
    assert looked > 10


@pytest.mark.parametrize("seed", range(20))
def test_a_tracker_with_other_conditions_is_that_of_a_system_with_them(seed: int) -> None:
    rng = random.Random(seed)
    system, _ = load_text(random_spec(rng), "random.yaml")
    assert system is not None
    tracker = Tracker(system)
    t = rng.choice(system.transitions)
    instead = rng.choice([Not(t.interlock), FALSE, TRUE])
    transitions = list(system.transitions)
    transitions[t.number] = replace(t, interlock=instead)
    trackers = [tracker.altered({t.number: instead}), Tracker(replace(system, transitions=tuple(transitions)))]
    states: list[tuple[State, ...] | None] = [_answer(one.start) for one in trackers]
    for _ in range(60):
        if None in states:
            break
        assert set(states[0] or ()) == set(states[1] or ())
        stimulus = some_stimulus(rng, system)
        told = zip(trackers, states, strict=True)
        states = [_answer(partial(one.after, here or (), stimulus)) for one, here in told]
    assert (states[0] is None) == (states[1] is None)


def _answer(ask: Callable[[], tuple[State, ...]]) -> tuple[State, ...] | None:
    """None where it cannot be told."""
    try:
        return ask()
    except CannotTrack:
        return None
