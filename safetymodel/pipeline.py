"""The whole story of a verification, from a spec file to verdicts."""

from __future__ import annotations

import time
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from safetymodel.claims.judge import find_chatter, judge
from safetymodel.claims.search import Clock
from safetymodel.claims.verdict import Finding, Judgement
from safetymodel.explore.engine import Limits, Progress
from safetymodel.explore.product import DEFAULT_STATES, Product, ProductSpace
from safetymodel.model.build import load
from safetymodel.model.system import System
from safetymodel.problems import Problem
from safetymodel.traces.explain import attempt_words
from safetymodel.traces.scenarios import ScenarioResult, run_scenario


@dataclass(frozen=True, slots=True)
class Counted:
    """System states explored under one fault budget; not ``complete`` where a limit ended the search."""

    settled: int
    all: int
    complete: bool = True


@dataclass(frozen=True, slots=True)
class Run:
    """Everything that a verification of one spec found out."""

    system: System
    engine: str
    engine_reason: str
    faults: int | None
    counts: tuple[tuple[int, Counted], ...]
    judgements: tuple[Judgement, ...]
    findings: tuple[Finding, ...]
    scenarios: tuple[ScenarioResult, ...]
    problems: tuple[Problem, ...]
    seconds: float
    shortfall: str = ""


@dataclass(frozen=True, slots=True)
class Unread:
    """A spec that could not be verified, and why."""

    file: str
    problems: tuple[Problem, ...]


def verify(
    path: str, faults: int | None = None, limits: Limits | None = None, progress: Progress | None = None
) -> Run | Unread:
    """Read a spec, explore its states, judge every requirement, run every scenario.

    ``faults`` is a fault budget for every requirement; without it each is judged under its own
    ``withstand``. A limit that is reached ends in ``undecided``, never in a pass.
    """
    started = time.monotonic()
    system, problems = load(path)
    if system is None:
        return Unread(path, problems)
    limits = limits or Limits(states=DEFAULT_STATES)
    spaces = explore(system, budgets_of(system, faults), limits, progress)
    clock = Clock(limits.seconds, started)
    judgements = []
    for requirement in system.requirements:
        if progress:
            progress(f"judging {requirement.name}", 0)
        budget = requirement.withstand if faults is None else faults
        judgements.append(in_words(system, judge(spaces[budget], requirement, clock)))
    return Run(
        system=system,
        engine="product",
        engine_reason="every reached state is written down",
        faults=faults,
        counts=tuple((budget, _counted(space)) for budget, space in sorted(spaces.items())),
        judgements=tuple(judgements),
        findings=_findings(spaces.values(), clock),
        scenarios=tuple(run_scenario(system, scenario) for scenario in system.scenarios),
        problems=problems,
        seconds=time.monotonic() - started,
        shortfall=next((space.shortfall for space in spaces.values() if space.shortfall), ""),
    )


def budgets_of(system: System, faults: int | None) -> tuple[int, ...]:
    """The fault budgets that have to be explored, ascending; 0 always."""
    asked = {0, *(r.withstand for r in system.requirements)} if faults is None else {0, faults}
    return tuple(sorted(asked))


def explore(
    system: System, budgets: Sequence[int], limits: Limits, progress: Progress | None = None
) -> dict[int, ProductSpace]:
    """The product graph under each budget. Once a limit is reached, larger budgets share what there is."""
    started = time.monotonic()
    spaces: dict[int, ProductSpace] = {}
    cut_off: Product | None = None
    for budget in budgets:
        useful = min(budget, len(system.faults))
        if cut_off is None:
            left = None if limits.seconds is None else max(0.0, limits.seconds - (time.monotonic() - started))
            product = Product(system, useful, replace(limits, seconds=left), progress)
            if product.shortfall:
                cut_off = product
        else:
            product = cut_off
        spaces[budget] = ProductSpace(product)
    return spaces


def _counted(space: ProductSpace) -> Counted:
    return Counted(space.size(space.settled), space.size(space.reached), space.complete)


def _findings(spaces: Iterable[ProductSpace], clock: Clock) -> tuple[Finding, ...]:
    """Chatter under the smallest budget that shows it."""
    for space in spaces:
        found = find_chatter(space, clock)
        if found:
            return found
    return ()


def in_words(system: System, judgement: Judgement) -> Judgement:
    """The judgement with its blocked attempts said in words."""
    return replace(judgement, blocked=tuple(attempt_words(system, a) for a in judgement.attempts))


def exit_code(results: Iterable[Run | Unread]) -> int:
    """0 every requirement passes; 1 one is broken or empty; 2 a spec has problems; 3 one is undecided."""
    codes = set()
    for result in results:
        if isinstance(result, Unread):
            codes.add(2)
            continue
        if any(f.slug == "never-settles" for f in result.findings) or any(not s.ok for s in result.scenarios):
            codes.add(1)
        for judgement in result.judgements:
            if judgement.word == "undecided":
                codes.add(3)
            elif not judgement.passes:
                codes.add(1)
        if result.shortfall:
            codes.add(3)
    return next((code for code in (2, 1, 3) if code in codes), 0)
