"""A cause-and-effect matrix as a page of its own, and as a table of comma-separated values.

Laid out as is usual under IEC 62881: causes are rows, with what they are on the left; effects are columns, with what
they are above; where both meet stands what the one does to the other. The marks are this tool's own, so a legend
stands on the page.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from html import escape

from safetymodel.insight.matrix import Matrix
from safetymodel.model.system import System
from safetymodel.problems import printable
from safetymodel.report.matrix_words import (
    GROUPS,
    LEGEND,
    NONE,
    Lettered,
    cause_name,
    cause_text,
    effect_text,
    lettered,
    still_names,
)
from safetymodel.report.said import CAUTION, one_line

STYLE = """
body { font: 13px/1.35 "Liberation Sans", Arial, sans-serif; color: #111; margin: 1.5em; }
h1 { font-size: 1.35em; margin: 0 0 .2em; } h2 { font-size: 1.05em; margin: 1.2em 0 .3em; }
p { margin: .3em 0; max-width: 70em; }
table { border-collapse: collapse; }
table.matrix th, table.matrix td { border: 1px solid #888; padding: 1px 5px; }
table.matrix thead th { position: sticky; top: 0; background: #fff; vertical-align: bottom; font-weight: normal; }
table.matrix thead th.effect { height: 11em; padding: 4px 1px; text-align: left; }
th.effect div { writing-mode: vertical-rl; transform: rotate(180deg); margin: 0 auto; white-space: nowrap; }
th.effect b { font-weight: bold; }
tbody th { text-align: left; font-weight: normal; white-space: nowrap; }
tbody th.group { background: #e4e4e4; font-weight: bold; white-space: normal; }
td { text-align: center; min-width: 2.2em; font-family: "Liberation Mono", monospace; white-space: nowrap; }
td.always { background: #cfdcec; font-weight: bold; } td.some { background: #f3ead2; } td.none { color: #999; }
td.text, td.place { text-align: left; font-family: inherit; } td.place { color: #555; }
table.legend td { text-align: left; padding: 0 1em 0 0; } table.legend td.mark { font-weight: bold; }
ol { margin: .2em 0; } tr:hover td, tr:hover th { outline: 1px solid #345; }
@page { size: A3 landscape; margin: 10mm; }
@media print { body { margin: 0; font-size: 9px; } table.matrix thead th { position: static; } thead {
  display: table-header-group; } tr { break-inside: avoid; } }
"""


def matrix_page(system: System, matrix: Matrix) -> str:
    """The page: self-contained, without script."""
    told = lettered(system, matrix)
    return "\n".join(_page(system, matrix, told)) + "\n"


def _text(text: str) -> str:
    return escape(printable(one_line(text)))


def _page(system: System, matrix: Matrix, told: Lettered) -> Iterator[str]:
    title = _text(system.title)
    yield '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">'
    yield f"<title>Causes and effects: {title}</title>\n<style>{STYLE}</style>\n</head>\n<body>"
    yield f"<h1>Causes and effects: {title}</h1>"
    yield f"<p>{_text(system.file)}, sha256 {_text(system.sha256[:12])}. {_text(_about(matrix))}</p>"
    if matrix.undecided:
        names = ", ".join(matrix.effects[column].name for column in matrix.undecided)
        yield f"<p><b>Not finished: {_text(names)} ({_text(matrix.shortfall)}). These columns are empty.</b></p>"
    yield '<table class="matrix">\n<thead><tr><th>cause</th><th>what it is</th><th>line</th>'
    for effect in matrix.effects:
        what = effect_text(effect)
        more = f"<b>{_text(effect.name)}</b>" + (f" {_text(what)}" if what != effect.name.replace("_", " ") else "")
        yield f'<th class="effect" title="{_text(what)}"><div>{more}</div></th>'
    yield "</tr></thead>\n<tbody>"
    for heading, kinds in GROUPS:
        rows = [row for row in told.rows if matrix.causes[row].kind in kinds]
        if rows:
            yield f'<tr><th class="group" colspan="{3 + len(matrix.effects)}">{_text(heading)}</th></tr>'
        for row in rows:
            yield _row(system, matrix, told, row)
    yield '</tbody>\n</table>\n<h2>Marks</h2>\n<table class="legend">'
    for mark, meaning in LEGEND:
        yield f'<tr><td class="mark">{_text(mark)}</td><td class="text">{_text(meaning)}</td></tr>'
    yield "</table>"
    if told.notes:
        yield "<h2>Only when</h2>\n<ol>"
        yield from (f"<li>{_text(note)}</li>" for note in told.notes)
        yield "</ol>"
    still = still_names(system, matrix, told.still)
    if still:
        yield f"<h2>Without an effect on any column</h2>\n<p>{_text(', '.join(still))}</p>"
    yield f"<p>{_text(CAUTION)}</p>\n</body>\n</html>"


def _about(matrix: Matrix) -> str:
    return (
        f"Computed from the model over all {matrix.situations:,} settled states that it reaches without faults: in "
        "each, the cause alone is put there, and the logic reacts. Rows are causes, columns are effects; layout after "
        "IEC 62881."
    )


def _row(system: System, matrix: Matrix, told: Lettered, row: int) -> str:
    cause = matrix.causes[row]
    name, text = _text(cause_name(system, cause)), _text(cause_text(system, cause))
    cells = [f'<tr><th>{name}</th><td class="text">{text}</td><td class="place">{cause.span.line}</td>']
    for column in range(len(matrix.effects)):
        letters = told.letters.get((row, column), NONE)
        marks = matrix.cells.get((row, column), ())
        kind = "none" if not marks else "always" if all(mark.always for mark in marks) else "some"
        cells.append(f'<td class="{kind}">{_text(letters)}</td>')
    return "".join(cells) + "</tr>"


def matrix_csv(system: System, matrix: Matrix) -> str:
    """The matrix as comma-separated values: every cause, the legend and the notes below it."""
    told = lettered(system, matrix)
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(["cause", "kind", "what it is", "place", *(_cell(effect.name) for effect in matrix.effects)])
    for row, cause in enumerate(matrix.causes):
        letters = (told.letters.get((row, column), NONE) for column in range(len(matrix.effects)))
        kind = {"lost": "signal", "comes": "signal", "state": "state", "act": "act"}[cause.kind]
        name, what = _cell(cause_name(system, cause)), _cell(cause_text(system, cause))
        writer.writerow([name, kind, what, _cell(cause.span.short), *letters])
    writer.writerow([])
    for mark, meaning in LEGEND:
        writer.writerow([_cell(mark), "mark", meaning])
    for number, note in enumerate(told.notes, 1):
        writer.writerow([number, "note", _cell(note)])
    writer.writerow(["", "shown", _about(matrix)])
    for column in matrix.undecided:
        writer.writerow([_cell(matrix.effects[column].name), "not finished", matrix.shortfall])
    return text.getvalue()


def _cell(text: str) -> str:
    """Text that a spreadsheet takes as text, whatever it begins with."""
    shown = printable(one_line(text))
    return f"'{shown}" if shown[:1] in ("=", "+", "@", "\t") or (shown[:1] == "-" and len(shown) > 1) else shown
