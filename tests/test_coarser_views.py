"""Shortest runs by coarser views: as short as from both ends alone, and an end where nothing leads to the target."""

from __future__ import annotations

import random
from typing import Any

import pytest
from plain_walk import walk
from random_systems import random_chain, random_spec
from test_engines import ENGINES, Engine, symbolic_engine

from safetymodel.claims import search
from safetymodel.claims.judge import judge
from safetymodel.claims.search import Layers, Walker
from safetymodel.explore import symbolic
from safetymodel.explore.engine import HAPPENINGS, REACTION
from safetymodel.model.build import load_text
from safetymodel.model.formula import InState
from safetymodel.model.system import System


def some_system(seed: int) -> System | None:
    system, _ = load_text(random_spec(random.Random(seed)), f"seed-{seed}.yaml")
    return system


def test_views_first_or_both_ends_first_gives_the_same_runs(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(symbolic, "MOST_SEEN", 0.95)
    tried: list[str] = []
    guided = Walker._guided

    def told(walker: Walker[Any], *arguments: Any) -> Any:
        run = guided(walker, *arguments)
        tried.append("found" if run else "not found")
        return run

    monkeypatch.setattr(Walker, "_guided", told)
    deeper = Walker._deeper
    forwards: list[bool] = []

    def told_of_layer(walker: Walker[Any], layers: Layers[Any]) -> bool:
        if walker.space._through is not None:
            forwards.append(True)
        return deeper(walker, layers)

    monkeypatch.setattr(Walker, "_deeper", told_of_layer)
    broken = 0
    for seed in range(4_000, 4_120):
        system = some_system(seed)
        if system is None or len(system.subsystems) < 3:
            continue
        budget = min(2, len(system.faults))
        lengths = []
        for short in (0, 1_000_000):  # views as soon as can be, and never
            monkeypatch.setattr(search, "SHORT", short)
            space = symbolic_engine(system, budget)
            runs = [judge(space, requirement).trace for requirement in system.requirements]
            lengths.append([None if run is None else (run.happenings, run.end.flags.bit_count()) for run in runs])
        assert lengths[0] == lengths[1], seed
        broken += sum(length is not None for length in lengths[0])
    assert broken > 150
    assert tried.count("found") > 40
    assert tried.count("not found") > 10
    assert len(forwards) > 40  # in views, too, from both ends


@pytest.mark.parametrize("name_engine", ENGINES, ids=lambda pair: pair[0])
def test_no_run_leads_to_what_a_room_cuts_off(name_engine: tuple[str, Engine]) -> None:
    _, engine = name_engine
    system = next(s for s in map(some_system, range(50)) if s is not None and len(walk(s, 0, most=6_000).settled) > 20)
    space = engine(system, 0)
    start = space.union(space.start, space.spread(space.start, ("reaction",), None, space.reached))
    far = space.minus(space.settled, space.union(start, space.after(start, ("event", "time", "tick"))))
    assert not space.is_empty(far)
    cut = space.inside(space.union(start, far))
    reachable = cut.spread(start, ("reaction", "event", "time", "tick"), None, cut.reached)
    lost = cut.minus(far, reachable)
    assert not cut.is_empty(lost)
    walker = Walker(cut)
    assert walker.shortest({0: lost}) is None
    assert walker.shortest({0: lost}, [InState(0, (0,))]) is None


@pytest.mark.parametrize("name_engine", ENGINES, ids=lambda pair: pair[0])
def test_a_space_inside_a_room_has_nothing_else(name_engine: tuple[str, Engine]) -> None:
    parts = 0
    for seed in range(20):
        system = some_system(seed)
        assert system is not None
        budget = min(2, len(system.faults))
        try:
            walk(system, budget, most=1_500)
        except AssertionError:
            continue
        space = name_engine[1](system, budget)
        room = space.where(system.requirements[0].subject)
        part = space.inside(room, 0)
        assert part.budget == 0
        assert space.same(part.reached, room)
        assert space.same(part.settled, space.common(space.settled, room))
        assert space.same(part.transient, space.common(space.transient, room))
        parts += not space.is_empty(room) and not space.same(room, space.reached)
    assert parts > 5


def test_steps_of_a_view_are_the_same_in_both_directions() -> None:
    """Each leads forwards to where it is found backwards from, and every step of the whole shows in it."""
    rng, steps_seen, hidden = random.Random(5), 0, 0
    for seed in range(40):
        system = some_system(seed)
        if system is None or len(system.subsystems) < 3:
            continue
        budget = min(1, len(system.faults))
        space = symbolic_engine(system, budget)
        view = space.coarser(rng.sample(range(len(system.subsystems)), len(system.subsystems) // 2))
        if view is None:
            continue
        try:
            walked = walk(system, budget, most=800)
        except AssertionError:
            continue
        goals = [view.seen(space.only(state)) for state in rng.sample(sorted(walked.steps), min(12, len(walked.steps)))]
        for state, steps in rng.sample(sorted(walked.steps.items()), min(12, len(walked.steps))):
            here = view.seen(space.only(state))
            for kinds in (REACTION, HAPPENINGS):
                landed = view.after(here, kinds)
                for goal in goals:
                    meets = not view.is_empty(view.common(here, view.before(goal, kinds)))
                    assert meets == (not view.is_empty(view.common(landed, goal))), (seed, state, kinds)
                    steps_seen += meets
                for step in steps:
                    goal = view.seen(space.only(step.after))
                    if step.kind in kinds and not view.same(goal, here):
                        assert view.is_empty(view.minus(goal, landed)), (seed, state, step)
                        hidden += 1
    assert steps_seen > 200
    assert hidden > 200


HIDDEN_HAPPENING = """
safetymodel: 1
title: A start that a happening brings about which a view does not show
subsystems:
  motor:
    states: [off, armed, slow, late, turning]
    events:
      arm: {by: operator}
      creep: {by: operator}
      go: {by: operator}
    transitions:
      - {from: off, to: armed, on: arm}
      - {from: armed, to: slow, on: creep}
      - {from: slow, to: late, on: go}
      - {from: late, to: turning}
      - {from: armed, to: turning, if: gate is shut}
  gate:
    states: [ajar, shut]
    events:
      shut_it: {by: operator}
    transitions:
      - {from: ajar, to: shut, on: shut_it}
  lamp:
    states: [dark, lit]
    events:
      light: {by: operator}
    transitions:
      - {from: dark, to: lit, on: light}
requirements:
  R1: {text: Only the arming button starts it, start: motor is turning, only_by: [motor.arm]}
"""


def test_a_happening_that_a_view_does_not_show_may_change_what_is_remembered(monkeypatch: pytest.MonkeyPatch) -> None:
    system, problems = load_text(HIDDEN_HAPPENING, "hidden.yaml")
    assert system is not None, problems
    monkeypatch.setattr(search, "SHORT", 0)
    monkeypatch.setattr(symbolic, "MOST_SEEN", 0.95)
    monkeypatch.setattr(Walker, "_cost", lambda walker, sets: 0)  # forwards wherever that may be done
    judgement = judge(symbolic_engine(system, 0), system.requirements[0])
    assert judgement.trace is not None
    assert judgement.trace.happenings == 2


HIDDEN_KEY = """
safetymodel: 1
title: Pool lift
subsystems:
  lift:
    states: [at_deck, lowering, in_water]
    transitions:
      - {from: at_deck, to: lowering, on: pendant.push_down, physically: contactor is closed}
      - {from: lowering, to: in_water, after: 50 s}
  pendant:
    role: control
    states: [at_rest, down]
    events: {push_down: {by: attendant}}
    transitions: [{from: at_rest, to: down, on: push_down}]
  contactor:
    role: control
    states: [open, closed]
    transitions: [{from: open, to: closed, if: key is on and estop is released}]
  key:
    role: control
    states: [off, on]
    events: {turn_on: {by: attendant}}
    transitions: [{from: off, to: on, on: turn_on}]
  estop: {role: control, states: [released, pushed]}
requirements:
  R1: {text: nobody in the water, never: lift is in_water and pendant is down}
  R2: {text: time in seconds, cause: key is on, effect: contactor is closed, within: 1 s}
"""
"""A happening of what does not show, to which something reacts that does: the run lands in what looks as before."""

HIDDEN_WAY = """
safetymodel: 1
title: Gate
subsystems:
  gate:
    states: [shut, aside, open]
    events: {push_back: {by: somebody}, swing: {by: somebody}}
    transitions:
      - {from: shut, to: aside, on: key.force}
      - {from: aside, to: shut, on: push_back}
      - {from: shut, to: open, on: swing, physically: relay is closed}
  relay:
    role: control
    states: [idle, closed]
    transitions: [{from: idle, to: closed, if: key is on}]
  key:
    role: control
    states: [off, on]
    events: {force: {by: somebody}, turn: {by: somebody}}
    transitions:
      - {from: off, to: on, on: force}
      - {from: off, to: on, on: turn}
requirements:
  R1: {text: never open, never: gate is open}
"""
"""The shortest run begins with what does not show; another one, by what does, takes one happening more."""


@pytest.mark.parametrize(("text", "happenings"), [(HIDDEN_KEY, 52), (HIDDEN_WAY, 2)])
def test_what_reacts_to_what_does_not_show_is_not_lost(
    text: str, happenings: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(symbolic, "MOST_SEEN", 0.95)
    system, problems = load_text(text, "hidden.yaml")
    assert system is not None, problems
    for short in (0, 5, 1_000_000):
        monkeypatch.setattr(search, "SHORT", short)
        run = judge(symbolic_engine(system, 0), system.requirements[0]).trace
        assert run is not None
        assert run.happenings == happenings


def test_chains_of_reactions_have_the_same_runs_by_views(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(symbolic, "MOST_SEEN", 0.95)
    long = 0
    for seed in (591, 788, *range(50)):  # the first two lost a state that looks as before
        system, problems = load_text(random_chain(random.Random(seed)), f"chain-{seed}.yaml")
        assert system is not None, problems
        lengths = []
        for short in (0, 1_000_000):
            monkeypatch.setattr(search, "SHORT", short)
            space = symbolic_engine(system, 0)
            runs = [judge(space, requirement).trace for requirement in system.requirements]
            lengths.append([None if run is None else run.happenings for run in runs])
        assert lengths[0] == lengths[1], seed
        long += sum(length is not None and length > 5 for length in lengths[0])
    assert long > 20
