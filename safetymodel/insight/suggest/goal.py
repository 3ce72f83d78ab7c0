"""What must never come about for one requirement, as a watch beside the model and formulas over states."""

from __future__ import annotations

from dataclasses import dataclass

from safetymodel.claims.breach_states import breach_of
from safetymodel.claims.watch import Watch, deadline, latest_happening, permission, window
from safetymodel.model.formula import FALSE, Formula
from safetymodel.model.system import Requirement, System


@dataclass(frozen=True, slots=True)
class Goal:
    """A leap of the watch is always a breach. While the watch reads ``inside``, ``settled`` must be false in settled
    states and ``moving`` in transient ones."""

    watch: Watch
    inside: int
    settled: Formula = FALSE
    moving: Formula = FALSE


def goal_of(system: System, requirement: Requirement) -> Goal | None:
    """None for the two forms in which something must stay possible: holding something back cannot bring that about."""
    match requirement.form:
        case "possible" | "always_possible":
            return None
        case "permissive":
            return _by_leaps(permission(requirement))
        case "start":
            return _by_leaps(latest_happening(system, requirement))
        case "cause" if requirement.within is not None:
            return _by_leaps(deadline(requirement))
        case _:
            watch = window(requirement)
            breach, inside = breach_of(requirement), watch.values[-1]
            return Goal(watch, inside, breach, breach if requirement.prevent else FALSE)


def without_moments(goal: Goal, requirement: Requirement) -> Goal:
    """The same, with no breach even while the logic reacts: where it could go round in one for ever."""
    return Goal(goal.watch, goal.inside, goal.settled, breach_of(requirement))


def _by_leaps(watch: Watch) -> Goal:
    return Goal(watch, watch.first)
