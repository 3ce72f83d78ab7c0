"""Why a formula is true or false in a state, in words: the parts that decide it, and readings made false by a fault."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal, TypeAlias

from safetymodel.model.formula import (
    AllOf,
    AnyOf,
    Constant,
    Defined,
    FaultUp,
    Formula,
    HowMany,
    InState,
    Not,
    SignalTrue,
)
from safetymodel.model.state import State
from safetymodel.model.step import evaluate, readings
from safetymodel.model.system import System
from safetymodel.traces.wording import and_list, formula_text, state_text

Role = Literal["note", "happening", "fault", "time", "change", "reaction", "why", "part", "round"]


@dataclass(frozen=True, slots=True)
class Line:
    """One line of an explanation. ``depth`` is how far it is indented, ``number`` the happening's
    (``3``, or ``4-32`` for folded ticks), ``place`` where the spec says it (``file:line``)."""

    role: Role
    text: str
    depth: int = 0
    number: str = ""
    place: str = ""


Signals: TypeAlias = tuple[bool, ...]
Since: TypeAlias = Callable[[Formula], str]
"""Says since when the truth of a mention is what it is; empty where that needs no saying."""

MOST_MEMBERS = 6


def decisive(state: State, signals: Signals, formula: Formula) -> tuple[Formula, ...]:
    """The mentions that decide the truth of a formula here, from left to right, each once."""
    match formula:
        case Not(part):
            return decisive(state, signals, part)
        case AllOf(parts) | AnyOf(parts):
            deciding = isinstance(formula, AnyOf)
            told = [part for part in parts if evaluate(part, state, signals) == deciding] or list(parts)
            found = [mention for part in told for mention in decisive(state, signals, part)]
            return tuple(dict.fromkeys(found))
        case _:
            return (formula,)


def truth_lines(
    system: System, state: State, formula: Formula, depth: int = 0, since: Since | None = None
) -> tuple[Line, ...]:
    """The formula with its truth, then its deciding parts with theirs, named definitions opened up."""
    signals = readings(system, state)
    if isinstance(formula, Not | AllOf | AnyOf):
        value = evaluate(formula, state, signals)
        lines = [Line("why", f"{formula_text(system, formula)}: {_word(value)}", depth)]
        for mention in decisive(state, signals, formula):
            lines.extend(_mention_lines(system, state, signals, mention, depth + 1, since))
        return tuple(lines)
    return tuple(_mention_lines(system, state, signals, formula, depth, since))


def _mention_lines(
    system: System, state: State, signals: Signals, mention: Formula, depth: int, since: Since | None
) -> list[Line]:
    ago = since(mention) if since and not isinstance(mention, Defined) else ""
    lines = [Line("part", truth_text(system, state, mention) + (f", {ago}" if ago else ""), depth)]
    if isinstance(mention, Defined):
        for part in decisive(state, signals, mention.body):
            lines.extend(_mention_lines(system, state, signals, part, depth + 1, since))
    return lines


def truth_text(system: System, state: State, mention: Formula) -> str:
    """One formula, its truth, and what is there instead: ``inner_door is closed: false (it is open)``."""
    signals = readings(system, state)
    value = evaluate(mention, state, signals)
    text = f"{formula_text(system, mention)}: {_word(value)}"
    match mention:
        case InState(subsystem, states, negated):
            if value and not negated and len(states) == 1:
                return text
            this = system.subsystems[subsystem]
            return f"{text} (it is {this.states[state.states[subsystem]]})"
        case SignalTrue(signal):
            return f"{text} ({_reading_cause(system, state, signals, signal)})"
        case HowMany():
            return f"{text} ({_members_text(system, state, mention)})"
        case _:
            return text


def _word(value: bool) -> str:
    return "true" if value else "false"


def fact_text(system: System, state: State, signals: Signals, formula: Formula) -> str:
    """What is so here, of the mentions that decide the formula: ``inner_door is open and panel is idle``."""
    facts = [_fact(system, state, signals, mention) for mention in decisive(state, signals, formula)]
    return and_list(list(dict.fromkeys(facts)))


def _fact(system: System, state: State, signals: Signals, mention: Formula) -> str:
    match mention:
        case InState(subsystem, _, _):
            return state_text(system, state, subsystem)
        case SignalTrue(signal):
            name, value = system.signals[signal].name, _word(signals[signal])
            return f"{name} reads {value} ({_reading_cause(system, state, signals, signal)})"
        case FaultUp(fault):
            up = state.flags >> fault & 1
            return f"fault {system.faults[fault].name} {'is there' if up else 'is not there'}"
        case HowMany():
            return _members_text(system, state, mention)
        case Defined(_, body):
            return fact_text(system, state, signals, body)
        case _:
            return f"it is {formula_text(system, mention)}"


def _deciding_members(state: State, count: HowMany) -> list[InState]:
    told = [m for m in count.members if evaluate(m, state, ())]
    if len(told) < count.least or not told:
        told = [m for m in count.members if m not in told]
    return told


def _members_text(system: System, state: State, count: HowMany) -> str:
    """The members that decide a count: those that fail it, else all that there are."""
    told = _deciding_members(state, count)
    facts = [state_text(system, state, m.subsystem) for m in told[:MOST_MEMBERS]]
    if len(told) > MOST_MEMBERS:
        facts.append(f"{len(told) - MOST_MEMBERS} more alike")
    return and_list(facts) or "it has no members"


def holder(system: System, state: State, signal: int) -> int | None:
    """The number of the fault that holds a signal; None where it reads its expression."""
    for fault in system.faults:
        if fault.kind == "signal" and fault.subject == signal and state.flags >> fault.number & 1:
            return fault.number
    return None


def _reading_cause(system: System, state: State, signals: Signals, signal: int) -> str:
    """Why a signal reads what it reads: its expression's facts, or the fault that holds it."""
    reads = system.signals[signal].reads
    fact = fact_text(system, state, signals, reads)
    fault = holder(system, state, signal)
    if fault is None:
        return fact
    name = system.faults[fault].name
    if evaluate(reads, state, signals) == signals[signal]:
        return f"held by {name}; {fact}"
    return f"held by {name} though {fact}"


