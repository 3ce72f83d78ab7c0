"""The symbolic engine: sets of states as decision diagrams, exact however many states there are."""

from __future__ import annotations

import copy
import tempfile
import time
from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass, replace
from pathlib import Path

from safetymodel.explore.arranging import arranged
from safetymodel.explore.backwards import Backwards
from safetymodel.explore.cone import Cone, Through, cone_of, through_subsystems
from safetymodel.explore.decisions import Diagram, OutOfNodes, disjoin
from safetymodel.explore.encoding import Encoding, Operation
from safetymodel.explore.engine import (
    EVERY_STEP,
    EVERY_STEP_BUT_TICKS,
    LimitReached,
    Limits,
    Progress,
    going_round,
    no_limit,
)
from safetymodel.explore.macrosteps import Macrosteps
from safetymodel.explore.memory import full, growing_memory, more_memory, within_memory
from safetymodel.explore.ordering import support
from safetymodel.explore.pooling import Pool, Pooled, pool_of
from safetymodel.explore.saturation import Saturation
from safetymodel.model.formula import Formula
from safetymodel.model.state import State, initial_state
from safetymodel.model.step import Kind
from safetymodel.model.system import System

MOST_SEEN = 0.7
"""A view through more than this part of all subsystems is not worth its while."""


SIFTED_FOR_EACH = 6
"""Nodes that are looked at for a better order of the bits, for each that exploring took: it shall cost a fifth of that
at most."""


@dataclass(frozen=True, slots=True)
class Handed:
    """Explored states on the way to another process: all of them, from the declared initial state."""

    system: System
    budget: int
    memory: int
    order: tuple[int, ...]
    file: str
    chatters: bool | None


class Symbolic:
    """The reached states of a system under a fault budget, as one diagram.

    Not complete where a limit ended the search: ``shortfall`` then says which.
    """

    crowded = 0
    """Faults more for which there shall be room at first."""

    def __init__(
        self,
        system: System,
        budget: int,
        limits: Limits | None = None,
        progress: Progress | None = None,
        starts: Sequence[State] = (),
        handed: Handed | None = None,
        on_sets: Callable[[], None] = no_limit,
        order: tuple[int, ...] | None = None,
    ) -> None:
        """``starts``: where runs begin, if not in the declared initial state. ``handed``: states that were explored
        elsewhere, so that nothing is left to search. ``on_sets`` is called now and then while they are explored.
        ``order`` of the subsystems: one that is known to be good."""
        self.system = system
        self._starts = starts or (initial_state(system),)
        self.budget = budget
        self.shortfall = ""
        self.chatters: bool | None = None
        """Whether reactions can go on for ever; None as long as nobody has asked."""
        self._limits = limits or Limits()
        self._progress = progress
        self._on_sets = on_sets
        self._started = time.monotonic()
        self._order = order
        self._rounds = 0
        if handed is not None:
            self._take_up(handed)
            return
        for memory in growing_memory(system, budget + self.crowded, self._limits.memory):
            self.memory = memory
            try:
                self._explore()
                self._counted()
                return
            except OutOfNodes:
                continue
        self.shortfall = f"{full(self.memory)} after {self._elapsed():.1f} s"
        self._give_up()

    def _explore(self) -> None:
        self._encode()
        self.reached: Diagram = self.start
        try:
            self.reached = self._grown()
        except LimitReached as limit:
            self.shortfall = str(limit)

    def _encode(self) -> None:
        self.encoding = Encoding(self.system, self.budget, self.memory, self._order)
        self._order = self.encoding.order
        self.start: Diagram = self._started_in(self.encoding)
        self.saturation = Saturation(self.encoding, self._work, EVERY_STEP)

    def _grown(self) -> Diagram:
        self.reached = self.saturation.grow(self.start, self.encoding.decisions.true, self._known)
        self._arrange()
        return self.reached

    def _arrange(self) -> None:
        """Go on in an order of the bits that is better for what is known, if there is one."""
        encoding = self.encoding
        with arranged(encoding, self.reached, SIFTED_FOR_EACH * encoding.decisions.nodes, self._work) as better:
            if better is None:
                return
            places = encoding.places
            self._order = better.order
            self._rounds += self.saturation.rounds
            # free it before the next one is made
            del encoding, self.encoding, self.saturation, self.start, self.reached
            self._encode()
            self.reached = self.encoding.decisions.read(better.file, places.moved(self.encoding.places))

    def _started_in(self, encoding: Encoding) -> Diagram:
        return disjoin((encoding.single(state) for state in self._starts), encoding.decisions.false)

    @property
    def rounds(self) -> int:
        """Rounds of all moves that it took."""
        return self._rounds + self.saturation.rounds

    def _known(self, found: Diagram) -> None:
        self.reached = found
        self._on_sets()
        if self._progress:
            self._progress(f"exploring, round {self.rounds}, {self.encoding.decisions.nodes:,} nodes", 0)

    def _counted(self) -> None:
        """The limit of states, which only a count can tell."""
        most = self._limits.states
        if most is not None and not self.shortfall and self.encoding.decisions.count(self.reached) > most:
            self.shortfall = f"the limit of {most:,} states was reached"

    def _elapsed(self) -> float:
        return time.monotonic() - self._started

    def _work(self) -> None:
        if self._limits.seconds is not None and self._elapsed() > self._limits.seconds:
            raise LimitReached(f"the limit of {self._limits.seconds:.3g} s was reached in round {self.rounds}")

    def handed(self, file: Path) -> Handed:
        """What another process needs to go on with these states; they are written to the file."""
        assert not self.shortfall
        self.encoding.decisions.write(file, self.reached)
        return Handed(self.system, self.budget, self.memory, self.encoding.order, str(file), self.chatters)

    def roomier(self) -> Symbolic | None:
        """The same states with more memory; None where the limit leaves no more."""
        more = more_memory(self.memory, self._limits.memory)
        if self.shortfall or not more:
            return None
        with tempfile.TemporaryDirectory(prefix="safetymodel-") as directory:
            handed = replace(self.handed(Path(directory) / "reached"), memory=more)
            return Symbolic(self.system, self.budget, self._limits, self._progress, self._starts, handed)

    def _take_up(self, handed: Handed) -> None:
        self.memory = handed.memory
        self.chatters = handed.chatters
        self._order = handed.order
        self._encode()
        self.reached = self.encoding.decisions.read(Path(handed.file))

    def _give_up(self) -> None:
        """Out of memory: nothing is known but the start."""
        self.encoding = None  # type: ignore[assignment]  # free it before the next one is made
        try:
            self.encoding = Encoding(self.system, self.budget, self.memory)
            self.start = self.reached = self._started_in(self.encoding)
        except OutOfNodes as full:
            raise LimitReached(self.shortfall) from full


