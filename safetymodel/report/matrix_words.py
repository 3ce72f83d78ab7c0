"""The marks of a cause-and-effect matrix, in letters and in words."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from safetymodel.insight.causes import Cause, Effect
from safetymodel.insight.matrix import TICK, Mark, Matrix, Untried
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
NONE, SELF, UNFINISHED = "\N{MIDDLE DOT}", "-", "?"
UNTRIED: dict[Untried, str] = {"stop": "x", "start": "o"}

ABOUT = (
    "in each, where a cause can come, it is put there alone, and the logic reacts. A state is come into from where one "
    "of its subsystem's own transitions leads to it, as far as nature lets it; its `if` is not asked. An act happens "
    "where it moves something; a signal reads so anywhere."
)
"""The rule of the table, after how many situations there are."""

LEGEND: tuple[tuple[str, str], ...] = (
    ("N", "no start: while it lasts (after an act: then) the effect cannot be started"),
    ("S", "stops: the effect ends; when the cause goes, it comes back by itself (of an act: it ends)"),
    ("L", "stops and latches: the effect ends, and does not come back by itself when the cause goes"),
    ("A", "activates: the effect begins by itself"),
    ("capital letter", "always: in every situation in which it could"),
    ("small letter with a number", "only when: in the situations that the note of that number tells"),
    ("t after the letter", "delayed: not at once, but when time passes"),
    (NONE, "no effect: tried where the effect is active and where it could be started, or nothing leads to it"),
    (UNTRIED["stop"], "not tried whether it stops: the cause cannot come while the effect is active"),
    (
        UNTRIED["start"],
        "not tried whether it blocks or starts: the cause cannot come where the effect could be started",
    ),
    (UNFINISHED, "not finished: a limit ended the search first"),
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
    return min(((_WEIGHT.index(mark.does), not mark.always) for mark in marks), default=(len(_WEIGHT), 0))


_OPEN: dict[tuple[Untried, ...], str] = {
    ("stop",): "cannot come while it is active",
    ("start",): "cannot come where it could be started",
    ("stop", "start"): "cannot come while it is active, nor where it could be started",
}


def cell_words(system: System, matrix: Matrix, row: int, column: int) -> str:
    """All that is said of one cell; empty where the cause was tried and does nothing."""
    told = [mark_words(system, mark) for mark in matrix.cells.get((row, column), ())]
    if (row, column) in matrix.untried:
        told.append(_OPEN[matrix.untried[row, column]])
    return "; ".join(told)


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


def active_text(system: System, effect: Effect) -> str:
    """When the effect counts as active, where no function says it: ``active in lowering, in_water and raising``; of
    more than one state with what to do about it. Empty for a function."""
    if effect.is_function or not isinstance(effect.active, InState):
        return ""
    this = system.subsystems[effect.active.subsystem]
    states = [name for number, name in enumerate(this.states) if number not in effect.active.states]
    text = f"active in {and_list(states)}"
    return text if len(states) == 1 else f"{text}; declare `functions:` to say otherwise"


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
    """A matrix in letters: every cell, with :data:`NONE` too. ``rows`` are the causes (numbers) with anything else;
    ``still`` are the others, as far as none is open or a part of an effect itself. ``notes`` are numbered from 1."""

    rows: tuple[int, ...]
    still: tuple[int, ...]
    letters: dict[tuple[int, int], str]
    notes: tuple[str, ...]


def lettered(system: System, matrix: Matrix) -> Lettered:
    """The letters of each cell, with notes for all that is not always so."""
    notes: dict[str, int] = {}
    letters: dict[tuple[int, int], str] = {}
    own = set(own_cells(matrix))
    for row in range(len(matrix.causes)):
        for column in range(len(matrix.effects)):
            letters[row, column] = " ".join(_letters(system, matrix, (row, column), own, notes))
    columns = range(len(matrix.effects))
    rows = tuple(
        row for row in range(len(matrix.causes)) if {letters[row, column] for column in columns} - {NONE, SELF}
    )
    others = [row for row in range(len(matrix.causes)) if row not in rows]
    still = tuple(row for row in others if all(letters[row, column] == NONE for column in columns))
    return Lettered(rows, still, letters, tuple(notes))


def _letters(
    system: System, matrix: Matrix, cell: tuple[int, int], own: set[tuple[int, int]], notes: dict[str, int]
) -> Iterator[str]:
    if cell in own:
        yield SELF
    elif cell[1] in matrix.undecided:
        yield UNFINISHED
    elif cell not in matrix.cells and cell not in matrix.untried:
        yield NONE
    for mark in matrix.cells.get(cell, ()):
        letter = LETTERS[mark.does] if mark.always else LETTERS[mark.does].lower()
        letter += "t" if mark.delayed else ""
        if not mark.always:
            letter += str(notes.setdefault(condition_text(system, mark), len(notes) + 1))
        yield letter
    yield from (UNTRIED[what] for what in matrix.untried.get(cell, ()))


def own_cells(matrix: Matrix) -> Iterator[tuple[int, int]]:
    """Where a cause is the state of a subsystem that the effect itself is about."""
    for row, cause in enumerate(matrix.causes):
        for column, effect in enumerate(matrix.effects):
            if cause.kind == "state" and cause.number in effect.subsystems:
                yield row, column


def still_names(system: System, matrix: Matrix, still: tuple[int, ...]) -> list[str]:
    """The causes that do nothing to any effect: a signal once, if neither of its readings does. None while a column is
    not finished."""
    if matrix.undecided:
        return []
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
