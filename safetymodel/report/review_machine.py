"""A review for other programs: the JSON of `review --json`."""

from __future__ import annotations

from typing import Any

from safetymodel.insight.defects import Defect
from safetymodel.insight.matrix import TICK, Mark, Matrix
from safetymodel.insight.necessity.effects import Necessity
from safetymodel.insight.necessity.sentences import mirror_text
from safetymodel.insight.response import Budget
from safetymodel.insight.review import Review
from safetymodel.insight.suggest.suggested import Changed, Suggestion
from safetymodel.insight.when import When
from safetymodel.model.system import System
from safetymodel.report.machine import FORMAT, milliseconds, problem_json
from safetymodel.report.matrix_words import cause_name, cause_text, mark_words
from safetymodel.report.review_said import defect_text
from safetymodel.span import Span
from safetymodel.traces.save import trace_json
from safetymodel.traces.wording import formula_text, transition_text


def review_json(review: Review) -> dict[str, Any]:
    """The whole review as plain data."""
    system = review.system
    result: dict[str, Any] = {
        "format": FORMAT,
        "spec": {"file": system.file, "title": system.title, "sha256": system.sha256},
        "engine": review.engine,
        "engine_reason": review.engine_reason,
        "tick_ms": None if system.tick is None else milliseconds(system.tick),
        "states": {
            str(budget): {"settled": str(c.settled), "all": str(c.all), **({} if c.complete else {"complete": False})}
            for budget, c in review.budgets
        },
    }
    if review.defects is not None:
        result["defects"] = [defect_json(system, defect) for defect in review.defects.found]
    if review.suggestions is not None:
        result["suggestions"] = [suggestion_json(system, found) for found in review.suggestions]
    if review.necessity is not None:
        result["necessity"] = necessity_json(review.necessity)
    if review.response is not None:
        result["response"] = [budget_json(system, budget) for budget in review.response]
    if review.matrix is not None:
        result["matrix"] = matrix_json(system, review.matrix)
    result["undecided"] = list(review.undecided)
    result["problems"] = [problem_json(p) for p in review.problems]
    result["seconds"] = round(review.seconds, 3)
    return result


def place_json(span: Span) -> dict[str, Any]:
    return {"file": span.file, "line": span.line, "column": span.column}


def defect_json(system: System, defect: Defect) -> dict[str, Any]:
    """``runs``: one, of a race one for each order. ``goes_round_from``: see `verify --json`."""
    result: dict[str, Any] = {
        "kind": defect.kind,
        "message": defect_text(system, defect),
        "faults": defect.budget,
        "places": [place_json(span) for span in defect.places],
        "transitions": [transition_text(system, system.transitions[t]) for t in defect.transitions],
        "runs": [trace_json(system, run) for run in defect.runs],
    }
    if defect.subsystem is not None and defect.state is not None:
        this = system.subsystems[defect.subsystem]
        result["state"] = [this.name, this.states[defect.state]]
    if defect.event is not None:
        result["event"] = system.events[defect.event].name
    if defect.condition:
        result["condition"] = defect.condition
    if defect.lasso is not None:
        result["goes_round_from"] = defect.lasso
    return result


def suggestion_json(system: System, found: Suggestion) -> dict[str, Any]:
    """``conditions``: each to be joined to the transition's `if` by `and`; ``never``: leave the transition out.
    ``holds_back_more``: where ``simpler`` conditions hold back what the least restrictive ones let happen."""
    result: dict[str, Any] = {
        "requirement": found.requirement.name,
        "faults": found.budget,
        "outcome": found.outcome,
        "before": found.before,
        "after": found.after,
        "passes": found.outcome == "passes" or found.passes,
        "simpler": found.simpler,
        "conditions": [
            {
                "transition": transition_text(system, system.transitions[c.transition]),
                "place": place_json(system.transitions[c.transition].span),
                "if": formula_text(system, c.formula),
                "never": c.never,
                "reads": c.sight,
                "exact": c.exact,
            }
            for c in found.conditions
        ],
        "least_restrictive": found.least_restrictive,
        "keeps_always_possible": found.keeps_possible,
        "worse": [_changed(c) for c in found.worse],
        "better": [_changed(c) for c in found.better],
        "failing_scenarios": [
            {"scenario": f.scenario.name, "step": f.step, "place": place_json(f.span), "why": f.why}
            for f in found.failing
        ],
        "chatters": found.chatters,
        "impossible_events": [system.events[n].name for n in found.idle],
        "sentences": list(found.sentences),
    }
    if found.simpler:
        result["holds_back_more"] = [
            {
                "transition": transition_text(system, system.transitions[b.transition]),
                "while": formula_text(system, b.formula),
                "states": str(b.states),
                "of_states": str(b.every),
            }
            for b in found.beyond
        ]
    if found.standing:
        result["beside_verdict"] = found.standing
    if found.reason:
        result["reason"] = found.reason
    if found.way is not None:
        result["way"] = trace_json(found.changed or system, found.way)
    return result


