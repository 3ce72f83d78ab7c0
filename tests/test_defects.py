"""Defects that need no requirement, against brute force over the reference step, with both engines."""

from __future__ import annotations

import random
import re
from collections import deque
from functools import cache

import networkx as nx
import pytest
from plain_walk import Walk
from random_systems import random_spec
from test_engines import random_system, small_walk

from safetymodel.claims.clock import Clock
from safetymodel.explore.choice import EngineName, explore
from safetymodel.insight.defects import Defect, find_defects
from safetymodel.model.build import load_text
from safetymodel.model.formula import TRUE
from safetymodel.model.state import State, initial_state
from safetymodel.model.step import can_move, choices, evaluate, holds, is_stuck, readings, steps
from safetymodel.model.system import System, Transition

SEEDS = 240


ENGINES: tuple[EngineName, ...] = ("product", "symbolic")


def defects_of(system: System, engine: EngineName, budget: int) -> tuple[Defect, ...]:
    spaces = explore(system, sorted({0, budget}), engine).spaces
    found = find_defects([spaces[k] for k in sorted(spaces)], Clock(), Clock)
    assert not found.undecided
    return found.found


@cache
def walked(seed: int) -> Walk | None:
    system = random_system(seed) if seed % 3 else busy_system(seed)
    return small_walk(system, min(seed % 2, len(system.faults)))


def busy_system(seed: int) -> System:
    """A random system in which most conditions on events stand alone: more reactions, and more that race."""
    rng = random.Random(seed)
    lines = random_spec(rng).splitlines()
    for place, line in enumerate(lines):
        if "- {from:" in line and "if:" in line and rng.random() < 0.8:
            lines[place] = re.sub(r", on: [a-z0-9.]+", "", line)
    system, problems = load_text("\n".join(lines), f"busy-{seed}.yaml")
    assert system is not None, "\n".join(p.as_text() for p in problems)
    return system


def ends(walk: Walk, state: State) -> set[State]:
    """Where reactions from a state can settle."""
    seen, queue = {state}, deque([state])
    found = set()
    while queue:
        here = queue.popleft()
        if here in walk.settled:
            found.add(here)
            continue
        for step in walk.steps[here]:
            if step.after not in seen:
                seen.add(step.after)
                queue.append(step.after)
    return found


def chatters(walk: Walk) -> bool:
    graph = nx.DiGraph()
    for state in walk.steps.keys() - walk.settled:
        graph.add_edges_from((state, step.after) for step in walk.steps[state])
    return not nx.is_directed_acyclic_graph(graph)


def asked(walk: Walk, t: Transition, condition: str) -> list[State]:
    """The states in which all else of a transition is there."""
    found = []
    system = walk.system
    for state in walk.steps:
        if state.states[t.subsystem] != t.source or is_stuck(system, state, t.subsystem):
            continue
        if not holds(system, state, t.physical if condition == "if" else t.interlock):
            continue
        if t.event is None:
            if state.clocks[t.subsystem] >= t.earliest:
                found.append(state)
        elif state in walk.settled:
            others = [w for s, w in system.events[t.event].movers if s != t.subsystem]
            partners = all(any(can_move(system, state, system.transitions[n]) for n in ways) for ways in others)
            if partners or not system.events[t.event].joint:
                found.append(state)
    return found


@pytest.mark.parametrize("engine", ENGINES)
@pytest.mark.parametrize("part", range(4))
def test_random_systems_against_brute_force(engine: EngineName, part: int) -> None:
    seen: dict[str, int] = {}
    for seed in range(part, SEEDS, 4):
        walk = walked(seed)
        if walk is None:
            continue
        found = defects_of(walk.system, engine, walk.budget)
        kinds = {defect.kind for defect in found}
        for kind in kinds:
            seen[kind] = seen.get(kind, 0) + 1
        assert bool(kinds & {"chatter", "never-settles"}) == chatters(walk), seed
        assert ("race" in kinds) == any(len(ends(walk, state)) > 1 for state in walk.steps), seed
        _stuck(walk, found, seed)
        _ambiguous(walk, found, seed)
        _dead(walk, found, seed)
        for defect in found:
            _runs(walk, defect, seed)
    for kind in ("race", "chatter", "stuck", "ambiguous", "dead-state", "dead-transition", "idle-condition"):
        assert seen.get(kind, 0) >= 2, kind


