"""A cause-and-effect matrix as a page of its own, and as a table of comma-separated values.

Laid out as is usual under IEC 62881: causes are rows, with what they are on the left; effects are columns, with what
they are above; where both meet stands what the one does to the other. The marks are this tool's own, so a legend
stands on the page.
"""

from __future__ import annotations

import csv
import io
from typing import Any

from safetymodel.insight.matrix import Matrix
from safetymodel.model.system import System
from safetymodel.problems import printable
from safetymodel.report.matrix_words import (
    ABOUT,
    GROUPS,
    LEGEND,
    Lettered,
    active_text,
    cause_name,
    cause_text,
    effect_text,
    lettered,
    still_names,
)
from safetymodel.report.pages import own_markup, page
from safetymodel.report.said import CAUTION, one_line
from safetymodel.traces.wording import counted


def matrix_page(system: System, matrix: Matrix) -> str:
    """The page: self-contained, without script."""
    return page(
        "matrix.html.j2",
        title=one_line(system.title),
        file=system.file,
        sha256=system.sha256,
        caution=CAUTION,
        matrix=matrix_view(system, matrix),
        style=own_markup(page("style.css.j2")),
    )


def matrix_view(system: System, matrix: Matrix) -> dict[str, Any]:
    """The matrix for the macros of ``parts.html.j2``: only the causes that have any mark."""
    told = lettered(system, matrix)
    groups = [(heading, [row for row in told.rows if matrix.causes[row].kind in kinds]) for heading, kinds in GROUPS]
    return {
        "about": _about(matrix),
        "unfinished": _unfinished(matrix),
        "effects": [
            (e.name, text if (text := effect_text(e)) != e.name.replace("_", " ") else "") for e in matrix.effects
        ],
        "groups": [(heading, [_row(system, matrix, told, row) for row in rows]) for heading, rows in groups if rows],
        "legend": LEGEND,
        "active": _active(system, matrix),
        "notes": told.notes,
        "still": ", ".join(still_names(system, matrix, told.still)),
    }


def _about(matrix: Matrix) -> str:
    every = "" if matrix.undecided else "all "
    return (
        f"Computed from the model over {every}{counted(matrix.situations, 'settled state')} that it reaches without "
        f"faults: {ABOUT} Rows are causes, columns are effects; layout after IEC 62881."
    )


def _unfinished(matrix: Matrix) -> str:
    names = ", ".join(matrix.effects[column].name for column in matrix.undecided)
    return f"Not finished: {names} ({matrix.shortfall})." if names else ""


def _active(system: System, matrix: Matrix) -> list[tuple[str, str]]:
    return [(effect.name, text) for effect in matrix.effects if (text := active_text(system, effect))]


def _row(system: System, matrix: Matrix, told: Lettered, row: int) -> tuple[str, str, int, list[tuple[str, str]]]:
    cause = matrix.causes[row]
    cells = [(told.letters[row, column], _kind(matrix, row, column)) for column in range(len(matrix.effects))]
    return cause_name(system, cause), cause_text(system, cause), cause.span.line, cells


def _kind(matrix: Matrix, row: int, column: int) -> str:
    """What a cell looks like."""
    if marks := matrix.cells.get((row, column)):
        return "always" if all(mark.always for mark in marks) else "some"
    return "open" if column in matrix.undecided or (row, column) in matrix.untried else "none"


def matrix_csv(system: System, matrix: Matrix) -> str:
    """The matrix as comma-separated values: every cause, the legend and the notes below it."""
    told = lettered(system, matrix)
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(["cause", "kind", "what it is", "place", *(_cell(effect.name) for effect in matrix.effects)])
    for row, cause in enumerate(matrix.causes):
        letters = (told.letters[row, column] for column in range(len(matrix.effects)))
        kind = {"lost": "signal", "comes": "signal", "state": "state", "act": "act"}[cause.kind]
        name, what = _cell(cause_name(system, cause)), _cell(cause_text(system, cause))
        writer.writerow([name, kind, what, _cell(cause.span.short), *letters])
    writer.writerow([])
    for mark, meaning in LEGEND:
        writer.writerow([_cell(mark), "mark", meaning])
    for number, note in enumerate(told.notes, 1):
        writer.writerow([number, "note", _cell(note)])
    for name, active in _active(system, matrix):
        writer.writerow([_cell(name), "active", _cell(active)])
    writer.writerow(["", "shown", _about(matrix)])
    for column in matrix.undecided:
        writer.writerow([_cell(matrix.effects[column].name), "not finished", matrix.shortfall])
    return text.getvalue()


def _cell(text: str) -> str:
    """Text that a spreadsheet takes as text, whatever it begins with."""
    shown = printable(one_line(text))
    return f"'{shown}" if shown[:1] in ("=", "+", "@", "\t") or (shown[:1] == "-" and len(shown) > 1) else shown
