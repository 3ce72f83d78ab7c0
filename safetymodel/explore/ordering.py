"""The order of the bits in a decision diagram, on which everything depends.

Subsystems that read each other or move together are put close, by the centre-of-gravity method
(Aloul, Markov and Sakallah 2003, "FORCE"): each group of related subsystems pulls its members to its
centre, until the total span of all groups stops falling. Each group counts once, however many
conditions read it. Many starting orders are tried, most of them shuffled from a fixed seed, and the
one with the smallest span is taken. Deterministic: ties keep the order of the spec file.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from random import Random
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from safetymodel.model.formula import AllOf, AnyOf, Defined, Formula, HowMany, InState, Not, SignalTrue
from safetymodel.model.system import System

ROUNDS = 60

STARTS = 60
"""Shuffled orders to start from, beside that of the spec file and that of the nearest neighbours."""

FINE = 1 << 24
"""Parts of a place that centres of gravity are told apart by."""

MOST_PULLS = 800_000
"""The more subsystems, and members in all groups together, the fewer shuffled starts: the order must
not cost more than it saves."""


def signal_support(system: System) -> tuple[frozenset[int], ...]:
    """For each signal the subsystems that it reads, directly or through other signals."""
    found: list[frozenset[int]] = [frozenset()] * len(system.signals)
    for number in system.signal_order:
        found[number] = support(system.signals[number].reads, found)
    return tuple(found)


def support(formula: Formula, signals: Sequence[frozenset[int]]) -> frozenset[int]:
    """The subsystems that a formula reads."""
    match formula:
        case InState(subsystem, _, _):
            return frozenset([subsystem])
        case SignalTrue(signal):
            return signals[signal]
        case Not(part):
            return support(part, signals)
        case AllOf(parts) | AnyOf(parts):
            return frozenset().union(*(support(part, signals) for part in parts))
        case HowMany(_, _, members, _):
            return frozenset(member.subsystem for member in members)
        case Defined(_, body):
            return support(body, signals)
        case _:
            return frozenset()


Groups: TypeAlias = tuple[tuple[int, ...], ...]


def relations(system: System) -> Groups:
    """Groups of related subsystems: what one condition reads with its owner, and what one event moves."""
    signals = signal_support(system)
    found: dict[tuple[int, ...], None] = {}

    def add(members: Iterable[int]) -> None:
        group = tuple(sorted(set(members)))
        if len(group) > 1:
            found[group] = None

    for t in system.transitions:
        add({t.subsystem} | support(t.interlock, signals) | support(t.physical, signals))
    for event in system.events:
        add(subsystem for subsystem, _ in event.movers)
    for group in signals:
        add(group)
    return tuple(found)


def reads_of(system: System) -> tuple[frozenset[int], ...]:
    """Of each subsystem those that its conditions read, and itself."""
    signals = signal_support(system)
    reads = [{s.number} for s in system.subsystems]
    for t in system.transitions:
        reads[t.subsystem] |= support(t.interlock, signals) | support(t.physical, signals)
    return tuple(map(frozenset, reads))


class Reading:
    """Who reads whom."""

    def __init__(self, system: System) -> None:
        self._pairs = [(s, other) for s, others in enumerate(reads_of(system)) for other in sorted(others - {s})]

    def upwards(self, order: Sequence[int]) -> float:
        """Of all the places between those that read and what they read the share, 0 to 1, between those that stand
        below what they read in this order from the top."""
        place = [0] * len(order)
        for number, member in enumerate(order):
            place[member] = number
        down = up = 0
        for reader, other in self._pairs:
            further = place[other] - place[reader]
            if further > 0:
                down += further
            else:
                up -= further
        return up / (up + down) if up else 0.0


def reading_way(reads: Sequence[frozenset[int]], first: frozenset[int], last: int) -> frozenset[int]:
    """The first subsystems, the last, and those between: what some of the first read, what that reads, and so on to the
    last, by as few as that takes. ``reads``: of each subsystem those that it reads."""
    reader: dict[int, int] = {}
    waiting = sorted(first)
    for here in waiting:
        for other in sorted(reads[here] - first - reader.keys()):
            reader[other] = here
            waiting.append(other)
    way, here = {*first, last}, last
    while here in reader:
        here = reader[here]
        way.add(here)
    return frozenset(way)


def growing_views(system: System, formulas: Collection[Formula]) -> list[frozenset[int]]:
    """Sets of subsystems, each with all that the one before it reads: first what the formulas read themselves."""
    signals, reads = signal_support(system), reads_of(system)
    found = [frozenset().union(*(support(formula, signals) for formula in formulas))]
    while True:
        wider = found[-1].union(*(reads[subsystem] for subsystem in found[-1]))
        if wider == found[-1]:
            return found
        found.append(wider)


def subsystem_order(system: System) -> tuple[int, ...]:
    """The subsystems from the top of the diagram down."""
    groups = relations(system)
    count = len(system.subsystems)
    starts = [list(range(count)), list(_neighbours_first(count, groups))]
    shuffle = Random(0)
    members = sum(len(group) for group in groups)
    for _ in range(min(STARTS, MOST_PULLS // (1 + members * count))):
        start = list(range(count))
        shuffle.shuffle(start)
        starts.append(start)
    return _best_settled(np.array(starts, np.intp).reshape(len(starts), count), groups)


def _best_settled(orders: NDArray[np.intp], groups: Groups) -> tuple[int, ...]:
    """The order of the smallest span among all that these orders (a row each) pass through as they settle; of equals
    that of the first row, then the earliest. In whole numbers, so that it is the same on every machine."""
    rows, count = orders.shape
    belongs = np.zeros((len(groups), count), np.int64)
    for number, group in enumerate(groups):
        belongs[number, list(group)] = 1
    sizes, pulled = belongs.sum(axis=1), belongs.sum(axis=0)
    best, best_spans = orders.copy(), np.full(rows, np.iinfo(np.int64).max)
    for _ in range(ROUNDS):
        place = np.argsort(orders, axis=1, kind="stable").astype(np.int64)
        spans = _spans(place, groups)
        better = spans < best_spans
        best[better], best_spans[better] = orders[better], spans[better]
        centres = (place @ belongs.T) * FINE // sizes
        wanted = np.where(pulled, centres @ belongs // np.maximum(pulled, 1), place * FINE)
        new = np.lexsort((place, wanted), axis=1)
        if np.array_equal(new, orders):
            break
        orders = new
    return tuple(int(member) for member in best[best_spans.argmin()])


def _spans(place: NDArray[np.int64], groups: Groups) -> NDArray[np.int64]:
    """Of each row the sum over all groups of the distance between their outermost members."""
    total = np.zeros(len(place), np.int64)
    for group in groups:
        places = place[:, list(group)]
        total += places.max(axis=1) - places.min(axis=1)
    return total


def _neighbours_first(count: int, groups: Groups) -> tuple[int, ...]:
    """Always next the subsystem that is most tied to those already placed."""
    ties: list[dict[int, int]] = [{} for _ in range(count)]
    for group in groups:
        for a in group:
            for b in group:
                if a != b:
                    ties[a][b] = ties[a].get(b, 0) + 1
    order: list[int] = []
    left = dict.fromkeys(range(count), 0)
    while left:
        chosen = max(left, key=lambda m: (left[m], -sum(ties[m].values()), -m))
        del left[chosen]
        order.append(chosen)
        for other, weight in ties[chosen].items():
            if other in left:
                left[other] += weight
    return tuple(order)
