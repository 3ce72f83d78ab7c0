"""Words for people: formulas as the spec would write them, steps, durations, places.

Nothing here decides anything; every text comes from the names and labels of the spec.
"""

from __future__ import annotations

from fractions import Fraction

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
from safetymodel.model.state import State, changes
from safetymodel.model.step import Step
from safetymodel.model.system import Event, Fault, System, Transition

_OR, _AND, _NOT, _ATOM = range(4)
"""How tightly each word binds."""


def formula_text(system: System, formula: Formula) -> str:
    """The formula as the spec would write it, with the fewest parentheses."""
    return _bound(system, formula)[0]


def _bound(system: System, formula: Formula) -> tuple[str, int]:
    """The text of a formula and how tightly its outermost word binds."""
    match formula:
        case Constant(value):
            return ("true" if value else "false"), _ATOM
        case InState(subsystem, states, negated):
            return in_state_text(system, subsystem, states, negated), _ATOM
        case SignalTrue(signal):
            return system.signals[signal].name, _ATOM
        case FaultUp(fault):
            return f"fault {system.faults[fault].name}", _ATOM
        case Not(InState(subsystem, states, negated)):
            return in_state_text(system, subsystem, states, not negated), _ATOM
        case Not(part):
            return f"not {_within(system, part, _NOT)}", _NOT
        case AllOf(parts):
            if not parts:
                return "true", _ATOM
            if len(parts) == 1:
                return _bound(system, parts[0])
            return " and ".join(_within(system, part, _AND) for part in parts), _AND
        case AnyOf(parts):
            if not parts:
                return "false", _ATOM
            if len(parts) == 1:
                return _bound(system, parts[0])
            return " or ".join(_within(system, part, _OR) for part in parts), _OR
        case HowMany():
            return formula.wording, _ATOM
        case Defined(name, _):
            return name, _ATOM


def _within(system: System, formula: Formula, outer: int) -> str:
    text, inner = _bound(system, formula)
    return text if inner >= outer else f"({text})"


def in_state_text(system: System, subsystem: int, states: tuple[int, ...], negated: bool) -> str:
    """``NAME is A|B`` or ``NAME is not A|B``."""
    this = system.subsystems[subsystem]
    names = "|".join(this.states[s] for s in states)
    return f"{this.name} is {'not ' if negated else ''}{names}"


def state_text(system: System, state: State, subsystem: int) -> str:
    """``NAME is STATE``: where a subsystem is now."""
    this = system.subsystems[subsystem]
    return f"{this.name} is {this.states[state.states[subsystem]]}"


def duration_text(milliseconds: Fraction) -> str:
    """A duration in ms, s or min, exact where it has an end as a decimal number."""
    if milliseconds < 1000:
        return f"{_number(milliseconds)} ms"
    if milliseconds < 120_000 or milliseconds % 60_000 % 1000:
        return f"{_number(milliseconds / 1000)} s"
    minutes, rest = divmod(milliseconds, 60_000)
    return f"{minutes} min" + (f" {_number(rest / 1000)} s" if rest else "")


def _number(value: Fraction) -> str:
    text = f"{float(value):.6f}".rstrip("0").rstrip(".")
    return text if Fraction(text) == value else f"about {text}"


def ticks_text(system: System, ticks: int) -> str:
    """So many ticks as a duration; in ticks where the model has none of its own."""
    if system.tick is None:
        return f"{ticks} ticks" if ticks != 1 else "1 tick"
    return duration_text(ticks * system.tick)


def wait_text(system: System, ticks: int) -> str:
    """So many ticks as a scenario's step: ``wait 1.5 s``."""
    milliseconds = ticks * (system.tick or Fraction(0))
    if milliseconds >= 1000:
        return f"wait {_number(milliseconds / 1000)} s"
    return f"wait {_number(milliseconds)} ms"


