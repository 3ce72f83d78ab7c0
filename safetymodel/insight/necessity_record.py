"""The reached states in the order in which they are found."""

from __future__ import annotations

from collections.abc import Callable, Collection

from safetymodel.explore.decisions import Diagram
from safetymodel.explore.encoding import Encoding, Operation
from safetymodel.explore.engine import EVERY_STEP, LimitReached
from safetymodel.explore.saturation import Happening, Saturation
from safetymodel.explore.symbolic import Symbolic


class Record:
    """``known`` before each operation that leads on, ``last`` after all of them; ``start``: where runs begin.

    All that needs no fault comes first.
    """

    def __init__(self, encoding: Encoding, start: Diagram, on_work: Callable[[], None], faults: bool = True) -> None:
        """Without ``faults`` it ends where only a fault leads on."""
        self.encoding = encoding
        self.start = start
        self.known: list[Diagram] = []
        self._operations: list[Operation] = []
        self._saturation = saturation = Saturation(encoding, on_work, EVERY_STEP)
        ticks = [] if saturation.tick is None else [(saturation.readers.of_time, saturation.tick)]
        self.last = saturation.close(start, saturation.readers.all, encoding.decisions.true)
        while True:
            before = self.last
            while True:
                here = self.last
                self._once(saturation.happenings)
                if self.last == here:
                    self._once(ticks)
                    if self.last == here:
                        break
            if faults:
                self._once(saturation.strikes)
            if self.last == before or not faults:
                return

    def _once(self, happenings: Collection[Happening]) -> None:
        saturation, calm, true = self._saturation, self.encoding.calm, self.encoding.decisions.true
        for tried, operation in happenings:
            saturation.on_work()
            new = operation.image(self.last & calm) & ~self.last
            if new != self.encoding.decisions.false:
                self.known.append(self.last)
                self._operations.append(operation)
                self.last = self.last | saturation.close(new, tried, true)

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


class Recorded(Symbolic):
    """States that are explored with a record of it."""

    record: Record

    def _explore(self) -> None:
        self.encoding = Encoding(self.system, self.budget, self.memory)
        self.start = self.reached = self._started_in(self.encoding)
        self.saturation = Saturation(self.encoding, self._work, EVERY_STEP)
        try:
            self.record = Record(self.encoding, self.start, self._work)
            self.reached = self.record.last
        except LimitReached as limit:
            self.shortfall = str(limit)
