"""Walks over every step of a small settled model: the fewest steps, and n-switch coverage.

A directed postman problem (Edmonds and Johnson 1973): steps to be repeated are a cheapest flow, the walk an Euler walk.
Sequences of n+1 steps one after the other are n-switch coverage (Chow 1978; BS 7925-2; ISO/IEC/IEEE 29119-4).
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from typing import TypeVar

from safetymodel.bench.reactions import CannotTrack
from safetymodel.bench.sheets.follow import Follower
from safetymodel.bench.stimulus import Stimulus
from safetymodel.explore.product_graph import cheapest_flow
from safetymodel.model.state import State
from safetymodel.model.system import System

N = TypeVar("N", bound=Hashable)

MOST_STEPS = 3_000
"""Steps of a settled model up to which walks over all of them are worked out."""

_END = "the end of the walk"


@dataclass(frozen=True, slots=True)
class SettledStep:
    """One stimulus that moves something, from a settled state to the settled state that it leads to."""

    source: int
    target: int
    stimulus: Stimulus


@dataclass(frozen=True, slots=True)
class SettledModel:
    """The settled states (0 is the start) and every step of events and ticks between two of them, without faults."""

    states: tuple[State, ...]
    steps: tuple[SettledStep, ...]


def settled_model(system: System, most: int = MOST_STEPS) -> SettledModel | None:
    """The settled model; None where it has more steps, or where an order of reaction or a window of time decides."""
    follower = Follower(system)
    try:
        start = follower.start().after
        if len(start) != 1:
            return None
        numbers, states, steps = {start[0]: 0}, [start[0]], list[SettledStep]()
        stimuli = [Stimulus("event", e.number) for e in system.events]
        stimuli += [Stimulus("wait", 1)] if system.tick is not None else []
        for state in states:
            for stimulus in stimuli:
                if stimulus.kind == "event" and not follower.tracker.choices(state, stimulus.number):
                    continue
                after = follower.row((state,), stimulus).after
                if len(after) != 1:
                    return None
                if stimulus.kind == "wait" and after[0] == state:
                    continue
                if after[0] not in numbers:
                    numbers[after[0]] = len(states)
                    states.append(after[0])
                steps.append(SettledStep(numbers[state], numbers[after[0]], stimulus))
                if len(steps) > most:
                    return None
    except CannotTrack:
        return None
    return SettledModel(tuple(states), tuple(steps))


def closed_tour(edges: Sequence[tuple[N, N]], start: N) -> tuple[int, ...] | None:
    """The fewest edges (their positions, in order) that take every edge and end where they began; None where no walk
    does that."""
    times = _repeats([(a, b, 1, None) for a, b in edges], edges, {})
    return None if times is None else _euler(edges, times, start)


def shortest_walk(edges: Sequence[tuple[N, N]], start: N) -> tuple[int, ...] | None:
    """The fewest edges that take every edge in one walk from the start, wherever it ends; None where none does."""
    if not edges:
        return ()
    nodes = dict.fromkeys(node for edge in edges for node in edge)
    last: list[tuple[Hashable, Hashable, int, int | None]] = [(node, _END, 0, 1) for node in nodes]
    times = _repeats([*((a, b, 1, None) for a, b in edges), *last], edges, {start: 1, _END: -1})
    return None if times is None else _euler(edges, times[: len(edges)], start)


def _repeats(
    arcs: Sequence[tuple[Hashable, Hashable, int, int | None]],
    edges: Sequence[tuple[N, N]],
    supply: dict[Hashable, int],
) -> list[int] | None:
    """How often each arc is taken, once at least for the edges."""
    balance: dict[Hashable, int] = dict.fromkeys((node for arc in arcs for node in arc[:2]), 0)
    for node, amount in supply.items():
        balance[node] = balance.get(node, 0) + amount
    for source, target in edges:
        balance[source] -= 1
        balance[target] += 1
    more = cheapest_flow(arcs, balance)
    if more is None:
        return None
    return [count + (place < len(edges)) for place, count in enumerate(more)]


def _euler(edges: Sequence[tuple[N, N]], times: Sequence[int], start: N) -> tuple[int, ...] | None:
    """A walk from the start that takes each edge so often (Hierholzer 1873); None where the edges hang apart."""
    leaving: dict[N, list[int]] = {}
    for number in range(len(edges) - 1, -1, -1):
        leaving.setdefault(edges[number][0], []).extend([number] * times[number])
    walk: list[int] = []
    stack: list[tuple[N, int]] = [(start, -1)]
    while stack:
        node, came = stack[-1]
        if leaving.get(node):
            number = leaving[node].pop()
            stack.append((edges[number][1], number))
        else:
            stack.pop()
            if came >= 0:
                walk.append(came)
    return tuple(reversed(walk)) if len(walk) == sum(times) else None


def switch_sequences(edges: Sequence[tuple[N, N]], n: int) -> int:
    """How many sequences of n+1 edges follow one another: what n-switch coverage counts."""
    ways = [1] * len(edges)
    for _ in range(n):
        into: dict[N, int] = {}
        for (source, _), count in zip(edges, ways, strict=True):
            into[source] = into.get(source, 0) + count
        ways = [into.get(target, 0) for _, target in edges]
    return sum(ways)


def switch_walk(edges: Sequence[tuple[N, N]], start: N, n: int) -> tuple[int, ...] | None:
    """The fewest edges in one walk from the start that take every sequence of n+1 edges; None where no one walk does.

    A sequence of n edges is a node, and a longer one by an edge an edge between two of them.
    """
    if not n:
        return shortest_walk(edges, start)
    sequences: list[tuple[int, ...]] = [(number,) for number in range(len(edges))]
    for _ in range(n - 1):
        sequences = [(*s, e) for s in sequences for e in range(len(edges)) if edges[e][0] == edges[s[-1]][1]]
    pairs = [(s, (*s[1:], e)) for s in sequences for e in range(len(edges)) if edges[e][0] == edges[s[-1]][1]]
    found: tuple[int, ...] | None = None
    for first in (s for s in sequences if edges[s[0]][0] == start):
        walk = shortest_walk(pairs, first)
        if walk is not None and (found is None or len(first) + len(walk) < len(found)):
            found = (*first, *(pairs[place][1][-1] for place in walk))
    return found


def switches_taken(edges: Sequence[tuple[N, N]], walks: Sequence[Sequence[int]], n: int) -> int:
    """How many different sequences of n+1 edges the walks take."""
    return len({tuple(walk[i : i + n + 1]) for walk in walks for i in range(len(walk) - n)})
