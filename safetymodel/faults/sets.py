"""Minimal fault sets: the least combinations of faults under which a requirement is broken.

All of them up to an order come from one exploration under that fault budget; a run to each is then a
shortest one among the runs in which no other fault strikes.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

from safetymodel.claims.breach_states import about_breach
from safetymodel.claims.clock import Clock
from safetymodel.claims.forms import emptiness
from safetymodel.claims.recheck import recheck
from safetymodel.claims.search import Walker
from safetymodel.claims.verdict import EngineDisagreement, Judgement, Trace
from safetymodel.explore.engine import LimitReached, Space
from safetymodel.explore.flags import flags_exactly, flags_of, struck_by
from safetymodel.faults.breaches import Breaches, breaches_of
from safetymodel.model.state import fault_numbers
from safetymodel.model.system import Requirement


@dataclass(frozen=True, slots=True)
class FaultSet:
    """Faults (numbers, ascending) that together defeat a requirement, no fewer of them doing so.

    ``trace`` is a shortest run to a breach in which exactly these faults have struck; None where none
    was asked for, where time was up, or where no run shows it (a ``possible`` that is broken without faults).
    """

    faults: tuple[int, ...]
    trace: Trace | None = None


@dataclass(frozen=True, slots=True)
class MinimalSets:
    """The minimal fault sets of a requirement up to ``order``: fewest faults first, then as in the spec.

    ``((),)`` in ``sets`` means: broken without any fault. Where ``complete`` is False, ``reason``
    says which limit was reached; then every set found does defeat the requirement, and others may not
    have been found. ``empty`` is the judgement on a requirement that nothing defeats because its situation never
    arises, with these faults neither; None where it does arise or that was not asked for.
    """

    requirement: Requirement
    order: int
    sets: tuple[FaultSet, ...]
    complete: bool
    reason: str = ""
    empty: Judgement | None = None

    @property
    def broken_without_faults(self) -> bool:
        return any(not s.faults for s in self.sets)

    def of_order(self, order: int) -> tuple[FaultSet, ...]:
        """The sets of exactly so many faults."""
        return tuple(s for s in self.sets if len(s.faults) == order)


def minimal_sets(
    space: Space[Any], requirement: Requirement, clock: Clock | None = None, run_clock: Clock | None = None
) -> MinimalSets:
    """All minimal fault sets of the requirement up to the space's budget, each with a shortest run.

    ``clock`` limits the search for the sets, ``run_clock`` the search for their runs.
    """
    found, breaches = sets_and_breaches(space, requirement, clock or Clock())
    return found if breaches is None else with_runs(space, found, breaches, run_clock or clock or Clock())


def sets_and_breaches(
    space: Space[Any], requirement: Requirement, clock: Clock
) -> tuple[MinimalSets, Breaches[Any] | None]:
    """The minimal fault sets without their runs, and what :func:`with_runs` needs to find these; None where a
    limit was reached before the sets were known."""
    order = space.budget
    if not space.complete and requirement.form in ("possible", "always_possible"):
        return MinimalSets(requirement, order, (), False, space.shortfall), None
    try:
        clock.check()
        breaches = breaches_of(space, requirement, clock)
        broken = space.nothing()
        for way in breaches.ways:
            broken = space.union(broken, way.members)
        masks = flags_of(space).minimal(broken)
    except LimitReached as limit:
        return MinimalSets(requirement, order, (), False, str(limit)), None
    sets = tuple(FaultSet(fault_numbers(mask)) for mask in masks)
    return MinimalSets(requirement, order, sets, space.complete, space.shortfall), breaches


def with_emptiness(space: Space[Any], found: MinimalSets) -> MinimalSets:
    """The same sets; where there are none, also whether the requirement says anything at all."""
    if found.sets or not found.complete:
        return found
    try:
        return replace(found, empty=emptiness(space, found.requirement))
    except LimitReached as limit:
        return replace(found, complete=False, reason=str(limit))


def with_runs(space: Space[Any], found: MinimalSets, breaches: Breaches[Any], clock: Clock) -> MinimalSets:
    """The same sets, each with a shortest run to a breach where time allows.

    A run that the reference step function or the second look at it does not confirm raises
    :class:`~safetymodel.claims.verdict.EngineDisagreement`.
    """
    sets = tuple(replace(s, trace=_trace(space, found.requirement, breaches, s.faults, clock)) for s in found.sets)
    return replace(found, sets=sets)


def _trace(
    space: Space[Any], requirement: Requirement, breaches: Breaches[Any], faults: tuple[int, ...], clock: Clock
) -> Trace | None:
    """A shortest run to a breach with exactly these flags; None where time is up or none can show it."""
    try:
        clock.check()
        part = struck_by(space, faults)
        here = space.where(flags_exactly(space.system, faults))
        for way in breaches.ways:
            if space.is_empty(space.common(way.members, here)):
                continue
            target = space.common(way.target, here)
            if space.is_empty(target):
                return None
            trace = Walker(part, breaches.watch, clock).shortest({way.value: target}, about_breach(requirement))
            assert trace is not None, "a breach that no run reaches"
            judgement = Judgement(requirement, part.budget, "broken", trace=trace, reason=way.reason)
            wrong = recheck(space.system, judgement)
            if wrong:
                raise EngineDisagreement(f"{requirement.name}: {wrong}")
            return trace
    except LimitReached:
        return None
    raise AssertionError("a minimal set without a breach")