def false_readings(system: System, state: State) -> tuple[int, ...]:
    """Signals that read otherwise than their expression, because a fault holds them."""
    signals = readings(system, state)
    return tuple(
        s.number
        for s in system.signals
        if holder(system, state, s.number) is not None and evaluate(s.reads, state, signals) != signals[s.number]
    )


def false_reading_text(system: System, state: State, signal: int) -> str:
    """``inner_shut reads true (held by inner_switch_bridged) though inner_door is open``."""
    signals = readings(system, state)
    fault = holder(system, state, signal)
    assert fault is not None
    this = system.signals[signal]
    fact = fact_text(system, state, signals, this.reads)
    return f"{this.name} reads {_word(signals[signal])} (held by {system.faults[fault].name}) though {fact}"


def signals_read(system: System, formula: Formula) -> frozenset[int]:
    """Every signal that a formula depends on, through definitions and other signals too."""
    return _mentions(system, formula)[0]


def subsystems_read(system: System, formula: Formula) -> frozenset[int]:
    """Every subsystem that a formula depends on, through definitions and signals too."""
    return _mentions(system, formula)[1]


def _mentions(system: System, formula: Formula) -> tuple[frozenset[int], frozenset[int]]:
    """The signals and the subsystems that a formula depends on."""
    signals: set[int] = set()
    subsystems: set[int] = set()
    stack: list[Formula] = [formula]
    while stack:
        match stack.pop():
            case SignalTrue(signal):
                if signal not in signals:
                    signals.add(signal)
                    stack.append(system.signals[signal].reads)
            case InState(subsystem, _, _):
                subsystems.add(subsystem)
            case HowMany(_, _, members, _):
                subsystems.update(m.subsystem for m in members)
            case Not(part):
                stack.append(part)
            case AllOf(parts) | AnyOf(parts):
                stack.extend(parts)
            case Defined(_, body):
                stack.append(body)
            case Constant() | FaultUp():
                pass
    return frozenset(signals), frozenset(subsystems)


def deciding_subsystems(system: System, state: State, formula: Formula) -> tuple[int, ...]:
    """The subsystems whose states decide the truth of a formula here, each once."""
    signals = readings(system, state)
    found: list[int] = []
    stack = list(reversed(decisive(state, signals, formula)))
    while stack:
        match stack.pop():
            case InState(subsystem, _, _):
                found.append(subsystem)
            case SignalTrue(signal):
                stack.extend(reversed(decisive(state, signals, system.signals[signal].reads)))
            case Defined(_, body):
                stack.extend(reversed(decisive(state, signals, body)))
            case HowMany() as count:
                found.extend(m.subsystem for m in _deciding_members(state, count))
            case _:
                pass
    return tuple(dict.fromkeys(found))
