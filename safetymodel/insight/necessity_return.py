"""Whether from everywhere something can still be brought about when one transition is changed.

In the system as it is it always can. A way there that is lost in the changed system passes a state from which the
change takes a step; so only from those, and from what is new, another way has to lead there.
"""

from __future__ import annotations

from safetymodel.claims.breach_states import after_reactions, can_lead_to
from safetymodel.claims.clock import Clock
from safetymodel.explore.decisions import Diagram
from safetymodel.explore.symbolic import SymbolicSpace
from safetymodel.insight.necessity_altered import Altered, altered_space
from safetymodel.model.formula import Formula


def may_be_lost(space: SymbolicSpace, altered: Altered, reached: Diagram, subject: Formula) -> Diagram:
    """Settled states from which the subject cannot be brought about in the changed system, unless it goes round for
    ever. ``space``: where that is asked of the system as it is; ``reached``: what the changed system comes to under as
    many faults, or more."""
    changed = altered_space(space, altered, reached)
    clock = Clock()
    asked = reached & (altered.lost | altered.calmed | ~altered.reached)
    asked = after_reactions(changed, asked, clock)
    if asked == altered.false:
        return asked
    good = changed.common(changed.settled, changed.where(subject))
    return changed.minus(asked, can_lead_to(changed, good, asked, clock))
