"""THE reference step function: what may happen next in a system state.

Every engine, trace, scenario and device is checked against this room, so it is written to be
read beside the page of meaning in DEVELOPERS.md: plain loops, nothing precomputed but the latest readings.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import product
from typing import Literal

from safetymodel.model.formula import (
    AllOf,
    AnyOf,
    Constant,
    Defined,
    FaultUp,
    Formula,
    HowMany,
    InState,
    Not,
    SignalTrue,
)
from safetymodel.model.state import State, fault_numbers
from safetymodel.model.system import Event, System, Transition

Kind = Literal["event", "reaction", "fault", "jump", "time", "tick"]


@dataclass(frozen=True, slots=True)
class Step:
    """One step: ``number`` is the event's (event), the fault's (fault, jump) or the transition's
    (reaction, time), 0 for a tick; ``moved`` the transitions taken; ``after`` the state it leads to."""

    kind: Kind
    number: int
    moved: tuple[int, ...]
    after: State


_read: tuple[System, State, tuple[bool, ...]] | None = None
"""The latest readings: each transition of a state asks for the same ones."""


def readings(system: System, state: State) -> tuple[bool, ...]:
    """What the logic reads of each signal, faults included."""
    global _read
    if _read is None or _read[0] is not system or _read[1] is not state:
        _read = (system, state, _readings(system, state))
    return _read[2]


def _readings(system: System, state: State) -> tuple[bool, ...]:
    held: dict[int, bool] = {}
    for fault in system.faults:
        if fault.kind == "signal" and state.flags >> fault.number & 1:
            held[fault.subject] = fault.value
    values = [False] * len(system.signals)
    for number in system.signal_order:
        if number in held:
            values[number] = held[number]
        else:
            values[number] = evaluate(system.signals[number].reads, state, values)
    return tuple(values)


def evaluate(formula: Formula, state: State, signals: list[bool] | tuple[bool, ...]) -> bool:
    """The truth of a formula in a state, given the readings of the signals."""
    match formula:
        case Constant(value):
            return value
        case InState(subsystem, states, negated):
            return (state.states[subsystem] in states) != negated
        case SignalTrue(signal):
            return signals[signal]
        case FaultUp(fault):
            return bool(state.flags >> fault & 1)
        case Not(part):
            return not evaluate(part, state, signals)
        case AllOf(parts):
            return all(evaluate(part, state, signals) for part in parts)
        case AnyOf(parts):
            return any(evaluate(part, state, signals) for part in parts)
        case HowMany(least, most, members, _):
            return least <= sum(evaluate(member, state, signals) for member in members) <= most
        case Defined(_, body):
            return evaluate(body, state, signals)


def holds(system: System, state: State, formula: Formula) -> bool:
    """The truth of a formula in a state."""
    return evaluate(formula, state, readings(system, state))


def is_stuck(system: System, state: State, subsystem: int) -> bool:
    """Whether a fault keeps the subsystem from leaving the state it is in."""
    return any(
        fault.kind == "stuck" and fault.subject == subsystem and fault.state in (None, state.states[subsystem])
        for fault in (system.faults[number] for number in fault_numbers(state.flags))
    )


def can_move(system: System, state: State, transition: Transition) -> bool:
    """Source, stuck faults and both conditions; says nothing of events and clocks."""
    if state.states[transition.subsystem] != transition.source:
        return False
    if is_stuck(system, state, transition.subsystem):
        return False
    signals = readings(system, state)
    return evaluate(transition.interlock, state, signals) and evaluate(transition.physical, state, signals)


def moved(state: State, transitions: tuple[Transition, ...]) -> State:
    """The state after these transitions, all at one instant; a clock starts anew where a state is entered."""
    states, clocks = list(state.states), list(state.clocks)
    for transition in transitions:
        states[transition.subsystem] = transition.target
        clocks[transition.subsystem] = 0
    return State(tuple(states), tuple(clocks), state.flags)


def due(system: System, state: State) -> tuple[Transition, ...]:
    """The automatic transitions that must fire before anything else can happen."""
    return tuple(
        t
        for t in system.transitions
        if t.event is None and state.clocks[t.subsystem] >= t.latest and can_move(system, state, t)
    )


def is_settled(system: System, state: State) -> bool:
    """Whether no automatic transition is due."""
    return not due(system, state)


def reactions(system: System, state: State) -> Iterator[Step]:
    """One step for each due transition: every order is explored."""
    for transition in due(system, state):
        yield Step("reaction", transition.number, (transition.number,), moved(state, (transition,)))


def choices(system: System, state: State, event: Event) -> tuple[tuple[Transition, ...], ...]:
    """What the event can move: each way to take one enabled transition in every subsystem that has one.

    Empty where the event is a blocked attempt.
    """
    movers: list[list[Transition]] = []
    for _, numbers in event.movers:
        enabled = [system.transitions[n] for n in numbers if can_move(system, state, system.transitions[n])]
        if enabled:
            movers.append(enabled)
        elif event.joint:
            return ()
    return tuple(product(*movers)) if movers else ()


def may_strike(system: System, state: State, fault: int, budget: int) -> bool:
    """Whether the fault's flag can go up: it is down, the budget has room, its signal has no other fault."""
    if state.flags >> fault & 1 or state.flags.bit_count() >= budget:
        return False
    this = system.faults[fault]
    return not any(
        other.kind == this.kind == "signal" and other.subject == this.subject and state.flags >> other.number & 1
        for other in system.faults
    )


def happenings(system: System, state: State, budget: int) -> Iterator[Step]:
    """All that can happen in a settled state, in the order of the spec file: events, then
    transitions in their window of time, faults, jumps, and a tick last."""
    for event in system.events:
        for taken in choices(system, state, event):
            yield Step("event", event.number, tuple(t.number for t in taken), moved(state, taken))
    for t in system.transitions:
        if t.event is None and t.earliest <= state.clocks[t.subsystem] < t.latest and can_move(system, state, t):
            yield Step("time", t.number, (t.number,), moved(state, (t,)))
    for fault in system.faults:
        if may_strike(system, state, fault.number, budget):
            yield Step("fault", fault.number, (), state._replace(flags=state.flags | 1 << fault.number))
    for fault in system.faults:
        up = state.flags >> fault.number & 1
        if fault.kind == "jump" and up and state.states[fault.subject] == fault.state:
            yield Step("jump", fault.number, (), jumped(state, fault.subject, fault.target))
    if system.tick is not None:
        yield Step("tick", 0, (), ticked(system, state))


def jumped(state: State, subsystem: int, target: int) -> State:
    """The subsystem moved of itself; its clock starts anew."""
    states, clocks = list(state.states), list(state.clocks)
    states[subsystem], clocks[subsystem] = target, 0
    return State(tuple(states), tuple(clocks), state.flags)


def ticked(system: System, state: State) -> State:
    """Every running clock one tick on, none beyond the largest duration of its state."""
    clocks = tuple(
        min(clock + 1, s.longest[state.states[s.number]])
        for clock, s in zip(state.clocks, system.subsystems, strict=True)
    )
    return state._replace(clocks=clocks)


def steps(system: System, state: State, budget: int) -> Iterator[Step]:
    """Every step from a state: its reactions while any is due, else what can happen."""
    if is_settled(system, state):
        yield from happenings(system, state, budget)
    else:
        yield from reactions(system, state)
