"""The numbers of faults: rates by wear, probabilities, tests, coverage, common causes."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from safetymodel.span import Span
from safetymodel.spec.description import CommonCauseText, FailureText, Name, Quantity
from safetymodel.spec.durations import quantity
from safetymodel.spec.reader import Node, Source
from safetymodel.spec.schema import EXCLUSIVE, PAIRS

Problem = Callable[[str, Span, str, str], None]

_NEEDS_A_RATE = ("proof_test", "coverage", "diagnostic_test")
_POSITIVE = ("b10d", "cycles", "proof_test", "diagnostic_test", "mission_time")
_BELOW_ONE = ("coverage", "beta")


@dataclass(frozen=True, slots=True)
class Report:
    """The text that is read, and where its problems go."""

    source: Source
    problem: Problem


def failure_of(report: Report, key: Node, value: Node) -> FailureText:
    """The numbers of a fault; what contradicts something else is reported."""
    found = {name: _quantity(report, name, value.get(name)) for name in FailureText.__slots__}
    for name, other in PAIRS:
        if value.get(name) is not None and value.get(other) is None and other not in value.lost:
            where = report.source.span(value.key(name) or key)
            report.problem("missing-key", where, f"`{name}` needs `{other}`", f"add `{other}:`")
    clash = False
    for name, others in EXCLUSIVE:
        for other in others:
            node = value.key(other)
            if value.get(name) is not None and value.get(other) is not None and node is not None:
                clash = True
                message = f"`{other}` beside `{name}`: fault {key.text} has one kind of number"
                hint = "give a rate, or b10d with cycles, or a probability for a demand"
                report.problem("two-numbers", report.source.span(node), message, hint)
    has_rate = any(value.get(name) is not None or name in value.lost for name in ("rate", "b10d", "cycles"))
    for name in _NEEDS_A_RATE:
        node = value.key(name)
        if node is not None and value.get(name) is not None and not has_rate and not clash:
            hint = "give the fault a `rate`, or `b10d` with `cycles`"
            report.problem("test-without-rate", report.source.span(node), f"`{name}` says nothing without a rate", hint)
    return FailureText(**found)


def common_cause(report: Report, name: Name, value: Node, text: str) -> CommonCauseText | None:
    """A group of faults with a common cause; None where it cannot be kept."""
    faults, share = value.get("faults"), value.get("beta")
    if faults is None or share is None:
        return None
    beta = _quantity(report, "beta", share)
    if len(faults.items) < 2:
        message = f"common cause {name.text} has a single fault"
        report.problem("single-cause", report.source.span(faults), message, "name two or more")
    if beta is None:
        return None
    names = tuple(Name(item.text, report.source.span(item)) for item in faults.items)
    return CommonCauseText(name, names, beta, text)


def mission_time(report: Report, node: Node | None) -> Quantity | None:
    """How long the machine is used, in hours."""
    return _quantity(report, "mission_time", node)


def _quantity(report: Report, key: str, node: Node | None) -> Quantity | None:
    if node is None or node.is_null:
        return None
    span, shown = report.source.span(node), " ".join(node.text.split())[:40]
    value = quantity(node.text)
    wrong = ""
    if value is None:
        wrong = "is too large, or has too many digits"
    elif key in _POSITIVE and value < 1e-9:
        wrong = "must be more than nothing"
    elif key == "probability" and value > 1:
        wrong = "is more than 1"
    elif key in _BELOW_ONE and value >= 1:
        wrong = "must be less than 100 %"
    if value is None or wrong:
        report.problem("out-of-range", span, f"`{key}`: `{shown}` {wrong}", "")
        return None
    return Quantity(value, node.text.strip(), span)
