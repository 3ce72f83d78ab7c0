"""The faults of a system for other programs: the JSON of `faults --json` and the rows of `faults --csv`."""

from __future__ import annotations

from typing import Any

from safetymodel.faults.category import NOT_SHOWN
from safetymodel.faults.effects import Effects
from safetymodel.faults.figures import Figures
from safetymodel.faults.sets import MinimalSets
from safetymodel.faults.study import Study
from safetymodel.model.system import System
from safetymodel.report.faults_said import category_text, hidden, immediate_text, names_of, reveal_text
from safetymodel.report.machine import FORMAT, empty_words, milliseconds, problem_json
from safetymodel.report.numbers import figures_json, figures_rows
from safetymodel.traces.save import trace_json

CSV_HEADINGS = (
    "requirement",
    "faults",
    "order",
    "happenings",
    "probability",
    "frequency_per_h",
    "simple_frequency_per_h",
    "share",
)


def study_json(study: Study) -> dict[str, Any]:
    """The whole study as plain data, in the documented form: sets and their members sorted."""
    system = study.system
    result: dict[str, Any] = {
        "format": FORMAT,
        "spec": {"file": system.file, "title": system.title, "sha256": system.sha256},
        "up_to": study.order,
        "engine": study.engine,
        "engine_reason": study.engine_reason,
        "tick_ms": None if system.tick is None else milliseconds(system.tick),
        "states": {str(study.order): {"settled": str(study.settled), "all": str(study.states)}},
        "requirements": [_sets_json(study, found) for found in study.found],
        "effects": [_effect_json(system, effect) for effect in study.effects],
        "hidden_faults": [e.fault.name for e in study.effects if hidden(e.reveal)],
        "undecided_faults": [e.fault.name for e in study.effects if e.reveal and e.reveal.word == "undecided"],
        "categories": [
            {
                "id": item.requirement.name,
                "behaves_as": item.word,
                "because": category_text(system, item),
                "singles": names_of(system, item.singles),
                "hidden": names_of(system, item.hidden),
                "hidden_sets": [names_of(system, faults) for faults in item.silent],
            }
            for item in study.evidence
        ],
        "not_shown": list(NOT_SHOWN),
        "figures": [figures_json(figures) for figures in study.figures],
        "problems": [problem_json(p) for p in study.problems],
        "seconds": round(study.seconds, 3),
    }
    if study.shortfall:
        result["shortfall"] = study.shortfall
    return result


def _sets_json(study: Study, found: MinimalSets) -> dict[str, Any]:
    system = study.system
    named = sorted((sorted(names_of(system, s.faults)), s) for s in found.sets) if found.sets else []
    result: dict[str, Any] = {
        "id": found.requirement.name,
        "text": found.requirement.text,
        "withstand": found.requirement.withstand,
        "minimal_fault_sets": [names for names, _ in named],
        "complete": found.complete,
        "stands": study.stands_of(found),
        "runs": [
            {"faults": names, "happenings": s.trace.happenings, "trace": trace_json(system, s.trace)}
            for names, s in named
            if s.trace is not None
        ],
    }
    if not found.complete:
        result["reason"] = found.reason
    if found.empty is not None:
        result["empty_because"] = empty_words(system, found.empty)
    return result


def _effect_json(system: System, effect: Effects) -> dict[str, Any]:
    reveal = effect.reveal
    result: dict[str, Any] = {
        "fault": effect.fault.name,
        "text": effect.fault.text,
        "immediate": immediate_text(system, effect),
        "signals": [system.signals[n].name for n in effect.signals],
        "subsystems": [system.subsystems[n].name for n in effect.readers],
        "defeats_alone": [e.requirement.name for e in effect.on if e.alone],
        "defeats_together": [
            {"id": e.requirement.name, "with": [sorted(names_of(system, faults)) for faults in e.together]}
            for e in effect.on
            if e.together
        ],
        "use_lost": [e.requirement.name for e in effect.unavailable if e.alone],
    }
    if effect.undecided:
        result["undecided"] = [requirement.name for requirement in effect.undecided]
    if reveal is not None:
        result["shows"] = reveal.word
        result["shows_text"] = reveal_text(system, effect)
        result["revealed"] = reveal.revealed
        result["called_on"] = reveal.demanded
        if reveal.word in ("in time", "at demand") and system.tick is not None:
            result["after_ms"] = milliseconds(reveal.wait * system.tick)
    return result


def study_csv(study: Study) -> str:
    """The minimal fault sets as CSV text, a row each; with the numbers of each where its faults have any."""
    import csv
    import io

    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(CSV_HEADINGS)
    numbers = {figures.requirement: _numbers(figures) for figures in study.figures}
    for found in study.found:
        known = dict(numbers.get(found.requirement.name, {}))
        for s in found.sets:
            names = names_of(study.system, s.faults)
            happenings = "" if s.trace is None else str(s.trace.happenings)
            cells = known.pop(frozenset(names), ("", "", "", ""))
            writer.writerow((found.requirement.name, " ".join(names), len(names), happenings, *cells))
        for events, cells in known.items():  # sets with a common cause, which is no fault of its own
            writer.writerow((found.requirement.name, " ".join(sorted(events)), len(events), "", *cells))
    return text.getvalue()


def _numbers(figures: Figures) -> dict[frozenset[str], tuple[str, ...]]:
    return {frozenset(row[1].split()): row[3:] for row in figures_rows(figures)}
