"""The whole story of a verification, from a spec file to verdicts."""

from __future__ import annotations

import time
from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from safetymodel.claims.clock import Clock, seconds_for_more
from safetymodel.claims.judge import find_chatter, judge
from safetymodel.claims.verdict import EngineDisagreement, Finding, Judgement
from safetymodel.explore.choice import MOST_WRITTEN, SMALL, EngineName, Explored, explore
from safetymodel.explore.engine import LimitReached, Limits, Progress, Space
from safetymodel.files import cannot_write, json_text, write_whole
from safetymodel.model.build import load
from safetymodel.model.system import Requirement, System
from safetymodel.names import did_you_mean
from safetymodel.problems import Problem
from safetymodel.span import NOWHERE, Span
from safetymodel.traces.blocked import attempt_words
from safetymodel.traces.scenarios import ScenarioResult, run_scenario

if TYPE_CHECKING:
    from safetymodel.claims.process import Spare
    from safetymodel.faults.study import Study
    from safetymodel.insight.review import Part, Review

SecondOpinion = Literal["auto", "always", "off"]


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
    disagreement: str = ""


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
    second_opinion: SecondOpinion = "auto",
    jobs: int | None = None,
) -> Run | Unread:
    """Read a spec, explore its states, judge every requirement, run every scenario.

    ``faults`` is a fault budget for every requirement; without it each is judged under its own
    ``withstand``. A limit that is reached ends in ``undecided``, never in a pass. ``jobs`` processes judge at once
    where the states took long to explore; unless told, as many as there are cores, and without a limit of memory.
    """
    started = time.monotonic()
    system, problems = load(path)
    if system is None:
        return Unread(path, problems)
    from safetymodel.claims.process import spare_for

    limits = limits or Limits()
    with spare_for(jobs, limits.memory) as spare:
        explored = explore(system, budgets_of(system, faults), engine, limits, progress, spare.look)
        spaces = explored.spaces
        clock = Clock(limits.seconds, started)
        for space in spaces.values():
            space.on_work = clock.check
        judgements, disagreement = _judged(system, explored, faults, clock, limits, jobs, progress, spare)
    if second_opinion != "off" and not disagreement:
        judgements, disagreement = _seen_again(system, explored, judgements, limits, started, second_opinion, progress)
        for space in spaces.values():
            space.on_work = clock.check
    if disagreement:
        judgements = tuple(_withdrawn(j, disagreement) for j in judgements)
    return Run(
        system=system,
        engine=explored.engine,
        engine_reason=explored.reason,
        faults=faults,
        counts=tuple((budget, _counted(space)) for budget, space in sorted(spaces.items())),
        judgements=judgements,
        findings=_findings(spaces.values(), clock),
        scenarios=tuple(run_scenario(system, scenario) for scenario in system.scenarios),
        problems=problems,
        seconds=time.monotonic() - started,
        shortfall=next((space.shortfall for space in spaces.values() if space.shortfall), ""),
        disagreement=disagreement,
    )


def _judged(
    system: System,
    explored: Explored,
    faults: int | None,
    clock: Clock,
    limits: Limits,
    jobs: int | None,
    progress: Progress | None,
    spare: Spare,
) -> tuple[tuple[Judgement, ...], str]:
    """The verdict on each requirement; and what is wrong, should a counterexample not be one."""
    from safetymodel.claims.beside import Job, Shared, processes_for

    def tell(requirement: Requirement) -> None:
        if progress:
            progress(f"judging {requirement.name}", 0)

    budgets = [r.withstand if faults is None else faults for r in system.requirements]
    asked = list(zip(system.requirements, budgets, strict=True))
    least = min(explored.spaces.values(), key=lambda space: space.complete)
    processes = processes_for(least, explored.seconds, jobs, limits.memory)
    try:
        with Shared(explored.spaces, [Job(*pair) for pair in asked], clock, processes - 1, spare) as shared:
            found = shared.judged(tell)
    except EngineDisagreement as wrong:
        return tuple(Judgement(r, budget, "undecided") for r, budget in asked), str(wrong)
    return tuple(in_words(system, replace(j, budget=b)) for j, b in zip(found, budgets, strict=True)), ""


