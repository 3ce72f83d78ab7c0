"""Steps backwards: from a set of states to where they can come from."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

from safetymodel.explore.decisions import Diagram, disjoin
from safetymodel.explore.encoding import Encoding, Operation, Write
from safetymodel.explore.pooling import Pool

AGAIN = 2
"""How often steps backwards that led to something new are taken again before all others are tried."""


@dataclass(frozen=True, slots=True)
class Origin:
    """An operation that is looked at from some states alone."""

    operation: Operation
    states: Diagram

    def source(self, members: Diagram) -> Diagram:
        return self.operation.source(members) & self.states


def from_within(operation: Operation, states: Diagram) -> Write | Origin:
    """The operation for steps backwards into these states: its condition and they are one set where it is a write."""
    if isinstance(operation, Write):
        return Write(operation.guard & states, operation.cube, operation.value)
    return Origin(operation, states)


class Backwards:
    """The moves of a pool, each from the reached states alone in which it can be made."""

    def __init__(self, encoding: Encoding, pool: Pool, reached: Diagram, settled: Diagram) -> None:
        self._encoding = encoding
        self._false = encoding.decisions.false
        reacting = [from_within(pooled.operation, reached) for pooled in reversed(pool.reactions)]
        others = [from_within(pooled.operation, settled) for pooled in reversed((*pool.happenings, *pool.strikes))]
        steps = (*reacting, *others)
        self._steps = tuple(step for step in steps if not isinstance(step, Write) or step.guard != self._false)
        self._tick = None if pool.tick is None else from_within(pool.tick, settled)

    @property
    def steps(self) -> tuple[Write | Origin, ...]:
        """Every one of them, ticks last."""
        return (*self._steps, *(() if self._tick is None else (self._tick,)))

    def sources(self, members: Diagram, on_work: Callable[[], None]) -> Diagram:
        """Where one step leads into the members from."""
        sources = []
        for step in self.steps:
            on_work()
            sources.append(step.source(members))
        return disjoin(sources, self._false)

    def grow(self, members: Diagram, on_work: Callable[[], None]) -> Diagram:
        """The members and everything from which the steps can lead into them."""
        found = members
        while True:
            before = found
            found = self._once(found, on_work)
            if found == before:
                return found

    def _once(self, found: Diagram, on_work: Callable[[], None]) -> Diagram:
        """Each step backwards; then, a few times, those again that led to something new, and ticks."""
        useful, found = self._each(self._steps, found, on_work)
        for _ in range(AGAIN):
            before = found
            _, found = self._each(useful, found, on_work)
            found = self._wait(found, on_work)
            if found == before:
                break
        return found

    def _each(
        self, steps: Iterable[Write | Origin], found: Diagram, on_work: Callable[[], None]
    ) -> tuple[list[Write | Origin], Diagram]:
        """Each of these once, on all that is known by then; and which of them led to something new."""
        useful = []
        for step in steps:
            on_work()
            grown = found | step.source(found)
            if grown != found:
                useful.append(step)
            found = grown
        return useful, found

    def _wait(self, found: Diagram, on_work: Callable[[], None]) -> Diagram:
        """Ticks backwards, for as long as they lead to something new."""
        while self._tick is not None:
            on_work()
            new = self._tick.source(found) & ~found
            if new == self._false:
                break
            found = found | new
        return found
