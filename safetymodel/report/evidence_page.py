"""The page of evidence: one self-contained HTML file for a reviewer, from what the other rooms found out."""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from safetymodel.claims.verdict import Judgement
from safetymodel.faults.study import Study
from safetymodel.insight.review import Review
from safetymodel.insight.suggest.sentences import kind_text
from safetymodel.model.formula import TRUE, Formula, HowMany, InState, SignalTrue, atoms
from safetymodel.model.system import Requirement, Scenario, System
from safetymodel.problems import printable
from safetymodel.report.faults_said import said_of_faults
from safetymodel.report.matrix_page import matrix_view
from safetymodel.report.model_player import Part, part_json
from safetymodel.report.page_blocks import Shown, shown
from safetymodel.report.page_runs import Row, held_open, run_json, run_rows, signals_behind
from safetymodel.report.pages import own_markup, page
from safetymodel.report.review_said import said_of_review
from safetymodel.report.said import (
    CAUTION,
    Block,
    RunView,
    Words,
    claim_text,
    one_line,
    second_opinions,
    seconds_text,
    tally,
    verdict_notes,
    verdict_style,
)
from safetymodel.traces.explain import explain
from safetymodel.traces.wording import and_list, counted, duration_text, faults_text, formula_text, transition_text

WORDS_OF_VERDICTS = (
    ("holds", "true, in the moments between settled states too"),
    ("reacts", "true in every settled state, broken for a moment while the logic reacts"),
    ("broken", "false: a shortest run that breaks it is told below"),
    ("empty", "true only because its situation never arises, or because a part of it makes no difference: not a pass"),
    ("undecided", "a limit was reached: never a pass"),
)


@dataclass(frozen=True, slots=True)
class Picture:
    """One picture of ours, ready for a page. ``subsystems`` are those that a state diagram stands for."""

    title: str
    svg: str
    subsystems: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class Charted:
    """A run to step through, with its timing chart and the place of each column in it."""

    name: str
    svg: str
    places: tuple[tuple[float, ...], ...]


@dataclass(frozen=True, slots=True)
class Evidence:
    """All that goes into the page. ``charts`` are by requirement or scenario, ``scenario_rows`` by scenario.
    ``left_out`` says, in sentences, what was asked for and is not there."""

    run: RunView
    study: Study | None
    review: Review | None
    map: Picture | None
    diagrams: tuple[Picture, ...]
    charts: Mapping[str, Charted]
    scenario_rows: Mapping[str, tuple[Row, ...]]
    parts: tuple[Part, ...]
    version: str
    made: str
    sheet_rows: Mapping[str, tuple[str, ...]] | None = None
    """The steps of the commissioning sheet that test each requirement; None where there is no sheet."""
    left_out: tuple[str, ...] = field(default=())


@dataclass(frozen=True, slots=True)
class Requirements:
    """One row of the table of requirements."""

    name: str
    word: str
    style: str
    passes: bool
    faults: int
    text: str
    notes: str
    claim: str
    place: str
    hazards: tuple[str, ...]
    source: str
    scenarios: tuple[str, ...]
    opinion: str
    tests: str
    told: bool


@dataclass(frozen=True, slots=True)
class Told:
    """A broken requirement with its run and the reasons."""

    name: str
    summary: str
    claim: str
    text: str
    hazards: tuple[str, ...]
    source: str
    rows: tuple[Row, ...]
    why: tuple[tuple[int, str, str], ...]
    held: tuple[str, ...]
    suggested: tuple[tuple[str, tuple[str, ...]], ...]
    signals: tuple[tuple[str, str, str], ...]
    chart: str | None


