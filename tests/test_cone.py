"""What is left out of a question changes no answer: the cone of a formula against the whole."""

from __future__ import annotations

import random

from random_systems import random_spec

from safetymodel.claims.clock import Clock
from safetymodel.claims.judge import judge
from safetymodel.explore.cone import cone_of
from safetymodel.explore.engine import Limits
from safetymodel.explore.symbolic import Symbolic, SymbolicSpace
from safetymodel.model.build import load_text
from safetymodel.model.formula import FaultUp, InState

TWO_SIDES = """
safetymodel: 1
title: A hatch with its lamp, and a pump that has nothing to do with them
tick: 1 s
subsystems:
  hatch:
    states: [shut, open]
    events: {lift: {by: someone}, lower: {by: someone}}
    transitions:
      - {from: shut, to: open, on: lift}
      - {from: open, to: shut, on: lower}
  lamp:
    states: [dark, lit]
    transitions:
      - {from: dark, to: lit, if: hatch_open}
      - {from: lit, to: dark, if: not hatch_open, after: 2 s}
  pump:
    states: [idle, running]
    events: {start: {by: someone}}
    transitions:
      - {from: idle, to: running, on: start}
      - {from: running, to: idle, after: 3 s}
signals:
  hatch_open: {reads: hatch is open}
faults:
  switch: {signal: hatch_open, stuck: false}
  jam: {subsystem: pump, stuck: running}
requirements:
  R1: {always_possible: lamp is dark}
"""


class Whole(SymbolicSpace):
    """A space that leaves nothing out."""

    def narrowed(self, formulas: object) -> SymbolicSpace:
        return self


def test_only_what_is_read_is_in_the_cone() -> None:
    system, problems = load_text(TWO_SIDES, "two-sides.yaml")
    assert system is not None, problems
    cone = cone_of(system, [InState(1, (0,))])
    assert (cone.subsystems, cone.signals, cone.faults) == ({0, 1}, {0}, {0})
    space = SymbolicSpace(Symbolic(system, 1))
    near = space.narrowed([system.requirements[0].subject])
    pump = 2 * 4 * 2  # its states, its clock up to 3 s and the flag of its fault: free in the narrowed space
    assert near.size(near.reached) % pump == 0
    assert judge(space, system.requirements[0], Clock()).word == "holds"


def test_the_cone_changes_no_verdict() -> None:
    narrowed, broken = 0, 0
    for seed in range(160):
        system, _ = load_text(random_spec(random.Random(f"cone {seed}")), "random.yaml")
        assert system is not None
        symbolic = Symbolic(system, 1, Limits(memory=96_000_000))
        space, whole = SymbolicSpace(symbolic), Whole(symbolic)
        for requirement in system.requirements:
            if requirement.form != "always_possible" and not (requirement.form == "cause" and requirement.within):
                continue
            formulas = [f for f in (requirement.subject, requirement.effect) if f is not None]
            near = space.narrowed(formulas)
            if near is space:
                continue
            narrowed += 1
            assert near.size(near.reached) >= space.size(space.reached)  # what is left out may be anything
            mine, plain = judge(space, requirement, Clock()), judge(whole, requirement, Clock())
            assert mine == plain, (seed, requirement.name)
            broken += mine.word == "broken"
    assert narrowed > 30
    assert broken > 5


def test_every_state_of_the_cone_is_seen_in_the_whole_and_no_other() -> None:
    seen = 0
    for seed in range(90):
        system, _ = load_text(random_spec(random.Random(f"seen {seed}")), "random.yaml")
        assert system is not None
        space = SymbolicSpace(Symbolic(system, 1, Limits(memory=96_000_000)))
        for subsystem in system.subsystems:
            formula = InState(subsystem.number, (0,))
            near = space.narrowed([formula])
            if near is space:
                continue
            seen += 1
            start = near.start
            kinds = ("reaction", "event", "time", "fault", "jump", "tick")
            assert near.same(near.spread(start, kinds, None, near.reached), near.reached), (seed, subsystem.name)
            assert near.is_empty(near.minus(near.after(near.reached, kinds), near.reached))
    assert seen > 60, seen


def test_a_run_to_states_without_faults_passes_none_with_faults() -> None:
    system, _ = load_text(TWO_SIDES, "two-sides.yaml")
    assert system is not None
    space = SymbolicSpace(Symbolic(system, 2))
    up = [space.where(FaultUp(f.number)) for f in system.faults]
    calm = space.minus(space.minus(space.reached, up[0]), up[1])
    assert space.same(space.on_the_way(calm), calm)
    assert space.same(space.on_the_way(space.minus(up[0], up[1])), space.minus(space.reached, up[1]))
    assert space.same(space.on_the_way(space.common(up[0], up[1])), space.reached)
