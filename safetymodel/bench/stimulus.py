"""What a bench does to a device, one thing at a time, and its names."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal

from safetymodel.model.formula import InState
from safetymodel.model.system import System
from safetymodel.names import did_you_mean
from safetymodel.problems import Problem
from safetymodel.span import NOWHERE
from safetymodel.spec.durations import milliseconds
from safetymodel.traces.wording import event_text, fault_text, formula_text, ticks_text, wait_text

Kind = Literal["event", "wait", "until", "fault", "jump"]


@dataclass(frozen=True, slots=True)
class Stimulus:
    """``number`` is the event's, the fault's (fault, jump), or a number of ticks (wait).

    An event may be one that the model blocks: then nothing may move. ``jump`` is the movement of a subsystem of
    itself, after its jump fault has struck. ``until`` is a wait that ends as soon as a subsystem is seen in a state
    (``seen``, both by number), and takes so many ticks at most.
    """

    kind: Kind
    number: int
    seen: tuple[int, int] | None = None

    @property
    def happenings(self) -> int:
        """How many happenings of the model it is; each tick is one."""
        return self.number if self.kind in ("wait", "until") else 1


def happenings_of(stimuli: tuple[Stimulus, ...] | list[Stimulus]) -> int:
    """The length of a sequence as the model counts: events, faults, jumps and ticks."""
    return sum(stimulus.happenings for stimulus in stimuli)


def stimulus_name(system: System, stimulus: Stimulus) -> str:
    """As a scenario writes it: ``lift.unfold``, ``wait 4 s``, ``fault k1_welded`` (a jump too)."""
    match stimulus.kind:
        case "event":
            return system.events[stimulus.number].name
        case "wait":
            return wait_text(system, stimulus.number)
        case "until":
            return f"wait until {seen_text(system, stimulus)}, at most {ticks_text(system, stimulus.number)}"
        case _:
            return f"fault {system.faults[stimulus.number].name}"


def stimulus_text(system: System, stimulus: Stimulus) -> str:
    """Who does what, for people."""
    match stimulus.kind:
        case "event":
            return event_text(system.events[stimulus.number])
        case "wait":
            return f"{ticks_text(system, stimulus.number)} pass"
        case "until":
            return f"up to {ticks_text(system, stimulus.number)} pass, until {seen_text(system, stimulus)}"
        case "fault":
            return fault_text(system.faults[stimulus.number])
        case "jump":
            return f"{fault_text(system.faults[stimulus.number])}, its jump"


def seen_text(system: System, stimulus: Stimulus) -> str:
    """What an ``until`` waits for, in words."""
    assert stimulus.seen is not None
    return formula_text(system, InState(stimulus.seen[0], (stimulus.seen[1],)))


def read_stimuli(system: System, names: list[str]) -> tuple[tuple[Stimulus, ...], Problem | None]:
    """The stimuli of these names, as far as they can be read, and what is wrong with the first that cannot.

    A jump fault strikes where it is first named, and jumps where it is named again.
    """
    events = {event.name: event.number for event in system.events}
    faults = {fault.name: fault.number for fault in system.faults}
    struck: set[int] = set()
    found: list[Stimulus] = []
    for place, name in enumerate(names, 1):
        text = " ".join(name.split())
        word, _, rest = text.partition(" ")
        if text in events:
            found.append(Stimulus("event", events[text]))
        elif word == "fault" and rest in faults:
            number = faults[rest]
            jumps = number in struck and system.faults[number].kind == "jump"
            struck.add(number)
            found.append(Stimulus("jump" if jumps else "fault", number))
        elif word == "wait":
            length = milliseconds(rest)
            if length is None or system.tick is None or length % system.tick or not length:
                tick = (
                    f"whole ticks of {ticks_text(system, 1)}" if system.tick is not None else "nothing: it has no time"
                )
                return tuple(found), _unread(place, text, f"this spec waits for {tick}")
            found.append(Stimulus("wait", int(length / system.tick)))
        else:
            known = [f"fault {f}" for f in faults] if word == "fault" else list(events)
            return tuple(found), _unread(place, text, did_you_mean(text, known))
    return tuple(found), None


def _unread(place: int, text: str, hint: str) -> Problem:
    shown = re.sub(r"\s+", " ", text)[:80]
    return Problem("unknown-stimulus", NOWHERE, f"stimulus {place}, `{shown}`, is none of this spec", hint)
