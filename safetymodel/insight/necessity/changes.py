"""What is changed to see who notices: parts of each `if`, each transition, each automatic reaction; one at a time."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

from safetymodel.model.formula import (
    FALSE,
    TRUE,
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
from safetymodel.model.system import System

Kind = Literal["part", "removed", "negated", "late"]


@dataclass(frozen=True, slots=True)
class Change:
    """One change of one transition.

    ``part``: one part of its `if` is left out, which is ``part``: what is joined by `and` is taken as true, what is
    joined by `or` as false, and an `if` of one part as true. ``removed``: the transition never happens. ``negated``:
    its `if` is the opposite. ``late``: it is automatic, and may come at any later moment instead of at once.
    ``interlock`` is the `if` that it then has (``late``: as it was).
    """

    number: int
    kind: Kind
    transition: int
    interlock: Formula
    part: Formula | None = None
    joined: Literal["and", "or", "alone"] = "alone"


def changes_of(system: System) -> tuple[Change, ...]:
    """Every change, transition by transition in the order of the spec file."""
    found: list[Change] = []
    for t in system.transitions:
        if t.interlock != TRUE:
            for part, joined, left in _parts(t.interlock):
                found.append(Change(len(found), "part", t.number, left, part, joined))
            found.append(Change(len(found), "negated", t.number, Not(t.interlock)))
        found.append(Change(len(found), "removed", t.number, FALSE))
        if t.event is None:
            found.append(Change(len(found), "late", t.number, t.interlock))
    return tuple(found)


def _parts(formula: Formula) -> Iterator[tuple[Formula, Literal["and", "or", "alone"], Formula]]:
    """Each part, how it is joined to the others, and the whole without it."""
    plain = spread_out(formula)
    if not isinstance(plain, AllOf | AnyOf):
        yield plain, "alone", TRUE
        return
    yield from _within(plain)


def _within(plain: AllOf | AnyOf) -> Iterator[tuple[Formula, Literal["and", "or", "alone"], Formula]]:
    joined: Literal["and", "or"] = "and" if isinstance(plain, AllOf) else "or"
    for place, part in enumerate(plain.parts):
        rest = (*plain.parts[:place], *plain.parts[place + 1 :])
        yield part, joined, type(plain)(rest)
        if isinstance(part, AllOf | AnyOf):
            for inner, how, left in _within(part):
                yield inner, how, type(plain)((*plain.parts[:place], left, *plain.parts[place + 1 :]))


def spread_out(formula: Formula, opposite: bool = False) -> Formula:
    """The same with definitions put in, `not` only before single mentions, and nothing joined twice by one word."""
    match formula:
        case Defined(_, body):
            return spread_out(body, opposite)
        case Not(part):
            return spread_out(part, not opposite)
        case AllOf(parts) | AnyOf(parts):
            kind = AllOf if isinstance(formula, AllOf) != opposite else AnyOf
            spread = (spread_out(part, opposite) for part in parts)
            flat: list[Formula] = []
            for part in spread:
                flat.extend(part.parts if isinstance(part, kind) else (part,))
            return kind(tuple(flat))
        case Constant(value):
            return Constant(value != opposite)
        case InState(subsystem, states, negated):
            return InState(subsystem, states, negated != opposite)
        case SignalTrue() | FaultUp() | HowMany():
            return Not(formula) if opposite else formula
