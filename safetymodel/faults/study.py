"""The whole look at the faults of one system: sets, effects, indications, evidence for categories, numbers."""

from __future__ import annotations

import time
from collections.abc import Collection
from dataclasses import dataclass, replace
from typing import Literal

from safetymodel.claims.clock import Clock, seconds_for_more
from safetymodel.explore.choice import EngineName, explore
from safetymodel.explore.engine import Limits, Progress
from safetymodel.faults.category import Evidence, evidence
from safetymodel.faults.effects import Effects, effects
from safetymodel.faults.figures import Figures, figures_of, has_numbers
from safetymodel.faults.reveal import reveals
from safetymodel.faults.sets import MinimalSets, sets_and_breaches, with_emptiness, with_runs
from safetymodel.model.system import System
from safetymodel.problems import Problem

Runs = Literal["auto", "always", "off"]


@dataclass(frozen=True, slots=True)
class Study:
    """What was found out about the faults of a system, under up to ``order`` of them at once.

    ``states`` and ``settled`` count the one exploration. ``figures`` are empty where no fault has numbers.
    ``shortfall`` says which limit ended the exploration, if one did.
    """

    system: System
    order: int
    engine: str
    engine_reason: str
    settled: int
    states: int
    found: tuple[MinimalSets, ...]
    effects: tuple[Effects, ...]
    evidence: tuple[Evidence, ...]
    figures: tuple[Figures, ...]
    problems: tuple[Problem, ...]
    seconds: float
    shortfall: str = ""

    @property
    def complete(self) -> bool:
        """Whether all sets are known, and of every fault how it shows: no limit was reached."""
        shown = all(e.reveal is None or e.reveal.word != "undecided" for e in self.effects)
        return all(sets.complete for sets in self.found) and (shown or not self.order)

    @property
    def stands(self) -> bool | None:
        """Whether every requirement stands what it has to withstand; None where none fails and some are undecided."""
        each = [self.stands_of(found) for found in self.found]
        return False if False in each else None if None in each else True

    def stands_of(self, found: MinimalSets) -> bool | None:
        """Whether a requirement stands as many faults as it has to withstand (or all, where fewer are declared),
        and is not ``empty`` without leave. None where a limit was reached, or where ``order`` is less than that."""
        asked = min(found.requirement.withstand, len(self.system.faults))
        if any(len(s.faults) <= asked for s in found.sets):
            return False
        if not found.complete or self.order < asked:
            return None
        return found.empty is None or found.empty.passes


def study(
    system: System,
    order: int,
    only: Collection[str] | None = None,
    engine: EngineName = "auto",
    limits: Limits | None = None,
    progress: Progress | None = None,
    runs: Runs = "auto",
    problems: tuple[Problem, ...] = (),
) -> Study:
    """Everything about up to ``order`` faults at once, from one exploration.

    ``only`` names the requirements to look at (all, unless told). ``runs``: a shortest run to each set as time
    allows, in any case, or not.
    """
    started = time.monotonic()
    limits = limits or Limits()
    explored = explore(system, (order,), engine, limits, progress)
    space = explored.spaces[order]
    clock = Clock(limits.seconds, started)
    space.on_work = clock.check
    chosen = [r for r in system.requirements if only is None or r.name in only]
    looked = []
    for requirement in chosen:
        _tell(progress, f"fault sets of {requirement.name}")
        sets, breaches = sets_and_breaches(space, requirement, clock)
        looked.append((replace(with_emptiness(space, sets), order=order), breaches))
    if runs != "off":
        until = Clock(seconds_for_more(limits.seconds, time.monotonic() - started, runs == "always"))
        space.on_work = until.check
        for place, (sets, breaches) in enumerate(looked):
            if breaches is not None:
                _tell(progress, f"runs of {sets.requirement.name}")
                looked[place] = with_runs(space, sets, breaches, until), breaches
        space.on_work = clock.check
    found = tuple(sets for sets, _ in looked)
    shown = reveals(space, clock, lambda fault: _tell(progress, f"indications of {fault.name}"))
    return Study(
        system=system,
        order=order,
        engine=explored.engine,
        engine_reason=explored.reason,
        settled=space.size(space.settled),
        states=space.size(space.reached),
        found=found,
        effects=effects(system, found, shown),
        evidence=evidence(found, shown),
        figures=tuple(_figures(system, sets) for sets in found) if has_numbers(system) else (),
        problems=problems,
        seconds=time.monotonic() - started,
        shortfall=space.shortfall,
    )


def _figures(system: System, found: MinimalSets) -> Figures:
    if found.empty is not None:
        return Figures(found.requirement.name, nothing="it is empty, so there is nothing that a set could defeat")
    return figures_of(system, found.requirement, [s.faults for s in found.sets], found.order, found.complete)


def _tell(progress: Progress | None, what: str) -> None:
    if progress is not None:
        progress(what, 0)
