"""The order of the bits in a decision diagram, on which everything depends.

Subsystems that read each other or move together are put close, by the centre-of-gravity method
(Aloul, Markov and Sakallah 2003, "FORCE"): each group of related subsystems pulls its members to its
centre, until the total span of all groups stops falling. Each group counts once, however many
conditions read it. Many starting orders are tried, most of them shuffled from a fixed seed, and the
one with the smallest span is taken. Deterministic: ties keep the order of the spec file.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from random import Random
from typing import TypeAlias

from safetymodel.model.formula import AllOf, AnyOf, Defined, Formula, HowMany, InState, Not, SignalTrue
from safetymodel.model.system import System

ROUNDS = 60

STARTS = 60
"""Shuffled orders to start from, beside that of the spec file and that of the nearest neighbours."""

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


def subsystem_order(system: System) -> tuple[int, ...]:
    """The subsystems from the top of the diagram down."""
    groups = relations(system)
    count = len(system.subsystems)
    starts = [tuple(range(count)), _neighbours_first(count, groups)]
    shuffle = Random(0)
    members = sum(len(group) for group in groups)
    for _ in range(min(STARTS, MOST_PULLS // (1 + members * count))):
        start = list(range(count))
        shuffle.shuffle(start)
        starts.append(tuple(start))
    return min((_settle(start, groups) for start in starts), key=lambda order: _span(order, groups))


def _span(order: Sequence[int], groups: Groups) -> int:
    place = {member: i for i, member in enumerate(order)}
    return sum(max(place[m] for m in group) - min(place[m] for m in group) for group in groups)


def _settle(order: tuple[int, ...], groups: Groups) -> tuple[int, ...]:
    best, best_span = order, _span(order, groups)
    for _ in range(ROUNDS):
        place = {member: float(i) for i, member in enumerate(order)}
        pulls = {member: [0.0, 0] for member in order}
        for group in groups:
            centre = sum(place[m] for m in group) / len(group)
            for member in group:
                pulls[member][0] += centre
                pulls[member][1] += 1
        wanted = {m: pull[0] / pull[1] if pull[1] else place[m] for m, pull in pulls.items()}
        new = tuple(sorted(order, key=lambda m: (wanted[m], place[m])))
        if new == order:
            break
        order = new
        span = _span(order, groups)
        if span < best_span:
            best, best_span = order, span
    return best


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


def fault_places(system: System, order: Sequence[int]) -> tuple[tuple[int, ...], ...]:
    """For each subsystem the faults whose flag stands right behind it: its own, and those of the
    signals that read it and nothing further down the order."""
    signals = signal_support(system)
    place = {member: i for i, member in enumerate(order)}
    beside: list[list[int]] = [[] for _ in system.subsystems]
    for fault in system.faults:
        if fault.kind == "signal":
            read = signals[fault.subject]
            subject = max(read, key=lambda m: place[m]) if read else 0
        else:
            subject = fault.subject
        beside[subject].append(fault.number)
    return tuple(tuple(faults) for faults in beside)
