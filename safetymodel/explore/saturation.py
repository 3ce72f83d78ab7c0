"""Growing a set of states until no step leads out of it, move by move, in an order that keeps the work small.

After a happening from a settled state only the reactions that read what it changed can be due, so
only those are tried. Ticks are followed for as long as they lead to something new before the next
round of events: a clock that runs for sixty ticks then costs one round, not sixty. The order of the happenings matters
most: all that change the lower half of the bits are repeated until nothing new comes of them, before the others.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable
from functools import partial
from typing import TypeAlias

from safetymodel.explore.decisions import Diagram
from safetymodel.explore.encoding import Encoding, Operation
from safetymodel.explore.halves import in_halves
from safetymodel.explore.pooling import Pooled, pool_of, readers_of
from safetymodel.model.step import Kind

Happening: TypeAlias = tuple[tuple[int, ...], Operation]
"""The reactions to try after it, and the operation."""


class Saturation:
    """Growth by some kinds of steps of one encoded system."""

    def __init__(
        self,
        encoding: Encoding,
        on_work: Callable[[], None],
        kinds: Collection[Kind],
        events: Collection[int] | None = None,
        anything: Collection[int] = (),
    ) -> None:
        """``anything``: automatic transitions that the encoding lets become due by whatever changes."""
        self.encoding = encoding
        self.on_work = on_work
        pool = pool_of(encoding, kinds, events)
        self.reactions: list[Operation] = [pooled.operation for pooled in pool.reactions]
        numbers = [pooled.reactions for pooled in pool.reactions]
        self.readers = readers_of(encoding.system, numbers, anything) if anything else pool.readers
        self.subjects = [encoding.system.transitions[first].subsystem for first, *_ in numbers]
        depth = partial(_depth, encoding)
        self.happenings: list[Happening] = [
            (self.readers.after(p.moved), p.operation) for p in sorted(pool.happenings, key=depth, reverse=True)
        ]
        """Those first that change the lowest bits."""
        self.strikes: list[Happening] = [(self.readers.after(p.moved), p.operation) for p in pool.strikes]
        self.tick: Operation | None = pool.tick
        self.rounds = 0
        self.on_new: Callable[[Diagram, Operation], None] = _nobody_asks
        """Told before each happening that leads to something new: all that is known, and the operation."""

    def close(self, members: Diagram, tried: Collection[int], room: Diagram) -> Diagram:
        """The members and what reactions make of them; only the reactions ``tried`` can be due at first."""
        return self.closed(members, tried, room)[0]

    def closed(self, members: Diagram, tried: Collection[int], room: Diagram) -> tuple[Diagram, tuple[Operation, ...]]:
        """The same, and which reactions took place, in the order in which each first did."""
        false = self.encoding.decisions.false
        found = members
        active: dict[int, None] = {}
        waiting = dict.fromkeys(tried)
        while waiting:
            position = next(iter(waiting))
            del waiting[position]
            self.on_work()
            image = self.reactions[position].image(found)
            if image == false:
                continue
            active[position] = None
            new = image & ~found
            if new != false:
                new = new & room
            if new == false:
                continue
            found = found | new
            waiting.update(dict.fromkeys(active))
            waiting.update(dict.fromkeys(self.readers.of[self.subjects[position]]))
        return found, tuple(self.reactions[position] for position in active)

    def grow(
        self,
        members: Diagram,
        room: Diagram,
        known: Callable[[Diagram], None] | None = None,
        kept: Callable[[Diagram], Diagram] | None = None,
    ) -> Diagram:
        """The members and all that the steps lead to, as long as each lands in ``room``.

        First everything that needs no new fault, then the next fault; and time before anything else, then everything
        that changes the lower half of the bits: sets stay small while they are not yet whole. ``known`` is told of the
        growing set now and then; ``kept`` then gives back what is worth going on with: with a state it must leave out
        all that leads to it.
        """

        def each(first: int, end: int, found: Diagram) -> Diagram:
            found = self._happen(self.happenings[first:end], found, room)
            self.rounds += 1
            if known is not None:
                known(found)
            return found if kept is None else kept(found)

        found = self.close(members, self.readers.all, room)
        while True:
            before = found
            while True:
                here = found
                found = in_halves(len(self.happenings), each, self._wait(found, room))
                if found == here:
                    break
            found = self._happen(self.strikes, found, room)
            if found == before:
                return found

    def _happen(self, happenings: Iterable[Happening], found: Diagram, room: Diagram) -> Diagram:
        """Each of these once, applied to all that is known by then, with the reactions to it."""
        calm, false = self.encoding.calm, self.encoding.decisions.false
        settled = found & calm
        for tried, operation in happenings:
            self.on_work()
            new = operation.image(settled) & ~found
            if new != false:
                new = new & room
            if new != false:
                self.on_new(found, operation)
                new = self.close(new, tried, room)
                found = found | new
                settled = settled | (new & calm)
        return found

    def _wait(self, found: Diagram, room: Diagram) -> Diagram:
        """Ticks, one after the other, for as long as they lead to something new."""
        if self.tick is None:
            return found
        calm, false = self.encoding.calm, self.encoding.decisions.false
        frontier = found & calm
        while frontier != false:
            self.on_work()
            new = self.tick.image(frontier) & room & ~found
            if new == false:
                break
            self.on_new(found, self.tick)
            new = self.close(new, self.readers.of_time, room)
            frontier = new & ~found & calm
            found = found | new
        return found


def _nobody_asks(known: Diagram, operation: Operation) -> None:
    """Nothing is kept."""


def _depth(encoding: Encoding, pooled: Pooled) -> int:
    """How far down the highest bit is that the moves change."""
    changed = (bit for subsystem in pooled.moved or () for bit in encoding.state_bits[subsystem])
    return min(changed, default=0)
