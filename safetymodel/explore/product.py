"""The explicit engine: every reached state written down, breadth first, with every step between them."""

from __future__ import annotations

import copy
import time
from collections.abc import Callable, Collection, Sequence

import numpy as np
from numpy.typing import NDArray

from safetymodel.explore.engine import EVERY_STEP, HAPPENINGS, Limits, Progress, no_limit
from safetymodel.explore.layout import Layout, Words, layout_of
from safetymodel.explore.logic import Batch, Logic
from safetymodel.explore.moves import Mover
from safetymodel.explore.table import StateTable
from safetymodel.model.formula import Formula
from safetymodel.model.state import State, initial_state
from safetymodel.model.step import Kind
from safetymodel.model.system import System

BATCH = 1 << 15
"""States handled at once: large enough for speed, small enough for cache and memory."""

Members = NDArray[np.bool_]
"""A set of states: one truth value per state number."""


class Product:
    """The reached part of the product graph, as arrays.

    ``table`` holds the states; edge e leads from ``sources[e]`` to ``targets[e]`` by move
    ``labels[e]`` (a position in ``moves``). State 0 is the declared start. Not complete where a
    limit ended the walk: ``shortfall`` then says which.
    """

    def __init__(
        self,
        system: System,
        budget: int,
        limits: Limits | None = None,
        progress: Progress | None = None,
        hopeless: Callable[[Sequence[int]], bool] = lambda _: False,
    ):
        """``hopeless`` gets the number of states known at first and after each happening, and says whether to stop
        there."""
        self.system = system
        self.budget = budget
        self.layout: Layout = layout_of(system)
        self.logic = Logic(system, self.layout)
        self.mover = Mover(system, self.logic, budget)
        self.moves = self.mover.moves
        self.table = StateTable(self.layout.words)
        self.shortfall = ""
        self.too_many_states = False
        self._limits = limits or Limits()
        self._progress = progress
        self._hopeless = hopeless
        self._started = time.monotonic()
        self._edges: list[tuple[NDArray[np.int32], NDArray[np.int32], NDArray[np.int32]]] = []
        self._edge_count = 0
        self._transient: list[Members] = []
        self._walk()
        self._freeze()

    @property
    def size(self) -> int:
        """Number of states."""
        return self.table.size

    # -- the walk ---------------------------------------------------------------------------

    def _walk(self) -> None:
        self.table.add(self.layout.pack(initial_state(self.system)))
        layer, known = (0, 1), [1]
        while layer[0] < layer[1]:
            settled: list[NDArray[np.int64]] = []
            while layer[0] < layer[1]:  # reactions first: they cost no happening
                settled.append(self._react(*layer))
                layer = (layer[1], self.table.size)
                if self._stopped():
                    return
            before = self.table.size
            if not self._happen(np.concatenate(settled)):
                return
            layer = (before, self.table.size)
            known.append(self.table.size)
            if self._hopeless(known):
                self.shortfall = f"{known[-1]:,} states after {len(known) - 1} happenings, and far more to come"
                return

    def _react(self, first: int, last: int) -> NDArray[np.int64]:
        """Fire what is due in these states; gives back the settled ones among them."""
        settled = []
        for start in range(first, last, BATCH):
            end = min(start + BATCH, last)
            batch = Batch(self.logic, self.table.columns(start, end).copy())
            transient = batch.truth(self.logic.transient)
            self._transient.append(transient)
            settled.append(start + np.flatnonzero(~transient))
            if transient.any():
                numbers = np.arange(start, end)
                self._record(numbers, list(self.mover.reactions(batch)))
        return np.concatenate(settled) if settled else np.zeros(0, np.int64)

    def _happen(self, settled: NDArray[np.int64]) -> bool:
        """All that can happen in these settled states; False where a limit was reached."""
        for start in range(0, len(settled), BATCH):
            numbers = settled[start : start + BATCH]
            batch = Batch(self.logic, self.table.pick(numbers))
            self._record(numbers, list(self.mover.happenings(batch)))
            if self._stopped():
                return False
        return True

    def _record(self, numbers: NDArray[np.int64], results: list[tuple[int, NDArray[np.intp], Words]]) -> None:
        if not results:
            return
        targets = self.table.add(np.concatenate([after for _, _, after in results], axis=1))
        sources = np.concatenate([numbers[rows] for _, rows, _ in results]).astype(np.int32)
        labels = np.concatenate([np.full(len(rows), position, np.int32) for position, rows, _ in results])
        self._edges.append((sources, targets, labels))
        self._edge_count += len(sources)

    def _stopped(self) -> bool:
        if self._progress:
            self._progress("exploring", self.table.size)
        limits = self._limits
        if limits.states is not None and self.table.size > limits.states:
            self.shortfall = f"the limit of {limits.states:,} states was reached"
            self.too_many_states = True
        elif limits.seconds is not None and time.monotonic() - self._started > limits.seconds:
            self.shortfall = f"the limit of {limits.seconds:g} s was reached after {self.table.size:,} states"
        elif limits.memory is not None and self.bytes_needed > limits.memory:
            self.shortfall = f"the limit of {limits.memory / 1e6:,.0f} MB was reached after {self.table.size:,} states"
        return bool(self.shortfall)

    @property
    def bytes_needed(self) -> int:
        """An estimate of the memory that the graph takes once it is ready for questions."""
        return self.table.bytes + 40 * self._edge_count + 64 * self.table.size

    def _freeze(self) -> None:
        """Edges by source and by target, so that a step of a whole set is a few array operations."""
        empty = np.zeros(0, np.int32)
        sources, targets, labels = (
            (np.concatenate(column) for column in zip(*self._edges, strict=True))
            if self._edges
            else (empty, empty, empty)
        )
        self._edges.clear()
        transient = np.concatenate(self._transient)
        self._transient.clear()
        # States that a limit left unexamined are told apart from settled ones.
        unseen = self.size - len(transient)
        self.transient: Members = np.concatenate([transient, np.zeros(unseen, np.bool_)])
        self.settled: Members = np.concatenate([~transient, np.zeros(unseen, np.bool_)])
        order = np.argsort(sources, kind="stable")
        self.sources, self.targets, self.labels = sources[order], targets[order], labels[order]
        self._forward = _offsets(self.sources, self.size)
        self._by_target: NDArray[np.intp] | None = None
        self._backward: NDArray[np.int64] | None = None
        self._known: dict[Formula, Members] = {}

    # -- questions --------------------------------------------------------------------------

    def state(self, number: int) -> State:
        """The state of this number."""
        return self.layout.unpack(self.table.column(number))

    def number(self, state: State) -> int:
        """The number of a state, -1 where it is not reached."""
        return int(self.table.find(self.layout.pack(state))[0])

    def where(self, formula: Formula) -> Members:
        """Where the formula is true, among all states."""
        known = self._known.get(formula)
        if known is None:
            node = self.logic.compile(formula)
            parts = [
                Batch(self.logic, self.table.columns(start, min(start + BATCH, self.size))).truth(node)
                for start in range(0, self.size, BATCH)
            ]
            known = self._known[formula] = np.concatenate(parts)
            known.flags.writeable = False
        return known

    def flags_up(self) -> NDArray[np.int8]:
        """How many faults are up in each state."""
        number = np.zeros(self.size, np.int8)
        for field in self.layout.flags:
            for start in range(0, self.size, BATCH):
                end = min(start + BATCH, self.size)
                number[start:end] += field.read(self.table.columns(start, end)) != 0
        return number

    def edges_from(self, members: Members) -> NDArray[np.int64]:
        """The positions of all edges that leave the set."""
        return _gather(np.flatnonzero(members), self._forward)

    def edges_into(self, members: Members) -> NDArray[np.intp]:
        """The positions of all edges that lead into the set."""
        if self._by_target is None or self._backward is None:
            self._by_target = np.argsort(self.targets, kind="stable")
            self._backward = _offsets(self.targets[self._by_target], self.size)
        return self._by_target[_gather(np.flatnonzero(members), self._backward)]

    def wanted(self, kinds: Collection[Kind], events: Collection[int] | None) -> Members:
        """Which moves are of these kinds (and, of events, of these numbers)."""
        return np.array(
            [m.kind in kinds and (m.kind != "event" or events is None or m.number in events) for m in self.moves],
            np.bool_,
        )


