"""What is said about a verification, as lines and tables without any look: verdicts, traces, counts, caution."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Literal, Protocol, TypeAlias, runtime_checkable

from safetymodel.claims.verdict import Finding, Judgement
from safetymodel.model.formula import Formula
from safetymodel.model.state import fault_numbers
from safetymodel.model.system import Requirement, System
from safetymodel.problems import Problem
from safetymodel.traces.explain import Explanation, Line, explain, explain_finding
from safetymodel.traces.scenarios import ScenarioResult, StepOutcome
from safetymodel.traces.wording import and_list, counted, duration_text, faults_text, formula_text, ticks_text

Style = Literal["", "good", "bad", "doubt", "strong", "quiet"]
Piece: TypeAlias = tuple[str, Style]


@dataclass(frozen=True, slots=True)
class Words:
    """One paragraph: pieces in a row, indented; further lines of it hang by ``hang`` more."""

    pieces: tuple[Piece, ...]
    indent: int = 0
    hang: int = 2


@dataclass(frozen=True, slots=True)
class Grid:
    """A table; the last column takes what room is left."""

    headings: tuple[str, ...]
    rows: tuple[tuple[Piece, ...], ...]


Block: TypeAlias = Words | Grid | None
"""None is an empty line."""


class CountedView(Protocol):
    @property
    def settled(self) -> int: ...
    @property
    def all(self) -> int: ...
    @property
    def complete(self) -> bool: ...


@runtime_checkable
class RunView(Protocol):
    """What is read of a verification (the Run of the pipeline)."""

    @property
    def system(self) -> System: ...
    @property
    def engine(self) -> str: ...
    @property
    def engine_reason(self) -> str: ...
    @property
    def faults(self) -> int | None: ...
    @property
    def counts(self) -> Sequence[tuple[int, CountedView]]: ...
    @property
    def judgements(self) -> Sequence[Judgement]: ...
    @property
    def findings(self) -> Sequence[Finding]: ...
    @property
    def scenarios(self) -> Sequence[ScenarioResult]: ...
    @property
    def problems(self) -> tuple[Problem, ...]: ...
    @property
    def seconds(self) -> float: ...
    @property
    def shortfall(self) -> str: ...
    @property
    def disagreement(self) -> str: ...


class UnreadView(Protocol):
    """What is read of a spec that could not be verified."""

    @property
    def file(self) -> str: ...
    @property
    def problems(self) -> tuple[Problem, ...]: ...


CAUTION = (
    "A model is not the vehicle. Wiring, devices, installation and everything that the spec leaves out need their own "
    "checks, under local codes and by licensed people."
)

_VERDICT_STYLES: dict[str, Style] = {
    "holds": "good",
    "reacts": "good",
    "broken": "bad",
    "empty": "doubt",
    "undecided": "doubt",
}


def said_of(run: RunView, quiet: bool = False) -> Iterator[Block]:
    """Everything about a run, in reading order; with ``quiet`` no traces, and of scenarios only the failed."""
    system = run.system
    yield Words(((system.title, "strong"), (f"  {system.file}", "quiet")))
    yield None
    if run.judgements:
        yield verdict_table(system, run.judgements)
        yield None
        yield Words(((tally(run.judgements), ""),))
    else:
        yield Words((("The spec makes no requirements, so there is nothing to judge.", "doubt"),))
    if not quiet:
        for judgement in run.judgements:
            if judgement.word == "broken":
                yield from broken_section(system, judgement)
    for finding in run.findings:
        yield from finding_section(system, finding, quiet)
    yield from scenario_section(run.scenarios, quiet)
    yield from counts_section(run)
    yield None
    yield Words(((shown_text(run), ""),), hang=0)
    yield Words(((CAUTION, ""),), hang=0)


def verdict_table(system: System, judgements: Iterable[Judgement]) -> Grid:
    """One row a requirement: its name, the verdict, the faults it was judged under, and what it is about."""
    rows: list[tuple[Piece, ...]] = []
    for judgement in judgements:
        requirement = judgement.requirement
        notes = verdict_notes(system, judgement)
        text = one_line(requirement.text or requirement.wording)
        rows.append(
            (
                (requirement.name, "strong"),
                (judgement.word, verdict_style(judgement)),
                (str(judgement.budget), ""),
                (text + (f" ({'; '.join(notes)})" if notes else ""), ""),
            )
        )
    return Grid(("requirement", "verdict", "faults", "what it says"), tuple(rows))


def verdict_style(judgement: Judgement) -> Style:
    if judgement.word == "empty" and judgement.passes:
        return "good"
    return _VERDICT_STYLES[judgement.word]


def verdict_notes(system: System, judgement: Judgement) -> list[str]:
    """What has to be said beside the verdict's word."""
    requirement = judgement.requirement
    notes: list[str] = []
    match judgement.word:
        case "broken" if judgement.trace is not None:
            notes.append(f"in {counted(judgement.trace.happenings, 'happening')}")
            up = [system.faults[n].name for n in fault_numbers(judgement.trace.end.flags)]
            if up:
                notes[-1] += f", by {and_list(up)}"
        case "reacts" if judgement.moment is not None:
            if judgement.moment.steps is None:
                notes.append("broken while the logic reacts, without end")
            else:
                steps = counted(judgement.moment.steps, "reaction step")
                notes.append(f"broken only while the logic reacts, for at most {steps}")
        case "holds" if judgement.longest_wait is not None and requirement.within is not None:
            wait, allowed = ticks_text(system, judgement.longest_wait), ticks_text(system, requirement.within)
            notes.append(f"takes at most {wait} of the {allowed} allowed")
        case "empty":
            if judgement.mention is not None:
                notes.append(f"{formula_text(system, judgement.mention)} makes no difference")
            elif judgement.idle:
                notes.append(judgement.idle)
            if judgement.passes:
                notes.append("accepted by the spec: may_be_empty")
    if judgement.reason:
        notes.append(judgement.reason)
    if judgement.budget < requirement.withstand:
        judged = "without faults" if not judgement.budget else f"with up to {judgement.budget}"
        notes.append(f"judged {judged} only, though it has to withstand {requirement.withstand}")
    return notes


