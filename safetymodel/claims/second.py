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

from safetymodel.claims.clock import Clock
from safetymodel.claims.inductive import Inductive
from safetymodel.claims.part_invariant import PartInvariant
from safetymodel.claims.part_proof import asks_of_every_run, part_proof
from safetymodel.claims.search import Walker
from safetymodel.claims.verdict import Judgement, Opinion
from safetymodel.claims.watch import NOTHING
from safetymodel.explore.engine import LimitReached, Space
from safetymodel.explore.memory import within_memory
from safetymodel.explore.symbolic import SymbolicSpace
from safetymodel.model.step import holds
from safetymodel.model.system import Requirement

TOGETHER = 8
"""Subsystems up to which sets are put to one solver together; larger ones would slow each other down."""

SMALL = 1_500
"""Nodes up to which a set is put to the solver at once; larger ones take longer, and come last."""


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
    return _ByInvariant(judgements, spaces, clock).with_opinions()


class _ByInvariant:
    def __init__(self, judgements: tuple[Judgement, ...], spaces: Mapping[int, Space[Any]], clock: Clock) -> None:
        self.judgements = judgements
        self.spaces = spaces
        self.clock = clock
        self._checks: dict[tuple[int, frozenset[int]], Inductive] = {}
        self._large: list[tuple[int, int, PartInvariant]] = []
        """Nodes of a set, the place of the judgement that it is for, the set."""

    def with_opinions(self) -> tuple[Judgement, ...]:
        order = sorted(range(len(self.judgements)), key=lambda place: (self.judgements[place].budget, place))
        found = {place: self._within_limits(partial(self._soon, place)) for place in order}
        for _, place, part in sorted(self._large, key=lambda one: one[:2]):
            found[place] = self._within_limits(partial(self._by_part, self.judgements[place], part))
        for place in order:
            if found[place] is None:
                found[place] = self._within_limits(partial(self._at_last, self.judgements[place]))
        return tuple(replace(judgement, second=found[place]) for place, judgement in enumerate(self.judgements))

    def _within_limits(self, road: Callable[[], Opinion | None]) -> Opinion | None:
        try:
            self.clock.check()
            return road()
        except LimitReached as limit:
            return Opinion("none", None, str(limit))

    def _space(self, judgement: Judgement) -> SymbolicSpace:
        space = self.spaces[judgement.budget]
        assert isinstance(space, SymbolicSpace)
        return space

    def _check(self, judgement: Judgement, subsystems: frozenset[int] = frozenset()) -> Inductive:
        key = (judgement.budget, subsystems if len(subsystems) > TOGETHER else frozenset())
        if key not in self._checks:
            self._checks[key] = Inductive(self._space(judgement), self.clock)
        return self._checks[key]

    def _soon(self, place: int) -> Opinion | None:
        """What needs no large set; None where something has to be put off."""
        judgement = self.judgements[place]
        if not _asks_of_every_run(judgement):
            return self._at_last(judgement)
        space = self._space(judgement)
        few = space.symbolic.encoding.flags_at_most[space.budget]
        with within_memory(space.symbolic.memory):
            part = part_proof(space, judgement.requirement, judgement.word, few, self.clock.check)
        if part is None:
            return None
        nodes = sum(members.node_count() for members in part.sets.values())
        if nodes > SMALL:
            self._large.append((nodes, place, part))
            return None
        return self._by_part(judgement, part)

    def _by_part(self, judgement: Judgement, part: PartInvariant) -> Opinion | None:
        return self._check(judgement, part.subsystems).opinion_of_part(judgement, part)

    def _at_last(self, judgement: Judgement) -> Opinion:
        return _opinion(judgement, self.spaces[judgement.budget], self._check, self.clock)


def _asks_of_every_run(judgement: Judgement) -> bool:
    """Whether the verdict says something that no run may do."""
    return judgement.trace is None and judgement.word != "undecided" and asks_of_every_run(judgement.requirement)


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
