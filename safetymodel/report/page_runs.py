"""Runs for a page: a table that reads by itself, and the same as data for stepping through it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from safetymodel.claims.verdict import Trace
from safetymodel.model.formula import InState, SignalTrue, atoms
from safetymodel.model.state import State, changes, fault_numbers
from safetymodel.model.step import Step
from safetymodel.model.system import System
from safetymodel.problems import printable
from safetymodel.report.said import one_line
from safetymodel.traces.blocked import obstacle_text
from safetymodel.traces.fold import folded
from safetymodel.traces.wording import formula_text, step_text, ticks_text


@dataclass(frozen=True, slots=True)
class Moved:
    """One subsystem that came to another state."""

    name: str
    label: str
    old: str
    new: str


@dataclass(frozen=True, slots=True)
class Row:
    """One step of a run. ``number`` counts happenings (empty for the start and for reactions), ``who`` acts, ``kind``
    is that of the step, or ``start``."""

    number: str
    kind: str
    who: str
    what: str
    moved: tuple[Moved, ...]
    place: str
    state: State


def run_rows(system: System, trace: Trace) -> tuple[Row, ...]:
    """The start, every happening (or run of ticks that nothing interrupts), and every reaction, in order."""
    rows: list[Row] = []
    for group in folded(trace):
        state = group.landed
        if group.step is None:
            rows.append(Row("", "start", "", "the start", (), "", state))
        else:
            number = str(group.first) if group.first == group.last else f"{group.first}-{group.last}"
            ticks = max(group.ticks, 1)
            what = step_text(system, group.step, group.before, ticks)
            rows.append(_row(system, group.step, group.before, group.landed, number, what))
        for reaction in group.reactions:
            rows.append(_row(system, reaction, state, reaction.after, "", step_text(system, reaction, state)))
            state = reaction.after
    return tuple(rows)


def _row(system: System, step: Step, before: State, after: State, number: str, what: str) -> Row:
    who, place = "", ""
    match step.kind:
        case "event":
            event = system.events[step.number]
            who, place = event.by or "somebody", event.span.short
            what = event.text or event.name
            what = f"{what} ({event.name})" if event.text else what
        case "fault" | "jump":
            who, place = "component fault", system.faults[step.number].span.short
        case "tick":
            who = "time"
        case "time":
            who, place = "time", system.transitions[step.number].span.short
        case "reaction":
            who, place = "the logic", system.transitions[step.number].span.short
    moved = tuple(
        Moved(
            system.subsystems[n].name,
            system.subsystems[n].label,
            system.subsystems[n].states[old],
            system.subsystems[n].states[new],
        )
        for n, old, new in changes(before, after)
    )
    if step.kind == "reaction":
        note = system.transitions[step.number].text
        waited = system.transitions[step.number].latest
        what = note or "reacts" + (f", after {ticks_text(system, waited)}" if waited else "")
    return Row(number, step.kind, who, printable(one_line(what)), moved, place, after)


def run_json(system: System, rows: tuple[Row, ...], places: tuple[tuple[float, ...], ...] = ()) -> dict[str, Any]:
    """The run for a page's script: the states at the start, what each step changed, its column in the chart."""
    first = rows[0].state
    frames: list[dict[str, Any]] = []
    before = first
    for row in rows:
        frame: dict[str, Any] = {"said": _said(row), "set": [[n, new] for n, _, new in changes(before, row.state)]}
        up = [system.faults[f].name for f in fault_numbers(row.state.flags)]
        if up:
            frame["faults"] = up
        frames.append(frame)
        before = row.state
    if len(places) == len(frames):
        for frame, place in zip(frames, places, strict=True):
            frame["at"] = [round(value, 1) for value in place]
    return {"start": list(first.states), "frames": frames}


def _said(row: Row) -> str:
    """The step in one sentence, as it is read out."""
    lead = f"{row.number}. " if row.number else ""
    moves = ", ".join(f"{m.name}: {m.old} to {m.new}" for m in row.moved)
    return f"{lead}{f'{row.who}: ' if row.who else ''}{row.what}" + (f"; {moves}" if moves else "")


def held_open(system: System, trace: Trace) -> tuple[str, ...]:
    """Why the logic did not take back what the last moves rested on: for each subsystem whose state their conditions
    need, the automatic ways out of that state, and what keeps each from firing."""
    places = [n for n, step in enumerate(trace.steps) if step.moved]
    if not places:
        return ()
    last = trace.steps[places[-1]]
    before = trace.steps[places[-1] - 1].after if places[-1] else trace.start
    moving = {system.transitions[n].subsystem for n in last.moved}
    lines: dict[str, None] = {}
    for subsystem in _resting_on(system, last):
        if subsystem in moving:
            continue
        for number in system.subsystems[subsystem].transitions:
            t = system.transitions[number]
            if t.event is None and t.source == before.states[subsystem]:
                text = obstacle_text(system, before, t)
                if text:
                    lines[text] = None
    return tuple(lines)[:MOST_HELD]


MOST_HELD = 8


def _resting_on(system: System, step: Step) -> list[int]:
    """The subsystems that the conditions of a step's moves name themselves, not by way of a signal."""
    found: dict[int, None] = {}
    for n in step.moved:
        for formula in (system.transitions[n].interlock, system.transitions[n].physical):
            for atom in atoms(formula):
                if isinstance(atom, InState):
                    found[atom.subsystem] = None
    return list(found)


def signals_behind(system: System, trace: Trace) -> tuple[tuple[str, str, str], ...]:
    """(name, what it is, what it reads) of the signals that the conditions of the last moves read, however far."""
    steps = [step for step in trace.steps if step.moved][-1:]
    found: dict[int, None] = {}
    todo = [
        formula
        for step in steps
        for n in step.moved
        for formula in (system.transitions[n].interlock, system.transitions[n].physical)
    ]
    while todo:
        for atom in atoms(todo.pop(0)):
            if isinstance(atom, SignalTrue) and atom.signal not in found:
                found[atom.signal] = None
                todo.append(system.signals[atom.signal].reads)
    signals = [system.signals[n] for n in found]
    return tuple((s.name, s.text or s.name.replace("_", " "), formula_text(system, s.reads)) for s in signals)
