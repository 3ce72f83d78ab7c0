"""Forced signals: what a tester does with a bridge or an open plug, as faults that no spec has to declare.

A sheet needs them where two switches read the same thing: only with one of them forced can the other be shown to act.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from safetymodel.model.state import State
from safetymodel.model.system import Fault, System
from safetymodel.traces.wording import fault_text


@dataclass(frozen=True, slots=True)
class Forced:
    """A system with a fault more for each signal and value that no declared fault holds it at.

    ``system`` has the declared faults first; those from ``declared`` on are the tester's own forces.
    """

    system: System
    declared: int

    def is_own(self, fault: int) -> bool:
        """Whether the spec does not declare it: the tester forces it."""
        return fault >= self.declared


def with_forces(system: System) -> Forced:
    """The system with every signal forcible to either value."""
    faults = list(system.faults)
    held = {(f.subject, f.value) for f in faults if f.kind == "signal"}
    names = {f.name for f in faults}
    for signal in system.signals:
        for value in (False, True):
            if (signal.number, value) in held:
                continue
            word = "true" if value else "false"
            name = f"forced_{signal.name}_{word}"
            while name in names:
                name += "_"
            names.add(name)
            faults.append(Fault(len(faults), name, "", "signal", signal.number, signal.span, value=value))
    return Forced(replace(system, faults=tuple(faults)), len(system.faults))


def signal_label(system: System, signal: int) -> str:
    """What people call a signal, with its name."""
    this = system.signals[signal]
    return f"{this.text} ({this.name})" if this.text else this.name


def force_text(forced: Forced, fault: int, before: Sequence[State]) -> str:
    """What the tester does to bring it about, for a row of a sheet; ``before`` are the states in which it is done."""
    system, this = forced.system, forced.system.faults[fault]
    if this.kind == "signal":
        word = "true" if this.value else "false"
        text = f"force {signal_label(system, this.subject)} {word}"
        return text if forced.is_own(fault) else f"{text}, as by {fault_text(this)}"
    subject = system.subsystems[this.subject]
    if this.kind == "stuck":
        by = f"as by {fault_text(this)}"
        if this.state is None:
            return f"hold {subject.label} where it is, {by}"
        name = subject.states[this.state]
        if all(state.states[this.subject] != this.state for state in before):
            return f"make ready to hold {subject.label} once it is {name}, {by}"
        return f"hold {subject.label} in {name}, {by}"
    assert this.state is not None
    return f"make ready to move {subject.label} by hand, as by {fault_text(this)}"


def how_forced(forced: Forced, fault: int) -> str:
    """One word for the column *how forced*."""
    if not forced.is_own(fault):
        return "fault injected"
    return "bypass" if forced.system.faults[fault].value else "signal forced"


def removal_text(forced: Forced, fault: int) -> str:
    """What has to be undone after the walk."""
    system, this = forced.system, forced.system.faults[fault]
    if this.kind == "signal":
        word = "true" if this.value else "false"
        return f"take the force off {signal_label(system, this.subject)} (was held {word})"
    subject = system.subsystems[this.subject]
    if this.kind == "stuck":
        return f"let go of {subject.label} (was held)"
    return f"put {subject.label} back in order (was moved by hand)"
