"""Where each form of requirement is broken, as sets of states: what their flags say is which faults it takes.

A run that comes to a breach has only the faults that are up there, since flags never go down. So the
combinations of flags among all breaches under one budget are the fault sets that defeat the requirement.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Generic, TypeVar

from safetymodel.claims.breach_states import (
    breach_of,
    hopeless,
    kept_away,
    late_states,
    unlisted_starts,
    unpermitted_starts,
    watched_states,
)
from safetymodel.claims.clock import Clock
from safetymodel.claims.forms import BROKEN_WITHOUT_END, OUT_OF_REACH
from safetymodel.claims.watch import (
    BREACH,
    NOTHING,
    Watch,
    deadline,
    latest_happening,
    permission,
)
from safetymodel.explore.engine import Space, going_round
from safetymodel.model.system import Requirement

S = TypeVar("S")


@dataclass(frozen=True, slots=True)
class Way(Generic[S]):
    """One way of being broken: the states in which it shows, and ``target``, where a run to it ends
    with the watch at ``value`` (the same states, unless the watch tells). ``reason`` is said where the
    last state alone would not say why."""

    members: S
    target: S
    value: int = 0
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Breaches(Generic[S]):
    """Every way in which a requirement is broken, and the watch under which a run is followed to it."""

    ways: tuple[Way[S], ...]
    watch: Watch = NOTHING


def breaches_of(space: Space[S], requirement: Requirement, clock: Clock) -> Breaches[S]:
    """All breaches of the requirement among the reached states; it is broken as `verify` says exactly
    where some way has members."""
    match requirement.form:
        case "never" | "always":
            return _invariant(space, requirement, clock)
        case "cause":
            if requirement.within is None:
                return _invariant(space, requirement, clock)
            late, _ = late_states(space, requirement, clock)
            return Breaches((Way(late, space.reached, BREACH),), deadline(requirement))
        case "possible":
            return _possible(space, requirement, clock)
        case "always_possible":
            near = space.narrowed((requirement.subject,))
            good = near.common(near.settled, near.where(requirement.subject))
            trapped = space.common(space.settled, hopeless(near, good, near.settled, clock))
            return Breaches((Way(trapped, trapped),))
        case "permissive":
            landed = unpermitted_starts(space, requirement)
            return Breaches((Way(landed, space.reached, BREACH),), permission(requirement))
        case "start":
            landed = unlisted_starts(space, requirement, clock)
            return Breaches((Way(landed, space.reached, BREACH),), latest_happening(space.system, requirement))


def _invariant(space: Space[S], requirement: Requirement, clock: Clock) -> Breaches[S]:
    """As ``judge_invariant``: in a settled state (with ``prevent`` in any), or for ever while the logic goes round."""
    watch, inside, watched = watched_states(space, requirement)
    bad = space.common(watched, space.where(breach_of(requirement)))
    if requirement.prevent:
        return Breaches((Way(bad, bad, inside),), watch)
    settled = space.common(bad, space.settled)
    endless = going_round(space, space.common(bad, space.transient))
    reason = BROKEN_WITHOUT_END
    return Breaches((Way(settled, settled, inside), Way(endless, endless, inside, reason)), watch)


def _possible(space: Space[S], requirement: Requirement, clock: Clock) -> Breaches[S]:
    """The settled states just after some faults struck at the start, where these faults keep P away for good."""
    good = space.common(space.settled, space.where(requirement.subject))
    if space.is_empty(good):
        return Breaches((Way(space.start, space.nothing()),))  # broken without faults, and no run shows it
    lost = kept_away(space, requirement.subject, clock)
    return Breaches((Way(lost, lost, 0, OUT_OF_REACH),))