def _changed(changed: Changed) -> dict[str, Any]:
    """``text``: how it is judged otherwise; the verdict can be the same."""
    return {
        "requirement": changed.requirement.name,
        "before": changed.before,
        "after": changed.after,
        "text": changed.said,
    }


def necessity_json(found: Necessity) -> dict[str, Any]:
    """``noticed_by`` names one requirement at least; all where ``all_who_notice`` says so. ``run`` leads to where the
    change makes a difference."""
    system = found.system
    changes = []
    for effect in found.effects:
        change = effect.change
        one: dict[str, Any] = {
            "kind": change.kind,
            "transition": transition_text(system, system.transitions[change.transition]),
            "place": place_json(system.transitions[change.transition].span),
            "known": effect.known,
        }
        if change.part is not None:
            one["part"] = formula_text(system, change.part)
        if effect.known:
            one["differs"] = effect.differs
            one["chatters"] = effect.chatters
            one["noticed_by"] = [
                {"requirement": n.requirement.name, "before": n.before, "after": n.after} for n in effect.notices
            ]
            if effect.differs and change.kind != "late":
                one["becomes_possible"] = effect.more
        if effect.trace is not None:
            one["run"] = trace_json(system, effect.trace)
        changes.append(one)
    parts = found.of_kind("part")
    return {
        "parts": len(parts),
        "parts_known": sum(e.known for e in parts),
        "parts_noticed": found.noticed_parts,
        "all_who_notice": found.everything,
        "mirrored_faults": [mirror_text(found, m) for m in found.mirrored],
        "asked_without_mirrored_faults": list(found.unmirrored),
        "changes": changes,
        **({"shortfall": found.shortfall} if found.shortfall else {}),
    }


def budget_json(system: System, budget: Budget) -> dict[str, Any]:
    """``run`` leads to the longest reaction or wait and through it. ``suffices`` is null where it is not shown."""
    result: dict[str, Any] = {
        "requirement": budget.requirement.name,
        "verdict": budget.word,
        "faults": budget.faults,
        "reactions": budget.steps,
        "ms": None if budget.time is None else milliseconds(budget.time),
        "without_response": list(budget.missing),
    }
    if budget.ticks is not None and system.tick is not None:
        result["longest_wait_ms"] = milliseconds(budget.ticks * system.tick)
    if budget.run is not None:
        result["run"] = trace_json(system, budget.run)
        result["reaction_begins_after"] = budget.begins
    if budget.distance is not None:
        d = budget.distance
        result["distance"] = {
            "declared_mm": d.declared,
            "needed_mm": d.needed,
            "suffices": d.suffices,
            "speed_mm_per_s": d.speed,
            "depth_mm": d.depth,
            "time_ms": milliseconds(d.time),
            "supposed": list(d.supposed),
        }
        if budget.unshown:
            result["distance"]["not_shown_because"] = budget.unshown
    if budget.undecided:
        result["undecided"] = budget.undecided
    return result


def matrix_json(system: System, matrix: Matrix) -> dict[str, Any]:
    """``cells`` lists the pairs that have marks, ``not_tried`` those of which something could not be tried; in a column
    that is finished every other pair has no effect."""
    return {
        "situations": str(matrix.situations),
        "causes": [
            {
                "name": cause_name(system, cause),
                "kind": {"lost": "signal", "comes": "signal"}.get(cause.kind, cause.kind),
                "text": cause_text(system, cause),
                "place": place_json(cause.span),
            }
            for cause in matrix.causes
        ],
        "effects": [
            {
                "name": e.name,
                "text": e.text,
                "function": e.is_function,
                "active": formula_text(system, e.active),
                "place": place_json(e.span),
            }
            for e in matrix.effects
        ],
        "cells": [
            {"cause": row, "effect": column, "marks": [_mark(system, mark) for mark in marks]}
            for (row, column), marks in sorted(matrix.cells.items())
        ],
        "not_tried": [
            {"cause": row, "effect": column, "what": list(what)}
            for (row, column), what in sorted(matrix.untried.items())
        ],
        "not_finished": [matrix.effects[column].name for column in matrix.undecided],
    }


def _mark(system: System, mark: Mark) -> dict[str, Any]:
    result: dict[str, Any] = {
        "does": mark.does,
        "always": mark.always,
        "delayed": mark.delayed,
        "words": mark_words(system, mark),
    }
    if mark.when is not None:
        result["only_when"] = _when(system, mark.when)
    if mark.starts:
        result["starts"] = [
            {
                "by": "time" if happening == TICK else system.events[happening].name,
                **({} if when is None else {"only_when": _when(system, when)}),
            }
            for happening, when in mark.starts
        ]
    return result


def _when(system: System, when: When) -> dict[str, Any]:
    states = {
        system.subsystems[number].name: [system.subsystems[number].states[s] for s in states]
        for number, states in when.parts
    }
    return {"states": states, "exact": when.exact}
