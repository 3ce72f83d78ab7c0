"""The smallest set of facts that decides a formula in a state: whatever all else were, it would have this truth.

A fact is what one thing is now: the state of a subsystem, the reading of a signal, the flag of a fault. Signals count
as things of their own, since the logic sees nothing but their readings. In propositional logic such a set is a
shortest implicant of the formula that the state satisfies (Quine 1952; "sufficient reason" in later writing).
"""

from __future__ import annotations

from collections.abc import Mapping
from itertools import combinations
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
    atoms,
)
from safetymodel.model.state import State
from safetymodel.model.step import evaluate, readings
from safetymodel.model.system import System

Thing = tuple[Literal["subsystem", "signal", "fault"], int]
Known = Mapping[Thing, int]

MOST_LOOKS = 20_000
"""Partial evaluations that one search may take; then a set that nothing can be left out of is given instead."""


class _TooMany(Exception):
    """The search took too long."""


def things_in(formula: Formula) -> tuple[Thing, ...]:
    """What a formula asks about, each once, from left to right."""
    found: dict[Thing, None] = {}
    for atom in atoms(formula):
        match atom:
            case InState(subsystem, _, _):
                found["subsystem", subsystem] = None
            case HowMany(_, _, members, _):
                found.update({("subsystem", member.subsystem): None for member in members})
            case SignalTrue(signal):
                found["signal", signal] = None
            case FaultUp(fault):
                found["fault", fault] = None
            case _:
                pass
    return tuple(found)


def deciding_facts(system: System, state: State, formula: Formula) -> tuple[Formula, ...]:
    """A smallest set of facts, as formulas that are true in the state, that gives the formula its truth there.

    Of equals the one whose facts come first in the formula. Empty where the formula has that truth in any case.
    """
    signals = readings(system, state)
    now: dict[Thing, int] = {}
    for thing in things_in(formula):
        kind, number = thing
        if kind == "subsystem":
            now[thing] = state.states[number]
        else:
            now[thing] = int(signals[number]) if kind == "signal" else state.flags >> number & 1
    search = _Search(system, formula, evaluate(formula, state, signals))
    return tuple(_fact(thing, now[thing]) for thing in search.smallest(now))


def _fact(thing: Thing, value: int) -> Formula:
    kind, number = thing
    if kind == "subsystem":
        return InState(number, (value,))
    atom = SignalTrue(number) if kind == "signal" else FaultUp(number)
    return atom if value else Not(atom)


class _Search:
    def __init__(self, system: System, formula: Formula, truth: bool) -> None:
        self.system = system
        self.formula = formula
        self.truth = truth
        self.things = things_in(formula)
        self.looks = 0

    def smallest(self, now: Known) -> tuple[Thing, ...]:
        """The smallest set of things that decide with the values that they have now."""
        things = tuple(now)
        needed = tuple(t for t in things if not self.decides({other: now[other] for other in things if other != t}))
        fewest = self._without_needless(things, now)
        rest = [t for t in things if t not in needed]
        try:
            self.looks = 0
            for count in range(len(fewest) - len(needed)):
                for more in combinations(rest, count):
                    chosen = {*needed, *more}
                    if self.decides({t: now[t] for t in things if t in chosen}, limited=True):
                        return tuple(t for t in things if t in chosen)
        except _TooMany:
            pass
        return fewest

    def _without_needless(self, things: tuple[Thing, ...], now: Known) -> tuple[Thing, ...]:
        """A set that nothing can be left out of: what comes last in the formula is let go first."""
        kept = list(things)
        for thing in reversed(things):
            less = [t for t in kept if t != thing]
            if self.decides({t: now[t] for t in less}):
                kept = less
        return tuple(kept)

    def decides(self, known: Known, limited: bool = False) -> bool:
        """Whether the formula has its truth whatever the things that are not known are."""
        todo: list[Known] = [known]
        while todo:
            here = todo.pop()
            self.looks += 1
            if limited and self.looks > MOST_LOOKS:
                raise _TooMany
            truth = partly(self.formula, here)
            if truth is None:
                thing = next(t for t in self.things if t not in here)
                todo.extend({**here, thing: value} for value in range(self._values(thing)))
            elif truth != self.truth:
                return False
        return True

    def _values(self, thing: Thing) -> int:
        return len(self.system.subsystems[thing[1]].states) if thing[0] == "subsystem" else 2


def partly(formula: Formula, known: Known) -> bool | None:
    """The truth of a formula of which only some things are known; None where it depends on the others (or where that
    shows only when they are tried out)."""
    match formula:
        case Constant(value):
            return value
        case InState(subsystem, states, negated):
            state = known.get(("subsystem", subsystem))
            return None if state is None else (state in states) != negated
        case SignalTrue(signal):
            reading = known.get(("signal", signal))
            return None if reading is None else bool(reading)
        case FaultUp(fault):
            up = known.get(("fault", fault))
            return None if up is None else bool(up)
        case Not(part):
            truth = partly(part, known)
            return None if truth is None else not truth
        case AllOf(parts):
            truths = [partly(part, known) for part in parts]
            return False if False in truths else None if None in truths else True
        case AnyOf(parts):
            truths = [partly(part, known) for part in parts]
            return True if True in truths else None if None in truths else False
        case HowMany(least, most, members, _):
            truths = [partly(member, known) for member in members]
            sure, maybe = truths.count(True), truths.count(None)
            if sure > most or sure + maybe < least:
                return False
            return True if sure >= least and sure + maybe <= most else None
        case Defined(_, body):
            return partly(body, known)
