"""Where walks may be, and where goals can be seen: sets of states of one explored space."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Generic, TypeVar

from safetymodel.bench.sheets.ladder import Ladder
from safetymodel.bench.sheets.reach import Reach
from safetymodel.bench.sheets.stages import Stage
from safetymodel.model.formula import FaultUp, Not, conjoin

S = TypeVar("S")


@dataclass(slots=True)
class Places(Generic[S]):
    """Where the first stage of a goal is seen: ``sure`` where no order of reaction can forestall it."""

    all: S
    sure: S


class Rooms(Generic[S]):
    """``whole`` is where any walk may be, ``natural`` the states without faults, ``flags`` those with each fault."""

    def __init__(self, reach: Reach[S]) -> None:
        space, faults = reach.space, reach.system.faults
        self.reach = reach
        self.natural = space.where(conjoin(tuple(Not(FaultUp(f.number)) for f in faults)))
        self.flags = [space.where(FaultUp(f.number)) for f in faults]
        self.whole = space.minus(space.reached, reach.forbidden())
        self._of: dict[int | None, tuple[S, Reach[S]]] = {}
        self._ladders: dict[tuple[Stage, int | None], Ladder[S]] = {}

    def of(self, fault: int | None) -> tuple[S, Reach[S]]:
        """Where a walk with this fault may be, and searches in there alone: quicker than in the whole space."""
        if fault not in self._of:
            space = self.reach.space
            kind = self.natural if fault is None else space.union(self.natural, self.flags[fault])
            room = space.common(self.whole, kind)
            self._of[fault] = room, Reach(space.inside(room), self.reach.follower, self.reach.on_work)
        return self._of[fault]

    def places(self, stage: Stage) -> tuple[S, S]:
        """(where a stage can be seen, where it is seen for sure), in all that is reached."""
        space = self.reach.space
        everywhere, sure = space.nothing(), space.nothing()
        for sight in stage.ways:
            found = self.reach.place(sight)
            everywhere = space.union(everywhere, found)
            if sight.kind == "fires" and self.reach.system.transitions[sight.number].event is None:
                found = space.common(found, self.reach.due.only(sight.number))
            sure = space.union(sure, found)
        return everywhere, sure

    def ladder(self, stage: Stage, fault: int | None) -> Ladder[S]:
        """The way to a further stage of a goal; kept, since others may have the same."""
        key = (stage, fault)
        if key not in self._ladders:
            space, (room, reach) = self.reach.space, self.of(fault)
            room = space.minus(room, space.common(space.settled, space.where(Not(stage.keep))))
            target = space.nothing()
            for sight in stage.ways:
                target = space.union(target, self.reach.place(sight))
            events = frozenset(e.number for e in reach.system.events) - stage.without if stage.without else None
            self._ladders[key] = Ladder(reach, space.common(target, room), room, fault, events)
        return self._ladders[key]
