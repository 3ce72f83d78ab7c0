"""What can happen one after the other, at settled level, in two revisions at once.

A *behaviour* is the set of sequences of happenings after which the model can have settled. Where the order of
reactions makes a difference, several settled states are possible after one sequence; they are followed together (the
subset construction of automata theory, Rabin and Scott 1959), so a sequence is compared as a whole, never by one lucky
order of reactions.
"""

from __future__ import annotations

import heapq
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from itertools import count
from typing import Literal, Protocol, TypeAlias, TypeVar

import numpy as np

from safetymodel.claims.verdict import Trace
from safetymodel.explore.engine import LimitReached
from safetymodel.explore.product import Product
from safetymodel.model.state import State, initial_state
from safetymodel.model.step import Kind, Step, choices, happenings, moved, reactions
from safetymodel.model.system import System

Label: TypeAlias = tuple[Kind, str]
"""A happening by kind and name: the event's, the fault's (fault, jump), ``SUBSYSTEM: A -> B`` of a move within its
window of time, empty for a tick."""

Which = Literal["old", "new"]

N = TypeVar("N")
Seen: TypeAlias = tuple[str, ...]

MOST_REACTIONS = 20_000
"""States that the reactions to one happening are followed through."""


def label_of(system: System, kind: Kind, number: int) -> Label:
    match kind:
        case "event":
            return kind, system.events[number].name
        case "fault" | "jump":
            return kind, system.faults[number].name
        case "tick":
            return kind, ""
        case _:
            t = system.transitions[number]
            s = system.subsystems[t.subsystem]
            return kind, f"{s.name}: {s.states[t.source]} -> {s.states[t.target]}"


class Behaviour(Protocol[N]):
    """One revision, step by step at settled level."""

    @property
    def start(self) -> frozenset[N]:
        """Where it can have settled before anything has happened."""

    def offers(self, node: N) -> Mapping[Label, frozenset[N]]:
        """What can happen in a settled state, and where it can settle after it."""

    def after(self, node: N, label: Label) -> frozenset[N]:
        """Where it can settle after this happening; empty where it cannot happen."""

    def seen(self, node: N, names: tuple[str, ...]) -> Seen:
        """The states of these subsystems."""


class Stepped:
    """A revision by the reference step function; for short runs in models of any size."""

    def __init__(self, system: System, budget: int) -> None:
        self.system = system
        self.budget = budget
        self._place = {s.name: s.number for s in system.subsystems}
        self.offers = lru_cache(maxsize=20_000)(self._offers)

    @property
    def start(self) -> frozenset[State]:
        return frozenset(_settled(self.system, initial_state(self.system)))

    def _offers(self, state: State) -> dict[Label, frozenset[State]]:
        found: dict[Label, frozenset[State]] = {}
        for step in happenings(self.system, state, self.budget):
            label = label_of(self.system, step.kind, step.number)
            settled = frozenset(_settled(self.system, step.after))
            if settled:
                found[label] = found.get(label, frozenset()) | settled
        return found

    def after(self, state: State, label: Label) -> frozenset[State]:
        return frozenset(
            settled
            for step in happenings_named(self.system, state, label, self.budget)
            for settled in _settled(self.system, step.after)
        )

    def seen(self, state: State, names: tuple[str, ...]) -> Seen:
        places = [self._place[name] for name in names]
        return tuple(self.system.subsystems[n].states[state.states[n]] for n in places)


def happenings_named(system: System, state: State, label: Label, budget: int) -> Iterator[Step]:
    """The happenings of this label in a settled state, by the reference step function."""
    kind, name = label
    if kind == "event":
        for event in system.events:
            if event.name == name:
                for taken in choices(system, state, event):
                    yield Step("event", event.number, tuple(t.number for t in taken), moved(state, taken))
        return
    for step in happenings(system, state, budget):
        if label_of(system, step.kind, step.number) == label:
            yield step


