"""The modes of operation of a machine and its emergency stops: as the user says, else by their words."""

from __future__ import annotations

import re
from dataclasses import dataclass

from safetymodel.model.formula import (
    Formula,
    InState,
)
from safetymodel.model.system import Event, Requirement, System
from safetymodel.traces.wording import formula_text


@dataclass(frozen=True, slots=True)
class Mode:
    """A mode of operation: something runs, or a mode switch is in one of its positions."""

    name: str
    formula: Formula


@dataclass(frozen=True, slots=True)
class Asked:
    """What the user says of the machine; None: as :func:`modes_of` and :func:`stops_of` find it. ``modes`` are
    subsystems, ``stops`` events."""

    modes: tuple[int, ...] | None = None
    stops: tuple[int, ...] | None = None
    mechanical: bool = False
    """Test the ``physically`` conditions too."""


def modes_of(system: System, asked: Asked) -> tuple[Mode, ...]:
    """What runs (of each `start` requirement), and each position of a mode switch: of a control subsystem whose name or
    text has the word *mode*. Without either, each state of every control subsystem."""
    running = [Mode(f"while {formula_text(system, r.subject)}", r.subject) for r in _starts(system)]
    if asked.modes is None:
        chosen = [s.number for s in system.subsystems if s.role == "control" and _says(s.name, s.text, "mode")]
        if not chosen and not running:
            chosen = [s.number for s in system.subsystems if s.role == "control"]
    else:
        chosen = list(asked.modes)
    switches = [
        Mode(f"while {formula_text(system, InState(n, (state,)))}", InState(n, (state,)))
        for n in chosen
        for state in range(len(system.subsystems[n].states))
    ]
    return tuple({mode.name: mode for mode in (*running, *switches)}.values())


def _starts(system: System) -> list[Requirement]:
    return [r for r in system.requirements if r.form == "start"]


def _says(name: str, text: str, word: str) -> bool:
    return re.search(rf"(?<![a-z]){word}", f"{name.replace('_', ' ')} {text}".lower()) is not None


def stops_of(system: System, asked: Asked) -> tuple[Event, ...]:
    """The events that call an emergency stop: those named by the user, else those on which a control subsystem whose
    name or text has the word *stop* leaves its initial state."""
    if asked.stops is not None:
        return tuple(system.events[n] for n in asked.stops)
    found: dict[int, None] = {}
    for s in system.subsystems:
        if s.role == "control" and _says(s.name, s.text, "stop"):
            for n in s.transitions:
                t = system.transitions[n]
                if t.event is not None and t.source == s.initial and system.events[t.event].subsystem == s.number:
                    found[t.event] = None
    return tuple(system.events[n] for n in sorted(found))