class SymbolicSpace:
    """A :class:`Symbolic` as the engine protocol asks for it, under a budget of at most its own."""

    _through: Through | None = None
    """What it is seen through, if it is a view."""

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
        self.on_work: Callable[[], None] = no_limit
        """Called before each operation; may raise :class:`LimitReached`."""
        self._forget()

    def _forget(self) -> None:
        """What is remembered of these states."""
        self.outgrown: SymbolicSpace | None = None
        self.alike: SymbolicSpace | None = None
        """One that may differ in a few steps: what is the same need not be found again."""
        self._origins: dict[Pool, Backwards] = {}
        self._macrosteps: dict[Pool, Macrosteps] = {}
        self._narrow: dict[Cone, SymbolicSpace] = {}

    def _guard(self) -> AbstractContextManager[None]:
        return within_memory(self.symbolic.memory)

    def _pool(self, kinds: Collection[Kind], events: Collection[int] | None) -> Pool:
        return pool_of(self.symbolic.encoding, kinds, events)

    def _backwards(self, kinds: Collection[Kind], events: Collection[int] | None = None) -> Backwards:
        """The steps backwards within this space; remembered, since their conditions are joined with what is reached."""
        pool = self._pool(kinds, events)
        known = self._origins.get(pool)
        if known is None:
            encoding = self.symbolic.encoding
            known = self._origins[pool] = Backwards(encoding, pool, self.reached, self.settled)
        return known

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

    def weight(self, a: Diagram) -> int:
        return a.node_count()

    def contains(self, a: Diagram, state: State) -> bool:
        return self.symbolic.encoding.decisions.holds(a, self.symbolic.encoding.values(state))

    def only(self, state: State) -> Diagram:
        with self._guard():
            return self.symbolic.encoding.single(state) & self.reached

    def after(self, a: Diagram, kinds: Collection[Kind], events: Collection[int] | None = None) -> Diagram:
        pool = self._pool(kinds, events)
        return self._after(a, (p.operation for p in pool.reactions), pool.in_settled())

    def _after(self, a: Diagram, reactions: Iterable[Operation], others: Iterable[Operation]) -> Diagram:
        """Where these reactions and these steps from settled states lead to."""
        images = []
        with self._guard():
            settled = a & self.symbolic.encoding.calm
            for members, operations in ((a, reactions), (settled, others)):
                for operation in operations:
                    self.on_work()
                    images.append(operation.image(members))
            return disjoin(images, self._false) & self.reached

    def turned(self, a: Diagram, formula: Formula, events: Collection[int] | None = None) -> Diagram:
        on = self.where(formula)
        pool = self._pool(EVERY_STEP_BUT_TICKS, events)
        read = support(formula, self.symbolic.encoding.signal_support)

        def turning(pooled: Iterable[Pooled]) -> Iterator[Operation]:
            return (p.operation for p in pooled if p.moved is None or p.moved & read)

        others = (*pool.happenings, *pool.strikes)
        return self.common(self._after(self.minus(a, on), turning(pool.reactions), turning(others)), on)

    def before(self, a: Diagram, kinds: Collection[Kind], events: Collection[int] | None = None) -> Diagram:
        with self._guard():
            return self._backwards(kinds, events).sources(a & self.reached, self.on_work)

    def spread(self, a: Diagram, kinds: Collection[Kind], events: Collection[int] | None, within: Diagram) -> Diagram:
        saturation = Saturation(self.symbolic.encoding, self.on_work, kinds, events)
        with self._guard():
            # what is given stays, wherever it is; only what it leads to must land in the room
            return saturation.grow(a, within & self.reached)

    def on_the_way(self, a: Diagram) -> Diagram:
        encoding = self.symbolic.encoding
        with self._guard():
            ways = a.exists(encoding.all_but_flags)
            for number in range(len(encoding.flag_bits)):
                up = ways & encoding.flag(number)
                ways = ways | up.exists(encoding.decisions.cube([encoding.flag_bits[number]]))
            return ways & self.reached

    def inside(self, room: Diagram, budget: int | None = None) -> SymbolicSpace:
        part = copy.copy(self)
        part.budget = self.budget if budget is None else budget
        part._forget()
        with self._guard():
            part.reached = self.reached & room
            part.settled = self.settled & room
            part.transient = self.transient & room
        return part

    def coarser(self, subsystems: Collection[int]) -> SymbolicSpace | None:
        encoding = self.symbolic.encoding
        if len(subsystems) > MOST_SEEN * len(self.system.subsystems):
            return None
        with self._guard():
            through = through_subsystems(encoding, subsystems)
            # what shows the same may be settled or not
            return self._view(through, through.seen(self.transient), through.seen(self.settled))

    def seen(self, a: Diagram) -> Diagram:
        if self._through is None:
            return a
        with self._guard():
            return self._through.seen(a)

    def narrowed(self, formulas: Collection[Formula]) -> SymbolicSpace:
        cone = cone_of(self.system, formulas)
        if len(cone.subsystems) == len(self.system.subsystems) or not self.complete or self._chatters():
            return self
        if cone not in self._narrow:
            self._narrow[cone] = self._narrowed(cone)
        narrow = self._narrow[cone]
        narrow.on_work = self.on_work
        return narrow

    def _narrowed(self, cone: Cone) -> SymbolicSpace:
        with self._guard():
            through = Through(self.symbolic.encoding, cone)
            own = (t.number for t in self.system.transitions if t.subsystem in cone.subsystems)
            due = disjoin((self.symbolic.encoding.due[number] for number in own), self._false)
            return self._view(through, due, ~due)

    def _view(self, through: Through, transient: Diagram, calm: Diagram) -> SymbolicSpace:
        """This space through some subsystems, in which these states are transient, and those settled."""
        view = copy.copy(self)
        view._forget()
        view._through = through
        view.symbolic = copy.copy(self.symbolic)
        view.symbolic.encoding = through.encoding(transient, calm)
        view.start = through.seen(self.start)
        view.reached = through.seen(self.reached)
        view.settled, view.transient = view.reached & calm, view.reached & transient
        return view

    def _chatters(self) -> bool:
        """Whether reactions anywhere can go on for ever."""
        if self.symbolic.chatters is None:
            whole = SymbolicSpace(self.symbolic)
            whole.on_work = self.on_work
            self.symbolic.chatters = not whole.is_empty(going_round(whole, whole.transient))
        return self.symbolic.chatters

    def spread_back(self, a: Diagram, kinds: Collection[Kind], until: Diagram | None = None) -> Diagram:
        with self._guard():
            if until is not None and until & ~self.settled == self._false:
                return self._macro(kinds).grow(a, until, self.on_work)
            return self._backwards(kinds).grow(a, self.on_work)

    def _macro(self, kinds: Collection[Kind]) -> Macrosteps:
        """The happenings of these kinds with their reactions, within this space; remembered."""
        pool = self._pool(kinds, None)
        known = self._macrosteps.get(pool)
        if known is None:
            forwards = Saturation(self.symbolic.encoding, self.on_work, kinds)
            alike = self.alike._macro(kinds) if self.alike is not None else None
            known = Macrosteps(forwards, self.reached, self.settled, self.transient, alike)
            self._macrosteps[pool] = known
        return known

    def roomier(self) -> SymbolicSpace | None:
        whole = self.symbolic.reached & self.symbolic.encoding.flags_at_most[self.budget]
        if self._through is not None or self.reached != whole:
            return None
        if self.outgrown is None and (more := self.symbolic.roomier()) is not None:
            self.outgrown = SymbolicSpace(more, self.budget)
            self.outgrown.on_work = self.on_work
        return self.outgrown

    def fewest_faults(self, a: Diagram) -> Diagram:
        with self._guard():
            for few in self.symbolic.encoding.flags_at_most:
                found = a & few
                if found != self._false:
                    return found
        return a
