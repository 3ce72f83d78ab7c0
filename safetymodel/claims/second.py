"""A second opinion on a verdict, by another road than the one that found it.

A broken requirement's run is re-stepped by the reference step function (:mod:`claims.recheck`). For
one that is true, either the other engine judges it too, or a set of states is put to a solver of another kind
(:mod:`claims.inductive`).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from functools import partial
from typing import Any

from safetymodel.claims.breach_states import about_breach
from safetymodel.claims.clock import Clock
from safetymodel.claims.inductive import Inductive, watch_of
from safetymodel.claims.search import Walker
from safetymodel.claims.verdict import Judgement, Opinion
from safetymodel.claims.watch import NOTHING
from safetymodel.explore.engine import LimitReached, Space
from safetymodel.explore.ordering import growing_views
from safetymodel.explore.symbolic import SymbolicSpace
from safetymodel.model.step import holds
from safetymodel.model.system import Requirement, System

TOGETHER = 8
"""Subsystems up to which sets are put to one solver together; larger ones would slow each other down."""


def no_time(judgement: Judgement, reason: str) -> Judgement:
    """The judgement without a second opinion, and why."""
    return replace(judgement, second=Opinion("none", None, reason))


def by_other_engine(
    judgements: tuple[Judgement, ...], mine: Mapping[int, Space[Any]], theirs: Mapping[int, Space[Any]], clock: Clock
) -> tuple[Judgement, ...]:
    """Each judgement held against that of the other engine: verdict, happenings, counts of states."""
    from safetymodel.claims.judge import judge

    found = []
    for judgement in judgements:
        own, other = mine[judgement.budget], theirs[judgement.budget]
        if judgement.word == "undecided" or not other.complete:
            found.append(no_time(judgement, other.shortfall or judgement.reason))
            continue
        wrong = ""
        again = judge(other, judgement.requirement, clock)
        if again.word == "undecided":
            found.append(no_time(judgement, again.reason))
            continue
        counts = [(space.size(space.settled), space.size(space.reached)) for space in (own, other)]
        distances = [j.trace.happenings if j.trace else None for j in (judgement, again)]
        if again.word != judgement.word:
            wrong = f"one engine says {judgement.word}, the other {again.word}"
        elif counts[0] != counts[1]:
            wrong = f"one engine counts {counts[0]} states, the other {counts[1]}"
        elif distances[0] != distances[1]:
            wrong = f"one engine finds {distances[0]} happenings, the other {distances[1]}"
        found.append(replace(judgement, second=Opinion("other engine", not wrong, wrong)))
    return tuple(found)


def by_invariant(
    judgements: tuple[Judgement, ...], spaces: Mapping[int, Space[Any]], clock: Clock
) -> tuple[Judgement, ...]:
    """Each judgement by the road that fits it: its run re-stepped, a set of states put to the solver,
    or a run that shows what is possible. The fewest faults first: there are the fewest states to look at. Sets of what
    shows of the system through some subsystems are small, and come before all reached states."""
    checks: dict[tuple[int, frozenset[int]], Inductive] = {}
    found: dict[int, Opinion | None] = {}

    def check(judgement: Judgement, subsystems: frozenset[int] = frozenset()) -> Inductive:
        space = spaces[judgement.budget]
        assert isinstance(space, SymbolicSpace)
        key = (judgement.budget, subsystems if len(subsystems) > TOGETHER else frozenset())
        if key not in checks:
            checks[key] = Inductive(space, clock)
        return checks[key]

    def seen(judgement: Judgement, road: Callable[[Judgement], Opinion | None]) -> Opinion | None:
        try:
            clock.check()
            return road(judgement)
        except LimitReached as limit:
            return Opinion("none", None, str(limit))

    def opinion(judgement: Judgement) -> Opinion:
        return _opinion(judgement, spaces[judgement.budget], check, clock)

    def part(judgement: Judgement, subsystems: frozenset[int]) -> Opinion | None:
        return check(judgement, subsystems).opinion_of_part(judgement, subsystems)

    system = next(iter(spaces.values())).system
    order = sorted(range(len(judgements)), key=lambda place: (judgements[place].budget, place))
    asked = [place for place in order if _asks_of_every_run(judgements[place])]
    for place in order:
        if place not in asked:
            found[place] = seen(judgements[place], opinion)
    waiting = [
        (len(of) * len(watch_of(system, judgements[place].requirement).values), place, of)
        for place in asked
        for of in _parts(system, judgements[place])
    ]
    for _, place, of in sorted(waiting, key=lambda one: one[:2]):
        if place not in found:
            of_part = seen(judgements[place], partial(part, subsystems=of))
            if of_part is not None and of_part.agrees:
                found[place] = of_part
    for place in asked:
        if place not in found:
            found[place] = seen(judgements[place], opinion)
    second = [found[place] for place in range(len(judgements))]
    return tuple(replace(judgement, second=its) for judgement, its in zip(judgements, second, strict=True))


def _asks_of_every_run(judgement: Judgement) -> bool:
    """Whether the verdict says something that no run may do."""
    form = judgement.requirement.form
    return judgement.trace is None and judgement.word != "undecided" and form not in ("possible", "always_possible")


def _parts(system: System, judgement: Judgement) -> list[frozenset[int]]:
    """Subsystems through which to look for a second opinion on a verdict: those that the requirement reads, then also
    those that they read, and so on."""
    about = about_breach(judgement.requirement)
    return growing_views(system, about) if about else []


def _opinion(judgement: Judgement, space: Space[Any], check: Callable[[Judgement], Inductive], clock: Clock) -> Opinion:
    requirement = judgement.requirement
    if judgement.word == "undecided":
        return Opinion("none", None, "nothing was shown")
    if judgement.trace is not None:
        return Opinion("re-stepped", True)
    if requirement.form == "always_possible" and judgement.word != "empty":
        return Opinion("none", None, "too large for the other engine, and not a matter of an invariant")
    if requirement.form == "possible" and judgement.word == "holds":
        if space.budget:
            return Opinion("none", None, "too large for the other engine, and not a matter of one run")
        assert isinstance(space, SymbolicSpace)
        return _witnessed(space, requirement, clock)
    return check(judgement).opinion(judgement)


def _witnessed(space: SymbolicSpace, requirement: Requirement, clock: Clock) -> Opinion:
    """A ``possible`` without faults: a run to P, each step of it taken by the reference step function."""
    good = space.common(space.settled, space.where(requirement.subject))
    trace = Walker(space, NOTHING, clock).shortest({0: good})
    if trace is None or not holds(space.system, trace.end, requirement.subject):
        return Opinion("witness", False, "no run leads to what is called possible")
    return Opinion("witness", True, f"a run of {trace.happenings} happenings")
