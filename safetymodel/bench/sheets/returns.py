"""From where a walk ends back to the initial state: what moves when its force is taken off, and the rows after that."""

from __future__ import annotations

import heapq
from collections.abc import Collection, Iterator
from typing import Generic, TypeVar

from safetymodel.bench.reactions import CannotTrack
from safetymodel.bench.sheets.follow import Follower
from safetymodel.bench.sheets.ladder import Ladder
from safetymodel.bench.sheets.reach import Rows, forbidden_states
from safetymodel.bench.sheets.rooms import Rooms
from safetymodel.bench.stimulus import Stimulus
from safetymodel.model.formula import InState, conjoin
from safetymodel.model.state import State

S = TypeVar("S")

FARTHEST = 60
"""Rows within which the way back is looked for."""

MOST_LOOKED_AT = 200
"""States that are looked at from an end that no walk without faults comes to."""


class Returns(Generic[S]):
    """Ways back to what looks like the initial state, without a fault, through no state that a requirement forbids."""

    def __init__(self, rooms: Rooms[S], follower: Follower) -> None:
        self.follower = follower
        room, self.reach = rooms.of(None)
        self.near = Nearby(follower)
        space = self.reach.space
        home = space.nothing()
        for states in self.near.home:
            looks = conjoin(tuple(InState(n, (state,)) for n, state in enumerate(states)))
            home = space.union(home, space.common(space.where(looks), space.settled))
        self._room = room
        self._ladder = Ladder(self.reach, space.common(home, room), room)

    def after(self, rows: Rows) -> Rows | None:
        """The rows that lead back after these, once every force is off; None where none were found."""
        follower = self.follower
        states = follower.start().after
        try:
            for row in rows:
                states = follower.row(states, row).after
            ends = tuple(dict.fromkeys(end for state in states for end in follower.let_go(state).after))
        except CannotTrack:
            return None
        return self._way(ends)

    def _way(self, states: tuple[State, ...]) -> Rows | None:
        if self.near.is_home(states):
            return ()
        if len(states) != 1:
            return None
        if not self.reach.space.contains(self._room, states[0]):
            return self.near.way(states)
        found = self._ladder.height(states, FARTHEST)
        rows = None if found is None else self._ladder.down(found[1], found[0])
        return rows if rows is not None and self.near.leads_home(states, rows) else None


class Nearby:
    """Ways back by a search from where the machine is, that goes on from what looks most like the initial state."""

    def __init__(self, follower: Follower) -> None:
        self.follower = follower
        self.home = frozenset(state.states for state in follower.start().after)
        self._forbidden = [breach for _, breach in forbidden_states(follower.system)]

    def is_home(self, states: Collection[State]) -> bool:
        """Whether every state looks like the initial one, and nothing is forced."""
        return all(state.states in self.home and not state.flags for state in states)

    def leads_home(self, states: tuple[State, ...], rows: Rows) -> bool:
        """Whether the rows end there in every order of reaction."""
        try:
            for row in rows:
                states = self.follower.row(states, row).after
        except CannotTrack:
            return False
        return self.is_home(states)

    def way(self, states: tuple[State, ...]) -> Rows | None:
        """The rows; None where none were found."""
        if self.is_home(states):
            return ()
        if len(states) != 1:
            return None
        seen, count = {states[0]}, 0
        heap: list[tuple[int, int, int, State, Rows]] = [(self._apart(states[0]), 0, 0, states[0], ())]
        for _ in range(MOST_LOOKED_AT):
            if not heap:
                break
            _, length, _, here, rows = heapq.heappop(heap)
            for row, after in self._onward(here):
                if self.is_home((after,)):
                    return (*rows, row)
                if after not in seen:
                    seen.add(after)
                    count += 1
                    heapq.heappush(heap, (self._apart(after), length + 1, count, after, (*rows, row)))
        return None

    def _apart(self, state: State) -> int:
        """How many subsystems are elsewhere than in the initial state."""
        return min(sum(a != b for a, b in zip(state.states, home, strict=True)) for home in self.home)

    def _onward(self, state: State) -> Iterator[tuple[Stimulus, State]]:
        """What can be done, and where it leads for sure."""
        follower = self.follower
        for event in follower.system.events:
            if follower.tracker.choices(state, event.number):
                yield from self._sure(state, Stimulus("event", event.number))
        here, ticks = state, 0
        while follower.system.tick is not None:
            ticks += 1
            after = [after for _, after in self._sure(here, Stimulus("wait", 1))]
            if not after or after[0] == here:
                return
            here = after[0]
            if here.states != state.states:
                yield Stimulus("wait", ticks), here
                return

    def _sure(self, state: State, row: Stimulus) -> Iterator[tuple[Stimulus, State]]:
        try:
            after = self.follower.row((state,), row).after
        except CannotTrack:
            return
        if len(after) == 1 and not any(self.follower.tracker.holds(after[0], breach) for breach in self._forbidden):
            yield row, after[0]
