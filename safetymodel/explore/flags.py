"""What a set of states says of the faults: which combinations of flags are up in it, and which of them are least.

Written beside the engines: it asks each for its own form of a set. A combination is a whole number, bit f of it
for fault f, as in :class:`~safetymodel.model.state.State`.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator
from typing import Any, Generic, TypeVar

from safetymodel.explore.engine import Space
from safetymodel.model.formula import AllOf, FaultUp, Formula, Not
from safetymodel.model.state import fault_numbers
from safetymodel.model.system import System

S = TypeVar("S")


class Flags(Generic[S]):
    """Questions about the fault flags of sets of one space."""

    def __init__(self, space: Space[S]) -> None:
        self.space = space

    def combinations(self, members: S) -> Iterator[int]:
        """Every combination of flags that is up in some member, fewest flags first."""
        raise NotImplementedError

    def alike(self, members: S) -> S:
        """The reached states whose flags are exactly those of some member."""
        raise NotImplementedError

    def of_size(self, count: int) -> S:
        """The reached states with exactly so many flags up."""
        raise NotImplementedError

    def minimal(self, members: S) -> tuple[int, ...]:
        """The combinations of flags of the members of which no proper part is one; fewest flags first,
        then in the order of the spec."""
        found: list[int] = []
        for mask in self.combinations(members):
            if not any(less & mask == less for less in found):
                found.append(mask)
        return tuple(sorted(found, key=lambda mask: (mask.bit_count(), fault_numbers(mask))))


def flags_of(space: Space[Any]) -> Flags[Any]:
    """The questions about flags for this engine's sets."""
    from safetymodel.explore.symbolic import SymbolicSpace

    return _OfDiagrams(space) if isinstance(space, SymbolicSpace) else _OfArrays(space)


class _OfDiagrams(Flags[Any]):
    """For sets that are decision diagrams: forget every bit that is no flag."""

    def __init__(self, space: Space[Any]) -> None:
        from safetymodel.explore.symbolic import SymbolicSpace

        super().__init__(space)
        assert isinstance(space, SymbolicSpace)
        self._encoding = space.symbolic.encoding
        self._memory = space.symbolic.memory
        self._fault_at = {bit: fault for fault, bit in enumerate(self._encoding.flag_bits)}

    def _projected(self, members: Any) -> Any:
        return members.exists(self._encoding.all_but_flags)

    def alike(self, members: Any) -> Any:
        from safetymodel.explore.memory import within_memory

        with within_memory(self._memory):
            return self._projected(members) & self.space.reached

    def of_size(self, count: int) -> Any:
        few = self._encoding.flags_at_most
        with_fewer = few[count - 1] if count else self._encoding.decisions.false
        return self.space.reached & few[count] & ~with_fewer

    def combinations(self, members: Any) -> Iterator[int]:
        for layer in self._layers(self._projected(members)):
            yield from self._paths(layer)

    def minimal(self, members: Any) -> tuple[int, ...]:
        from safetymodel.explore.decisions import disjoin
        from safetymodel.explore.memory import within_memory

        encoding, found = self._encoding, list[int]()
        false = encoding.decisions.false
        with within_memory(self._memory):
            left = self._projected(members)
            for few in encoding.flags_at_most:
                # what is left has no part that is found already, so all of one size are minimal
                here = sorted(self._paths(left & few), key=fault_numbers)
                found.extend(here)
                cubes = (encoding.decisions.cube([encoding.flag_bits[f] for f in fault_numbers(m)]) for m in here)
                left = left & ~disjoin(cubes, false)
                if left == false:
                    break
        return tuple(found)

    def _layers(self, projected: Any) -> Iterator[Any]:
        for few in self._encoding.flags_at_most:
            yield projected & few
            projected = projected & ~few

    def _paths(self, layer: Any) -> Iterator[int]:
        """The combinations in a set of flags that all have the same number of them up."""
        decisions = self._encoding.decisions
        stack: list[tuple[Any, int]] = [(layer, 0)]
        while stack:
            node, mask = stack.pop()
            if node == decisions.true:
                yield mask
            elif node != decisions.false:
                fault = self._fault_at[node.node_var()]
                up, down = node.cofactors()
                stack += [(down, mask), (up, mask | 1 << fault)]


class _OfArrays(Flags[Any]):
    """For sets that are arrays of truth values: one number for each combination of flags that occurs."""

    def __init__(self, space: Space[Any]) -> None:
        import numpy as np

        from safetymodel.explore.product import BATCH, ProductSpace

        super().__init__(space)
        assert isinstance(space, ProductSpace)
        product = space.product
        words = -(-len(product.layout.flags) // 64) or 1
        rows = np.zeros((product.size, words), np.uint64)
        for start in range(0, product.size, BATCH):
            end = min(start + BATCH, product.size)
            columns = product.table.columns(start, end)
            for fault, field in enumerate(product.layout.flags):
                up = (field.read(columns) != 0).astype(np.uint64)
                rows[start:end, fault // 64] |= up << np.uint64(fault % 64)
        distinct, which = np.unique(rows, axis=0, return_inverse=True)
        self._which = which.reshape(-1)
        self._masks = [sum(int(word) << 64 * place for place, word in enumerate(row)) for row in distinct]

    def _up_in(self, members: Any) -> Any:
        import numpy as np

        return np.unique(self._which[members])

    def alike(self, members: Any) -> Any:
        import numpy as np

        return np.isin(self._which, self._up_in(members)) & self.space.reached

    def of_size(self, count: int) -> Any:
        import numpy as np

        fitting = np.array([mask.bit_count() == count for mask in self._masks], np.bool_)
        return fitting[self._which] & self.space.reached

    def combinations(self, members: Any) -> Iterator[int]:
        return iter(sorted((self._masks[number] for number in self._up_in(members)), key=int.bit_count))


def flags_exactly(system: System, faults: Iterable[int]) -> Formula:
    """Where exactly these faults are up."""
    up = frozenset(faults)
    return AllOf(tuple(FaultUp(f.number) if f.number in up else Not(FaultUp(f.number)) for f in system.faults))


def flags_within(system: System, faults: Iterable[int]) -> Formula:
    """Where no other faults than these are up."""
    allowed = frozenset(faults)
    return AllOf(tuple(Not(FaultUp(f.number)) for f in system.faults if f.number not in allowed))


def struck_by(space: Space[S], faults: Collection[int]) -> Space[S]:
    """The runs of a space in which only some faults strike: a space of its own, without another search.

    Flags never go down, so what leads to a state of this part, or what it can be led to from, is in the part too.
    """
    return space.inside(space.where(flags_within(space.system, faults)), min(space.budget, len(faults)))
