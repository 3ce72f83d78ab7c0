"""Verification results for other programs: the JSON of `verify --json`."""

from __future__ import annotations

import json
from fractions import Fraction
from typing import Any

from safetymodel.claims.verdict import Finding, Judgement
from safetymodel.model.state import fault_numbers
from safetymodel.model.system import System
from safetymodel.problems import Problem
from safetymodel.traces.save import trace_json
from safetymodel.traces.wording import formula_text

FORMAT = 1


def judgement_json(system: System, judgement: Judgement) -> dict[str, Any]:
    """One requirement's verdict as plain data."""
    requirement = judgement.requirement
    result: dict[str, Any] = {
        "id": requirement.name,
        "text": requirement.text,
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
    if judgement.blocked:
        result["nearest_blocked"] = list(judgement.blocked)
    return result


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


def as_text(data: Any) -> str:
    """JSON text, stable and readable."""
    return json.dumps(data, indent=1, ensure_ascii=False) + "\n"
