"""Small systems, each made so that one particular slip of an engine would show. The answers are worked out by hand."""

from __future__ import annotations

import random
from typing import Any

import pytest
from plain_walk import Walk, walk
from random_systems import random_spec
from test_engines import ENGINES, Engine, product_engine, symbolic_engine

from safetymodel.claims import forms
from safetymodel.claims.breach_states import NO_NEW_FAULT
from safetymodel.claims.clock import Clock
from safetymodel.claims.judge import find_chatter, judge
from safetymodel.claims.verdict import Judgement
from safetymodel.explore.decisions import OutOfNodes
from safetymodel.explore.encoding import Together
from safetymodel.explore.engine import EVERY_STEP, Limits, Space
from safetymodel.explore.memory import TIMES, within_memory
from safetymodel.explore.symbolic import Symbolic, SymbolicSpace
from safetymodel.faults.sets import minimal_sets
from safetymodel.model.build import load_text
from safetymodel.model.formula import InState
from safetymodel.model.state import State
from safetymodel.model.step import holds, is_settled
from safetymodel.model.system import Requirement, System

engines = pytest.mark.parametrize("name_engine", ENGINES, ids=lambda pair: pair[0])


def system_of(text: str) -> System:
    system, problems = load_text("safetymodel: 1\ntitle: case\n" + text, "case.yaml")
    assert system is not None, "\n".join(p.as_text() for p in problems)
    return system


SWAP = """
subsystems:
  a:
    role: control
    states: [high, low]
    events: {swap: {}}
    transitions:
      - {from: high, to: low, on: swap, if: b is low}
      - {from: low, to: high, on: swap, if: b is high}
  b:
    role: control
    states: [low, high]
    transitions:
      - {from: high, to: low, on: a.swap, if: a is low}
      - {from: low, to: high, on: a.swap, if: a is high}
"""


