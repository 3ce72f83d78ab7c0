"""Where each bit of a system state stands in a decision diagram."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from safetymodel.explore.ordering import signal_support
from safetymodel.model.system import System


@dataclass(frozen=True, slots=True)
class Places:
    """The bits of each subsystem's state and of its clock (lowest value first), and of each fault's flag; ``count``
    bits in all, 0 at the top."""

    order: tuple[int, ...]
    states: tuple[tuple[int, ...], ...]
    clocks: tuple[tuple[int, ...], ...]
    flags: tuple[int, ...]
    count: int

    def moved(self, other: Places) -> tuple[int, ...]:
        """For each bit its place among those of the other, of the same system."""
        found = [0] * self.count
        for mine, theirs in ((self.states, other.states), (self.clocks, other.clocks), ((self.flags,), (other.flags,))):
            for here, there in zip(mine, theirs, strict=True):
                for a, b in zip(here, there, strict=True):
                    found[a] = b
        return tuple(found)


class Placing:
    """The places of one system's bits for any order of its subsystems.

    Right behind each subsystem stand the flags of its own faults, and of those of the signals that read it and nothing
    further down the order.
    """

    def __init__(self, system: System) -> None:
        self._widths = [((len(s.states) - 1).bit_length(), max(s.longest).bit_length()) for s in system.subsystems]
        support = signal_support(system)
        self._fixed: list[list[int]] = [[] for _ in system.subsystems]
        self._floating: list[tuple[int, frozenset[int]]] = []
        self._faults = len(system.faults)
        for fault in system.faults:
            read = support[fault.subject] if fault.kind == "signal" else frozenset([fault.subject])
            if len(read) > 1:
                self._floating.append((fault.number, read))
            else:
                self._fixed[min(read, default=0)].append(fault.number)

    def width(self, subsystem: int) -> int:
        """Bits of its state and its clock, and flags that always stand behind it."""
        return sum(self._widths[subsystem]) + len(self._fixed[subsystem])

    def by(self, order: Sequence[int]) -> Places:
        """Where each bit stands in this order of the subsystems."""
        states: list[tuple[int, ...]] = [()] * len(order)
        clocks = states.copy()
        flags = [0] * self._faults
        count = 0
        for member, faults in zip(order, self._behind(order), strict=True):
            # The highest bit first: states that are near in number share the upper nodes.
            for bits, width in zip((states, clocks), self._widths[member], strict=True):
                bits[member] = tuple(range(count + width - 1, count - 1, -1))
                count += width
            for fault in faults:
                flags[fault] = count
                count += 1
        return Places(tuple(order), tuple(states), tuple(clocks), tuple(flags), count)

    def row(self, order: Sequence[int], places: Places) -> list[int]:
        """The bits that stand at ``places``, from the top down in this order of the subsystems."""
        found: list[int] = []
        for member, faults in zip(order, self._behind(order), strict=True):
            found += reversed(places.states[member])
            found += reversed(places.clocks[member])
            found += (places.flags[fault] for fault in faults)
        return found

    def _behind(self, order: Sequence[int]) -> list[list[int]]:
        """The faults whose flags stand behind each subsystem, in this order."""
        if not self._floating:
            return [self._fixed[member] for member in order]
        place = {member: number for number, member in enumerate(order)}
        behind = [self._fixed[member].copy() for member in order]
        for fault, read in self._floating:
            behind[max(place[member] for member in read)].append(fault)
        return behind
