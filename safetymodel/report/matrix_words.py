"""The marks of a cause-and-effect matrix, in letters and in words."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from safetymodel.insight.causes import Cause, Effect
from safetymodel.insight.matrix import TICK, Mark, Matrix
from safetymodel.insight.when import When
from safetymodel.model.formula import InState
from safetymodel.model.system import System
from safetymodel.report.said import one_line
from safetymodel.traces.wording import and_list, formula_text

LETTERS = {"blocks": "N", "stops": "S", "latches": "L", "starts": "A"}
DOES = {
    "blocks": "blocks the start",
    "stops": "stops it",
    "latches": "stops it and latches",
    "starts": "starts it",
}
NONE, SELF = "\N{MIDDLE DOT}", "-"

LEGEND: tuple[tuple[str, str], ...] = (
    ("N", "no start: while it lasts (after an act: then) the effect cannot be started"),
    ("S", "stops: the effect ends; when the cause goes, it comes back by itself (of an act: it ends)"),
    ("L", "stops and latches: the effect ends, and does not come back by itself when the cause goes"),
    ("A", "activates: the effect begins by itself"),
    ("capital letter", "always: in every situation in which it could"),
    ("small letter with a number", "only when: in the situations that the note of that number tells"),
    ("t after the letter", "delayed: not at once, but when time passes"),
    (NONE, "no effect, in any situation"),
    (SELF, "the cause is a part of the effect itself"),
)

GROUPS: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("Signals, read wrong or by a change of their own", ("lost", "comes")),
    ("States of subsystems, come into and kept", ("state",)),
    ("Acts of operators, and other happenings from outside", ("act",)),
)


def cause_name(system: System, cause: Cause) -> str:
    """``outer_shut reads false``, ``panel is idle``, ``panel.ask_inner``."""
    match cause.kind:
        case "lost":
            return f"{system.signals[cause.number].name} reads false"
        case "comes":
            return f"{system.signals[cause.number].name} reads true"
        case "state":
            this = system.subsystems[cause.number]
            return f"{this.name} is {this.states[cause.state]}"
        case _:
            return system.events[cause.number].name


MOST_TOLD = 16
"""Causes of one sort that are named in a line; the table has them all."""


def causes_told(system: System, causes: Sequence[Cause]) -> str:
    """Many causes, each of which does it alone: ``a, b or c reads false; panel is idle; panel.ask_inner``."""
    told = []
    for kind, reads in (("lost", "false"), ("comes", "true")):
        names = [system.signals[c.number].name for c in causes if c.kind == kind]
        if names:
            told.append(f"{_some(names)} reads {reads}")
    for kind in ("state", "act"):
        names = [cause_name(system, c) for c in causes if c.kind == kind]
        if names:
            told.append(_some(names))
    return "; ".join(told)


def _some(names: list[str]) -> str:
    if len(names) > MOST_TOLD:
        names = [*names[: MOST_TOLD - 1], f"{len(names) - MOST_TOLD + 1} more"]
    return and_list(names, "or")


_WEIGHT = ("latches", "stops", "blocks", "starts")


def weight(marks: Sequence[Mark]) -> tuple[int, int]:
    """What is told first: what stops the effect, then what keeps it from starting; of these what is always so."""
    return min((_WEIGHT.index(mark.does), not mark.always) for mark in marks)


def cause_text(system: System, cause: Cause) -> str:
    """What people call it."""
    match cause.kind:
        case "lost" | "comes":
            return one_line(system.signals[cause.number].text)
        case "state":
            return one_line(system.subsystems[cause.number].text)
        case _:
            event = system.events[cause.number]
            return one_line(f"{event.by} {event.text}".strip())


def effect_text(effect: Effect) -> str:
    return one_line(effect.text) or effect.name.replace("_", " ")


def when_text(system: System, when: When) -> str:
    """``only while console is exposing``."""
    parts = [formula_text(system, InState(number, states)) for number, states in when.parts]
    if not parts:
        return "only in some situations, which no few states tell apart"
    text = f"only while {and_list(parts)}"
    return text if when.exact else f"{text}, and not always then"


def starts_text(system: System, mark: Mark) -> str:
    """Which ways of starting are blocked: ``only a start by console.expose``."""
    first = mark.starts[0][1]
    if len(mark.starts) == 1 and not mark.others and first is not None:
        return when_text(system, first)
    told = []
    for happening, when in mark.starts:
        name = "the passing of time" if happening == TICK else system.events[happening].name
        told.append(name if when is None else f"{name} ({when_text(system, when)})")
    return f"only a start by {and_list(told, 'or')}"


def condition_text(system: System, mark: Mark) -> str:
    """In which situations, where not always; else empty."""
    if mark.always:
        return ""
    if mark.starts:
        return starts_text(system, mark)
    return when_text(system, mark.when) if mark.when is not None else ""


def mark_words(system: System, mark: Mark) -> str:
    """``stops it and latches, only while console is exposing``."""
    text = DOES[mark.does] + (" after a time" if mark.delayed else "")
    condition = condition_text(system, mark)
    return f"{text}, {condition}" if condition else text


@dataclass(frozen=True, slots=True)
class Lettered:
    """A matrix in letters. ``rows`` are the causes (numbers) that have any mark; ``still`` the others. ``notes`` are
    numbered from 1."""

    rows: tuple[int, ...]
    still: tuple[int, ...]
    letters: dict[tuple[int, int], str]
    notes: tuple[str, ...]


def lettered(system: System, matrix: Matrix) -> Lettered:
    """The letters of each cell, with notes for all that is not always so."""
    notes: dict[str, int] = {}
    letters: dict[tuple[int, int], str] = {}
    for cell, marks in matrix.cells.items():
        told = []
        for mark in marks:
            letter = LETTERS[mark.does] if mark.always else LETTERS[mark.does].lower()
            letter += "t" if mark.delayed else ""
            if not mark.always:
                letter += str(notes.setdefault(condition_text(system, mark), len(notes) + 1))
            told.append(letter)
        letters[cell] = " ".join(told)
    for row, column in own_cells(matrix):
        letters.setdefault((row, column), SELF)
    acting = {row for row, _ in matrix.cells}
    rows = tuple(row for row in range(len(matrix.causes)) if row in acting)
    own = {row for row, _ in own_cells(matrix)}
    still = tuple(row for row in range(len(matrix.causes)) if row not in acting and row not in own)
    return Lettered(rows, still, letters, tuple(notes))


def own_cells(matrix: Matrix) -> Iterator[tuple[int, int]]:
    """Where a cause is the state of a subsystem that the effect itself is about."""
    for row, cause in enumerate(matrix.causes):
        for column, effect in enumerate(matrix.effects):
            if cause.kind == "state" and cause.number in effect.subsystems:
                yield row, column


def still_names(system: System, matrix: Matrix, still: tuple[int, ...]) -> list[str]:
    """The causes that do nothing to any effect: a signal once, if neither of its readings does."""
    silent = {(matrix.causes[row].kind, matrix.causes[row].number) for row in still}
    names = []
    for row in still:
        cause = matrix.causes[row]
        if cause.kind in ("lost", "comes"):
            other = "comes" if cause.kind == "lost" else "lost"
            if (other, cause.number) in silent:
                if cause.kind == "lost":
                    names.append(system.signals[cause.number].name)
                continue
            if cause.kind == "comes":
                continue  # most signals do nothing when they read what they should
        names.append(cause_name(system, cause))
    return names
