"""A better order of the bits for a set that is known: each subsystem is tried in every place, and left where the
diagram is smallest.

That is sifting (Rudell 1993, "Dynamic variable ordering for ordered binary decision diagrams"; from memory) of groups
of bits that stay together: a subsystem's state and clock, with the flags that stand behind it. Where much is going to
be asked, neighbours are tried together in other places, too, again and again. Deterministic.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence

from safetymodel.explore.decisions import Movable
from safetymodel.explore.ordering import Reading
from safetymodel.explore.places import Places, Placing

FAR = 1.1
"""A subsystem is moved no further in one direction where the diagram has become so many times as large as the smallest.
"""

SUBSYSTEM = 64
"""Putting a subsystem in its place costs as much as looking at so many nodes."""

NEIGHBOURS = (6, 3, 1)
"""So many subsystems that stand side by side are moved together, one number after the other."""

WORTH_AGAIN = 0.99
"""Once more, if it has become so many times as large, or smaller."""


def sifted(
    members: Movable, placing: Placing, places: Places, most: int, on_work: Callable[[], None]
) -> tuple[int, ...]:
    """An order of the subsystems for which the diagram of the members, whose bits stand at ``places``, is as small or
    smaller. The members are left in that order. ``most``: nodes that are looked at, over all places that are tried;
    it is over early with more."""
    sifting = _Sifting(members, placing, places, most, on_work)
    sifting.each(1)
    return tuple(sifting.order)


def sifted_again(
    members: Movable, placing: Placing, places: Places, most: int, on_work: Callable[[], None], reading: Reading
) -> tuple[int, ...]:
    """The same, by more work; of two orders with as many nodes the one is better in which less of ``reading`` goes up:
    what a step writes is made anew from there to the top, and what reads others is written most often."""
    sifting = _Sifting(members, placing, places, most, on_work, reading)
    sifting.each(1)
    while not sifting.over:
        before = sifting.cost
        for neighbours in NEIGHBOURS:
            sifting.each(neighbours)
        if sifting.cost > WORTH_AGAIN * before:
            break
    return tuple(sifting.order)


class _Sifting:
    """What it has come to."""

    def __init__(
        self,
        members: Movable,
        placing: Placing,
        places: Places,
        most: int,
        on_work: Callable[[], None],
        reading: Reading | None = None,
    ) -> None:
        self._members, self._placing, self._places = members, placing, places
        self._left, self._on_work, self._reading = most, on_work, reading
        self.order = list(places.order)
        self.cost = self._cost(self.order)
        """Of this order."""

    @property
    def over(self) -> bool:
        """Whether all the work is done that may be."""
        return self._left < 0

    def _cost(self, order: Sequence[int]) -> float:
        """Of an order in which the bits stand."""
        return self._members.nodes * (1 + self._reading.upwards(order) if self._reading else 1)

    def _put(self, order: Sequence[int]) -> None:
        self._on_work()
        self._left -= self._members.arranged(self._placing.row(order, self._places)) + SUBSYSTEM * len(order)

    def _widths(self, members: Iterable[int]) -> int:
        return sum(map(self._placing.width, members))

    def each(self, neighbours: int) -> None:
        """Try so many that stand side by side in every place, whoever the first of them is."""
        firsts = self.order.copy()
        if neighbours == 1:
            firsts.sort(key=lambda member: -self._placing.width(member))  # those first that take most room
        for first in firsts:
            at = self.order.index(first)
            if at + neighbours <= len(self.order):
                self._settle(at, self.order[at : at + neighbours])

    def _settle(self, at: int, together: list[int]) -> None:
        """Find the best place for these, which stand from this one on."""
        others = self.order[:at] + self.order[at + len(together) :]
        best, least = at, self._members.nodes
        for ways in (range(at + 1, len(others) + 1), range(at - 1, -1, -1)):
            nodes = self._members.nodes
            for place in ways:
                if not self._moved(nodes, others, together, place, down=place > at):
                    break
                nodes = self._members.nodes
                order = [*others[:place], *together, *others[place:]]
                cost = self._cost(order)
                if cost < self.cost:
                    self.cost, best = cost, place
                least = min(nodes, least)
                if nodes > FAR * least:
                    break
            self._put(self.order)
        self.order = [*others[:best], *together, *others[best:]]
        self._put(self.order)

    def _moved(self, nodes: int, others: Sequence[int], together: Sequence[int], place: int, down: bool) -> bool:
        """Whether there was room to move these to the next place; they come from a diagram of so many nodes."""
        for lower, order in self._way(nodes, others, together, place, down):
            # what it passes: on the way the bits of the lower of the two may each double what is there
            if self.over or not self._members.has_room(nodes << lower):
                return False
            self._put(order)
            nodes = self._members.nodes
        return True

    def _way(
        self, nodes: int, others: Sequence[int], together: Sequence[int], place: int, down: bool
    ) -> Iterator[tuple[int, list[int]]]:
        """The orders that lead there, each with how many bits come to stand higher; one where there is room."""
        there = [*others[:place], *together, *others[place:]]
        if down:
            yield self._widths(others[place - 1 : place]), there
        elif self._members.has_room(nodes << self._widths(together)):
            yield self._widths(together), there
        else:
            for number, member in enumerate(together, 1):
                above, below = together[:number], together[number:]
                yield (
                    self._widths([member]),
                    [*others[:place], *above, *others[place : place + 1], *below, *others[place + 1 :]],
                )
