"""Small sets of states that no step leads out of, seen through the few subsystems that a requirement is about.

What the others forbid is allowed there, so there is more in such a set than can be reached. It is little as a diagram,
though, and often enough to show that a requirement is kept; then it is a proof that another kind of solver can follow.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

from safetymodel.claims.watch import Watch
from safetymodel.explore.cone import through_subsystems
from safetymodel.explore.decisions import Diagram
from safetymodel.explore.encoding import Operation
from safetymodel.explore.moves import Move
from safetymodel.explore.symbolic import SymbolicSpace

MOST_NODES = 4_000
"""A larger set is no small proof any more."""


class TooLarge(Exception):
    """The set has more than :data:`MOST_NODES`."""


def closed_part(
    space: SymbolicSpace, subsystems: frozenset[int], watch: Watch, work: Callable[[], None]
) -> dict[int, Diagram]:
    """What a run can be in if only these subsystems are looked at, by the value of the watch, which reads no others.

    Raises TooLarge, and what ``work`` raises.
    """
    return _Part(space, subsystems, watch, work).sets


class _Part:
    def __init__(
        self, space: SymbolicSpace, subsystems: frozenset[int], watch: Watch, work: Callable[[], None]
    ) -> None:
        whole = space.symbolic.encoding
        through = through_subsystems(whole, subsystems)
        self._false = whole.decisions.false
        self._formula = whole.formula
        self._watch = watch
        # in this view a state may be both
        self._transient = through.seen(whole.transient)
        self._calm = through.seen(whole.calm)
        view = through.encoding(self._transient)
        self._few = view.flags_at_most[space.budget]
        steps = view.moves
        shown = {move for move, _ in steps}
        self.sets: dict[int, Diagram] = {}
        self._land(watch.first, through.seen(space.start))
        # a happening of the others is a step too: it may change the watch
        unseen = [move for move, _ in whole.moves if move not in shown and move.kind != "reaction"]
        grown = True
        while grown:
            grown = False
            for move, operation in (*steps, *((move, None) for move in unseen)):
                work()
                for value, members in tuple(self.sets.items()):
                    if self._step(move, operation, value, members):
                        grown = True
            if any(members.node_count() > MOST_NODES for members in self.sets.values()):
                raise TooLarge

    def _step(self, move: Move, operation: Operation | None, value: int, members: Diagram) -> bool:
        reacts = move.kind == "reaction"
        source = members if reacts else members & self._calm
        landed = source if operation is None else operation.image(source) & self._few
        if not reacts:
            classes = self._watch.classes
            value = next(becomes for meant, becomes in classes if meant.covers(move.kind, move.number))(value)
        return landed != self._false and self._land(value, landed)

    def _land(self, value: int, landed: Diagram) -> bool:
        """Add where a run is that comes to these states with this value; whether any is new."""
        grown = False
        for new, members in self._values(value, landed):
            if new not in self._watch.values:
                continue  # beyond what a run can go on from: that leap is asked of the sets
            known = self.sets.get(new, self._false)
            if members & ~known != self._false:
                self.sets[new] = known | members
                grown = True
        return grown

    def _values(self, value: int, landed: Diagram) -> Iterator[tuple[int, Diagram]]:
        rules = self._watch.settling(value)
        if not rules:
            yield value, landed
            return
        settled = landed & self._calm
        for formula, new in rules:
            where = self._formula(formula)
            yield new, settled & where
            settled = settled & ~where
        yield value, settled | (landed & self._transient)