class Written:
    """A revision as its product graph, every state written down."""

    def __init__(self, product: Product) -> None:
        self.product = product
        self.system = product.system
        self._labels = [label_of(self.system, move.kind, move.number) for move in product.moves]
        self._first = np.searchsorted(product.sources, np.arange(product.size + 1))
        self._landing: dict[int, frozenset[int]] = {}
        self._place = {s.name: s.number for s in self.system.subsystems}
        self.seen = lru_cache(maxsize=200_000)(self._seen)
        self.offers = lru_cache(maxsize=200_000)(self._offers)

    @property
    def start(self) -> frozenset[int]:
        return self._settles(0)

    def _edges(self, number: int) -> Iterator[tuple[int, int]]:
        here = slice(int(self._first[number]), int(self._first[number + 1]))
        yield from zip(self.product.labels[here].tolist(), self.product.targets[here].tolist(), strict=True)

    def _settles(self, number: int) -> frozenset[int]:
        known = self._landing.get(number)
        if known is None:
            if self.product.settled[number]:
                known = frozenset([number])
            else:
                seen, todo, ends = {number}, [number], set()
                while todo:
                    for _, target in self._edges(todo.pop()):
                        if target in seen:
                            continue
                        seen.add(target)
                        if self.product.settled[target]:
                            ends.add(target)
                        else:
                            todo.append(target)
                known = frozenset(ends)
            self._landing[number] = known
        return known

    def _offers(self, number: int) -> dict[Label, frozenset[int]]:
        found: dict[Label, frozenset[int]] = {}
        for move, target in self._edges(number):
            settled = self._settles(target)
            if settled:
                label = self._labels[move]
                found[label] = found.get(label, frozenset()) | settled
        return found

    def after(self, number: int, label: Label) -> frozenset[int]:
        return self.offers(number).get(label, frozenset())

    def _seen(self, number: int, names: tuple[str, ...]) -> Seen:
        state = self.product.state(number)
        places = [self._place[name] for name in names]
        return tuple(self.system.subsystems[n].states[state.states[n]] for n in places)


@dataclass(frozen=True, slots=True)
class Apart:
    """Where two behaviours part: after ``labels`` (a sequence of both but for its last), ``only`` one goes on with the
    last; or, where ``only`` is None, both go on, but these subsystems can come to be in different states."""

    labels: tuple[Label, ...]
    only: Which | None
    subsystems: tuple[str, ...] = ()

    @property
    def faults(self) -> int:
        return sum(kind == "fault" for kind, _ in self.labels)


@dataclass(slots=True)
class Comparison:
    """What a search found; ``complete`` where it followed every sequence of both to its end."""

    apart: list[Apart] = field(default_factory=list)
    pairs: int = 0
    complete: bool = True


def walk_apart(
    old: Behaviour[N],
    new: Behaviour[N],
    names: tuple[str, ...],
    order: Sequence[Label],
    most_pairs: int,
    on_work: Callable[[], None],
    begin: tuple[Label, ...] = (),
    stop_at_first: bool = False,
    found: Comparison | None = None,
) -> Comparison:
    """Follow both at once. Each happening that only one of them goes on with is told once, by the sequence to it with
    the fewest faults, and of those the fewest happenings; each subsystem that comes to differ likewise.

    ``names`` are the subsystems that both have; ``order`` settles which of several equals comes first. ``begin`` is a
    sequence of both to begin after. With ``stop_at_first`` the search ends after the first sequence
    with a happening of one alone.
    Raises what ``on_work`` raises; ``found`` then holds what was found till then.
    """
    found = Comparison() if found is None else found
    place = {label: n for n, label in enumerate(order)}
    told: set[object] = set()
    first = followed(old, begin), followed(new, begin)
    number = count()
    queue: list[tuple[int, int, int, tuple[frozenset[N], frozenset[N]], tuple[Label, ...]]] = []
    known = {first}
    heapq.heappush(queue, (sum(kind == "fault" for kind, _ in begin), len(begin), next(number), first, begin))
    _note_states(found, told, old, new, names, first, begin)
    while queue:
        on_work()
        if found.pairs >= most_pairs:
            found.complete = False
            return found
        faults, steps, _, (there, here), labels = heapq.heappop(queue)
        found.pairs += 1
        theirs, ours = joined(old, there), joined(new, here)
        alone = False
        for label in sorted(theirs.keys() | ours.keys(), key=lambda one: (place.get(one, len(place)), one)):
            after = theirs.get(label), ours.get(label)
            if after[0] is None or after[1] is None:
                only: Which = "old" if after[1] is None else "new"
                if (label, only) not in told:
                    told.add((label, only))
                    found.apart.append(Apart((*labels, label), only))
                    alone = True
                continue
            pair = after[0], after[1]
            if pair not in known:
                known.add(pair)
                sequence = (*labels, label)
                _note_states(found, told, old, new, names, pair, sequence)
                strikes = label[0] == "fault"
                heapq.heappush(queue, (faults + strikes, steps + 1, next(number), pair, sequence))
        if alone and stop_at_first:
            return found
    return found


