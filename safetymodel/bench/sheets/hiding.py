"""Where a machine that takes a transition which the model blocks would show it, and where what comes after hides it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Generic, TypeVar

from safetymodel.bench.sheets.reach import Reach
from safetymodel.bench.sights import moved_to, rewritten
from safetymodel.model.able import able
from safetymodel.model.formula import AnyOf, FaultUp, Formula, Not, SignalTrue, conjoin
from safetymodel.model.system import System, Transition

S = TypeVar("S")


@dataclass(frozen=True, slots=True)
class Landing(Generic[S]):
    """``at_rest``: the states in which it would come to rest at once, looking otherwise. ``onward``: those in which
    something other than its going back would be due, so that it may look otherwise in the end. In all other states it
    goes back to where it was, and nobody sees it."""

    at_rest: S
    onward: S


class Hiding(Generic[S]):
    """Landings of transitions, by number; remembered."""

    def __init__(self, reach: Reach[S]) -> None:
        self.reach = reach
        self._known: dict[int, Landing[S]] = {}

    def landing(self, t: Transition) -> Landing[S]:
        """Where it would land, were it taken in a settled state in which nothing else moves."""
        if t.number not in self._known:
            self._known[t.number] = self._landing(t)
        return self._known[t.number]

    def where_it_may_show(self, t: Transition, places: S, last: bool) -> S:
        """Those of the places in which it comes to rest elsewhere at once; on a last try, or without any such, those in
        which it may do so in the end; all of them where there are none."""
        space, landing = self.reach.space, self.landing(t)
        ways = [space.common(places, part) for part in (landing.at_rest, landing.onward)]
        ways = [way for way in ways if not space.is_empty(way)]
        return ways[-1 if last else 0] if ways else places

    def hides(self, t: Transition, places: S) -> bool:
        """Whether it goes back to where it was in all of these places."""
        space, landing = self.reach.space, self.landing(t)
        return space.is_empty(space.common(places, space.union(landing.at_rest, landing.onward)))

    def _landing(self, t: Transition) -> Landing[S]:
        space, system = self.reach.space, self.reach.system
        at_rest, onward = space.settled, space.nothing()
        for other in system.transitions:
            if other.event is not None:
                continue
            before = _plain(system, able(system, other))
            after = moved_to(system, before, t.subsystem, t.target)
            own = other.subsystem == t.subsystem
            if after == before or (own and other.latest):  # as little due as it was, or not yet
                continue
            due = space.common(space.settled, space.where(after))
            due = due if own else self.reach.due.ripe(other, due)
            at_rest = space.minus(at_rest, due)
            if not (own and other.target == t.source):
                onward = space.union(onward, due)
        return Landing(at_rest, onward)


def _plain(system: System, formula: Formula) -> Formula:
    """The formula with what each signal reads in its place, faults included."""

    def read(mention: Formula) -> Formula:
        if not isinstance(mention, SignalTrue):
            return mention
        held = {
            value: tuple(
                FaultUp(f.number)
                for f in system.faults
                if f.kind == "signal" and f.subject == mention.signal and f.value == value
            )
            for value in (True, False)
        }
        reads = rewritten(system.signals[mention.signal].reads, read)
        free = conjoin((reads, *(Not(up) for up in held[False])))
        return AnyOf((*held[True], free)) if held[True] else free

    return rewritten(formula, read)