def _stuck(walk: Walk, found: tuple[Defect, ...], seed: int) -> None:
    """A settled state from which no event can happen, whatever time brings."""
    alive = {state for state in walk.settled if any(s.kind == "event" for s in walk.steps[state])}
    while True:
        more = {
            state
            for state in walk.steps.keys() - alive
            if any(s.after in alive for s in walk.steps[state] if s.kind in ("reaction", "time", "tick"))
        }
        if not more:
            break
        alive |= more
    lost = walk.settled - alive
    told = [defect for defect in found if defect.kind == "stuck"]
    assert bool(told) == bool(lost and walk.system.events), seed
    for defect in told:
        assert defect.runs[0].end in lost, seed


def _ambiguous(walk: Walk, found: tuple[Defect, ...], seed: int) -> None:
    system = walk.system
    pairs = set()
    for state in walk.settled:
        for event in system.events:
            ways = choices(system, state, event)
            for subsystem, _ in event.movers:
                able = sorted({t.number for way in ways for t in way if t.subsystem == subsystem})
                pairs.update((a, b) for a in able for b in able if a < b)
    assert {d.transitions for d in found if d.kind == "ambiguous"} == pairs, seed


def _dead(walk: Walk, found: tuple[Defect, ...], seed: int) -> None:
    system = walk.system
    entered = {(s, q) for state in walk.steps for s, q in enumerate(state.states)}
    lost = {(s.number, q) for s in system.subsystems for q in range(len(s.states))} - entered
    assert {(d.subsystem, d.state) for d in found if d.kind == "dead-state"} == lost, seed
    taken = {n for steps_there in walk.steps.values() for step in steps_there for n in step.moved}
    dead = {t.number for t in system.transitions} - taken
    told = {n for d in found if d.kind == "dead-transition" for n in d.transitions}
    at_dead_states = {t.number for t in system.transitions if {(t.subsystem, t.source), (t.subsystem, t.target)} & lost}
    assert told == dead - at_dead_states, seed
    idle = set()
    for t in system.transitions:
        for word, condition in (("if", t.interlock), ("physically", t.physical)):
            if t.number in taken and condition != TRUE:
                blocked = [s for s in asked(walk, t, word) if not evaluate(condition, s, readings(system, s))]
                if not blocked:
                    idle.add((t.number, word))
    assert {(n, d.condition) for d in found if d.kind == "idle-condition" for n in d.transitions} == idle, seed
    happen = {s.number for there in walk.steps.values() for s in there if s.kind == "event"}
    for defect in found:
        if defect.kind == "dead-event":
            assert defect.event not in happen, seed
    for event in system.events:
        if not event.movers:
            assert any(d.event == event.number for d in found if d.kind == "dead-event"), seed


def _runs(walk: Walk, defect: Defect, seed: int) -> None:
    """Every run is one of the model's, and shows what it is to show."""
    system = walk.system
    assert defect.places
    for run in defect.runs:
        state = initial_state(system)
        for step in run.steps:
            assert step in tuple(steps(system, state, defect.budget)), seed
            state = step.after
    if defect.kind == "race":
        one, other = defect.runs
        assert one.end in walk.settled
        assert other.end in walk.settled
        assert one.end != other.end, seed
        assert one.happenings == other.happenings
        place = next(i for i, (a, b) in enumerate(zip(one.steps, other.steps, strict=False)) if a != b)
        assert {one.steps[place].number, other.steps[place].number} == set(defect.transitions), seed
    elif defect.kind in ("chatter", "never-settles"):
        run, lasso = defect.runs[0], defect.lasso
        assert lasso is not None
        begin = run.steps[lasso - 1].after if lasso else run.start
        assert run.end == begin, seed
        assert all(step.kind == "reaction" for step in run.steps[lasso:])
        assert {step.number for step in run.steps[lasso:]} == set(defect.transitions)
    elif defect.kind == "ambiguous":
        assert all(can_move(system, defect.runs[0].end, system.transitions[t]) for t in defect.transitions)
    elif defect.kind == "idle-condition":
        there = [asked(walk, system.transitions[t], defect.condition) for t in defect.transitions]
        assert any(defect.runs[0].end in states for states in there), seed


