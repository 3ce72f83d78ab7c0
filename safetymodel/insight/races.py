"""Races: one happening that can settle into different states by the order of reactions.

Two due transitions commute in a state where neither keeps the other from being due: taken in either order they
lead to the same state, since each sets a subsystem of its own. Where all pairs commute everywhere, every order of
reactions ends alike (the diamond property; Newman 1942). So only where some pair does not commute the ends are
computed: for each subsystem, the states from which it can end in this state and in that one.

Where reactions end, a deepest state with two ends has a pair that does not commute and leads to two different
ends, each certain: such pairs are reported, and not every state on the way to them.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations
from typing import Generic, TypeVar

from safetymodel.claims.clock import Clock
from safetymodel.explore.engine import REACTION, Space, going_round
from safetymodel.explore.moves import Move
from safetymodel.explore.ordering import signal_support, support
from safetymodel.explore.single import Single
from safetymodel.model.formula import InState
from safetymodel.model.state import State
from safetymodel.model.step import Step, moved, reactions
from safetymodel.model.system import System

S = TypeVar("S")


@dataclass(frozen=True, slots=True)
class Race(Generic[S]):
    """Two automatic transitions (numbers) and the states in which their order decides where the logic settles."""

    system: System
    pair: tuple[int, int]
    members: S

    def two_ends(self, state: State) -> tuple[tuple[Step, ...], tuple[Step, ...]]:
        """From one of the states, reactions to a settled state that begin with the first transition, and others
        that begin with the second and settle elsewhere."""
        ends = [ends_from(self.system, state, number) for number in self.pair]
        for one, way in ends[0].items():
            for other, way_there in ends[1].items():
                if one != other:
                    return way, way_there
        raise AssertionError("a race with a single end")


def ends_from(system: System, state: State, number: int) -> dict[State, tuple[Step, ...]]:
    """Every settled state that reactions lead to when this due transition fires first, with the fewest steps."""
    first = system.transitions[number]
    after = moved(state, (first,))
    ways: dict[State, tuple[Step, ...]] = {after: (Step("reaction", number, (number,), after),)}
    ends: dict[State, tuple[Step, ...]] = {}
    queue = [after]
    for here in queue:
        due = tuple(reactions(system, here))
        if not due:
            ends[here] = ways[here]
        for step in due:
            if step.after not in ways:
                ways[step.after] = (*ways[here], step)
                queue.append(step.after)
    return ends


def races(space: Space[S], single: Single[S], clock: Clock) -> Iterator[Race[S]]:
    """Every pair of transitions whose order decides, with the states in which it does."""
    look = _Look(space, single, clock)
    conflicts = look.conflicts()
    if not conflicts:
        return
    round_and_round = not space.is_empty(going_round(space, space.transient))
    open_states = space.nothing()
    for members in conflicts.values():
        open_states = space.union(open_states, members)
    if round_and_round:  # then no state is the deepest
        open_states = space.transient
    ends = look.ends(open_states)
    split = look.split(ends)
    if space.is_empty(split):
        return
    for (one, other), members in conflicts.items():
        here = space.common(members, split)
        if not round_and_round and not space.is_empty(here):
            # only the deepest: after either transition the end is certain
            for number in (one, other):
                here = space.minus(here, single.before(split, Move("reaction", number)))
        here = space.common(here, look.apart(one, other, ends))
        if not space.is_empty(here):
            yield Race(space.system, (one, other), here)


class _Look(Generic[S]):
    def __init__(self, space: Space[S], single: Single[S], clock: Clock) -> None:
        self.space = space
        self.single = single
        self.clock = clock
        self.moves = [move for move in single.moves if move.kind == "reaction"]
        self.due = {move.number: single.possible(move) for move in self.moves}

    def conflicts(self) -> dict[tuple[int, int], S]:
        """The pairs of due transitions of which one keeps the other from firing, and where."""
        space, system = self.space, self.space.system
        signals = signal_support(system)
        reads = {
            n: support(system.transitions[n].interlock, signals) | support(system.transitions[n].physical, signals)
            for n in self.due
        }
        found: dict[tuple[int, int], S] = {}
        for one, other in combinations(sorted(self.due), 2):
            a, b = system.transitions[one], system.transitions[other]
            if a.subsystem == b.subsystem and (a.source != b.source or a.target == b.target):
                continue
            ways = [(x, y) for x, y in ((a, b), (b, a)) if x.subsystem in reads[y.number]]
            if a.subsystem != b.subsystem and not ways:
                continue
            both = space.common(self.due[one], self.due[other])
            if space.is_empty(both):
                continue
            self.clock.check()
            if a.subsystem != b.subsystem:
                lost = space.nothing()
                for first, then in ways:
                    gone = space.minus(space.reached, self.due[then.number])
                    lost = space.union(lost, self.single.before(gone, Move("reaction", first.number)))
                both = space.common(both, lost)
            if not space.is_empty(both):
                found[one, other] = both
        return found

    def ends(self, members: S) -> list[list[S]]:
        """For each subsystem that can move: for each way in which it can end, the states that can lead there."""
        space, system = self.space, self.space.system
        room = space.spread(members, REACTION, None, space.reached)
        settled = space.common(room, space.settled)
        subjects = {
            system.transitions[n].subsystem
            for n, due in self.due.items()
            if not space.is_empty(space.common(due, room))
        }
        found: list[list[S]] = []
        for subject in sorted(subjects):
            fresh = space.minus(space.reached, self.single.lasted(subject, 1))
            ways = []
            for state in range(len(system.subsystems[subject].states)):
                here = space.common(settled, space.where(InState(subject, (state,))))
                for part in (space.common(here, fresh), space.minus(here, fresh)):
                    if not space.is_empty(part):
                        ways.append(part)
            if len(ways) > 1:
                self.clock.check()
                found.append([space.common(self._back(part, room), room) for part in ways])
        return found

    def _back(self, members: S, room: S) -> S:
        """Those of the room from which reactions can lead into the set."""
        space, found, frontier = self.space, members, members
        while not space.is_empty(frontier):
            self.clock.check()
            new = space.minus(space.common(space.before(frontier, REACTION), room), found)
            found, frontier = space.union(found, new), new
        return found

    def split(self, ends: list[list[S]]) -> S:
        """The states that can end in more than one way."""
        space, twice = self.space, self.space.nothing()
        for ways in ends:
            once = space.nothing()
            for members in ways:
                twice = space.union(twice, space.common(once, members))
                once = space.union(once, members)
        return twice

    def apart(self, one: int, other: int, ends: list[list[S]]) -> S:
        """The states in which either transition, taken first, can lead to an end that the other does not give."""
        space, result = self.space, self.space.nothing()
        for ways in ends:
            first = [self.single.before(members, Move("reaction", one)) for members in ways]
            second = [self.single.before(members, Move("reaction", other)) for members in ways]
            for i, members in enumerate(first):
                for j, others in enumerate(second):
                    if i != j:
                        result = space.union(result, space.common(members, others))
        return result
