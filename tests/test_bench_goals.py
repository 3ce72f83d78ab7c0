"""What a fuzz run goes for: compiled conditions, parts that decide alone, reactions in time, machines without rest."""

from __future__ import annotations

import random
from itertools import product

import pytest
from random_systems import random_spec

from safetymodel.bench.compiled import LONGEST_CHAIN, Compiler
from safetymodel.bench.coverage import Coverage
from safetymodel.bench.defects import Defect, defect_named
from safetymodel.bench.guide import Guide, goals_of
from safetymodel.bench.hunt import Bounds, hunt
from safetymodel.bench.kept import Setting, replay_text
from safetymodel.bench.mapping import mapping_by_names
from safetymodel.bench.parts import without
from safetymodel.bench.reactions import CannotTrack
from safetymodel.bench.shortest.shrink import shrink
from safetymodel.bench.stimulus import Stimulus, stimulus_name
from safetymodel.bench.told import told
from safetymodel.bench.tracking import Tracker
from safetymodel.bench.twin import Twin
from safetymodel.model.build import load_text
from safetymodel.model.formula import SignalTrue
from safetymodel.model.state import initial_state
from safetymodel.model.step import can_move, holds, steps
from safetymodel.model.system import System

COOKER = """
safetymodel: 1
title: Pressure cooker
subsystems:
  lid: {states: [shut, open], events: {lift: {by: cook}, drop: {by: cook}},
        transitions: [{from: shut, to: open, on: lift}, {from: open, to: shut, on: drop}]}
  valve: {states: [shut, open], events: {turn: {by: cook}, back: {by: cook}},
          transitions: [{from: shut, to: open, on: turn}, {from: open, to: shut, on: back}]}
  button: {states: [out, in], events: {push: {by: cook}, pull: {by: cook}},
           transitions: [{from: out, to: in, on: push}, {from: in, to: out, on: pull}]}
  plate:
    role: actuator
    states: [cold, hot]
    transitions:
      - {from: cold, to: hot, if: button is in and ready}
      - {from: hot, to: cold, if: button is out or not ready}
signals:
  lid_shut: {reads: lid is shut}
  valve_shut: {reads: valve is shut}
conditions:
  ready: lid_shut and valve_shut
"""


def cooker() -> System:
    system, problems = load_text(COOKER, "cooker.yaml")
    assert system is not None, problems
    return system


def twin_with(system: System, *names: str) -> Twin:
    defects = [defect_named(system, name) for name in names]
    assert all(isinstance(defect, Defect) for defect in defects), defects
    return Twin(system, [defect for defect in defects if isinstance(defect, Defect)])


@pytest.mark.parametrize("seed", range(30))
def test_compiled_conditions_answer_as_the_step_function(seed: int) -> None:
    rng = random.Random(seed)
    system, _ = load_text(random_spec(rng), "random.yaml")
    assert system is not None
    compiler = Compiler(system)
    formulas = [f for t in system.transitions for f in (t.interlock, t.physical)]
    formulas += [SignalTrue(s.number) for s in system.signals] + [body for _, body in system.conditions]
    asked = [compiler.question(formula) for formula in formulas]
    able = [compiler.can_move(t) for t in system.transitions]
    state = initial_state(system)
    for _ in range(40):
        assert [ask(state) for ask in asked] == [holds(system, state, formula) for formula in formulas]
        assert [ask(state) for ask in able] == [can_move(system, state, t) for t in system.transitions]
        onward = [step.after for step in steps(system, state, 2)]
        if not onward:
            break
        state = rng.choice(onward)


def test_a_long_chain_of_signals_is_read_without_recursion() -> None:
    many = LONGEST_CHAIN * 30
    text = "safetymodel: 1\ntitle: Chain\nsubsystems:\n  a: {states: [x, y], events: {go: {}}, transitions:\n"
    text += f"    [{{from: x, to: y, on: go, if: s{many - 1}}}]}}\nsignals:\n  s0: {{reads: a is x}}\n"
    text += "".join(f"  s{n}: {{reads: s{n - 1}}}\n" for n in range(1, many))
    system, problems = load_text(text, "chain.yaml")
    assert system is not None, problems
    tracker = Tracker(system)
    (state,) = tracker.start()
    assert tracker.can(state, 0)
    assert tracker.reads(state, many - 1)