def evidence_page(evidence: Evidence) -> str:
    """The whole page as HTML text; no part of it asks anything of the network."""
    run, system = evidence.run, evidence.run.system
    runs: list[dict[str, Any]] = []
    told = [_told(evidence, judgement, runs) for judgement in run.judgements if judgement.word == "broken"]
    scenarios = [_scenario(evidence, result, runs) for result in run.scenarios]
    rows = [_requirement(evidence, judgement) for judgement in run.judgements]
    script = page("script.js.j2")
    data = {
        "subsystems": [[s.name, s.label, list(s.states), _diagram_of(evidence, s.number)] for s in system.subsystems],
        "runs": runs,
        "parts": [part_json(part) for part in evidence.parts],
    }
    return page(
        "report.html.j2",
        title=one_line(system.title),
        system=system,
        run=run,
        evidence=evidence,
        caution=CAUTION,
        tally=tally(run.judgements) if run.judgements else "The spec makes no requirements.",
        counts=list(_counts(run)),
        assumptions=list(_assumptions(run)),
        warnings=[p.as_text() for p in run.problems],
        requirements=rows,
        words=[word for word, _ in WORDS_OF_VERDICTS if any(r.word == word for r in rows)],
        meanings=WORDS_OF_VERDICTS,
        hazards=list(_hazards(system, rows)),
        orphans=[r.name for r in rows if not r.hazards],
        told=told,
        undecided=_undecided(run),
        findings=shown(_findings(run)),
        scenarios=scenarios,
        study=shown(_study_blocks(evidence.study)) if evidence.study else [],
        review=shown(_review_blocks(evidence.review)) if evidence.review else [],
        matrix=matrix_view(system, evidence.review.matrix) if evidence.review and evidence.review.matrix else None,
        opinions=shown(second_opinions(run.judgements)),
        map=own_markup(evidence.map.svg) if evidence.map else None,
        diagrams=[(p.title, own_markup(p.svg)) for p in evidence.diagrams],
        physical=physical_conditions(system),
        players=[_player(part) for part in evidence.parts],
        script=own_markup(script),
        script_hash=hash_of(script),
        data=own_markup(safe_json(data)),
        style=own_markup(page("style.css.j2")),
    )


def hash_of(script: str) -> str:
    """What a page's policy calls a script that may run: no other can."""
    return f"sha256-{base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()}"


def safe_json(data: object) -> str:
    """JSON that ends no element of HTML, whatever its texts hold, and whose texts show what they hold."""
    text = json.dumps(_visible(data), ensure_ascii=True, separators=(",", ":"))
    return text.replace("&", "\\u0026").replace("<", "\\u003c").replace(">", "\\u003e")


def _visible(data: object) -> object:
    match data:
        case str():
            return printable(data)
        case dict():
            return {key: _visible(value) for key, value in data.items()}
        case list() | tuple():
            return [_visible(value) for value in data]
        case _:
            return data


def _counts(run: RunView) -> Iterator[str]:
    for budget, count in run.counts:
        cut = "" if count.complete else " found before a limit ended the search"
        yield f"{count.settled:,} settled of {counted(count.all, 'state')}{cut} {faults_text(budget)}"
    reason = f" ({run.engine_reason})" if run.engine_reason else ""
    yield f"engine {run.engine}{reason}, {seconds_text(run.seconds)}"
    if run.shortfall:
        yield f"Not everything was explored: {run.shortfall}"
    if run.disagreement:
        yield f"Two roads to a verdict disagree: {run.disagreement}"


def _undecided(run: RunView) -> str:
    """Those about which nothing is known; empty where there are none."""
    names = [j.requirement.name for j in run.judgements if j.word == "undecided"]
    return f"{and_list(names)} could not be judged" if names else ""