def faults_text(budget: int) -> str:
    """A fault budget: ``without faults``, ``with up to 1 fault``."""
    if not budget:
        return "without faults"
    return f"with up to {budget} fault{'s' if budget != 1 else ''}"


def counted(number: int, one: str, many: str = "") -> str:
    """``1 happening``, ``1,803 happenings``."""
    return f"{number:,} {one if number == 1 else many or one + 's'}"


def event_text(event: Event) -> str:
    """Who does what, with the name of the event."""
    if event.text:
        return f"{event.by} {event.text} ({event.name})" if event.by else f"{event.text} ({event.name})"
    return f"{event.by} does {event.name}" if event.by else f"{event.name} happens"


def fault_text(fault: Fault) -> str:
    """What fails, with the name of the fault."""
    return f"{fault.text or fault.name.replace('_', ' ')} [fault {fault.name}]"


def move_text(system: System, transition: Transition) -> str:
    """``panel: idle -> outer``."""
    this = system.subsystems[transition.subsystem]
    return f"{this.name}: {this.states[transition.source]} -> {this.states[transition.target]}"


def window_text(system: System, transition: Transition) -> str:
    """``after 100 ms..300 ms`` or ``after 30 s``; empty where the transition does not wait."""
    if not transition.latest:
        return ""
    latest = ticks_text(system, transition.latest)
    if transition.earliest == transition.latest:
        return f"after {latest}"
    return f"after {ticks_text(system, transition.earliest)}..{latest}"


def transition_text(system: System, transition: Transition) -> str:
    """The move, and what it waits for: ``panel: idle -> outer on panel.ask_outer``."""
    text = move_text(system, transition)
    if transition.event is not None:
        return f"{text} on {system.events[transition.event].name}"
    waits = window_text(system, transition)
    return f"{text} {waits}" if waits else text


def step_text(system: System, step: Step, before: State, ticks: int = 1) -> str:
    """Who did what, in one line. ``ticks`` is how many ticks a folded run of them stands for."""
    match step.kind:
        case "event":
            return event_text(system.events[step.number])
        case "fault":
            return fault_text(system.faults[step.number])
        case "jump":
            fault = system.faults[step.number]
            label = system.subsystems[fault.subject].label
            states = system.subsystems[fault.subject].states
            source = states[before.states[fault.subject]]
            return f"{label} moves of itself from {source} to {states[fault.target]} [fault {fault.name}]"
        case "time":
            transition = system.transitions[step.number]
            this = system.subsystems[transition.subsystem]
            waited = ticks_text(system, before.clocks[this.number])
            return (
                f"{this.label} moves of itself within its window of time ({window_text(system, transition)}), "
                f"{waited} after it came to {this.states[transition.source]}"
            )
        case "tick":
            return f"{ticks_text(system, ticks)} pass"
        case "reaction":
            transition = system.transitions[step.number]
            waits = window_text(system, transition)
            notes = "; ".join(note for note in (transition.text, waits) if note)
            return move_text(system, transition) + (f" ({notes})" if notes else "")


def short_name(system: System, step: Step, ticks: int = 1) -> str:
    """A happening by its name alone: ``panel.ask_outer``, ``fault bolt_jammed``, ``wait 3 s``."""
    match step.kind:
        case "event":
            return system.events[step.number].name
        case "fault" | "jump":
            return f"fault {system.faults[step.number].name}"
        case "tick":
            return wait_text(system, ticks)
        case _:
            return move_text(system, system.transitions[step.number])


def change_texts(system: System, before: State, after: State) -> tuple[str, ...]:
    """Only what changed: ``panel: idle -> outer`` for each subsystem."""
    return tuple(
        f"{system.subsystems[n].name}: {system.subsystems[n].states[old]} -> {system.subsystems[n].states[new]}"
        for n, old, new in changes(before, after)
    )


def and_list(words: tuple[str, ...] | list[str], word: str = "and") -> str:
    """``a``, ``a and b``, ``a, b and c``."""
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} {word} {words[-1]}"
