"""The whole story of a verification, from a spec file to verdicts."""

from __future__ import annotations

import time
from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from safetymodel.claims.judge import find_chatter, judge
from safetymodel.claims.search import Clock
from safetymodel.claims.verdict import Finding, Judgement
from safetymodel.explore.choice import EngineName, explore
from safetymodel.explore.engine import Limits, Progress, Space
from safetymodel.files import cannot_write, write_whole
from safetymodel.model.build import load
from safetymodel.model.system import System
from safetymodel.problems import Problem
from safetymodel.span import Span
from safetymodel.traces.blocked import attempt_words
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
    path: str,
    faults: int | None = None,
    engine: EngineName = "auto",
    limits: Limits | None = None,
    progress: Progress | None = None,
) -> Run | Unread:
    """Read a spec, explore its states, judge every requirement, run every scenario.

    ``faults`` is a fault budget for every requirement; without it each is judged under its own
    ``withstand``. A limit that is reached ends in ``undecided``, never in a pass.
    """
    started = time.monotonic()
    system, problems = load(path)
    if system is None:
        return Unread(path, problems)
    limits = limits or Limits()
    explored = explore(system, budgets_of(system, faults), engine, limits, progress)
    spaces = explored.spaces
    clock = Clock(limits.seconds, started)
    judgements = []
    for requirement in system.requirements:
        if progress:
            progress(f"judging {requirement.name}", 0)
        budget = requirement.withstand if faults is None else faults
        judgements.append(in_words(system, replace(judge(spaces[budget], requirement, clock), budget=budget)))
    return Run(
        system=system,
        engine=explored.engine,
        engine_reason=explored.reason,
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


def _counted(space: Space[Any]) -> Counted:
    return Counted(space.size(space.settled), space.size(space.reached), space.complete)


def _findings(spaces: Iterable[Space[Any]], clock: Clock) -> tuple[Finding, ...]:
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


def results_json(results: Iterable[Run | Unread]) -> str:
    """The JSON text of `verify --json`: one object, or a list where several specs were named."""
    from safetymodel.report.machine import as_text, run_json, unread_json

    found = [run_json(r) if isinstance(r, Run) else unread_json(r.file, r.problems) for r in results]
    return as_text(found[0] if len(found) == 1 else found)


def save_text(path: Path, text: str) -> tuple[Problem, ...]:
    """Write a file whole; the problem where that does not work."""
    try:
        write_whole(path, text)
    except OSError as error:
        return (cannot_write(path, error),)
    return ()


def save_traces(results: Iterable[Run | Unread], directory: Path) -> tuple[Problem, ...]:
    """Keep every counterexample as JSON and as a pytest file that replays it on the model."""
    from safetymodel.traces import save

    problems: list[Problem] = []
    for result in results:
        if isinstance(result, Run):
            problems.extend(save.save_traces(result.system, result.judgements, directory))
    return tuple(problems)


def save_new(path: Path, text: str) -> tuple[Problem, ...]:
    """Write a file that must not exist yet."""
    if path.exists():
        return (Problem("file-exists", Span(str(path), 1), f"{path} exists already", "name another file"),)
    return save_text(path, text)


DRAWN_STATES = 20_000
"""States that a product graph may have before it is projected or refused."""


def draw(
    system: System,
    out: Path,
    what: tuple[str, ...],
    only: tuple[str, ...] | None,
    faults: int | None = None,
    progress: Progress | None = None,
) -> tuple[list[Path], tuple[Problem, ...]]:
    """Write the pictures of a system; gives back the files written and what went wrong."""
    from safetymodel.diagrams.draw import draw_all

    from safetymodel.explore.product import Product, ProductSpace

    space = None
    if "product" in what:
        space = ProductSpace(Product(system, faults or 0, Limits(states=DRAWN_STATES), progress))
    traces = []
    if "timing" in what:
        spaces = explore(system, budgets_of(system, faults), progress=progress).spaces
        for requirement in system.requirements:
            judgement = judge(spaces[requirement.withstand if faults is None else faults], requirement)
            if judgement.trace is not None:
                traces.append((requirement.name, judgement.trace, f"{requirement.name}: {requirement.text}"))
    return draw_all(system, out, what, only, traces, space)