def test_each_part_of_a_nested_condition_is_seen_to_decide_alone() -> None:
    """`not ready` is `not lid_shut or not valve_shut`: each alone makes the plate cold, and a goal asks for that."""
    system = cooker()
    found = hunt(system, mapping_by_names(system), Twin(system), 0, Bounds(steps=150))
    seen = {share.what: (share.seen, share.of) for share in found.coverage}
    assert seen["parts seen to make the difference"] == (6, 6)
    assert seen["automatic transitions seen to be in time"] == (2, 2)


def test_a_goal_for_a_part_is_met_only_where_it_makes_the_difference() -> None:
    system = cooker()
    tracker = Tracker(system)
    coverage = Coverage(system, tracker)
    guide = Guide(system, tracker, lambda stimulus: True, 0)
    goals = [goal for goal in goals_of(system, coverage, guide) if goal.kind == "matters" and goal.passing]
    assert len(goals) == 3
    for goal in goals:
        part = coverage.parts[goal.number]
        condition = part.of(system)
        assert not any(
            tracker.holds(state, goal.wanted)
            and tracker.holds(state, condition) == tracker.holds(state, without(condition, part.path))
            for state in _all_states(system)
        )
        assert any(tracker.holds(state, goal.wanted) for state in _all_states(system))


def _all_states(system: System) -> list:  # type: ignore[type-arg]
    start = initial_state(system)
    return [start._replace(states=s) for s in product(*(range(len(x.states)) for x in system.subsystems))]


def test_a_slow_reaction_is_seen_only_where_nothing_hides_it() -> None:
    system = cooker()
    tracker = Tracker(system)
    (state,) = tracker.start()
    for name in ("button.push",):
        (state,) = tracker.after((state,), Stimulus("event", next(e.number for e in system.events if e.name == name)))
    lift = next(e.number for e in system.events if e.name == "lid.lift")
    landed = tracker.landed((state,), Stimulus("event", lift))[0][0]
    (rest,) = tracker.after((state,), Stimulus("event", lift))
    colder = next(t for t in system.transitions if t.event is None and t.target == 0)
    assert tracker.shows_late(landed, colder.number, rest)
    assert not tracker.shows_late(rest, colder.number, rest)


def test_a_machine_that_does_not_come_to_rest_differs_and_is_told() -> None:
    """Without `lid_shut` in one of its two conditions the plate goes hot and cold for ever."""
    system = cooker()
    mapping, tracker = mapping_by_names(system), Tracker(system)
    twin = twin_with(system, "drop:plate.cold-hot:lid_shut")
    found = hunt(system, mapping, twin, 0, Bounds(steps=400), tracker=tracker)
    assert found.ended == "difference"
    short = shrink(system, mapping, twin, found.record, tracker)
    assert {stimulus_name(system, s) for s in short.record.stimuli} == {"button.push", "lid.lift"}
    difference = short.record.difference
    assert difference is not None
    assert difference.restless == "the twin's logic goes round for ever (plate)"
    texts = [line.text for line in told(system, mapping, short.record, tracker)]
    assert texts[-1] == (
        "the model comes to rest here, the device does not: the twin's logic goes round for ever (plate)"
    )
    assert '"outputs_that_differ": []' in replay_text(system, short.record, Setting("twin"))


@pytest.mark.parametrize("seed", range(6))
def test_a_run_on_a_random_model_never_meets_what_the_model_forbids(seed: int) -> None:
    """The guide rehearses on the model: whatever it does, a twin without defects never differs."""
    system, _ = load_text(random_spec(random.Random(seed)), "random.yaml")
    assert system is not None
    try:
        Tracker(system).start()
    except CannotTrack:
        return
    found = hunt(system, mapping_by_names(system), Twin(system), seed, Bounds(steps=200))
    assert found.ended in ("limit", "model"), found.why
