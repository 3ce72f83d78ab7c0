"""Verification results for other programs: the JSON of `verify --json`."""

from __future__ import annotations

from fractions import Fraction
from typing import Any

from safetymodel.claims.verdict import Finding, Judgement
from safetymodel.model.formula import Defined, parts_of
from safetymodel.model.state import fault_numbers
from safetymodel.model.system import Requirement, System
from safetymodel.problems import Problem
from safetymodel.report.said import RunView, claim_text
from safetymodel.revisions.declared import declarations
from safetymodel.traces.save import trace_json
from safetymodel.traces.wording import formula_text

FORMAT = 1


def judgement_json(system: System, judgement: Judgement) -> dict[str, Any]:
    """One requirement's verdict as plain data."""
    requirement = judgement.requirement
    result: dict[str, Any] = {
        "id": requirement.name,
        "text": requirement.text,
        "form": requirement.form,
        "claim": claim_text(system, requirement),
        "where": definitions_in(system, requirement),
        "prevent": requirement.prevent,
        "verdict": judgement.word,
        "passes": judgement.passes,
        "withstand": requirement.withstand,
        "budget": judgement.budget,
        "hazards": list(requirement.hazards),
        "source": requirement.source,
    }
    if judgement.trace is not None:
        result["happenings"] = judgement.trace.happenings
        result["faults"] = [system.faults[n].name for n in fault_numbers(judgement.trace.end.flags)]
        result["trace"] = trace_json(system, judgement.trace)
    if judgement.moment is not None:
        result["longest_moment"] = {"reactions": judgement.moment.steps, "ms": 0}
    if judgement.longest_wait is not None:
        result["longest_wait_ms"] = milliseconds(judgement.longest_wait * (system.tick or Fraction(0)))
    if judgement.word == "empty":
        result["empty_because"] = empty_words(system, judgement)
    if judgement.reason:
        result["reason"] = judgement.reason
    if judgement.second is not None:
        second = judgement.second
        result["second_opinion"] = {"road": second.road, "agrees": second.agrees, "reason": second.reason}
    if judgement.blocked:
        result["nearest_blocked"] = list(judgement.blocked)
    return result


def definitions_in(system: System, requirement: Requirement) -> dict[str, str]:
    """The named conditions that a claim rests on, each with its definition."""
    found: dict[str, str] = {}
    todo = list(requirement.formulas)
    while todo:
        node = todo.pop()
        if isinstance(node, Defined):
            found[node.name] = formula_text(system, node.body)
        todo.extend(parts_of(node))
    return dict(sorted(found.items()))


def empty_words(system: System, judgement: Judgement) -> str:
    """Why an ``empty`` requirement says nothing, in words."""
    if judgement.mention is None:
        return judgement.idle
    return f"`{formula_text(system, judgement.mention)}` makes no difference: it is true whatever that part is"


def finding_json(system: System, finding: Finding) -> dict[str, Any]:
    return {
        "slug": finding.slug,
        "severity": "error" if finding.slug == "never-settles" else "warning",
        "message": finding.message,
        "trace": trace_json(system, finding.trace),
        "goes_round_from": finding.lasso,
    }


def declared_json(system: System, transitions: bool = False) -> list[dict[str, Any]]:
    """What is declared beside logic and claims, so that a kept result tells when a fault or a number has gone; with
    ``transitions`` what they carry beside their conditions, too."""
    return [
        {"kind": d.kind, "name": d.name, "values": d.values}
        for d in declarations(system)
        if transitions or d.kind != "transition"
    ]


def problem_json(problem: Problem) -> dict[str, Any]:
    """A problem as plain data."""
    return {
        "slug": problem.slug,
        "severity": problem.severity,
        "file": problem.span.file,
        "line": problem.span.line,
        "column": problem.span.column,
        "message": problem.message,
        "hint": problem.hint,
    }


def milliseconds(value: Fraction) -> int | float:
    """A whole number where it is one."""
    return int(value) if value.denominator == 1 else float(value)


def run_json(run: RunView) -> dict[str, Any]:
    """The whole run as plain data, in the documented form."""
    system = run.system
    states = {
        str(budget): {"settled": str(c.settled), "all": str(c.all), **({} if c.complete else {"complete": False})}
        for budget, c in run.counts
    }
    result: dict[str, Any] = {
        "format": FORMAT,
        "spec": {"file": system.file, "title": system.title, "sha256": system.sha256},
        "engine": run.engine,
        "engine_reason": run.engine_reason,
        "tick_ms": None if system.tick is None else milliseconds(system.tick),
        "states": states,
        "requirements": [judgement_json(system, j) for j in run.judgements],
        "scenarios": [
            {
                "id": s.scenario.name,
                "ok": s.ok,
                "steps": [{"step": step.text, "ok": step.ok, "why": list(step.said)} for step in s.steps],
            }
            for s in run.scenarios
        ],
        "findings": [finding_json(system, f) for f in run.findings],
        "declared": declared_json(system),
        "problems": [problem_json(p) for p in run.problems],
        "seconds": round(run.seconds, 3),
    }
    if run.disagreement:
        result["disagreement"] = run.disagreement
    if run.shortfall:
        result["shortfall"] = run.shortfall
    return result


def unread_json(file: str, problems: tuple[Problem, ...]) -> dict[str, Any]:
    """A spec that could not be read."""
    return {"format": FORMAT, "spec": {"file": file}, "problems": [problem_json(p) for p in problems]}
