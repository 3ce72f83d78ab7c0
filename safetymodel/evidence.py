"""The story of a page of evidence: a verification, and everything that belongs beside it."""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from importlib.metadata import version
from typing import TYPE_CHECKING, TypeVar

from safetymodel.explore.engine import LimitReached, Limits, Progress
from safetymodel.model.system import Scenario, System
from safetymodel.names import did_you_mean
from safetymodel.pipeline import Run, SecondOpinion, Unread, verify
from safetymodel.problems import Problem
from safetymodel.report.said import one_line
from safetymodel.revisions.sequences import Label, trace_of
from safetymodel.span import NOWHERE

if TYPE_CHECKING:
    from safetymodel.claims.verdict import Trace
    from safetymodel.insight.review import Part as ReviewPart
    from safetymodel.insight.review import Review
    from safetymodel.report.evidence_page import Charted, Picture
    from safetymodel.report.model_player import Part
    from safetymodel.report.page_runs import Row

SECONDS_A_PART = 180.0
"""Seconds that fault sets, and the review, may each take for a page, unless the user gives a limit."""

PARTS = ("faults", "review", "sheets", "diagrams", "player")
"""What a page can leave out."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """What a page shall hold: fault sets up to ``order``; without the parts ``without``; ``acting`` are the subsystems
    whose events happen in the model that can be tried, where the whole is too large."""

    order: int = 1
    without: tuple[str, ...] = ()
    acting: tuple[str, ...] = ()


def report(
    path: str,
    wanted: Wanted | None = None,
    limits: Limits | None = None,
    progress: Progress | None = None,
    second_opinion: SecondOpinion = "auto",
) -> tuple[str, Run] | Unread:
    """Verify a spec and make its page of evidence (HTML), with the verification that it tells of."""
    limits, wanted = limits or Limits(), wanted or Wanted()
    run = verify(path, None, "auto", limits, progress, second_opinion)
    if isinstance(run, Unread):
        return run
    unknown = [name for name in wanted.acting if run.system.subsystem_named(name) is None]
    if unknown:
        hint = did_you_mean(unknown[0], [s.name for s in run.system.subsystems])
        return Unread(path, (Problem("unknown-subsystem", NOWHERE, f"there is no subsystem {unknown[0]}", hint),))
    return page_of(run, wanted, limits, progress), run


def page_of(run: Run, wanted: Wanted, limits: Limits, progress: Progress | None = None) -> str:
    """The page of a verification that has been done."""
    from safetymodel.faults.study import study
    from safetymodel.report.evidence_page import Evidence, evidence_page

    system, left_out = run.system, list[str]()
    some = replace(limits, seconds=limits.seconds or SECONDS_A_PART)
    found = None
    if system.faults and "faults" not in wanted.without:
        found = _within(left_out, "component faults", lambda: study(system, wanted.order, None, "auto", some, progress))
        if found is not None and not found.complete:
            names = [sets.requirement.name for sets in found.found if not sets.complete]
            reason = f"after {some.seconds:g} s the search for minimal fault sets ended"
            left_out.append(f"{reason}: those of {', '.join(names)} are not all known")
    read_back = None
    if "review" not in wanted.without:
        read_back = _read_back(run, some, progress, left_out)
        if read_back is not None and read_back.undecided:
            left_out.append(f"the review left open: {_gathered(read_back.undecided)}")
    tested = None
    if system.requirements and "sheets" not in wanted.without:
        tested = _sheet_rows(system, some, progress, left_out)
    left_out += [f"{part}: not asked for" for part in PARTS if part in wanted.without]
    map_picture: Picture | None = None
    diagrams: tuple[Picture, ...] = ()
    if "diagrams" not in wanted.without:
        tell(progress, "drawing")
        map_picture, diagrams = _pictures(system, left_out)
    rows, charts = _runs(run)
    parts = () if "player" in wanted.without else _parts(run, wanted.acting)
    if not parts and "player" not in wanted.without:
        left_out.append("the model to be tried: its start need not settle")
    return evidence_page(
        Evidence(
            run=run,
            study=found,
            review=read_back,
            map=map_picture,
            diagrams=diagrams,
            charts=charts,
            scenario_rows=rows,
            parts=parts,
            sheet_rows=tested,
            version=version("safetymodel"),
            made=_today(),
            left_out=tuple(left_out),
        )
    )


def _read_back(run: Run, limits: Limits, progress: Progress | None, left_out: list[str]) -> Review | None:
    """The review; suggestions, which can take longest, have a time of their own, where anything is broken."""
    from safetymodel.insight.review import PARTS, review

    system = run.system
    parts = [part for part in PARTS if part != "suggestions"]
    found = _within(left_out, "the review", lambda: review(system, None, parts, "auto", limits, progress))
    if found is None or not any(judgement.word == "broken" for judgement in run.judgements):
        return found
    alone: tuple[ReviewPart, ...] = ("suggestions",)
    more = _within(left_out, "suggestions", lambda: review(system, None, alone, "auto", limits, progress))
    if more is None:
        return found
    undecided = tuple(dict.fromkeys((*found.undecided, *more.undecided)))
    return replace(found, suggestions=more.suggestions, undecided=undecided)


def _sheet_rows(
    system: System, limits: Limits, progress: Progress | None, left_out: list[str]
) -> dict[str, tuple[str, ...]] | None:
    """The steps of the commissioning sheet that test each requirement; None where no sheet could be planned."""
    from safetymodel.bench.sheets.commission import Commissioning, commission

    found = _within(
        left_out, "the commissioning sheet", lambda: commission(system.file, None, None, False, None, limits, progress)
    )
    if not isinstance(found, Commissioning):
        return None
    if found.sheet.shortfall:
        reason = f"{found.sheet.shortfall}; a whole sheet may number its steps otherwise"
        left_out.append(f"steps of the commissioning sheet, which is not planned to its end: {reason}")
    rows: dict[str, list[str]] = {}
    for chapter in found.sheet.chapters:
        for part in chapter.parts:
            for line in part.lines:
                for name in line.requirement.split(", "):
                    rows.setdefault(name, []).append(line.step)
    return {name: tuple(steps) for name, steps in rows.items()}


def _gathered(undecided: Sequence[str]) -> str:
    """``a and b (the limit was reached)``: what is open, by the reason in parentheses at the end of each."""
    by_reason: dict[str, list[str]] = {}
    for text in undecided:
        what, _, reason = text.rpartition(" (")
        by_reason.setdefault(reason.removesuffix(")") if what else "", []).append(what or text)
    return "; ".join(f"{', '.join(names)}{f' ({reason})' if reason else ''}" for reason, names in by_reason.items())


T = TypeVar("T")


def _within(left_out: list[str], what: str, work: Callable[[], T]) -> T | None:
    """What the work finds; None, and a sentence, where a limit ended it."""
    try:
        return work()
    except LimitReached as limit:
        left_out.append(f"{what}: {limit}")
        return None


def tell(progress: Progress | None, what: str) -> None:
    if progress is not None:
        progress(what, 0)


def _today() -> str:
    """The day, or that of SOURCE_DATE_EPOCH where pages shall come out the same again."""
    seconds = os.environ.get("SOURCE_DATE_EPOCH", "")
    moment = int(seconds) if seconds.isdigit() else time.time()
    return time.strftime("%Y-%m-%d", time.gmtime(moment))


def _pictures(system: System, left_out: list[str]) -> tuple[Picture | None, tuple[Picture, ...]]:
    """The interlock map and a state diagram of each group of alike subsystems."""
    from safetymodel.diagrams.draw import drawn_for_page
    from safetymodel.diagrams.inline import inlined
    from safetymodel.report.evidence_page import Picture

    whole, found = None, []
    for title, members, drawn in drawn_for_page(system):
        if isinstance(drawn, Problem):
            left_out.append(f"a picture: {drawn.message}")
        elif not members:
            whole = Picture(title, inlined(drawn))
        else:
            found.append(Picture(title, inlined(drawn, len(system.subsystems[members[0]].states)), members))
    return whole, tuple(found)


def _runs(run: Run) -> tuple[dict[str, tuple[Row, ...]], dict[str, Charted]]:
    """The runs of scenarios that work, where there is one; and a chart of each run."""
    from safetymodel.diagrams.inline import inlined
    from safetymodel.diagrams.timing_chart import timing_chart
    from safetymodel.report.evidence_page import Charted
    from safetymodel.report.page_runs import run_rows

    system = run.system
    charts: dict[str, Charted] = {}
    for judgement in run.judgements:
        if judgement.trace is not None:
            r = judgement.requirement
            chart = timing_chart(system, judgement.trace, f"{r.name}: {one_line(r.text)}", r)
            charts[r.name] = Charted(r.name, inlined(chart.svg), chart.columns)
    rows = {}
    for result in run.scenarios:
        name = result.scenario.name
        trace = scenario_trace(system, result.scenario) if result.ok else None
        if trace is not None and trace.steps:
            rows[name] = run_rows(system, trace)
            chart = timing_chart(system, trace, f"{name}: {one_line(result.scenario.text)}")
            charts[f"scenario {name}"] = Charted(name, inlined(chart.svg), chart.columns)
    return rows, charts


def scenario_trace(system: System, scenario: Scenario) -> Trace | None:
    """One run of a scenario that works, without moves in windows of time; None where it needs one, or is too long."""
    labels: list[Label] = []
    faults = 0
    for step in scenario.steps:
        match step.kind:
            case "event":
                labels.append(("event", system.events[step.number].name))
            case "wait":
                labels.extend([("tick", "")] * step.number)
            case "fault":
                name = system.faults[step.number].name
                labels.append(("jump", name) if ("fault", name) in labels else ("fault", name))
                faults += 1
    if len(labels) > MOST_SCENARIO_STEPS:
        return None
    try:
        return trace_of(system, labels, faults)
    except LimitReached:
        return None


MOST_SCENARIO_STEPS = 2_000


def _parts(run: Run, acting: tuple[str, ...]) -> tuple[Part, ...]:
    """The model to be tried: the whole where it is small, else what some subsystems do."""
    from safetymodel.report.model_player import work_out

    system = run.system
    most = min(len(system.faults), max((r.withstand for r in system.requirements), default=0))
    if acting:
        part = work_out(system, acting, 0)
        return (part,) if part else ()
    for budget in dict.fromkeys((most, 0)):
        part = work_out(system, (), budget)
        if part is None:
            return ()
        if part.whole:
            return (part,)
    named = _seen_in_runs(run)
    part = work_out(system, named, 0) if named else part
    return (part,) if part else ()


def _seen_in_runs(run: Run) -> tuple[str, ...]:
    """The subsystems whose events happen in the first breach, or else in the first scenario."""
    system = run.system
    numbers: list[int] = []
    for judgement in run.judgements:
        if judgement.trace is not None and not numbers:
            numbers = [step.number for step in judgement.trace.steps if step.kind == "event"]
    for scenario in system.scenarios:
        if not numbers:
            numbers = [step.number for step in scenario.steps if step.kind == "event"]
    return tuple(dict.fromkeys(system.subsystems[system.events[n].subsystem].name for n in numbers))
