"""One move at a time: the question of an engine's space that tells the moves of one kind apart."""

from __future__ import annotations

from contextlib import AbstractContextManager
from typing import Any, Generic, TypeVar

from safetymodel.explore.engine import Space
from safetymodel.explore.moves import Move

S = TypeVar("S")


class Single(Generic[S]):
    """Steps of sets of one space by one move each. Moves that no state allows may be missing from ``moves``."""

    def __init__(self, space: Space[S], moves: tuple[Move, ...]) -> None:
        self.space = space
        self.moves = moves

    def after(self, members: S, move: Move) -> S:
        """The states that the move leads to."""
        raise NotImplementedError

    def before(self, members: S, move: Move) -> S:
        """The reached states from which the move can lead into the set."""
        raise NotImplementedError

    def possible(self, move: Move) -> S:
        """The reached states in which the move can be made."""
        return self.before(self.space.reached, move)

    def lasted(self, subsystem: int, ticks: int) -> S:
        """The reached states in which the subsystem's clock reads so many ticks or more."""
        raise NotImplementedError


def single_moves(space: Space[Any]) -> Single[Any]:
    """The moves of this engine's space."""
    from safetymodel.explore.symbolic import SymbolicSpace

    return _OfDiagrams(space) if isinstance(space, SymbolicSpace) else _OfArrays(space)


class _OfDiagrams(Single[Any]):
    def __init__(self, space: Any) -> None:
        encoding = space.symbolic.encoding
        super().__init__(space, tuple(move for move, _ in encoding.moves))
        self._operations = dict(encoding.moves)
        self._encoding = encoding
        self._memory: int = space.symbolic.memory

    def _guard(self) -> AbstractContextManager[None]:
        from safetymodel.explore.memory import within_memory

        return within_memory(self._memory)

    def after(self, members: Any, move: Move) -> Any:
        self.space.on_work()
        with self._guard():
            origin = members if move.kind == "reaction" else members & self._encoding.calm
            return self._operations[move].image(origin) & self.space.reached

    def before(self, members: Any, move: Move) -> Any:
        self.space.on_work()
        with self._guard():
            origin = self.space.reached if move.kind == "reaction" else self.space.settled
            return self._operations[move].source(members) & origin

    def lasted(self, subsystem: int, ticks: int) -> Any:
        if not ticks:
            return self.space.reached
        with self._guard():
            bits = self._encoding.clock_bits[subsystem]
            return self._encoding.decisions.at_least(bits, ticks) & self.space.reached


class _OfArrays(Single[Any]):
    def __init__(self, space: Any) -> None:
        super().__init__(space, tuple(space.product.moves))
        self._product = space.product
        self._label = {move: label for label, move in enumerate(self.moves)}

    def after(self, members: Any, move: Move) -> Any:
        product = self._product
        edges = product.edges_from(members)
        result = self.space.nothing()
        result[product.targets[edges[product.labels[edges] == self._label[move]]]] = True
        return result & self.space.reached

    def before(self, members: Any, move: Move) -> Any:
        product = self._product
        edges = product.edges_into(members & self.space.reached)
        result = self.space.nothing()
        result[product.sources[edges[product.labels[edges] == self._label[move]]]] = True
        return result & self.space.reached

    def lasted(self, subsystem: int, ticks: int) -> Any:
        import numpy as np

        product = self._product
        clock = product.layout.clocks[subsystem].read(product.table.columns(0, product.size))
        return np.greater_equal(clock, ticks) & self.space.reached
