"""The way to a goal, searched backwards from it: rungs of states by the fewest rows that are left."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from functools import reduce
from typing import Generic, TypeVar

from safetymodel.bench.sheets.follow import Done
from safetymodel.bench.sheets.reach import WAITING, Reach, Rows
from safetymodel.bench.stimulus import Stimulus
from safetymodel.claims.breach_states import TICK
from safetymodel.model.state import State
from safetymodel.model.step import Kind

S = TypeVar("S")

MOST_TICKS = 100_000

MOST_ROWS_TRIED = 100
"""Rows that are tried on the way down a ladder."""


class Ladder(Generic[S]):
    """The settled states by the fewest rows from them to a goal, searched backwards; made as they are asked for.

    ``room`` has the states that may be passed. A step down is taken only where every order of reaction makes it.
    ``fault`` is the one that may strike, ``events`` those that may be used (None: all).
    """

    def __init__(
        self, reach: Reach[S], goal: S, room: S, fault: int | None = None, events: frozenset[int] | None = None
    ) -> None:
        self.reach = reach
        self.room = room
        self.fault = fault
        self.events = events
        self.rungs: list[S] = [goal]
        self._seen = goal

    def higher(self) -> bool:
        """One rung more; False where there is none."""
        reach, space = self.reach, self.reach.space
        reach.on_work()
        found = reach.before_by_hand(self._back(self.rungs[-1], reach.after_hand), self.fault, self.events)
        if reach.system.tick is not None:
            found = space.union(found, space.before(self._back(self.rungs[-1], WAITING), TICK))
        new = space.minus(space.common(found, self.room), self._seen)
        if space.is_empty(new):
            return False
        self._seen = space.union(self._seen, new)
        self.rungs.append(new)
        return True

    def begin_with(self, states: S) -> None:
        """The last row has to begin in one of these states, if it can; told before any rung is made."""
        space = self.reach.space
        if not self.higher():
            return
        rung = space.common(self.rungs[1], states)
        if not space.is_empty(rung):
            self.rungs[1] = rung
            self._seen = space.union(self.rungs[0], rung)

    def _back(self, members: S, kinds: Collection[Kind]) -> S:
        return self.reach.back(members, kinds, self.room)

    def height(self, states: Collection[State], most: int) -> tuple[int, State] | None:
        """The fewest rows from one of the states, and the first such state; None beyond ``most``."""
        space = self.reach.space
        together = reduce(space.union, (self.reach.only(state) for state in states), space.nothing())
        for height in range(most + 1):
            if height == len(self.rungs) and not self.higher():
                return None
            if not space.is_empty(space.common(self.rungs[height], together)):
                return height, next(state for state in states if space.contains(self.rungs[height], state))
        return None

    def down(self, state: State, height: int) -> Rows | None:
        """The rows from a state on the rung of this height to the goal; None where every way tried can go either way.

        Where no row leads for sure a rung down, rows along or up a rung are tried too.
        """
        if not height:
            return ()
        rows: list[Stimulus] = []
        seen = {state}
        trail = [self._downwards(state, height)]
        for _ in range(MOST_ROWS_TRIED):
            if not trail:
                return None
            ways = trail[-1]
            way = next((w for w in ways if w[1] not in seen or w[2] == 0), None)
            if way is None:
                trail.pop()
                if rows:
                    rows.pop()
                continue
            stimulus, after, there = way
            rows.append(stimulus)
            if there == 0:
                return tuple(rows)
            seen.add(after)
            trail.append(self._downwards(after, there))
        return None

    def _downwards(self, state: State, height: int) -> Iterator[tuple[Stimulus, State, int]]:
        """(row, state that it leads to for sure, its height), a rung down first."""
        aside: list[tuple[Stimulus, State]] = []
        for stimulus, done in self._rows(state):
            if self._lands(done, self.rungs[height - 1], height == 1):
                yield stimulus, done.after[0], height - 1
            elif len(done.after) == 1:
                aside.append((stimulus, done.after[0]))
        heights = [self._height(after, height + 1) for _, after in aside]  # seldom asked for: a row down has led on
        for there, (stimulus, after) in sorted(zip(heights, aside, strict=True), key=lambda way: way[0]):
            if there <= height + 1:
                yield stimulus, after, there

    def _height(self, state: State, most: int) -> int:
        """The rung of a state; one more than ``most`` where it is on none of those."""
        while len(self.rungs) <= most and self.higher():
            pass
        for height, rung in enumerate(self.rungs[: most + 1]):
            if self.reach.space.contains(rung, state):
                return height or most + 1  # the goal itself has to be landed on
        return most + 1

    def _rows(self, state: State) -> Iterator[tuple[Stimulus, Done]]:
        """Every row that can be given in a state: each by hand, waits of growing length, waits for what is seen."""
        follower = self.reach.follower
        for stimulus in self.reach.hands(state, self.events, self.fault):
            yield stimulus, follower.row((state,), stimulus)
        here, ticks = state, 0
        while self.reach.system.tick is not None and ticks < MOST_TICKS:
            ticks += 1
            done = follower.row((here,), Stimulus("wait", 1))
            yield Stimulus("wait", ticks), done
            if len(done.after) != 1 or done.after[0] == here:
                break
            here = done.after[0]
        for done in follower.untils((state,)):
            assert done.stimulus is not None
            yield done.stimulus, done

    def _lands(self, done: Done, rung: S, last: bool) -> bool:
        """Whether a row leads for sure to the rung; the last one may only pass it."""
        contains = self.reach.space.contains
        if last and any(contains(rung, state) for phase in done.phases for state in phase.edges):
            return True
        return len(done.after) == 1 and contains(rung, done.after[0])
