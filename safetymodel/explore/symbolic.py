"""The symbolic engine: sets of states as decision diagrams, exact however many states there are."""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Collection, Iterator
from contextlib import AbstractContextManager, contextmanager

from safetymodel.explore.decisions import Diagram, OutOfNodes
from safetymodel.explore.encoding import Encoding, Operation
from safetymodel.explore.engine import LimitReached, Limits, Progress
from safetymodel.model.formula import Formula
from safetymodel.model.state import State, initial_state
from safetymodel.model.step import Kind
from safetymodel.model.system import System

FIRST_MEMORY = 512_000_000
"""Bytes that a run starts with; when they are full it begins again with four times as many."""

SHARE_OF_MACHINE = 0.5
"""Without a limit of the user's, at most this part of the machine's memory is used."""


@contextmanager
def within_memory(memory: int) -> Iterator[None]:
    """Turns a full table of nodes into :class:`LimitReached`."""
    try:
        yield
    except OutOfNodes as full:
        raise LimitReached(f"the limit of {memory / 1e6:,.0f} MB was reached") from full


def machine_memory() -> int:
    """Bytes of memory of this machine; 4 GB where it does not say."""
    try:
        return os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES")
    except (AttributeError, ValueError, OSError):
        return 4_000_000_000


class Symbolic:
    """The reached states of a system under a fault budget, as one diagram.

    Not complete where a limit ended the search: ``shortfall`` then says which.
    """

    def __init__(self, system: System, budget: int, limits: Limits | None = None, progress: Progress | None = None):
        self.system = system
        self.budget = budget
        self.shortfall = ""
        self._limits = limits or Limits()
        self._progress = progress
        self._started = time.monotonic()
        most = self._limits.memory or int(machine_memory() * SHARE_OF_MACHINE)
        memory = min(FIRST_MEMORY, most)
        while True:
            self.memory = memory
            try:
                self._explore()
                self._counted()
                return
            except OutOfNodes:
                if memory >= most:
                    break
                memory = min(4 * memory, most)
        self.shortfall = f"the limit of {most / 1e6:,.0f} MB was reached after {self._elapsed():.1f} s"
        self._give_up()

    def _explore(self) -> None:
        encoding = self.encoding = Encoding(self.system, self.budget, self.memory)
        self.rounds = 0
        self._reactions = [op for move, op in encoding.moves if move.kind == "reaction"]
        happenings = [op for move, op in encoding.moves if move.kind != "reaction"]
        self.start: Diagram = encoding.single(initial_state(self.system))
        self.reached: Diagram = self.start
        reached = self._close(self.start)
        changed = True
        while changed:
            changed = False
            self.rounds += 1
            settled = reached & encoding.calm
            for operation in happenings:
                new = operation.image(settled) & ~reached
                if new == encoding.decisions.false:
                    continue
                changed = True
                new = self._close(new)
                reached = reached | new
                settled = settled | (new & encoding.calm)
                self.reached = reached
                if self._stopped():
                    return
        self.reached = reached

    def _counted(self) -> None:
        """The limit of states, which only a count can tell."""
        most = self._limits.states
        if most is not None and not self.shortfall and self.encoding.decisions.count(self.reached) > most:
            self.shortfall = f"the limit of {most:,} states was reached"

    def _close(self, members: Diagram) -> Diagram:
        """The members and all that reactions make of them, each reaction applied to what is known so far."""
        false = self.encoding.decisions.false
        found, frontier = members, members & self.encoding.transient
        while frontier != false:
            new = frontier
            for operation in self._reactions:
                new = new | operation.image(new)
            frontier = new & ~found & self.encoding.transient
            found = found | new
            if self._stopped():
                break
        return found

    def _elapsed(self) -> float:
        return time.monotonic() - self._started

    def _stopped(self) -> bool:
        if self._progress:
            self._progress(f"exploring, round {self.rounds}, {self.encoding.decisions.nodes:,} nodes", 0)
        if not self.shortfall and self._limits.seconds is not None and self._elapsed() > self._limits.seconds:
            self.shortfall = f"the limit of {self._limits.seconds:g} s was reached in round {self.rounds}"
        return bool(self.shortfall)

    def _give_up(self) -> None:
        """Out of memory: nothing is known but the start."""
        self.encoding = None  # type: ignore[assignment]  # free it before the next one is made
        try:
            self.encoding = Encoding(self.system, self.budget, self.memory)
            self.start = self.reached = self.encoding.single(initial_state(self.system))
        except OutOfNodes as full:
            raise LimitReached(self.shortfall) from full


