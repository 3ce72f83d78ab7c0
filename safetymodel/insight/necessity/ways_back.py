"""Whether from everywhere something can still be brought about when one transition is changed.

In the system as it is it always can. A way there that is lost in the changed system passes a state from which the
change takes a step; so only from those, and from what is new, another way has to lead there.
"""

from __future__ import annotations

from functools import cached_property

from safetymodel.claims.breach_states import after_reactions, can_lead_to
from safetymodel.claims.clock import Clock
from safetymodel.explore.decisions import Diagram
from safetymodel.explore.symbolic import SymbolicSpace
from safetymodel.insight.necessity.altered import Altered
from safetymodel.model.formula import Formula


class Ways:
    """The ways in one changed system; unless it goes round for ever."""

    def __init__(self, space: SymbolicSpace, altered: Altered, changed: SymbolicSpace) -> None:
        """``space``: the system as it is; ``changed``: all that the changed system comes to, or more, under as many
        faults as are looked at."""
        self._altered = altered
        self._changed = changed
        if changed.reached == space.reached:
            changed.alike = space

    @cached_property
    def _harmed(self) -> Diagram:
        """The settled states to start from: after all that is new, and all from which the change takes a step."""
        altered = self._altered
        harmed = self._changed.reached & (altered.lost | ~altered.reached)
        return after_reactions(self._changed, harmed, Clock())

    def may_be_lost(self, subject: Formula, few: Diagram) -> bool:
        """Whether there may be states among ``few`` from which the subject cannot be brought about. ``few``: all
        states with some faults; from each that the system as it is comes to it can be, there."""
        changed = self._changed
        asked = self._harmed & few
        if changed.is_empty(asked):
            return False
        # flags stay as they are on a way
        good = changed.common(changed.settled, changed.where(subject)) & few
        return not changed.is_empty(changed.minus(asked, can_lead_to(changed, good, asked, Clock())))
