"""What a spec declares beside its logic and its claims: times, rates, distances, severities, words for people.

Every field of every part of a system is told, but those that `ELSEWHERE` names with the reason; so a field that comes
later is told too.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, fields
from decimal import Decimal
from fractions import Fraction
from typing import Any, Literal, TypeAlias

from safetymodel.model.formula import TRUE, Defined, Formula, parts_of
from safetymodel.model.system import (
    Approach,
    CommonCause,
    Event,
    Failure,
    Fault,
    Function,
    Hazard,
    Requirement,
    Scenario,
    ScenarioStep,
    Signal,
    Subsystem,
    System,
    Transition,
)
from safetymodel.traces.wording import duration_text, formula_text, move_text, wait_text

DeclaredKind = Literal[
    "spec",
    "subsystem",
    "transition",
    "event",
    "signal",
    "fault",
    "common cause",
    "function",
    "hazard",
    "requirement",
    "scenario",
]
Meaning: TypeAlias = tuple[DeclaredKind, str, str]
"""A value that is an expression: kind and name of what declares it, and what it is there."""

_NUMBERED = {"number": "a place in the spec", "span": "a place in the file"}
_NAMED = {"name": "the name of all this", "span": "a place in the file"}
_BEHAVIOUR = "compared as behaviour"
_CLAIM = "compared with the verdicts"
_ITSELF = "told by itself"

ELSEWHERE: dict[type, dict[str, str]] = {
    System: {
        "file": "stands in the head",
        "sha256": "stands in the head",
        **dict.fromkeys(("subsystems", "events", "transitions", "signals", "faults", "common_causes"), _ITSELF),
        **dict.fromkeys(("functions", "hazards", "requirements", "scenarios"), _ITSELF),
        "conditions": "compared as functions",
        "signal_order": "follows from the signals",
        "families": "follows from the subsystems",
    },
    Subsystem: {
        **_NUMBERED,
        **_NAMED,
        "family": "a part of the name",
        "instance": "a part of the name",
        "states": "told whatever their order",
        **dict.fromkeys(("initial", "transitions", "longest"), _BEHAVIOUR),
    },
    Transition: {
        **_NUMBERED,
        **dict.fromkeys(("subsystem", "source", "target", "event", "earliest", "latest"), _BEHAVIOUR),
        **dict.fromkeys(("interlock", "physical"), _BEHAVIOUR),
    },
    Event: {
        **_NUMBERED,
        **_NAMED,
        **dict.fromkeys(("subsystem", "joint", "movers"), _BEHAVIOUR),
    },
    Signal: {
        **_NUMBERED,
        **_NAMED,
        "reads": _BEHAVIOUR,
        "indicates": "told of the faults that it indicates",
    },
    Fault: {
        **_NUMBERED,
        **_NAMED,
        **dict.fromkeys(("kind", "subject", "value", "state", "target"), "told as what it does"),
    },
    Failure: {},
    CommonCause: _NAMED,
    Function: _NAMED,
    Hazard: _NAMED,
    Approach: {"span": _NUMBERED["span"]},
    Requirement: {
        **_NUMBERED,
        **_NAMED,
        **dict.fromkeys(
            ("text", "form", "subject", "allowed", "effect", "within", "only_by", "begins", "ends"), _CLAIM
        ),
        **dict.fromkeys(("withstand", "prevent", "hazards", "wording"), _CLAIM),
    },
    Scenario: _NAMED,
    ScenarioStep: {
        "span": _NUMBERED["span"],
        **dict.fromkeys(("kind", "text", "number", "formula"), "told as what the step does"),
    },
}
"""The fields of each part that are not told here, and why not."""

_UNITS = {
    "rate": "/ h",
    "b10d": "cycles",
    "cycles": "cycles a year",
    "proof_test": "h",
    "diagnostic_test": "h",
    "mission_time": "h",
    "distance": "mm",
    "depth": "mm",
    "height": "mm",
    "speed": "mm/s",
}
_SHARES = ("coverage", "beta")
_WORDS = {"indications": "indicated by"}


@dataclass(frozen=True, slots=True)
class Declared:
    """One part of a spec: what is declared of it, in words with units; ``formulas`` has the values that are expressions
    once more, as they are."""

    kind: DeclaredKind
    name: str
    values: dict[str, str]
    formulas: dict[str, tuple[Formula, ...]] = field(default_factory=dict)


def declarations(system: System) -> Iterator[Declared]:
    """Everything that a spec declares beside its logic and claims, in the order of the kinds."""
    yield _declared(system, "spec", "", system)
    for s in system.subsystems:
        declared = _declared(system, "subsystem", s.name, s)
        declared.values["states"] = ", ".join(sorted(s.states))
        yield declared
    seen: dict[str, int] = {}
    for t in system.transitions:
        name = move_text(system, t) + (f" on {system.events[t.event].name}" if t.event is not None else "")
        seen[name] = seen.get(name, 0) + 1
        declared = _declared(system, "transition", name if seen[name] == 1 else f"{name} ({seen[name]})", t)
        if t.interlock != TRUE:  # the `if` says it already
            declared.values.pop("controllable", None)
        yield declared
    for e in system.events:
        yield _declared(system, "event", e.name, e)
    for signal in system.signals:
        yield _declared(system, "signal", signal.name, signal)
    for fault in system.faults:
        declared = _declared(system, "fault", fault.name, fault)
        declared.values["does"] = fault_does(system, fault)
        yield declared
    several: tuple[tuple[DeclaredKind, tuple[Any, ...]], ...] = (
        ("common cause", system.common_causes),
        ("function", system.functions),
        ("hazard", system.hazards),
        ("requirement", system.requirements),
        ("scenario", system.scenarios),
    )
    for kind, parts in several:
        for part in parts:
            yield _declared(system, kind, part.name, part)


def fault_does(system: System, fault: Fault) -> str:
    """What a fault does, by names: ``holds inner_shut true``, ``keeps inner_bolt in out``."""
    if fault.kind == "signal":
        return f"holds {system.signals[fault.subject].name} {'true' if fault.value else 'false'}"
    subject = system.subsystems[fault.subject]
    if fault.kind == "stuck":
        return f"keeps {subject.name} in {'any state' if fault.state is None else subject.states[fault.state]}"
    source = "any state" if fault.state is None else subject.states[fault.state]
    return f"moves {subject.name} from {source} to {subject.states[fault.target]}"


def _declared(system: System, kind: DeclaredKind, name: str, part: object) -> Declared:
    found = Declared(kind, name, {})
    _tell(system, part, "", found)
    return found


def _tell(system: System, part: Any, before: str, found: Declared) -> None:
    """The values of one part; those of a part within it too, under its name."""
    for one in fields(part):
        value = getattr(part, one.name)
        if one.name in ELSEWHERE[type(part)] or value is None or value is False or value in ("", ()):
            continue
        what = f"{before}{_WORDS.get(one.name, one.name)}"
        if isinstance(value, Failure):
            _tell(system, value, before, found)
        elif isinstance(value, Approach):
            _tell(system, value, f"{what} ", found)
        elif one.name == "steps":
            _tell_steps(system, value, found)
        else:
            found.values[what] = _text(system, one.name, value)
            formulas = _formulas(value)
            if formulas:
                found.formulas[what] = formulas


def _tell_steps(system: System, steps: tuple[ScenarioStep, ...], found: Declared) -> None:
    """What is done, in order; and what is checked and must be blocked, by after how many steps: it moves nothing, so
    more of it asks more. A check may be in other words."""
    done: list[str] = []
    for step in steps:
        after = f"after step {len(done)}" if done else "at the start"
        if step.formula is not None:
            what = f"check {after}"
            found.formulas[what] = (*found.formulas.get(what, ()), step.formula)
            found.values[what] = _with_definitions(system, found.formulas[what])
        elif step.kind == "blocked":
            what = f"blocked {after}"
            names = {*found.values.get(what, "").split(", "), system.events[step.number].name} - {""}
            found.values[what] = ", ".join(sorted(names))
        else:
            done.append(_step(system, step))
    found.values["steps"] = ", ".join(done)


def _formulas(value: object) -> tuple[Formula, ...]:
    if isinstance(value, Formula):
        return (value,)
    if isinstance(value, tuple) and value and all(isinstance(one, Formula) for one in value):
        return value
    return ()


def _text(system: System, name: str, value: Any) -> str:
    """A value in words; one of a kind that nobody has thought of as Python writes it."""
    if isinstance(value, str):
        return value
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, Fraction):
        return duration_text(value)
    if isinstance(value, int | float):
        return _number(name, value)
    if isinstance(value, Formula):
        return _with_definitions(system, (value,))
    if _formulas(value):
        return _with_definitions(system, value)
    if name == "faults":
        return ", ".join(sorted(system.faults[n].name for n in value))
    if isinstance(value, tuple):
        return ", ".join(_text(system, name, one) for one in value)
    return repr(value)


def _number(name: str, value: float) -> str:
    exact = Decimal(repr(value))
    if name in _SHARES:
        return f"{_plain(exact * 100)} %"
    return f"{_plain(exact)} {_UNITS.get(name, '')}".rstrip()


def _plain(value: Decimal) -> str:
    """All its digits; large and small ones with a power of ten."""
    short = value.normalize()
    if short and not -4 <= short.adjusted() <= 6:
        return f"{short:e}".replace("e+", "e")
    return f"{short:f}"


def _with_definitions(system: System, formulas: tuple[Formula, ...]) -> str:
    """Expressions, and what the conditions in them mean."""
    means: dict[str, str] = {}
    todo = list(formulas)
    while todo:
        node = todo.pop()
        if isinstance(node, Defined):
            means[node.name] = formula_text(system, node.body)
        todo.extend(parts_of(node))
    texts = sorted(formula_text(system, formula) for formula in formulas)
    told = "; ".join(f"{name} means {text}" for name, text in sorted(means.items()))
    return ", ".join(texts) + (f" ({told})" if told else "")


def _step(system: System, step: ScenarioStep) -> str:
    if step.kind == "event":
        return system.events[step.number].name
    if step.kind == "fault":
        return f"fault {system.faults[step.number].name}"
    return wait_text(system, step.number)