def _assumptions(run: RunView) -> Iterator[str]:
    """What the verdicts rest on, in sentences."""
    system = run.system
    left = sum(j.word == "undecided" for j in run.judgements)
    if left:
        yield f"Of {counted(len(run.judgements), 'requirement')} {left} could not be judged within the limits."
    if run.shortfall:
        yield "A limit ended the search: what is broken is so whatever the states are that were not looked at."
    else:
        each = "Each of the others" if left else "Each requirement"
        faults = "under the faults that stand with its verdict" if system.faults else "without faults"
        yield f"{each} was judged over all states that the model can reach {faults}."
    yield "People, sensors and faults may act at any settled moment, in any order, as often as the model lets them."
    yield "The logic reacts before anything else happens, in any order of its transitions; a reaction takes no time."
    if system.tick is None:
        yield "The model has no durations: nothing in it depends on how long something takes."
    else:
        yield f"Time passes in ticks of {duration_text(system.tick)}; every duration of the spec is whole ticks."
    if system.faults:
        yield f"{counted(len(system.faults), 'component fault')} are declared; one that is not declared never happens."
    else:
        yield "The spec declares no component faults: every part works as it is described."
    faulty = {f.subject for f in system.faults if f.kind == "signal"}
    sound = [s.name for s in system.signals if s.number not in faulty]
    if sound and system.faults:
        yield f"These signals are taken never to read wrong by themselves: {', '.join(sound)}."
    physical = [t for t in system.transitions if t.physical != TRUE]
    if physical:
        yield f"{counted(len(physical), 'transition')} rest on what nature demands (`physically`), listed below."


def physical_conditions(system: System) -> list[tuple[str, str, str]]:
    """(move, what nature demands, place) of every transition that has such a condition."""
    return [
        (transition_text(system, t), formula_text(system, t.physical), t.span.short)
        for t in system.transitions
        if t.physical != TRUE
    ]


def _findings(run: RunView) -> Iterator[Block]:
    from safetymodel.report.said import finding_section

    for finding in run.findings:
        yield from finding_section(run.system, finding, False)


# -- requirements, hazards --------------------------------------------------------------------------


def _requirement(evidence: Evidence, judgement: Judgement) -> Requirements:
    system, r = evidence.run.system, judgement.requirement
    second = judgement.second
    opinion = "" if second is None or second.road == "none" else second.road
    return Requirements(
        name=r.name,
        word=judgement.word,
        style=verdict_style(judgement),
        passes=judgement.passes,
        faults=judgement.budget,
        text=one_line(r.text or r.wording),
        notes="; ".join(verdict_notes(system, judgement)),
        claim=claim_text(system, r),
        place=r.span.short,
        hazards=r.hazards,
        source=one_line(r.source),
        scenarios=tuple(s.name for s in system.scenarios if touches(system, s, r)),
        opinion=opinion,
        tests=_tests(evidence.sheet_rows, r.name),
        told=judgement.word == "broken",
    )


MOST_STEPS = 5


def _tests(rows: Mapping[str, tuple[str, ...]] | None, name: str) -> str:
    """The steps of the commissioning sheet for a requirement."""
    if rows is None:
        return "no sheet"
    steps = rows.get(name, ())
    more = f" and {len(steps) - MOST_STEPS} more" if len(steps) > MOST_STEPS else ""
    return f"{', '.join(steps[:MOST_STEPS])}{more}" if steps else "none"


def touches(system: System, scenario: Scenario, requirement: Requirement) -> bool:
    """Whether a scenario lets something happen to a subsystem that the requirement speaks of."""
    moved = {s for step in scenario.steps if step.kind == "event" for s, _ in system.events[step.number].movers}
    parts = (requirement.subject, requirement.allowed, requirement.effect)
    return bool(moved & _spoken_of(system, [part for part in parts if part is not None]))


def _spoken_of(system: System, formulas: list[Formula]) -> set[int]:
    found: set[int] = set()
    todo, seen = list(formulas), set()
    while todo:
        for atom in atoms(todo.pop()):
            match atom:
                case InState(subsystem, _, _):
                    found.add(subsystem)
                case HowMany(_, _, members, _):
                    found.update(member.subsystem for member in members)
                case SignalTrue(signal) if signal not in seen:
                    seen.add(signal)
                    todo.append(system.signals[signal].reads)
    return found


def _hazards(system: System, rows: Sequence[Requirements]) -> Iterator[tuple[str, str, str, list[Requirements]]]:
    """(name, severity, text, the requirements against it) of each hazard."""
    for hazard in system.hazards:
        against = [row for row in rows if hazard.name in row.hazards]
        yield hazard.name, hazard.severity, one_line(hazard.text), against


