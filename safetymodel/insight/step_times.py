"""How long the steps of a model take in steel, as far as the spec gives the `response` of parts and switches.

A reaction takes the response of the part that moves, and of the slowest switch that its conditions read. An event takes
the longest response of the parts that it moves at the same instant; of the part whose event it is only where that is a
sensor, which shows it so much later. Only parts count that the requirement depends on through automatic transitions:
all others decide no more than which events can happen, and the time of these is free in any case.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from fractions import Fraction

from safetymodel.explore.moves import Move
from safetymodel.insight.influence import influence, mentioned
from safetymodel.model.able import able
from safetymodel.model.formula import AllOf, AnyOf, Formula, Not
from safetymodel.model.system import Event, Requirement, Subsystem, System

PARTS_OF_A_MS = 1000
"""Times are counted in whole thousandths of a ms, rounded up."""


def in_parts(milliseconds: Fraction) -> int:
    """Thousandths of a ms, rounded up."""
    return -int(-milliseconds * PARTS_OF_A_MS // 1)


def claimed(requirement: Requirement) -> tuple[Formula, ...]:
    """What breaks the requirement, or what causes what, without the window in which it is asked."""
    effect = () if requirement.effect is None else (requirement.effect,)
    return (requirement.subject, *effect)


class StepTimes:
    """What each move takes while a requirement waits for the logic."""

    def __init__(self, system: System, requirement: Requirement) -> None:
        self.system = system
        self.parts = influence(system, claimed(requirement)).subsystems

    def of(self, move: Move) -> int | None:
        """Thousandths of a ms; None where the spec gives nothing of it. Of an event: the most that it can take."""
        given = self._given(move)
        return max(given) if given else None

    def when(self, event: Event) -> tuple[tuple[int, Formula], ...]:
        """What an event takes (thousandths of a ms; 0 where nothing is given), each with when it takes that; nothing
        where it only ever moves the part whose event it is."""
        ways: dict[int, list[Formula]] = {}
        for subsystem, transitions in event.movers:
            if (part := self.system.subsystems[subsystem]) in self._moved_by(event):
                able_to = [able(self.system, self.system.transitions[t]) for t in transitions]
                ways.setdefault(in_parts(part.response or Fraction(0)), []).extend(able_to)
        found, higher = [], list[Formula]()
        for cost in sorted(ways, reverse=True):
            found.append((cost, AllOf((AnyOf(tuple(ways[cost])), *(Not(f) for f in higher)))))
            higher.append(AnyOf(tuple(ways[cost])))
        return tuple(found)

    def missing(self, moves: Iterable[Move]) -> tuple[str, ...]:
        """The parts and switches that these moves need a response of, and have none."""
        return tuple(dict.fromkeys(name for move in moves for name in self._without(move)))

    def together(self) -> list[Move]:
        """The events that move more than one part that counts, at the same instant."""
        return [Move("event", e.number) for e in self.system.events if sum(s in self.parts for s, _ in e.movers) > 1]

    def counts(self, move: Move) -> bool:
        """Whether the move is one of the logic's own, of a part that counts."""
        if move.kind not in ("reaction", "time"):
            return False
        return self.system.transitions[move.number].subsystem in self.parts

    def _given(self, move: Move) -> list[int]:
        system = self.system
        if move.kind == "event":
            moved = self._moved_by(system.events[move.number])
            return [in_parts(s.response) for s in moved if s.response is not None]
        if not self.counts(move):
            return []
        own = system.subsystems[system.transitions[move.number].subsystem].response
        switches = [r for s in self._read(move) if (r := system.signals[s].response) is not None]
        if own is None and not switches:
            return []
        return [in_parts((own or Fraction(0)) + max(switches, default=Fraction(0)))]

    def _without(self, move: Move) -> list[str]:
        system = self.system
        if move.kind == "event":
            return [s.name for s in self._moved_by(system.events[move.number]) if s.response is None]
        if not self.counts(move):
            return []
        own = system.subsystems[system.transitions[move.number].subsystem]
        named = [own.name] if own.response is None else []
        return named + [system.signals[s].name for s in sorted(self._read(move)) if system.signals[s].response is None]

    def _moved_by(self, event: Event) -> list[Subsystem]:
        """The parts that it moves at the same instant; of the one whose event it is only a sensor with a response."""
        moved = (self.system.subsystems[s] for s, _ in event.movers if s in self.parts)
        return [s for s in moved if s.number != event.subsystem or (s.role == "sensor" and s.response is not None)]

    def _read(self, move: Move) -> Collection[int]:
        """The signals that a transition's conditions read, through whatever other signals."""
        t = self.system.transitions[move.number]
        _, found = mentioned([t.interlock, t.physical])
        todo = list(found)
        while todo:
            _, more = mentioned([self.system.signals[todo.pop()].reads])
            todo.extend(more - found)
            found |= more
        return found