def tally(judgements: Sequence[Judgement]) -> str:
    """``18 requirements: 16 hold, 1 reacts, 1 is broken.``"""
    number = {word: sum(j.word == word for j in judgements) for word in _VERDICT_STYLES}
    forms = (
        ("holds", "holds", "hold"),
        ("reacts", "reacts", "react"),
        ("broken", "is broken", "are broken"),
        ("empty", "is empty", "are empty"),
        ("undecided", "is undecided", "are undecided"),
    )
    parts = [f"{number[word]} {one if number[word] == 1 else many}" for word, one, many in forms if number[word]]
    return f"{counted(len(judgements), 'requirement')}: {', '.join(parts)}."


def broken_section(system: System, judgement: Judgement) -> Iterator[Block]:
    """The claim, the run that breaks it, and why."""
    requirement = judgement.requirement
    explained = explain(system, judgement)
    yield None
    title = one_line(requirement.text)
    yield Words(((f"{requirement.name} is ", "strong"), (explained.summary, "bad")))
    if title:
        yield Words(((title, ""),), 2)
    yield Words(((claim_text(system, requirement), ""), (f"  ({requirement.span.short})", "quiet")), 2)
    for hazard in system.hazards:
        if hazard.name in requirement.hazards:
            severity = f" ({hazard.severity})" if hazard.severity else ""
            yield Words(((f"hazard {hazard.name}{severity}: {one_line(hazard.text)}", ""),), 2)
    if requirement.source:
        yield Words(((f"source: {one_line(requirement.source)}", ""),), 2)
    yield from explanation_blocks(explained)


def claim_text(system: System, requirement: Requirement) -> str:
    """The claim as the spec puts it."""
    if requirement.wording:
        return one_line(requirement.wording)

    def text(formula: Formula | None) -> str:
        return "" if formula is None else formula_text(system, formula)

    match requirement.form:
        case "permissive":
            return f"permissive: {text(requirement.allowed)}, for: {text(requirement.subject)}"
        case "start":
            names = ", ".join(system.events[n].name for n in requirement.only_by)
            return f"start: {text(requirement.subject)}, only_by: [{names}]"
        case "cause":
            within = "reaction" if requirement.within is None else ticks_text(system, requirement.within)
            return f"cause: {text(requirement.subject)}, effect: {text(requirement.effect)}, within: {within}"
        case form:
            return f"{form}: {text(requirement.subject)}"


def explanation_blocks(explained: Explanation) -> Iterator[Block]:
    """The run and the reasons, as paragraphs."""
    yield None
    for line in explained.run:
        yield run_words(line)
    if explained.why:
        if explained.run:
            yield None
        yield Words((("Why", "strong"),), 2)
        for line in explained.why:
            yield _why_words(line)


def run_words(line: Line) -> Words:
    """One line of a run: a happening with its number, or what it changed."""
    place: tuple[Piece, ...] = ((f"  ({line.place})", "quiet"),) if line.place else ()
    if line.number or not line.depth:
        style: Style = "bad" if line.role == "fault" else "strong" if line.role == "happening" else ""
        number = f"{line.number:>5}  " if line.number else " " * 7
        return Words(((number, "quiet"), (line.text, style), *place), 2, 9)
    return Words(((line.text, ""), *place), 7 + 4 * line.depth, 4)


