"""Whether from everywhere something can still be brought about when one transition is changed.

Of the system as it is the way back is kept: which states were found before each step backwards. A state that the change
takes a step from needs another step to states that were found before it; all others still have theirs.
"""

from __future__ import annotations

from collections.abc import Sequence

from safetymodel.claims.breach_states import NO_NEW_FAULT
from safetymodel.explore.backwards import AGAIN, Backwards, Origin
from safetymodel.explore.decisions import Diagram
from safetymodel.explore.encoding import Operation, Write
from safetymodel.explore.pooling import pool_of
from safetymodel.explore.symbolic import SymbolicSpace
from safetymodel.insight.necessity_altered import Altered
from safetymodel.model.formula import Formula


class Return:
    """Of the states of ``space``; ``few``: those with no more faults than these."""

    def __init__(self, space: SymbolicSpace, subject: Formula, few: Diagram) -> None:
        self.space = space
        self.few = few
        self.good = space.symbolic.encoding.formula(subject) & few
        self.known: list[Diagram] = [space.common(space.settled, self.good)]
        """What was found before each step backwards that led to something new, and at last everything."""
        self._go_back()

    def _go_back(self) -> None:
        space = self.space
        encoding = space.symbolic.encoding
        steps = Backwards(encoding, pool_of(encoding, NO_NEW_FAULT), space.reached, space.settled).steps
        while True:
            before = self.known[-1]
            useful = [step for step in steps if self._one(step)]
            for _ in range(AGAIN):
                useful = [step for step in useful if self._one(step)]
            if self.known[-1] == before:
                return

    def _one(self, step: Write | Origin) -> bool:
        self.space.on_work()
        found = self.known[-1]
        grown = found | step.source(found)
        if grown == found:
            return False
        self.known.append(grown)
        return True

    def may_be_lost(self, altered: Altered, new: Diagram) -> bool:
        """Whether there may be settled states from which it cannot be brought about in the changed system; ``new``:
        what that comes to beyond what the system as it is does. Surely so where it has only more steps."""
        operations = [(op, move.kind == "reaction") for move, op in altered.moves(NO_NEW_FAULT)]
        calm, false = altered.encoding.calm, altered.false
        if not self._all_the_same(altered, operations):
            return True
        home = self.known[-1]
        away = new | (altered.calmed & self.few & ~home)
        # what is only now settled, and what is new, has to lead to the others
        asked = away & calm
        found = asked & self.good
        while asked & ~found != false:
            before = found
            for operation, reacts in operations:
                altered.on_work()
                here = away & ~found
                image = operation.image(here if reacts else here & calm) & (home | found)
                if image != false:
                    back = operation.source(image) & here
                    found = found | (back if reacts else back & calm)
            if found == before:
                return True
        return False

    def _all_the_same(self, altered: Altered, operations: Sequence[tuple[Operation, bool]]) -> bool:
        """Whether every state with a lost step has another one to what was found before it."""
        calm, false = altered.encoding.calm, altered.false
        left = altered.lost & self.few & self.known[-1]
        # those that are good as they are need no step
        left = left & ~(self.good & calm)
        while left != false:
            altered.on_work()
            at = self._first(left)
            here = left & self.known[at]
            target = self.known[at] & ~here
            covered = false
            for operation, reacts in operations:
                image = operation.image(here if reacts else here & calm) & target
                if image != false:
                    back = operation.source(image) & here
                    covered = covered | (back if reacts else back & calm)
            if covered != here:
                return False
            left = left & ~here
        return True

    def _first(self, members: Diagram) -> int:
        """The first place at which some of the members are known."""
        low, high = -1, len(self.known) - 1
        while high - low > 1:
            middle = (low + high) // 2
            low, high = (middle, high) if self.known[middle] & members == self.space.nothing() else (low, middle)
        return high
