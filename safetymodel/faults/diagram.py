"""A small decision diagram for the top of a fault tree, built from its minimal sets; over plain Python data.

Reduced and ordered (Bryant 1986). The function is monotone: more faults never repair anything. The
values that are put in may be floats, exact fractions or numpy arrays of many moments at once.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

MOST_NODES = 200_000
"""Nodes beyond which the exact value is given up; the bounds of `top` need no diagram."""

FALSE, TRUE = 0, 1


class DiagramTooLarge(Exception):
    """The diagram of some minimal sets would need more than ``MOST_NODES`` nodes."""


class SetsDiagram:
    """The diagrams of some unions of minimal sets over the same events.

    A node is a number: 0 is false, 1 is true, and a node is larger than those below it. So one loop
    upwards (or downwards) visits each node once, and nothing recurses.
    """

    def __init__(self, sets: Iterable[Iterable[str]], most: int = MOST_NODES) -> None:
        self.sets = tuple(frozenset(one) for one in sets)
        self.events = _order(self.sets)
        self._place = {event: place for place, event in enumerate(self.events)}
        self._most = most
        self._level = [len(self.events)] * 2
        self._low = [FALSE, TRUE]
        self._high = [FALSE, TRUE]
        self._unique: dict[tuple[int, int, int], int] = {}
        self._united: dict[tuple[int, int], int] = {}
        self.top = self.union(self.sets)

    @property
    def nodes(self) -> int:
        """Nodes made so far, the two leaves included."""
        return len(self._level)

    def union(self, sets: Iterable[Iterable[str]]) -> int:
        """The node that is true where every event of some set is.

        :raises DiagramTooLarge: at more than the allowed number of nodes.
        """
        places = sorted(sorted(self._place[event] for event in one) for one in sets)
        row = [self._all_of(one) for one in places]
        while len(row) > 1:
            row = [self._or(row[i], row[i + 1]) if i + 1 < len(row) else row[i] for i in range(0, len(row), 2)]
        return row[0] if row else FALSE

    def value(self, values: Mapping[str, Any], node: int | None = None) -> Any:
        """The probability of a node (the top, unless told) from those of its events, which are independent.

        The sums have no negative term, so small values keep their digits. Exact for fractions.
        """
        node = self.top if node is None else node
        return self._values(values, node)[node]

    def sensitivity(self, values: Mapping[str, Any]) -> dict[str, Any]:
        """For each event how much the top gains in probability from its being there for certain
        over its being absent: the derivative of the top (Birnbaum 1969)."""
        found = self._values(values, self.top)
        reach: dict[int, Any] = {self.top: 1}
        result: dict[str, Any] = dict.fromkeys(self.events, 0)
        for node in sorted(found, reverse=True):
            if node <= TRUE:
                continue
            low, high, event = self._low[node], self._high[node], self.events[self._level[node]]
            weight, p = reach[node], values[event]
            result[event] = result[event] + weight * (found[high] - found[low])
            reach[low] = reach.get(low, 0) + weight * (1 - p)
            reach[high] = reach.get(high, 0) + weight * p
        return result

    def _values(self, values: Mapping[str, Any], top: int) -> dict[int, Any]:
        found: dict[int, Any] = {FALSE: 0, TRUE: 1}
        for node in self._below(top):
            p = values[self.events[self._level[node]]]
            found[node] = p * found[self._high[node]] + (1 - p) * found[self._low[node]]
        return found

    def _below(self, top: int) -> list[int]:
        """The inner nodes under a node and itself, ascending."""
        seen = {FALSE, TRUE}
        waiting = [top]
        while waiting:
            node = waiting.pop()
            if node not in seen:
                seen.add(node)
                waiting += (self._low[node], self._high[node])
        return sorted(seen - {FALSE, TRUE})

    def _all_of(self, places: Sequence[int]) -> int:
        node = TRUE
        for place in reversed(places):
            node = self._node(place, FALSE, node)
        return node

    def _node(self, level: int, low: int, high: int) -> int:
        if low == high:
            return low
        key = (level, low, high)
        node = self._unique.get(key)
        if node is None:
            node = len(self._level)
            if node >= self._most:
                raise DiagramTooLarge
            self._level.append(level)
            self._low.append(low)
            self._high.append(high)
            self._unique[key] = node
        return node

    def _or(self, one: int, other: int) -> int:
        united = self._united
        waiting = [(one, other)]
        while waiting:
            a, b = waiting[-1]
            if (a, b) in united:
                waiting.pop()
                continue
            if a in (b, TRUE) or b == FALSE:
                united[a, b] = a
            elif a == FALSE or b == TRUE:
                united[a, b] = b
            else:
                level = min(self._level[a], self._level[b])
                a_low, a_high = self._parts(a, level)
                b_low, b_high = self._parts(b, level)
                low, high = united.get((a_low, b_low)), united.get((a_high, b_high))
                if low is None or high is None:
                    waiting += ((a_low, b_low), (a_high, b_high))
                    continue
                united[a, b] = self._node(level, low, high)
        return united[one, other]

    def _parts(self, node: int, level: int) -> tuple[int, int]:
        return (self._low[node], self._high[node]) if self._level[node] == level else (node, node)


def _order(sets: Sequence[frozenset[str]]) -> tuple[str, ...]:
    """Events of one set stand near one another, the most frequent first: that keeps the diagram small."""
    count: dict[str, int] = {}
    having: dict[str, list[int]] = {}
    for number, one in enumerate(sets):
        for event in one:
            count[event] = count.get(event, 0) + 1
            having.setdefault(event, []).append(number)
    found: dict[str, None] = {}
    looked: set[int] = set()
    for start in sorted(count, key=lambda event: (-count[event], event)):
        waiting = [start]
        while waiting:
            event = waiting.pop()
            if event in found:
                continue
            found[event] = None
            new = [number for number in having[event] if number not in looked]
            looked.update(new)
            near = {mate for number in new for mate in sets[number] if mate not in found}
            waiting += sorted(near, key=lambda mate: (count[mate], mate))
    return tuple(found)