def _why_words(line: Line) -> Words:
    place: tuple[Piece, ...] = ((f"  ({line.place})", "quiet"),) if line.place else ()
    return Words(((line.text, ""), *place), 4 + 3 * line.depth, 3)


def finding_section(system: System, finding: Finding, quiet: bool) -> Iterator[Block]:
    """A defect that no requirement asks about."""
    yield None
    yield Words(((finding.slug, "bad" if finding.slug == "never-settles" else "doubt"), (f": {finding.message}", "")))
    if not quiet:
        yield from explanation_blocks(explain_finding(system, finding))


def scenario_section(scenarios: Sequence[ScenarioResult], quiet: bool) -> Iterator[Block]:
    """Each scenario with its outcome; the steps of those that fail."""
    told = [result for result in scenarios if not (quiet and result.ok)]
    if told:
        yield None
    for result in told:
        steps = counted(len(result.scenario.steps), "step")
        text = one_line(result.scenario.text)
        word: Piece = ("ok", "good") if result.ok else ("failed", "bad")
        about = f": {text}" if text else ""
        name: Piece = (result.scenario.name, "strong")
        yield Words((("scenario ", "quiet"), name, (" ", ""), word, (f" ({steps}){about}", "")))
        if not result.ok:
            for outcome in result.steps:
                yield from _outcome_blocks(outcome)


_OUTCOME_STYLES: dict[str, Style] = {"ok": "good", "failed": "bad", "not run": "quiet"}


def _outcome_blocks(outcome: StepOutcome) -> Iterator[Block]:
    style = _OUTCOME_STYLES[outcome.word]
    place: Piece = (f"  ({outcome.span.short})" if outcome.word == "failed" else "", "quiet")
    yield Words(((f"{outcome.word:<8}", style), (one_line(outcome.text), ""), place), 4, 10)
    for text in outcome.said:
        lead = len(text) - len(text.lstrip())
        yield Words(((text.strip(), ""),), 14 + lead, 2)


def counts_section(run: RunView) -> Iterator[Block]:
    """States for each fault budget, the engine, the time that it took, and what was left out."""
    yield None
    for budget, count in run.counts:
        cut = "" if count.complete else " found before a limit ended the search"
        states = f"{count.settled:,} settled of {counted(count.all, 'state')}{cut} {faults_text(budget)}"
        yield Words(((states, "" if count.complete else "doubt"),))
    reason = f" ({run.engine_reason})" if run.engine_reason else ""
    yield Words(((f"engine {run.engine}{reason}, {seconds_text(run.seconds)}", "quiet"),))
    yield from second_opinions(run.judgements)
    if run.disagreement:
        yield Words((("two roads to a verdict disagree: ", "bad"), (run.disagreement, "")))
    if run.shortfall:
        yield Words((("not everything was explored: ", "doubt"), (run.shortfall, "")))


ROADS = {
    "re-stepped": "run taken again, step by step, by the reference step function",
    "other engine": "judged again by the other engine",
    "invariant": "reached states put to a satisfiability solver as an inductive invariant",
    "invariant of a part": "what a few subsystems can be in, put to a satisfiability solver as an inductive invariant",
    "witness": "a run to it found and taken step by step",
    "none": "no second opinion",
}


def second_opinions(judgements: Sequence[Judgement]) -> Iterator[Block]:
    """Which verdicts were seen by a second road, and by which."""
    by_road: dict[tuple[str, str], list[str]] = {}
    for judgement in judgements:
        second = judgement.second
        if second is not None:
            reason = second.reason if second.road == "none" else ""
            by_road.setdefault((second.road, reason), []).append(judgement.requirement.name)
    for (road, reason), names in by_road.items():
        which = "all" if len(names) == len(judgements) else ", ".join(names)
        why = f" ({reason})" if reason else ""
        yield Words(((f"second opinion on {which}: {ROADS[road]}{why}", "doubt" if road == "none" else "quiet"),), 0, 2)


def seconds_text(seconds: float) -> str:
    return f"{seconds:.1f} s" if seconds >= 0.1 else f"{seconds * 1000:.0f} ms"


def shown_text(run: RunView) -> str:
    """For which model and under which limits the verdicts are."""
    system = run.system
    budgets = and_list([faults_text(budget) for budget, _ in run.counts]) or "without faults"
    tick = "without durations" if system.tick is None else f"time in ticks of {duration_text(Fraction(system.tick))}"
    known = counted(len(system.faults), "fault")
    about = f" (the spec declares {known})" if system.faults else " (the spec declares no faults)"
    begin = "Shown for" if run.judgements else "Explored:"
    return f"{begin} the model in {system.file}, sha256 {system.sha256[:12]}, {budgets}{about}, {tick}."


def one_line(text: str) -> str:
    """Text of a spec without its line breaks."""
    return " ".join(text.split())
