"""The costliest run of steps while something lasts: reactions, and what happens meanwhile."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import reduce
from typing import Generic, TypeVar

from safetymodel.claims.clock import Clock
from safetymodel.explore.engine import EVERY_STEP, HAPPENINGS, REACTION, Space
from safetymodel.explore.moves import Move
from safetymodel.explore.single import Single, single_moves
from safetymodel.model.formula import Formula
from safetymodel.model.step import Kind, Step

S = TypeVar("S")

TOLD_APART: tuple[Kind, ...] = ("reaction", "time", "tick")
"""Kinds of moves that are looked at one by one, whatever they cost."""


@dataclass(frozen=True, slots=True)
class Costs:
    """``moves`` that cost anything; all others cost nothing. ``events`` (numbers) whose cost depends on what they move:
    each cost, and when it is that; else they cost nothing."""

    moves: Mapping[Move, int]
    events: Mapping[int, tuple[tuple[int, Formula], ...]]


@dataclass(frozen=True, slots=True)
class Way(Generic[S]):
    """One move, or all that cost nothing: what it leads to, and from where."""

    cost: int
    after: Callable[[S], S]
    before: Callable[[S], S]
    matches: Callable[[Step], bool]
    move: Move | None = None


@dataclass(frozen=True, slots=True)
class Link(Generic[S]):
    """A step of a run: the states that it is taken from, and what it is (None: the run ends there)."""

    members: S
    way: Way[S] | None


class Costliest(Generic[S]):
    """The costliest run of something that lasts.

    It begins with a step into one of the ``lasting`` states, goes on through the ``room``, which has all of them, and
    ends with the last step out of one of them. ``most`` is what it costs: the steps in between, the last one, and of
    the step that begins it its cost where it is an event.

    ``endless`` are moves by which it can cost more without end; then ``most`` says nothing.
    """

    def __init__(
        self, space: Space[S], room: S, lasting: S, costs: Costs, clock: Clock, watched: S | None = None
    ) -> None:
        """``watched``: where it can begin from; everywhere unless told."""
        self._space, self._clock = space, clock
        self._lasting = space.common(lasting, room)
        begun = space.common(room, space.union(self._lasting, space.settled))
        self._origin = space.minus(space.reached if watched is None else watched, begun)
        self._inside = space.inside(room)
        self._whole = single_moves(space)
        self._costs = costs
        self._told = {move: self._cases(move) for move in self._whole.moves if move.kind == "event"}
        self._free = frozenset(e.number for e in space.system.events if not costs.events.get(e.number))
        self._before = space.common(self._origin, space.settled)
        self._opening = [way for move in self._told for way in self._event(self._whole, move)]
        self._levels: list[dict[int, S]] = []
        self.most, self.endless = 0, tuple[Move, ...]()
        opened = self._begin()
        self._passed = self._on_the_way(opened)
        self._ways = self._made(single_moves(self._inside))
        self._leaving = self._made(self._whole)
        self._ends = [(way, way.before(space.reached)) for way in self._leaving if way.cost]
        self._last: tuple[int, int, Link[S]] | None = None
        self.endless = self._round_and_round()
        if not self.endless:
            self._run(opened)

    @property
    def moves(self) -> list[Move]:
        """The moves that such a run can have, one by one; those that nobody asks the cost of left out."""
        space, here, last = self._space, self._passed, self._inside.common(self._passed, self._lasting)
        begin = [w for w in self._opening if not space.is_empty(space.common(here, w.after(self._before)))]
        on = [w for w in self._leaving if not space.is_empty(space.common(here, w.after(here)))]
        out = [w for w in self._leaving if not space.is_empty(space.common(last, w.before(space.reached)))]
        return list(dict.fromkeys(way.move for way in (*begin, *on, *out) if way.move is not None))

    @property
    def chain(self) -> list[Link[S]]:
        """A costliest run: the states before each of its steps, and the step."""
        assert self._last is not None
        depth, cost, link = self._last
        chain, here = [link], link.members
        while depth:
            depth -= 1
            for way in self._ways:
                earlier = self._levels[depth].get(cost - way.cost)
                if earlier is not None:
                    source = self._space.common(way.before(here), earlier)
                    if not self._space.is_empty(source):
                        cost, here = cost - way.cost, source
                        chain.append(Link(source, way))
                        break
            else:
                raise AssertionError("a run without a begin")
        if cost:
            sources = ((w, self._space.common(self._before, w.before(here))) for w in self._opening if w.cost == cost)
            way, source = next((w, s) for w, s in sources if not self._space.is_empty(s))
            chain.append(Link(source, way))
        return chain[::-1]

    # -- what it is made of -----------------------------------------------------------------------

    def _cases(self, event: Move) -> list[tuple[int, S]]:
        """What the event costs, and the states in which it does."""
        space = self._space
        return [(cost, space.where(when)) for cost, when in self._costs.events.get(event.number, ())]

    def _event(self, single: Single[S], move: Move) -> Iterator[Way[S]]:
        """The ways of one event, each at its cost."""
        space, rest = self._space, self._space.reached
        for cost, where in self._told.get(move, ()):
            rest = space.minus(rest, where)
            yield self._way(single, move, cost, where)
        if self._told.get(move):
            yield replace(self._way(single, move, 0, rest), move=None)

    def _way(self, single: Single[S], move: Move, cost: int, origin: S | None = None) -> Way[S]:
        """One move, from these states alone if any are given."""
        space = self._space

        def among(members: S) -> S:
            return members if origin is None else space.common(members, origin)

        return Way(
            cost,
            lambda members: single.after(among(members), move),
            lambda members: among(single.before(members, move)),
            lambda step: (step.kind, step.number) == (move.kind, move.number),
            move,
        )

    def _begin(self) -> dict[int, S]:
        """Where it can begin, by what that costs."""
        space = self._space
        landed = space.union(space.start, space.after(self._before, HAPPENINGS, self._free))
        landed = space.union(landed, space.after(space.common(self._origin, space.transient), REACTION))
        begun = {0: space.common(landed, self._lasting)}
        for way in self._opening:
            new = space.common(way.after(self._before), self._lasting)
            begun[way.cost] = space.union(begun[way.cost], new) if way.cost in begun else new
        return begun

    def _on_the_way(self, begun: Mapping[int, S]) -> S:
        """The states between the begin and the last one in which it lasts."""
        inside = self._inside
        forth = inside.spread(reduce(inside.union, begun.values()), EVERY_STEP, None, inside.reached)
        return inside.common(forth, inside.spread_back(inside.common(forth, self._lasting), EVERY_STEP))

    def _made(self, single: Single[S]) -> list[Way[S]]:
        """The ways of a step on the way: what nobody asks the cost of is one."""
        inside, free = self._inside, self._free
        kinds: tuple[Kind, ...] = ("event", "fault", "jump")

        def is_free(step: Step) -> bool:
            return step.kind in ("fault", "jump") or (step.kind == "event" and step.number in free)

        ways = [Way(0, lambda s: inside.after(s, kinds, free), lambda s: inside.before(s, kinds, free), is_free)]
        for move in self._whole.moves:
            self._clock.check()
            if move.kind in TOLD_APART:
                ways.append(self._way(single, move, self._costs.moves.get(move, 0)))
            ways.extend(self._event(single, move))
        space, every = self._space, self._space.reached
        return [w for w in ways if w.move is None or not space.is_empty(space.common(self._passed, w.before(every)))]

    # -- the search -------------------------------------------------------------------------------

    def _round_and_round(self) -> tuple[Move, ...]:
        """The moves that cost something, or happen from outside, among those that can go round and round, at a cost."""
        inside, costly = self._inside, [way for way in self._ways if way.cost]
        ways: Sequence[tuple[Callable[[Way[S], S], S], Callable[[S], S]]] = (
            (lambda way, s: way.before(s), lambda s: inside.spread_back(s, EVERY_STEP)),
            (lambda way, s: way.after(s), lambda s: inside.spread(s, EVERY_STEP, None, inside.reached)),
        )
        kept = self._passed
        for step, spread in ways:
            while not inside.is_empty(kept):
                self._clock.check()
                ends = reduce(inside.union, (inside.common(kept, step(way, kept)) for way in costly), inside.nothing())
                fewer = inside.common(kept, spread(ends))
                if inside.same(fewer, kept):
                    break
                kept = fewer
        if inside.is_empty(kept):
            return ()
        return tuple(
            move
            for move in self._whole.moves
            if move.kind in (*TOLD_APART, "event", "jump")
            and not inside.is_empty(inside.common(kept, self._whole.after(kept, move)))
        )

    def _run(self, begun: Mapping[int, S]) -> None:
        best: dict[int, S] = {}
        level = self._better(begun, best)
        while level:
            self._clock.check()
            self._levels.append(level)
            self._finish(level)
            space, after = self._space, dict[int, S]()
            for cost, here in level.items():
                for way in self._ways:
                    landed = space.common(way.after(here), self._passed)
                    if not space.is_empty(landed):
                        total = cost + way.cost
                        after[total] = space.union(after[total], landed) if total in after else landed
            level = self._better(after, best)

    def _better(self, found: Mapping[int, S], best: dict[int, S]) -> dict[int, S]:
        """Those that are come to for the first time, or at a higher cost than before; noted in ``best``."""
        space, result = self._space, dict[int, S]()
        for cost in sorted(found, reverse=True):
            known = reduce(space.union, (s for c, s in (*best.items(), *result.items()) if c >= cost), space.nothing())
            new = space.minus(found[cost], known)
            if not space.is_empty(new):
                result[cost] = new
        for cost, members in result.items():
            best[cost] = space.union(best[cost], members) if cost in best else members
        return result

    def _finish(self, level: Mapping[int, S]) -> None:
        """Whether leaving from here, or being here, costs more than anything so far."""
        space, depth = self._space, len(self._levels) - 1
        for cost, here in level.items():
            lasting = space.common(here, self._lasting)
            if (self._last is None or cost > self.most) and not space.is_empty(lasting):
                self.most, self._last = cost, (depth, cost, Link(lasting, None))
            for way, possible in self._ends:
                leaving = space.common(lasting, possible)
                if cost + way.cost > self.most and not space.is_empty(leaving):
                    self.most, self._last = cost + way.cost, (depth, cost, Link(leaving, way))