@pytest.mark.parametrize("few", [0, 100])
def test_two_that_read_each_other_change_at_one_instant(few: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("safetymodel.explore.encoding.FEW_OPTIONS", few)
    system = system_of(SWAP)
    space = symbolic_engine(system, 0)
    assert isinstance(space, SymbolicSpace)
    assert isinstance(space.symbolic.encoding.moves[0][1], Together) == (few == 0)
    explicit = product_engine(system, 0)
    swapped = State((1, 1), (0, 0), 0)  # one after the other would make them equal
    for each in (space, explicit):
        assert each.size(each.reached) == 2
        assert each.contains(each.reached, swapped)
    assert space.size(space.before(space.start, ("event",))) == 1


WINDOW = """
subsystems:
  m:
    role: control
    states: [s0, s1, s2, bad, s4, s5]
    events: {go: {}, end: {}, wrong: {}, x: {}, y: {}, z: {}}
    transitions:
      - {from: s0, to: s1, on: go}
      - {from: s1, to: s2, on: end}
      - {from: s2, to: bad, on: wrong}
      - {from: s1, to: s4, on: x}
      - {from: s4, to: s5, on: y}
      - {from: s5, to: bad, on: z}
requirements:
  R1: {never: m is bad, from: m is s1, until: m is s2}
"""


@engines
def test_a_window_that_has_ended_stays_ended(name_engine: tuple[str, Engine]) -> None:
    """Three happenings lead to the bad state past the end of the window, four within it."""
    system = system_of(WINDOW)
    judgement = judge(name_engine[1](system, 0), system.requirements[0])
    assert judgement.trace is not None
    assert [system.events[s.number].name for s in judgement.trace.steps] == ["m.go", "m.x", "m.y", "m.z"]


CHATTER = """
subsystems:
  m:
    role: control
    states: [s0, s1, s2, s3, s4]
    events: {direct: {}, go: {}}
    transitions:
      - {from: s0, to: s3, on: direct}
      - {from: s0, to: s1, on: go}
      - {from: s1, to: s2}
      - {from: s2, to: s1}
      - {from: s2, to: s3}
      - {from: s3, to: s4}
requirements:
  R1: {never: m is s1|s2|s3}
"""


@engines
def test_what_comes_after_a_round_is_not_part_of_it(name_engine: tuple[str, Engine]) -> None:
    system = system_of(CHATTER)
    space = name_engine[1](system, 0)
    (finding,) = find_chatter(space)
    assert finding.trace.steps[0].number == 1
    judgement = judge(space, system.requirements[0])
    assert judgement.word == "broken"
    assert judgement.trace is not None
    assert judgement.trace.steps[0].number == 1


WAIT = """
subsystems:
  m:
    role: control
    states: [idle, asked, served]
    events: {ask: {}, drop: {}}
    transitions:
      - {from: [idle, served], to: asked, on: ask}
      - {from: asked, to: idle, on: drop}
      - {from: asked, to: served, after: 3 s}
requirements:
  R1: {cause: m is asked, effect: m is served, within: 3 s}
  R2: {cause: m is asked, effect: m is served, within: 1 s}
"""


@engines
def test_a_wait_that_was_broken_off_begins_anew(name_engine: tuple[str, Engine]) -> None:
    system = system_of("tick: 1 s" + WAIT)
    space = name_engine[1](system, 0)
    assert [judge(space, r).word for r in system.requirements] == ["holds", "broken"]


TRAP = """
subsystems:
  m:
    role: control
    states: [s0, passing, trap, free]
    events: {go: {}, leap: {}}
    transitions:
      - {from: s0, to: passing, on: go}
      - {from: passing, to: trap}
      - {from: passing, to: free, on: leap}
      - {from: s0, to: free, on: leap}
requirements:
  R1: {always_possible: m is free}
  R2: {always_possible: m is free|trap}
"""


@engines
def test_nothing_happens_while_the_logic_reacts_not_even_a_way_out(name_engine: tuple[str, Engine]) -> None:
    system = system_of(TRAP)
    space = name_engine[1](system, 0)
    assert [judge(space, r).word for r in system.requirements] == ["broken", "holds"]
    free = space.where(system.requirements[0].subject)
    assert space.size(space.spread_back(free, EVERY_STEP)) == 2  # s0 and free; not the state that passes


PAST_THE_WAY_OUT = """
subsystems:
  m:
    role: control
    states: [s0, s1, passing, trap, free]
    events: {on: {}, go: {}, leap: {}}
    transitions:
      - {from: s0, to: s1, on: on}
      - {from: s0, to: free, on: leap}
      - {from: s1, to: passing, on: go}
      - {from: passing, to: trap}
      - {from: passing, to: free, on: leap}
requirements:
  R1: {always_possible: m is free}
"""


@engines
def test_a_way_out_of_what_is_only_passed_is_none(name_engine: tuple[str, Engine]) -> None:
    system = system_of(PAST_THE_WAY_OUT)
    judgement = judge(name_engine[1](system, 0), system.requirements[0])
    assert judgement.trace is not None
    assert judgement.trace.happenings == 1  # in s1 it is too late


def leads(walked: Walk, goal: set[State], kinds: tuple[str, ...]) -> set[State]:
    found, todo = set(goal), list(goal)
    into: dict[State, list[State]] = {}
    for state, steps in walked.steps.items():
        for step in steps:
            if step.kind in kinds:
                into.setdefault(step.after, []).append(state)
    while todo:
        for state in into.get(todo.pop(), []):
            if state not in found:
                found.add(state)
                todo.append(state)
    return found


def spreads(walked: Walk, begin: set[State], kinds: tuple[str, ...], room: set[State]) -> set[State]:
    found, todo = set(begin), list(begin)
    while todo:
        for step in walked.steps[todo.pop()]:
            if step.kind in kinds and step.after in room and step.after not in found:
                found.add(step.after)
                todo.append(step.after)
    return found


@engines
def test_growth_of_sets_is_the_growth_of_the_model(name_engine: tuple[str, Engine]) -> None:
    looked = 0
    for seed in range(1, 60, 2):
        system, _ = load_text(random_spec(random.Random(seed)), "random.yaml")
        assert system is not None
        budget = min(1, len(system.faults))
        try:
            walked = walk(system, budget, most=1_500)
        except AssertionError:
            continue
        space: Space[Any] = name_engine[1](system, budget)
        outside = system.requirements[-1].subject
        others = {s for s in walked.steps if not holds(system, s, outside)}
        room = space.minus(space.reached, space.where(outside))
        for requirement in system.requirements[:4]:
            subject = {s for s in walked.steps if holds(system, s, requirement.subject)}
            members = space.where(requirement.subject)
            for kinds in (NO_NEW_FAULT, EVERY_STEP):
                back = leads(walked, subject, kinds)
                assert space.size(space.spread_back(members, kinds)) == len(back), seed
                asked = space.common(space.spread_back(members, kinds, space.settled), space.settled)
                assert space.size(asked) == sum(is_settled(system, state) for state in back), seed
                forward = spreads(walked, subject, kinds, others)
                assert space.size(space.spread(members, kinds, None, room)) == len(forward), seed
                looked += len(forward) > len(subject)
    assert looked > 30


def test_the_order_in_which_a_set_grows_makes_no_difference(monkeypatch: pytest.MonkeyPatch) -> None:
    looked = led_back = 0
    for seed in range(2, 120, 3):
        system, _ = load_text(random_spec(random.Random(seed)), "random.yaml")
        assert system is not None
        budget = min(2, len(system.faults))
        found = []
        for together in (44, 3, 1):
            monkeypatch.setattr("safetymodel.explore.halves.TOGETHER", together)
            space: Space[Any] = symbolic_engine(system, budget)
            settled, somewhere = space.settled, space.where(InState(0, (0,)))
            back = space.common(settled, space.spread_back(space.common(settled, somewhere), NO_NEW_FAULT, settled))
            found.append((space.size(space.reached), space.size(settled), space.size(back)))
        assert len(set(found)) == 1, seed
        looked += found[0][0] > 20
        led_back += 0 < found[0][2] < found[0][1] > 10
    assert looked > 15
    assert led_back > 10


RACE_AT_THE_START = """
subsystems:
  m:
    states: [begin, left, right]
    transitions:
      - {from: begin, to: left}
      - {from: begin, to: right}
  gate:
    states: [shut, open]
    events: {push: {}}
    transitions:
      - {from: shut, to: open, on: push, if: free and m is left}
signals: {free: {reads: true}}
faults:
  held: {signal: free, stuck: false}
  jammed: {subsystem: m, stuck: begin}
requirements:
  R1: {possible: m is left}
  R2: {possible: gate is open}
"""


@engines
def test_what_one_order_of_reaction_allows_is_possible(name_engine: tuple[str, Engine]) -> None:
    system = system_of(RACE_AT_THE_START)
    whole, struck = (name_engine[1](system, budget) for budget in (0, 1))
    assert [judge(whole, r).word for r in system.requirements] == ["holds", "holds"]
    assert [judge(struck, r).word for r in system.requirements] == ["holds", "broken"]
    found = [[s.faults for s in minimal_sets(struck, r).sets] for r in system.requirements]
    assert found == [[], [(0,)]]


def test_what_does_not_suffice_is_done_again_with_more_memory(monkeypatch: pytest.MonkeyPatch) -> None:
    seen = []
    real = forms.judge_possible

    def hungry(space: Space[Any], requirement: Requirement, clock: Clock) -> Judgement:
        assert isinstance(space, SymbolicSpace)
        seen.append(space.symbolic.memory)
        with within_memory(space.symbolic.memory):
            if space.symbolic.memory < 100_000_000:
                raise OutOfNodes
        return real(space, requirement, clock)

    monkeypatch.setattr(forms, "judge_possible", hungry)
    system = system_of(SWAP + "requirements:\n  R1: {possible: a is low and b is high}\n  R2: {possible: a is high}\n")
    limits = Limits(memory=2_000_000_000)
    space = SymbolicSpace(Symbolic(system, 0, limits))
    words = [judge(space, r).word for r in system.requirements]
    assert words == ["holds", "holds"]
    first = seen[0]
    more = [first * TIMES**n for n in range(len(seen) - 1)]
    assert seen == [*more, more[-1]]  # the second is judged at once where the first was
    small = SymbolicSpace(Symbolic(system, 0, Limits(memory=first)))
    assert judge(small, system.requirements[0]).word == "undecided"
    assert small.roomier() is None
    part = space.inside(space.where(system.requirements[0].subject))
    assert part.roomier() is None  # only all that is reached is handed on