def _nothing() -> None:
    """No limit."""


class SymbolicSpace:
    """A :class:`Symbolic` as the engine protocol asks for it, under a budget of at most its own."""

    def __init__(self, symbolic: Symbolic, budget: int | None = None) -> None:
        self.symbolic = symbolic
        self.system = symbolic.system
        self.budget = symbolic.budget if budget is None else min(budget, symbolic.budget)
        self.complete = not symbolic.shortfall
        self.shortfall = symbolic.shortfall
        encoding = symbolic.encoding
        self._false = encoding.decisions.false
        with self._guard():
            self.reached: Diagram = symbolic.reached & encoding.flags_at_most[self.budget]
            self.settled: Diagram = self.reached & encoding.calm
            self.transient: Diagram = self.reached & encoding.transient
        self.start: Diagram = symbolic.start
        self.on_work: Callable[[], None] = _nothing
        """Called before each operation; may raise :class:`LimitReached`."""

    def _guard(self) -> AbstractContextManager[None]:
        return within_memory(self.symbolic.memory)

    def _operations(self, kinds: Collection[Kind], events: Collection[int] | None) -> Iterator[tuple[Kind, Operation]]:
        for move, operation in self.symbolic.encoding.moves:
            if move.kind in kinds and (move.kind != "event" or events is None or move.number in events):
                self.on_work()
                yield move.kind, operation

    def nothing(self) -> Diagram:
        return self._false

    def where(self, formula: Formula) -> Diagram:
        with self._guard():
            return self.symbolic.encoding.formula(formula) & self.reached

    def union(self, a: Diagram, b: Diagram) -> Diagram:
        with self._guard():
            return a | b

    def common(self, a: Diagram, b: Diagram) -> Diagram:
        with self._guard():
            return a & b

    def minus(self, a: Diagram, b: Diagram) -> Diagram:
        with self._guard():
            return a & ~b

    def same(self, a: Diagram, b: Diagram) -> bool:
        return a == b

    def is_empty(self, a: Diagram) -> bool:
        return a == self._false

    def size(self, a: Diagram) -> int:
        return self.symbolic.encoding.decisions.count(a)

    def contains(self, a: Diagram, state: State) -> bool:
        return self.symbolic.encoding.decisions.holds(a, self.symbolic.encoding.values(state))

    def after(self, a: Diagram, kinds: Collection[Kind], events: Collection[int] | None = None) -> Diagram:
        encoding, result = self.symbolic.encoding, self._false
        with self._guard():
            settled = a & encoding.calm
            for kind, operation in self._operations(kinds, events):
                result = result | operation.image(a if kind == "reaction" else settled)
            return result & self.reached

    def before(self, a: Diagram, kinds: Collection[Kind], events: Collection[int] | None = None) -> Diagram:
        result, goal = self._false, a & self.reached
        with self._guard():
            for kind, operation in self._operations(kinds, events):
                result = result | (operation.source(goal) & (self.reached if kind == "reaction" else self.settled))
            return result

    def spread(self, a: Diagram, kinds: Collection[Kind], events: Collection[int] | None, within: Diagram) -> Diagram:
        encoding, found = self.symbolic.encoding, a
        operations = list(self._operations(kinds, events))
        with self._guard():
            room = within & self.reached
            while True:
                before = found
                for kind, operation in operations:
                    self.on_work()
                    source = found if kind == "reaction" else found & encoding.calm
                    found = found | (operation.image(source) & room)
                if found == before:
                    return found

    def spread_back(self, a: Diagram, kinds: Collection[Kind]) -> Diagram:
        found = a
        operations = list(self._operations(kinds, None))
        with self._guard():
            while True:
                before = found
                for kind, operation in reversed(operations):
                    self.on_work()
                    source = self.reached if kind == "reaction" else self.settled
                    found = found | (operation.source(found) & source)
                if found == before:
                    return found

    def fewest_faults(self, a: Diagram) -> Diagram:
        with self._guard():
            for few in self.symbolic.encoding.flags_at_most:
                found = a & few
                if found != self._false:
                    return found
        return a