def _note_states(
    found: Comparison,
    told: set[object],
    old: Behaviour[N],
    new: Behaviour[N],
    names: tuple[str, ...],
    pair: tuple[frozenset[N], frozenset[N]],
    labels: tuple[Label, ...],
) -> None:
    """Tell the subsystems that can be in different states after this sequence, each once."""
    seen = {old.seen(n, names) for n in pair[0]}, {new.seen(n, names) for n in pair[1]}
    if seen[0] == seen[1]:
        return
    differing = tuple(
        name for place, name in enumerate(names) if {row[place] for row in seen[0]} != {row[place] for row in seen[1]}
    )
    fresh = tuple(name for name in differing if name not in told)
    if not differing and "" not in told:  # only in combination
        told.add("")
        found.apart.append(Apart(labels, None))
    if fresh:
        told.update(fresh)
        found.apart.append(Apart(labels, None, fresh))


def joined(behaviour: Behaviour[N], nodes: frozenset[N]) -> dict[Label, frozenset[N]]:
    """What can happen in some of these states, and where it can settle after it."""
    if len(nodes) == 1:
        (node,) = nodes
        return dict(behaviour.offers(node))
    found: dict[Label, frozenset[N]] = {}
    for node in nodes:
        for label, after in behaviour.offers(node).items():
            found[label] = found.get(label, frozenset()) | after
    return found


def followed(behaviour: Behaviour[N], labels: Sequence[Label]) -> frozenset[N]:
    """Where it can have settled after a sequence; empty where the sequence is not possible."""
    *_, last = stages_of(behaviour, labels)
    return last


def stages_of(behaviour: Behaviour[N], labels: Sequence[Label]) -> Iterator[frozenset[N]]:
    """Where it can have settled at the start, and after each happening of a sequence."""
    nodes = behaviour.start
    yield nodes
    for label in labels:
        nodes = frozenset(after for node in nodes for after in behaviour.after(node, label))
        yield nodes


# -- runs in full ------------------------------------------------------------------------------


def _settled(system: System, state: State) -> dict[State, tuple[Step, ...]]:
    """The settled states that reactions lead to, each with the fewest reactions to it. Raises LimitReached."""
    ways: dict[State, tuple[Step, ...]] = {state: ()}
    queue = [state]
    settled: dict[State, tuple[Step, ...]] = {}
    for here in queue:
        onward = list(reactions(system, here))
        if not onward:
            settled[here] = ways[here]
        for step in onward:
            if step.after not in ways:
                ways[step.after] = (*ways[here], step)
                queue.append(step.after)
        if len(queue) > MOST_REACTIONS:
            raise LimitReached(f"more than {MOST_REACTIONS:,} states in the reactions to one happening")
    return settled


def trace_of(
    system: System, labels: Sequence[Label], budget: int, wanted: Callable[[State], bool] = lambda state: True
) -> Trace | None:
    """A run of the model with these happenings, by the reference step function, that ends in a wanted settled state;
    None where there is none."""
    first = initial_state(system)
    layer = {state: (None, way) for state, way in _settled(system, first).items()}
    layers: list[dict[State, tuple[State | None, tuple[Step, ...]]]] = [dict(layer)]
    for label in labels:
        following: dict[State, tuple[State | None, tuple[Step, ...]]] = {}
        for state in layers[-1]:
            for step in happenings_named(system, state, label, budget):
                for after, way in _settled(system, step.after).items():
                    following.setdefault(after, (state, (step, *way)))
        layers.append(following)
    here = next((state for state in layers[-1] if wanted(state)), None)
    if here is None:
        return None
    taken: list[tuple[Step, ...]] = []
    for found in reversed(layers):
        before, way = found[here]
        taken.append(way)
        if before is not None:
            here = before
    return Trace(first, tuple(step for way in reversed(taken) for step in way))