LAMP_TEST = """
safetymodel: 1
title: Lamp test
subsystems:
  button:
    states: [out, in]
    events: {push: {}, let_go: {}}
    transitions:
      - {from: out, to: in, on: push}
      - {from: in, to: out, on: let_go}
  test:
    role: control
    states: [off, running, done]
    transitions:
      - {from: off, to: running, if: pushed}
      - {from: running, to: done, if: burning}
      - {from: running, to: off, if: not pushed}
      - {from: done, to: off, if: not pushed}
  lamp:
    states: [dark, lit]
    transitions:
      - {from: dark, to: lit, if: pushed}
      - {from: lit, to: dark, if: test is running}
signals:
  pushed: {reads: button is in}
  burning: {reads: lamp is lit}
"""


def test_a_lamp_test_that_races_names_the_two_transitions() -> None:
    """The lamp goes out again while its test runs, and lights again: the logic can go on so for ever."""
    system, _ = load_text(LAMP_TEST, "lamp.yaml")
    assert system is not None
    for engine in ENGINES:
        found = defects_of(system, engine, 0)
        assert {"chatter"} <= {d.kind for d in found}


LATCH_AND_BELL = """
safetymodel: 1
title: Latch and bell
subsystems:
  gate:
    states: [open, shut]
    events: {swing: {}}
    transitions: [{from: open, to: shut, on: swing}]
  latch:
    states: [up, down]
    transitions: [{from: up, to: down, if: gate is shut and bell is quiet}]
  bell:
    states: [quiet, rung]
    transitions: [{from: quiet, to: rung, if: gate is shut and latch is up}]
  spare:
    states: [one, two]
    transitions: [{from: one, to: two, if: latch is down and bell is rung}]
"""


def test_a_race_a_dead_state_and_where_it_sticks() -> None:
    system, _ = load_text(LATCH_AND_BELL, "latch.yaml")
    assert system is not None
    for engine in ENGINES:
        found = defects_of(system, engine, 0)
        race = next(d for d in found if d.kind == "race")
        assert {span.line for span in race.places} == {11, 14}
        assert race.runs[0].happenings == 1
        dead = next(d for d in found if d.kind == "dead-state")
        assert system.subsystems[dead.subsystem or 0].name == "spare"
        stuck = next(d for d in found if d.kind == "stuck")
        assert stuck.runs[0].happenings == 1
        assert len(found) == 3


def test_orders_that_end_alike_are_no_race() -> None:
    """Two lamps that each light by themselves commute; so do two that only shorten each other's way."""
    text = LATCH_AND_BELL.replace("gate is shut and bell is quiet", "gate is shut").replace(
        "gate is shut and latch is up", "gate is shut"
    )
    system, _ = load_text(text, "latch.yaml")
    assert system is not None
    for engine in ENGINES:
        assert "race" not in {d.kind for d in defects_of(system, engine, 0)}


def test_a_wait_for_time_is_not_stuck() -> None:
    text = """
safetymodel: 1
title: Kettle
subsystems:
  kettle:
    states: [cold, hot]
    events: {boil: {}}
    transitions: [{from: cold, to: hot, on: boil}, {from: hot, to: cold, after: 3 s}]
"""
    system, _ = load_text(text, "kettle.yaml")
    assert system is not None
    for engine in ENGINES:
        assert not defects_of(system, engine, 0)