class ProductSpace:
    """A :class:`Product` as the engine protocol asks for it, under a budget of at most its own."""

    def __init__(self, product: Product, budget: int | None = None) -> None:
        self.product = product
        self.system = product.system
        self.budget = product.budget if budget is None else min(budget, product.budget)
        self.complete = not product.shortfall
        self.shortfall = product.shortfall
        self._flags = product.flags_up()
        inside = self._flags <= self.budget
        self.reached: Members = inside
        self.settled: Members = product.settled & inside
        self.transient: Members = product.transient & inside
        self.start: Members = self._only(0)
        self.on_work: Callable[[], None] = no_limit

    def _only(self, number: int) -> Members:
        members = self.nothing()
        members[number] = True
        return members

    def nothing(self) -> Members:
        return np.zeros(self.product.size, np.bool_)

    def where(self, formula: Formula) -> Members:
        return self.product.where(formula) & self.reached

    def union(self, a: Members, b: Members) -> Members:
        return a | b

    def common(self, a: Members, b: Members) -> Members:
        return a & b

    def minus(self, a: Members, b: Members) -> Members:
        return a & ~b

    def same(self, a: Members, b: Members) -> bool:
        return bool(np.array_equal(a, b))

    def is_empty(self, a: Members) -> bool:
        return not a.any()

    def size(self, a: Members) -> int:
        return int(np.count_nonzero(a))

    weight = size

    def contains(self, a: Members, state: State) -> bool:
        number = self.product.number(state)
        return number >= 0 and bool(a[number])

    def only(self, state: State) -> Members:
        number = self.product.number(state)
        return (self._only(number) if number >= 0 else self.nothing()) & self.reached

    def after(self, a: Members, kinds: Collection[Kind], events: Collection[int] | None = None) -> Members:
        self.on_work()
        p = self.product
        edges = p.edges_from(a)
        edges = edges[p.wanted(kinds, events)[p.labels[edges]]]
        result = self.nothing()
        result[p.targets[edges]] = True
        return result & self.reached

    def turned(self, a: Members, formula: Formula, events: Collection[int] | None = None) -> Members:
        on = self.where(formula)
        return self.after(a & ~on, EVERY_STEP, events) & on

    def before(self, a: Members, kinds: Collection[Kind], events: Collection[int] | None = None) -> Members:
        self.on_work()
        p = self.product
        edges = p.edges_into(a & self.reached)
        edges = edges[p.wanted(kinds, events)[p.labels[edges]]]
        result = self.nothing()
        result[p.sources[edges]] = True
        return result & self.reached

    def spread(self, a: Members, kinds: Collection[Kind], events: Collection[int] | None, within: Members) -> Members:
        found, frontier = a.copy(), a
        while frontier.any():
            frontier = self.after(frontier, kinds, events) & within & ~found
            found |= frontier
        return found

    def on_the_way(self, a: Members) -> Members:
        return self.reached

    def inside(self, room: Members, budget: int | None = None) -> ProductSpace:
        part = copy.copy(self)
        part.budget = self.budget if budget is None else budget
        part.reached = self.reached & room
        part.settled = self.settled & room
        part.transient = self.transient & room
        return part

    def coarser(self, subsystems: Collection[int]) -> ProductSpace | None:
        return None

    def seen(self, a: Members) -> Members:
        return a

    def narrowed(self, formulas: Collection[Formula]) -> ProductSpace:
        return self

    def spread_back(self, a: Members, kinds: Collection[Kind], until: Members | None = None) -> Members:
        found, frontier = a.copy(), a
        while frontier.any():
            frontier = self.before(frontier, kinds) & ~found
            found |= frontier
        return found

    outgrown = None

    def roomier(self) -> None:
        """Each state is written down already."""

    def fewest_faults(self, a: Members) -> Members:
        if not a.any():
            return a
        fewest: Members = self._flags == self._flags[a].min()
        return a & fewest


def edge_count(space: ProductSpace) -> int:
    """Enabled (settled state, happening) pairs of the reached part, each choice counted."""
    p = space.product
    kept = p.wanted(HAPPENINGS, None)[p.labels] & space.reached[p.sources] & space.reached[p.targets]
    return int(np.count_nonzero(kept))


def _offsets(sorted_keys: NDArray[np.int32], size: int) -> NDArray[np.int64]:
    """Where the run of each key 0..size-1 starts in the sorted keys, and the end."""
    counts = np.bincount(sorted_keys, minlength=size) if size else np.zeros(0, np.int64)
    return np.concatenate([np.zeros(1, np.int64), np.cumsum(counts)])


def _gather(numbers: NDArray[np.intp], offsets: NDArray[np.int64]) -> NDArray[np.int64]:
    """All positions in the runs of these keys, run by run."""
    starts, lengths = offsets[numbers], offsets[numbers + 1] - offsets[numbers]
    total = int(lengths.sum())
    if not total:
        return np.zeros(0, np.int64)
    skips = np.repeat(starts - np.concatenate([np.zeros(1, np.int64), np.cumsum(lengths)[:-1]]), lengths)
    return skips + np.arange(total)