# -- runs -------------------------------------------------------------------------------------------


def _told(evidence: Evidence, judgement: Judgement, runs: list[dict[str, Any]]) -> Told:
    system, r = evidence.run.system, judgement.requirement
    explained = explain(system, judgement)
    chart = evidence.charts.get(r.name)
    rows: tuple[Row, ...] = ()
    if judgement.trace is not None:
        rows = run_rows(system, judgement.trace)
        runs.append({"id": f"run-{len(runs)}", **run_json(system, rows, chart.places if chart else ())})
    return Told(
        name=r.name,
        summary=explained.summary,
        claim=claim_text(system, r),
        text=one_line(r.text),
        hazards=tuple(
            f"{h.name}{f' ({h.severity})' if h.severity else ''}: {one_line(h.text)}"
            for h in system.hazards
            if h.name in r.hazards
        ),
        source=one_line(r.source),
        rows=rows,
        why=tuple((line.depth, line.text, line.place) for line in explained.why),
        held=() if judgement.trace is None else tuple(held_open(system, judgement.trace)),
        suggested=_suggested(evidence.review, r),
        signals=() if judgement.trace is None else signals_behind(system, judgement.trace),
        chart=own_markup(chart.svg) if chart else None,
    )


def _suggested(review: Review | None, requirement: Requirement) -> tuple[tuple[str, tuple[str, ...]], ...]:
    """What the review suggests against this breach: what it is, and a sentence each."""
    suggestions = (review.suggestions or ()) if review is not None else ()
    return tuple(
        (kind_text(found).capitalize(), found.sentences)
        for found in suggestions
        if found.requirement.name == requirement.name
    )


def _scenario(evidence: Evidence, result: Any, runs: list[dict[str, Any]]) -> dict[str, Any]:
    """A scenario with its run, where there is one run to it."""
    system, scenario = evidence.run.system, result.scenario
    rows = evidence.scenario_rows.get(scenario.name, ())
    chart = evidence.charts.get(f"scenario {scenario.name}")
    if rows:
        runs.append({"id": f"run-{len(runs)}", **run_json(system, rows, chart.places if chart else ())})
    return {
        "name": scenario.name,
        "text": one_line(scenario.text),
        "ok": result.ok,
        "steps": [(step.text, step.word, step.said) for step in result.steps],
        "rows": rows,
        "chart": own_markup(chart.svg) if chart else None,
    }


def _diagram_of(evidence: Evidence, subsystem: int) -> int:
    """The number of the picture that stands for a subsystem; -1 where there is none."""
    return next((n for n, picture in enumerate(evidence.diagrams) if subsystem in picture.subsystems), -1)


# -- faults, review, players ------------------------------------------------------------------------


def _without_ends(blocks: Iterator[Block]) -> Iterator[Block]:
    """Without what the page says once for all: the title and the caution."""
    listed = list(blocks)
    for number, block in enumerate(listed):
        text = "".join(text for text, _ in block.pieces) if isinstance(block, Words) else ""
        if number and text != CAUTION:
            yield block


def _study_blocks(study: Study) -> Iterator[Block]:
    yield from _without_ends(said_of_faults(study, (), bool(study.figures)))


def _review_blocks(review: Review) -> Iterator[Block]:
    from dataclasses import replace

    yield from _without_ends(said_of_review(replace(review, matrix=None)))


def _player(part: Part) -> dict[str, Any]:
    labels = [part.system.subsystems[n].label for n in _acting(part)]
    return {
        "acting": labels,
        "budget": faults_text(part.budget),
        "states": len(part.states),
        "unfollowed": part.unfollowed,
        "timed": part.system.tick is not None,
    }


def _acting(part: Part) -> list[int]:
    return [s.number for s in part.system.subsystems if s.name in part.acting]


def html_blocks(blocks: Iterator[Block]) -> list[Shown]:
    """What a terminal would show, for a template."""
    return shown(blocks)
