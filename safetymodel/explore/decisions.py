"""Decision diagrams: the one room that knows the library behind them.

A *set* is a Boolean function of the bits of a system state. Diagrams are reduced and ordered
(Bryant 1986), with complement edges; the library is `oxidd`.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TypeAlias

from oxidd.bcdd import BCDDFunction, BCDDManager, BCDDSubstitution
from oxidd.util import BooleanOperator, DDDMPFile, DDMemoryError

Diagram: TypeAlias = BCDDFunction
Substitution: TypeAlias = BCDDSubstitution
OutOfNodes = DDMemoryError
"""Raised by any operation that finds no room for a new node."""

NODE_BYTES = 32
"""Memory that a node takes, its share of the unique table included (measured, rounded up)."""
CACHE_BYTES = 32
"""Memory that an entry of the operation cache takes."""

MOVABLE_NODES = 1 << 22
MOVABLE_CACHE = 1 << 10
"""Of a set whose bits change places. With too few nodes the library would end the process."""


class Decisions:
    """A family of diagrams over bits 0..``bits``-1, in that order from the top."""

    def __init__(self, bits: int, memory: int) -> None:
        """``memory`` in bytes: three fifths for nodes, the rest for the cache of operations, as much of it as a power
        of two takes."""
        nodes = max(1 << 12, int(memory * 0.6) // NODE_BYTES)
        cache = 1 << max(10, (int(memory * 0.35) // CACHE_BYTES).bit_length() - 1)
        self.capacity = min(nodes, 1 << 31)
        self.cache = min(cache, 1 << 26)
        self._manager = BCDDManager(self.capacity, self.cache, 1)
        self._manager.add_vars(bits)
        self.bits = bits
        self.true: Diagram = self._manager.true()
        self.false: Diagram = self._manager.false()

    @property
    def nodes(self) -> int:
        """Nodes in use, those waiting to be collected included."""
        return self._manager.approx_num_inner_nodes()

    def write(self, file: Path, members: Diagram) -> None:
        """Keep a set in a file, for another process with the same bits."""
        self._manager.export_dddmp(file, [members])

    def read(self, file: Path, places: Sequence[int] | None = None) -> Diagram:
        """The set that was written to the file; ``places``: for each bit there the bit here, in the same order."""
        with DDDMPFile(file) as content:
            here = None if places is None else [places[bit] for bit in content.support_var_order]
            (members,) = self._manager.import_dddmp(content, here)
        return members

    def bit(self, number: int) -> Diagram:
        return self._manager.var(number)

    def cube(self, numbers: Sequence[int]) -> Diagram:
        """The conjunction of these bits: the set of variables of a quantification."""
        result = self.true
        for number in sorted(numbers, reverse=True):
            result = self._manager.var(number) & result
        return result

    def equals(self, numbers: Sequence[int], value: int) -> Diagram:
        """The bits (lowest first) read this number."""
        result = self.true
        for place, number in sorted(enumerate(numbers), key=lambda pair: -pair[1]):
            bit = self._manager.var(number) if value >> place & 1 else self._manager.not_var(number)
            result = bit & result
        return result

    def at_least(self, numbers: Sequence[int], value: int) -> Diagram:
        """The bits (lowest first) read this number or more."""
        result = self.true
        for place, number in enumerate(numbers):
            bit = self._manager.var(number)
            result = bit & result if value >> place & 1 else bit | result
        return result if value < 1 << len(numbers) else self.false

    def count_between(self, parts: Sequence[Diagram], least: int, most: int) -> Diagram:
        """At least ``least`` and at most ``most`` of the parts are true."""
        # row[n]: what the parts from here on must satisfy when n are true so far
        row = [self.true if least <= n <= most else self.false for n in range(len(parts) + 1)]
        for position in range(len(parts) - 1, -1, -1):
            row = [parts[position].ite(row[n + 1], row[n]) for n in range(position + 1)]
        return row[0]

    def decrement(self, numbers: Sequence[int]) -> Substitution:
        """Puts (value - 1) in the place of the value that the bits (lowest first) read."""
        pairs, borrow = [], self.true
        for number in numbers:
            bit = self._manager.var(number)
            pairs.append((number, bit ^ borrow))
            borrow = borrow & ~bit
        return BCDDFunction.make_substitution(pairs)

    def increment(self, numbers: Sequence[int]) -> Substitution:
        """Puts (value + 1) in the place of the value that the bits (lowest first) read."""
        pairs, carry = [], self.true
        for number in numbers:
            bit = self._manager.var(number)
            pairs.append((number, bit ^ carry))
            carry = carry & bit
        return BCDDFunction.make_substitution(pairs)

    def count(self, members: Diagram) -> int:
        """How many assignments of all bits are in the set, exactly."""
        return members.sat_count(self.bits)

    def one(self, members: Diagram) -> Diagram:
        """One assignment of all bits that is in the set, which must not be empty."""
        values = members.pick_cube()
        assert values is not None
        return self.equals(range(self.bits), sum(1 << number for number, value in enumerate(values) if value))

    def holds(self, members: Diagram, values: Iterable[tuple[int, bool]]) -> bool:
        """Whether the assignment (a value for every bit) is in the set."""
        return members.eval(values)


class Movable:
    """One set by itself, whose bits can change places."""

    def __init__(self, bits: int, file: Path) -> None:
        """The set of so many bits that was written to the file."""
        self._manager = BCDDManager(MOVABLE_NODES, MOVABLE_CACHE, 1)
        self._manager.add_vars(bits)
        with DDDMPFile(file) as content:
            (self._members,) = self._manager.import_dddmp(content)

    @property
    def nodes(self) -> int:
        """Nodes of the set as its bits stand now."""
        return self._manager.num_inner_nodes()

    def has_room(self, nodes: int) -> bool:
        """Whether it may have so many nodes while bits change places."""
        return nodes < MOVABLE_NODES

    def arranged(self, bits: Sequence[int]) -> int:
        """Nodes of the set, once its bits stand in this order from the top."""
        self._manager.set_var_order(bits)
        return self.nodes

    def write(self, file: Path) -> None:
        """Keep the set in a file, with its bits in the order in which they stand."""
        self._manager.export_dddmp(file, [self._members])


def and_exists(a: Diagram, b: Diagram, cube: Diagram) -> Diagram:
    """``a and b`` with the bits of the cube forgotten."""
    return a.apply_exists(BooleanOperator.AND, b, cube)


def disjoin(parts: Iterable[Diagram], false: Diagram) -> Diagram:
    """The union, built as a balanced tree: cheaper than one after the other."""
    row = list(parts)
    while len(row) > 1:
        row = [row[i] | row[i + 1] if i + 1 < len(row) else row[i] for i in range(0, len(row), 2)]
    return row[0] if row else false
