"""The verdict on a requirement without its counterexample, for many systems in one space at once.

Several variants of a system can share a space when each state tells which variant it belongs to. What a verdict rests
on is then whether some sets have members of the variant; which sets these are is said here, once for each form.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Generic, TypeVar

from safetymodel.claims.breach_states import (
    breach_of,
    inside_window,
    kept_away,
    late_states,
    starts_of,
    trapped_states,
    unlisted_starts,
    unpermitted_starts,
)
from safetymodel.claims.clock import Clock
from safetymodel.claims.verdict import Word
from safetymodel.explore.engine import Space, going_round
from safetymodel.model.formula import Formula, Not, weakest_mentions
from safetymodel.model.system import Requirement

S = TypeVar("S")

RANK: dict[Word, int] = {"holds": 3, "reacts": 2, "empty": 1, "undecided": 1, "broken": 0}
"""The larger the better."""


@dataclass(frozen=True, slots=True)
class Signs(Generic[S]):
    """What the verdict rests on: ``broken`` where one of those sets has members or one of ``wanted`` has none;
    ``empty`` where one of ``arising`` has none; ``reacts`` where ``moments`` has members; else ``holds``."""

    broken: tuple[S, ...] = ()
    wanted: tuple[S, ...] = ()
    arising: tuple[S, ...] = ()
    moments: tuple[S, ...] = ()

    def word(self, has: Callable[[S], bool]) -> Word:
        """``has`` tells whether a set has members."""
        if any(has(s) for s in self.broken) or not all(has(s) for s in self.wanted):
            return "broken"
        if not all(has(s) for s in self.arising):
            return "empty"
        return "reacts" if any(has(s) for s in self.moments) else "holds"


def signs_of(space: Space[S], requirement: Requirement, clock: Clock) -> Signs[S]:
    """As :func:`safetymodel.claims.judge.judge` decides it. The space must be complete."""
    match requirement.form:
        case "possible":
            good = space.common(space.settled, space.where(requirement.subject))
            away = (kept_away(space, requirement.subject, clock),) if space.budget else ()
            return Signs(broken=away, wanted=(good,))
        case "always_possible":
            return Signs(broken=(trapped_states(space, requirement, clock),), arising=(space.settled,))
        case "permissive":
            return Signs(broken=(unpermitted_starts(space, requirement),), arising=(starts_of(space, requirement),))
        case "start":
            landed = unlisted_starts(space, requirement, clock)
            return Signs(broken=(landed,), arising=(starts_of(space, requirement),))
        case "cause" if requirement.within is not None:
            late, _ = late_states(space, requirement, clock)
            return Signs(broken=(late,), arising=(space.common(space.settled, space.where(requirement.subject)),))
        case _:
            return _invariant(space, requirement)


def _invariant(space: Space[S], requirement: Requirement) -> Signs[S]:
    watched = inside_window(space, requirement) if requirement.begins is not None else space.reached
    bad = space.common(watched, space.where(breach_of(requirement)))
    settled = space.common(watched, space.settled)
    if requirement.prevent:
        return Signs((bad,), arising=_arising(space, requirement, watched, watched, settled))
    moments = space.common(bad, space.transient)
    broken = (space.common(bad, space.settled), going_round(space, moments))
    return Signs(broken, (), _arising(space, requirement, watched, settled, settled), (moments,))


def arising(space: Space[S], requirement: Requirement, watched: S) -> tuple[S, ...]:
    """What must have members, or the requirement is true of nothing; of a `cause` within a time, an invariant, or any
    that is judged as one. ``watched``: the states in which it is watched."""
    settled = space.common(watched, space.settled)
    if requirement.form == "cause" and requirement.within is not None:
        return (space.common(settled, space.where(requirement.subject)),)
    return _arising(space, requirement, watched, watched if requirement.prevent else settled, settled)


def _arising(space: Space[S], requirement: Requirement, watched: S, where: S, settled: S) -> tuple[S, ...]:
    """What must have members, or the requirement is true of nothing."""
    if requirement.form == "cause":
        return (space.where(requirement.subject),)
    worst = _worst_mentions(requirement)
    return (settled, *(space.common(where, space.where(formula)) for formula in worst))


def word_of(space: Space[Any], requirement: Requirement, clock: Clock | None = None) -> Word:
    """The verdict under the space's fault budget."""
    if not space.complete:
        return "undecided"
    return signs_of(space, requirement, clock or Clock()).word(lambda members: not space.is_empty(members))


def must_arise(requirement: Requirement) -> tuple[Formula, ...]:
    """What has to be true in some state, each of these in one or another, or the verdict is `empty` (of a `possible`:
    broken)."""
    match requirement.form:
        case "always_possible":
            return ()
        case "never" | "always":
            return (*_worst_mentions(requirement), *([] if requirement.begins is None else [requirement.begins]))
        case _:
            return (requirement.subject,)


def _worst_mentions(requirement: Requirement) -> tuple[Formula, ...]:
    """What an invariant forbids with one single mention of it at a time as bad as can be."""
    make_true = requirement.form == "never"
    mentions = weakest_mentions(requirement.subject, make_true)
    return tuple(formula if make_true else Not(formula) for _, formula in mentions)
