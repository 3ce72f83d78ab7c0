"""The same encoding, bit for bit and image for image, over the diagrams of another library: `dd` with CUDD under it.

Our own encoding and exploration run unchanged; only what stands behind `decisions` is exchanged. No automatic
reordering: the order of the bits is ours.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from dd import cudd

import safetymodel.explore.encoding as encoding
from safetymodel.explore.symbolic import Symbolic, SymbolicSpace
from safetymodel.model.system import System

LIBRARY = "dd.cudd"


class Decisions:
    """Answers as `safetymodel.explore.decisions.Decisions` does."""

    def __init__(self, bits: int, memory: int) -> None:
        self.manager = cudd.BDD(memory_estimate=memory)
        self.manager.configure(reordering=False)
        self.names = [f"x{k}" for k in range(bits)]
        self.manager.declare(*self.names)
        self.bits = bits
        self.true, self.false = self.manager.true, self.manager.false

    @property
    def nodes(self) -> int:
        return len(self.manager)

    def bit(self, number: int) -> Any:
        return self.manager.var(self.names[number])

    def cube(self, numbers: Sequence[int]) -> Any:
        result = self.true
        for number in sorted(numbers, reverse=True):
            result = self.bit(number) & result
        return result

    def equals(self, numbers: Sequence[int], value: int) -> Any:
        result = self.true
        for place, number in sorted(enumerate(numbers), key=lambda pair: -pair[1]):
            bit = self.bit(number)
            result = (bit if value >> place & 1 else ~bit) & result
        return result

    def at_least(self, numbers: Sequence[int], value: int) -> Any:
        result = self.true
        for place, number in enumerate(numbers):
            bit = self.bit(number)
            result = bit & result if value >> place & 1 else bit | result
        return result if value < 1 << len(numbers) else self.false

    def count_between(self, parts: Sequence[Any], least: int, most: int) -> Any:
        row = [self.true if least <= n <= most else self.false for n in range(len(parts) + 1)]
        for position in range(len(parts) - 1, -1, -1):
            row = [self.manager.ite(parts[position], row[n + 1], row[n]) for n in range(position + 1)]
        return row[0]

    def count(self, members: Any) -> int:
        """Exactly, by our own walk over the diagram: the library counts in floating point."""
        manager = self.manager
        known: dict[int, int] = {}
        stack = [members]
        while stack:
            node = stack[-1]
            if int(node) in known:
                stack.pop()
                continue
            if node in (self.true, self.false):
                known[int(node)] = int(node == self.true)
                continue
            level, low, high = manager.succ(node)
            if node.negated:
                low, high = ~low, ~high
            missing = [part for part in (low, high) if int(part) not in known]
            if missing:
                stack += missing
                continue
            total = 0
            for part in (low, high):
                below = self.bits if part in (self.true, self.false) else part.level
                total += known[int(part)] << (below - level - 1)
            known[int(node)] = total
        top = self.bits if members in (self.true, self.false) else members.level
        return known[int(members)] << top


def and_exists(a: Any, b: Any, cube: Any) -> Any:
    names = _support.get(int(cube))
    if names is None:
        names = _support[int(cube)] = cube.bdd.support(cube)
        _kept.append(cube)
    return cudd.and_exists(a, b, names)


_support: dict[int, set[str]] = {}
_kept: list[Any] = []


def fits(system: System) -> bool:
    return system.tick is None  # substitution is not exchanged


def explore(system: System, budget: int) -> int:
    """The number of reached states."""
    encoding.Decisions = Decisions  # type: ignore[assignment,misc]
    encoding.and_exists = and_exists
    _support.clear()
    _kept.clear()
    space = SymbolicSpace(Symbolic(system, budget))
    return space.size(space.reached)
