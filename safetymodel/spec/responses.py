"""How a person comes near, and how long real parts take: what a minimum distance is worked out from."""

from __future__ import annotations

from safetymodel.spec.description import ApproachText, Duration, Quantity
from safetymodel.spec.durations import millimetres, milliseconds
from safetymodel.spec.failures import Report
from safetymodel.spec.reader import Node

WATCHED_FORMS = ("never", "always", "cause")
"""Forms that an approach belongs to: those that can be broken while the logic reacts, or that have a time."""


def response_of(report: Report, node: Node | None) -> Duration | None:
    """How long a real part takes; None where the spec does not say."""
    if node is None or node.is_null:
        return None
    value = milliseconds(node.text)
    if value is None:
        message = f"`{node.text.strip()[:40]}` is not a duration up to a year"
        report.problem("bad-duration", report.source.span(node), message, "for example 30 ms")
        return None
    return Duration(value, node.text.strip(), report.source.span(node))


def approach_of(report: Report, requirement: Node, form: str, text: str) -> ApproachText | None:
    """The approach of a requirement; None where it has none, or one that cannot be kept."""
    node, key = requirement.get("approach"), requirement.key("approach")
    if node is None or key is None:
        return None
    if form not in WATCHED_FORMS:
        hint = "it belongs to `never`, `always`, `cause`; remove it here"
        report.problem("misplaced-key", report.source.span(key), f"`approach` does not belong to `{form}`", hint)
        return None
    found = {name: _length(report, name, node.get(name)) for name in ("distance", "speed", "depth", "height")}
    second = node.key("height")
    if node.get("depth") is not None and node.get("height") is not None and second is not None:
        message = "`height` beside `depth`: the depth of a pad follows from its height"
        report.problem("two-numbers", report.source.span(second), message, "leave one of them out")
        return None
    distance = found["distance"]
    if distance is None:
        return None
    stopping = response_of(report, node.get("stopping"))
    span = report.source.span(key)
    return ApproachText(distance, found["speed"], found["depth"], found["height"], stopping, text, span)


def _length(report: Report, name: str, node: Node | None) -> Quantity | None:
    if node is None or node.is_null:
        return None
    shown, span = " ".join(node.text.split())[:40], report.source.span(node)
    value = millimetres(node.text)
    if value is None or (name == "speed" and value < 1):
        wrong = "is more than a kilometre, or has too many digits" if value is None else "must be 1 mm / s or more"
        report.problem("out-of-range", span, f"`{name}`: `{shown}` {wrong}", "")
        return None
    return Quantity(value, node.text.strip(), span)