def _seen_again(
    system: System,
    explored: Explored,
    judgements: tuple[Judgement, ...],
    limits: Limits,
    started: float,
    wanted: SecondOpinion,
    progress: Progress | None,
) -> tuple[tuple[Judgement, ...], str]:
    """The judgements with their second opinions; and what is wrong, where one disagrees."""
    from safetymodel.claims import second

    if not judgements:
        return judgements, ""
    if progress:
        progress("a second opinion", 0)
    most = seconds_for_more(limits.seconds, time.monotonic() - started, wanted == "always")
    clock = Clock(most)
    again = replace(limits, seconds=most)
    try:
        other: Explored | None = None
        few = MOST_WRITTEN if wanted == "always" else SMALL
        if explored.engine == "product" or explored.largest <= few:
            engine: EngineName = "symbolic" if explored.engine == "product" else "product"
            other = explore(system, sorted(explored.spaces), engine, again, progress)
        for space in (*explored.spaces.values(), *(other.spaces.values() if other else ())):
            space.on_work = clock.check
        whole = other is not None and all(space.complete for space in other.spaces.values())
        if other is not None and (whole or explored.engine == "product"):
            found = second.by_other_engine(judgements, explored.spaces, other.spaces, clock)
        else:
            found = second.by_invariant(judgements, explored.spaces, clock)
    except EngineDisagreement as wrong:
        return judgements, str(wrong)
    disagreeing = [j for j in found if j.second is not None and j.second.agrees is False]
    reasons = [f"{j.requirement.name}: {j.second.reason}" for j in disagreeing if j.second is not None]
    return found, "; ".join(reasons)


def _withdrawn(judgement: Judgement, disagreement: str) -> Judgement:
    """Nothing is reported as passed while two roads disagree."""
    if not judgement.passes:
        return judgement
    return replace(judgement, word="undecided", reason=f"two roads to a verdict disagree ({disagreement})")


