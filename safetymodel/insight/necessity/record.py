"""The reached states in the order in which they are found."""

from __future__ import annotations

from collections.abc import Callable, Collection

from safetymodel.explore.decisions import Diagram
from safetymodel.explore.encoding import Encoding, Operation
from safetymodel.explore.engine import EVERY_STEP
from safetymodel.explore.saturation import Saturation
from safetymodel.explore.symbolic import Symbolic
from safetymodel.model.step import Kind


class Record:
    """``known`` before each operation that leads on, ``last`` after all of them; ``start``: where runs begin.

    All that needs no fault comes first.
    """

    def __init__(self, saturation: Saturation, start: Diagram) -> None:
        """By the steps of the saturation."""
        self.encoding: Encoding = saturation.encoding
        self.start = start
        self.known: list[Diagram] = []
        self._operations: list[Operation] = []
        saturation.on_new = self._add
        self.last = saturation.grow(start, self.encoding.decisions.true)

    def _add(self, known: Diagram, operation: Operation) -> None:
        self.known.append(known)
        self._operations.append(operation)

    def before(self, members: Diagram) -> tuple[Diagram, Operation] | None:
        """The most that is known without any of the members, and the operation that then leads to some, reactions to
        it included; None where some are there from the first."""
        low = self.first(members) - 1
        return None if low < 0 else (self.known[low], self._operations[low])

    def first(self, members: Diagram) -> int:
        """The number of the operation with which some of the members are found; 0: some are there from the first."""
        false = self.encoding.decisions.false
        low, high = -1, len(self.known)  # known[low] has none; known[high], or what the last leads to, has some
        while high - low > 1:
            middle = (low + high) // 2
            low, high = (middle, high) if self.known[middle] & members == false else (low, middle)
        return high


def record_of(
    encoding: Encoding, start: Diagram, on_work: Callable[[], None], kinds: Collection[Kind] = EVERY_STEP
) -> Record:
    """Of all that steps of these kinds lead to."""
    return Record(Saturation(encoding, on_work, kinds), start)


class Recorded(Symbolic):
    """States that are explored with a record of it, in a room where changed systems will be explored as well."""

    crowded = 6
    record: Record

    def _grown(self) -> Diagram:
        self.record = Record(self.saturation, self.start)
        return self.record.last
