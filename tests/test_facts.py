"""The smallest set of facts that decides a formula, against brute force; and how `drive` tells it."""

from __future__ import annotations

import io
import random
from itertools import combinations, product

from test_engines import random_system, small_walk

from safetymodel.drive import prompt
from safetymodel.model.able import able, conditions_of, event_possible
from safetymodel.model.facts import deciding_facts, partly, things_in
from safetymodel.model.formula import AllOf, AnyOf, FaultUp, Formula, HowMany, InState, Not, SignalTrue
from safetymodel.model.state import State
from safetymodel.model.step import can_move, choices, evaluate, holds, readings
from safetymodel.model.system import System
from safetymodel.traces.blocked import enough_to_block

SIZE = 4_000
"""Combinations of values up to which a formula is tried out whole."""


def values_now(system: System, state: State, formula: Formula) -> dict[tuple[str, int], int]:
    signals = readings(system, state)
    now = {}
    for kind, number in things_in(formula):
        if kind == "subsystem":
            now[kind, number] = state.states[number]
        else:
            now[kind, number] = int(signals[number]) if kind == "signal" else state.flags >> number & 1
    return now


def truths(system: System, formula: Formula, fixed: dict[tuple[str, int], int]) -> set[bool]:
    """The truths that the formula has over every value of what is not fixed; signals count as things of their own."""
    things = things_in(formula)
    ranges = [
        [fixed[t]] if t in fixed else range(len(system.subsystems[t[1]].states) if t[0] == "subsystem" else 2)
        for t in things
    ]
    found = set()
    for chosen in product(*ranges):
        values = dict(zip(things, chosen, strict=True))
        states = tuple(values.get(("subsystem", s.number), 0) for s in system.subsystems)
        flags = sum(values.get(("fault", f.number), 0) << f.number for f in system.faults)
        signals = tuple(bool(values.get(("signal", s.number), 0)) for s in system.signals)
        found.add(evaluate(formula, State(states, (0,) * len(states), flags), signals))
    return found


def test_no_smaller_set_decides() -> None:
    looked = smaller = 0
    for seed in range(60):
        system = random_system(seed)
        walk = small_walk(system, min(1, len(system.faults)))
        if walk is None:
            continue
        rng = random.Random(seed)
        states = rng.sample(sorted(walk.steps), min(4, len(walk.steps)))
        formulas = [r.subject for r in system.requirements]
        formulas += [event_possible(system, e) for e in system.events]
        formulas += [able(system, t) for t in system.transitions]
        for formula in formulas:
            things = things_in(formula)
            size = 1
            for kind, number in things:
                size *= len(system.subsystems[number].states) if kind == "subsystem" else 2
            if size > SIZE or len(things) > 8:
                continue
            for state in states:
                now = values_now(system, state, formula)
                truth = holds(system, state, formula)
                facts = deciding_facts(system, state, formula)
                assert all(holds(system, state, fact) for fact in facts)
                told = {_thing(fact) for fact in facts}
                assert truths(system, formula, {t: now[t] for t in things if t in told}) == {truth}, (seed, formula)
                for fewer in combinations(things, len(told) - 1) if told else ():
                    assert len(truths(system, formula, {t: now[t] for t in fewer})) == 2, (seed, formula, fewer)
                looked += 1
                smaller += len(told) < len(things)
    assert looked > 1_000
    assert smaller > 300


def _thing(fact: Formula) -> tuple[str, int]:
    match fact:
        case Not(part):
            return _thing(part)
        case InState(subsystem, _, _):
            return "subsystem", subsystem
        case SignalTrue(signal):
            return "signal", signal
        case FaultUp(fault):
            return "fault", fault
        case _:
            raise AssertionError(fact)


def test_what_an_event_and_a_transition_need_is_what_the_step_function_asks() -> None:
    looked = 0
    for seed in range(0, 60, 3):
        system = random_system(seed)
        walk = small_walk(system, min(1, len(system.faults)))
        if walk is None:
            continue
        for state in sorted(walk.settled)[:40]:
            for event in system.events:
                assert holds(system, state, event_possible(system, event)) == bool(choices(system, state, event))
                assert bool(enough_to_block(system, state, event)) <= (not choices(system, state, event))
            for t in system.transitions:
                assert holds(system, state, able(system, t)) == can_move(system, state, t)
                if state.states[t.subsystem] == t.source:
                    assert holds(system, state, conditions_of(system, t)) == can_move(system, state, t)
                looked += 1
    assert looked > 1_000


def test_a_long_condition_is_quick() -> None:
    """All of sixty signals, or any: one false one is enough to block, and nothing less than all is enough to let it."""
    mentions = tuple(InState(n, (1,)) for n in range(60))
    known = {("subsystem", n): 1 for n in range(60)}
    assert partly(AllOf(mentions), known) is True
    assert partly(AllOf(mentions), {("subsystem", 7): 0}) is False
    assert partly(AnyOf(mentions), {("subsystem", 7): 0}) is None
    assert partly(HowMany(2, 60, mentions, ""), {("subsystem", 7): 1, ("subsystem", 8): 1}) is True

    from safetymodel.model.build import load_text

    names = "".join(f"  d{n}: {{states: [shut, open], events: {{e: {{}}}}}}\n" for n in range(60))
    text = f"safetymodel: 1\ntitle: Doors\nsubsystems:\n{names}"
    system, _ = load_text(text, "doors.yaml")
    assert system is not None
    state = State((0,) * 59 + (1,), (0,) * 60, 0)
    assert deciding_facts(system, state, AllOf(mentions)) == (InState(0, (0,)),)
    assert deciding_facts(system, state, AnyOf(mentions)) == (InState(59, (1,)),)
    assert len(deciding_facts(system, state, Not(HowMany(2, 60, mentions, "")))) == 59


def test_drive_says_why_a_subsystem_is_where_it_is() -> None:
    from pathlib import Path

    from safetymodel.model.build import load

    system, _ = load(str(Path(__file__).resolve().parent.parent / "specs" / "two-door-hatch.yaml"))
    assert system is not None
    said: list[str] = []
    typed = "why inner_bolt\n1\n1\nwhy inner_bolt\nwhy panel\nwhy outer_door.pull\nwhy inner_bold\nquit\n"
    prompt.run(system, io.StringIO(typed), said.append, 0)
    text = "\n".join(said)
    assert "inner_bolt is in, as at the start" in text
    assert "inner_bolt: in -> out is kept back by: panel is idle" in text
    assert "was forced by: outer_shut reads true (outer_door is closed) and panel is inner" in text
    assert "inner_bolt: out -> in is kept back by: inner_door is open" in text
    assert "it came there when nurse asks for the inner door" in text
    assert "panel: inner -> idle will be forced in 30 s" in text
    assert "  this alone blocks it: inner_shut reads false (inner_door is open)" in text
    assert "did you mean inner_bolt?" in text