def disagreement_report(run: Run) -> str:
    """A file to send to the makers of this tool: the spec, what was found, by which versions."""
    import platform
    from importlib.metadata import version

    from safetymodel.report.machine import run_json

    names = ("safetymodel", "oxidd", "numpy", "python-sat")
    return json_text(
        {
            "disagreement": run.disagreement,
            "versions": {"python": platform.python_version(), **{name: version(name) for name in names}},
            "spec_text": Path(run.system.file).read_text(encoding="utf-8", errors="replace"),
            "run": run_json(run),
        }
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
        try:
            found = find_chatter(space, clock)
        except LimitReached:
            return ()
        if found:
            return found
    return ()


def in_words(system: System, judgement: Judgement) -> Judgement:
    """The judgement with its blocked attempts said in words."""
    return replace(judgement, blocked=tuple(attempt_words(system, a) for a in judgement.attempts))


def exit_code(results: Iterable[Run | Unread]) -> int:
    """0 every requirement passes; 1 one is broken or empty; 2 a spec has problems; 3 one is undecided;
    4 two roads to a verdict disagree."""
    codes = set()
    results = tuple(results)
    if any(isinstance(result, Run) and result.disagreement for result in results):
        return 4
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
    from safetymodel.report.machine import run_json, unread_json

    found = [run_json(r) if isinstance(r, Run) else unread_json(r.file, r.problems) for r in results]
    return json_text(found[0] if len(found) == 1 else found)


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


def study_faults(
    path: str,
    order: int,
    only: tuple[str, ...] | None = None,
    engine: EngineName = "auto",
    limits: Limits | None = None,
    progress: Progress | None = None,
    runs: Literal["auto", "always", "off"] = "auto",
    show: tuple[str, ...] = (),
) -> Study | Unread:
    """Read a spec and find out everything about up to ``order`` of its faults at once.

    ``only`` names the requirements to look at; a name there or in ``show`` that the spec does not have is a problem.
    """
    from safetymodel.faults.study import study

    system, problems = load(path)
    if system is None:
        return Unread(path, problems)
    names = [r.name for r in system.requirements]
    unknown = [name for name in (*(only or ()), *show) if name not in names]
    if unknown:
        message = f"there is no requirement {unknown[0]} in {path}"
        return Unread(path, (Problem("unknown-requirement", NOWHERE, message, did_you_mean(unknown[0], names)),))
    return study(system, order, only, engine, limits, progress, runs, problems)


def faults_exit_code(result: Study | Unread) -> int:
    """0 every requirement stands what it has to withstand; 1 one does not, or is empty; 2 the spec has problems; 3 a
    limit was reached or fewer faults were looked at than have to be withstood, and nothing fails as far as is known."""
    if isinstance(result, Unread):
        return 2
    if result.stands is False:
        return 1
    return 0 if result.stands and result.complete else 3


def draw_fault_trees(study: Study, out: Path) -> tuple[list[Path], tuple[Problem, ...]]:
    """Write a fault tree of each requirement that some set defeats; the files, and what went wrong."""
    from safetymodel.diagrams.fault_tree import fault_tree

    paths, problems = [], list[Problem]()
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        return [], (cannot_write(out, error),)
    for found in study.found:
        if not found.sets:
            continue
        path = out / f"fault-tree-{found.requirement.name}.svg"
        text = fault_tree(study.system, found)
        failed = save_text(path, text) if isinstance(text, str) else (text,)
        problems.extend(failed)
        if not failed:
            paths.append(path)
    return paths, tuple(problems)


def review_spec(
    path: str,
    faults: int | None = None,
    parts: tuple[Part, ...] | None = None,
    engine: EngineName = "auto",
    limits: Limits | None = None,
    progress: Progress | None = None,
    all_runs: bool = False,
    jobs: int | None = None,
) -> Review | Unread:
    """Read a spec and read its logic back; ``parts`` are those of the review that are wanted (all, unless told)."""
    from safetymodel.insight.review import PARTS, review

    system, problems = load(path)
    if system is None:
        return Unread(path, problems)
    return review(system, faults, parts or PARTS, engine, limits, progress, all_runs, problems, jobs)


def review_exit_code(result: Review | Unread) -> int:
    """0 nothing was found; 1 something was; 2 the spec has problems; 3 nothing was, and a limit left something open."""
    if isinstance(result, Unread):
        return 2
    if result.found:
        return 1
    return 3 if result.undecided else 0


def save_matrix(result: Review, path: Path) -> tuple[Problem, ...]:
    """Write the cause-and-effect matrix as a page, or as comma-separated values where the file's name ends so."""
    from safetymodel.report.matrix_page import matrix_csv, matrix_page

    assert result.matrix is not None
    write = matrix_csv if path.suffix.lower() == ".csv" else matrix_page
    return save_text(path, write(result.system, result.matrix))


DRAWN_STATES = 20_000
"""States that are explored for a picture of the whole product graph; far fewer can be drawn."""

PROJECTED_STATES = 2_000_000
"""States that are explored for a picture of the product graph seen through some subsystems."""


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
        most = DRAWN_STATES if only is None else PROJECTED_STATES
        space = ProductSpace(Product(system, faults or 0, Limits(states=most), progress))
    traces = []
    if "timing" in what:
        spaces = explore(system, budgets_of(system, faults), progress=progress).spaces
        for requirement in system.requirements:
            judgement = judge(spaces[requirement.withstand if faults is None else faults], requirement)
            if judgement.trace is not None:
                traces.append((requirement.name, judgement.trace, f"{requirement.name}: {requirement.text}"))
    return draw_all(system, out, what, only, traces, space)
