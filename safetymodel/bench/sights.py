"""What a test row can show, and how conditions are taken apart: where one part alone makes the difference."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
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
    conjoin,
    parts_of,
)
from safetymodel.model.system import System

Kind = Literal["at", "try", "fires", "prompt", "jumps"]


@dataclass(frozen=True, slots=True)
class Sight:
    """One thing to be seen.

    ``at``: a settled state with ``formula`` (and the clock of ``clock[0]`` at ``clock[1]`` ticks or more). ``try``:
    event ``number`` happens, or is attempted, in a settled state with ``formula``. ``fires``: transition ``number`` is
    taken from a state with ``formula``. ``prompt``: automatic transition ``number`` is taken, and at the end of the
    row a machine that has not taken it yet would look otherwise. ``jumps``: jump fault ``number`` moves its subsystem
    in a state with it.
    """

    kind: Kind
    formula: Formula
    number: int = 0
    clock: tuple[int, int] | None = None


def part_list(formula: Formula) -> tuple[Formula, ...]:
    """The parts of a condition, each once, from left to right: signals, states, faults; the members of a count singly.

    A negated state is the same part as the state.
    """
    found: dict[Formula, None] = {}
    stack = [formula]
    while stack:
        node = stack.pop()
        if isinstance(node, HowMany):
            stack.extend(reversed(node.members))
        elif isinstance(node, InState):
            found[replace(node, negated=False)] = None
        elif isinstance(node, SignalTrue | FaultUp):
            found[node] = None
        else:
            stack.extend(reversed(parts_of(node)))
    return tuple(found)


def rewritten(formula: Formula, new: Callable[[Formula], Formula]) -> Formula:
    """The formula with something else for each mention in it (as ``new`` says; often the mention itself)."""
    match formula:
        case Not(inner):
            return Not(rewritten(inner, new))
        case AllOf(parts):
            return AllOf(tuple(rewritten(part, new) for part in parts))
        case AnyOf(parts):
            return AnyOf(tuple(rewritten(part, new) for part in parts))
        case Defined(name, body):
            other = rewritten(body, new)
            return formula if other == body else Defined(name, other)
        case _:
            return new(formula)


def assigned(system: System, formula: Formula, part: Formula, value: bool) -> Formula:
    """The formula with a part of it taken to be so, wherever it stands."""

    def told(mention: Formula) -> Formula:
        match mention:
            case HowMany(least, most, members, wording):
                counted = tuple(_member(system, m, part, value) for m in members)
                return HowMany(least, most, counted, wording) if counted != members else mention
            case InState(subsystem, states, negated):
                return Constant(value != negated) if InState(subsystem, states) == part else mention
            case _:
                return Constant(value) if mention == part else mention

    return rewritten(formula, told)


def held(system: System, formula: Formula, signal: int, value: bool) -> Formula:
    """The formula as it reads where a signal always reads so, through other signals too."""

    def read(mention: Formula) -> Formula:
        if not isinstance(mention, SignalTrue):
            return mention
        if mention.signal == signal:
            return Constant(value)
        reads = system.signals[mention.signal].reads
        through = rewritten(reads, read)
        return mention if through == reads else through

    return rewritten(formula, read)


def _member(system: System, member: InState, part: Formula, value: bool) -> InState:
    if replace(member, negated=False) != part:
        return member
    everything = tuple(range(len(system.subsystems[member.subsystem].states)))
    return InState(member.subsystem, everything if value != member.negated else ())


def alone(system: System, condition: Formula, part: Formula, outcome: bool) -> Formula:
    """The condition has this outcome, and would have the other if this one part read otherwise (independent effect, as
    in modified condition/decision coverage, RTCA DO-178B, 1992; by value, so a part is turned wherever it stands)."""
    wanted = (lambda f: f) if outcome else Not
    other = Not if outcome else (lambda f: f)
    ways = []
    for value in (False, True):
        now = part if value else Not(part)
        turned = assigned(system, condition, part, not value)
        ways.append(conjoin((now, other(turned))))
    return conjoin((wanted(condition), AnyOf(tuple(ways))))


def moved_to(system: System, formula: Formula, subsystem: int, state: int) -> Formula:
    """What the formula says of the state in which this subsystem alone has moved, without faults; constants folded."""
    match formula:
        case HowMany(least, most, members, wording):
            everything = tuple(range(len(system.subsystems[subsystem].states)))
            counted = tuple(
                m
                if m.subsystem != subsystem
                else InState(subsystem, everything if (state in m.states) != m.negated else ())
                for m in members
            )
            return HowMany(least, most, counted, wording)
        case InState(number, states, negated):
            return Constant((state in states) != negated) if number == subsystem else formula
        case SignalTrue(signal):
            return moved_to(system, system.signals[signal].reads, subsystem, state)
        case Not(inner):
            told = moved_to(system, inner, subsystem, state)
            return Constant(not told.value) if isinstance(told, Constant) else Not(told)
        case AllOf(parts) | AnyOf(parts):
            # a true part of `and`, a false one of `or`, makes no difference; the contrary decides
            deciding = isinstance(formula, AnyOf)
            kept = [p for p in (moved_to(system, p, subsystem, state) for p in parts) if p != Constant(not deciding)]
            if Constant(deciding) in kept:
                return Constant(deciding)
            return (type(formula)(tuple(kept)) if len(kept) > 1 else kept[0]) if kept else Constant(not deciding)
        case Defined(_, body):
            return moved_to(system, body, subsystem, state)
        case _:
            return formula


def signals_of(system: System, formula: Formula) -> frozenset[int]:
    """The signals that a formula reads, through others too."""
    found: set[int] = set()
    stack = [formula]
    while stack:
        for part in part_list(stack.pop()):
            if isinstance(part, SignalTrue) and part.signal not in found:
                found.add(part.signal)
                stack.append(system.signals[part.signal].reads)
    return frozenset(found)


def no_flags(system: System) -> Formula:
    """No fault is there."""
    return conjoin(tuple(Not(FaultUp(f.number)) for f in system.faults))
