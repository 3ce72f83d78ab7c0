"""A commissioning sheet as Markdown, comma-separated values and a page to print (A4 across, black and white).

The sheet comes from `bench/sheets/sheets`, which this room does not know: it reads what the protocols here name.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Sequence
from typing import Any, Protocol

from safetymodel.problems import printable
from safetymodel.report.markdown import escaped
from safetymodel.report.pages import page
from safetymodel.traces.wording import counted


class LineView(Protocol):
    """A row of the sheet; see `bench.sheets.Line`."""

    @property
    def step(self) -> str: ...
    @property
    def requirement(self) -> str: ...
    @property
    def preconditions(self) -> str: ...
    @property
    def stimulus(self) -> str: ...
    @property
    def how(self) -> str: ...
    @property
    def wait(self) -> str: ...
    @property
    def expected(self) -> str: ...
    @property
    def restart(self) -> str: ...
    @property
    def reset(self) -> str: ...
    @property
    def fault(self) -> str: ...
    @property
    def shows(self) -> tuple[str, ...]: ...
    @property
    def observed(self) -> str: ...
    @property
    def verdict(self) -> str: ...


class SheetView(Protocol):
    """The sheet; see `bench.sheets.Sheet`."""

    @property
    def title(self) -> str: ...
    @property
    def file(self) -> str: ...
    @property
    def sha256(self) -> str: ...
    @property
    def cautions(self) -> tuple[str, ...]: ...
    @property
    def chapters(self) -> Sequence[Any]: ...
    @property
    def put_back(self) -> tuple[tuple[str, str], ...]: ...
    @property
    def simulated(self) -> tuple[tuple[str, str], ...]: ...
    @property
    def untested(self) -> Sequence[Any]: ...
    @property
    def where(self) -> tuple[tuple[str, str], ...]: ...
    @property
    def walks(self) -> int: ...
    @property
    def rows(self) -> int: ...
    @property
    def least(self) -> int: ...
    @property
    def shown(self) -> int: ...
    @property
    def goals(self) -> int: ...
    @property
    def shortfall(self) -> str: ...
    @property
    def worked(self) -> tuple[str, ...]: ...


OUTCOMES = {
    "untestable": "no reachable state can show it",
    "forbidden": "only where a requirement forbids the machine to be",
    "by order": "depends on the order of reaction",
    "hidden": "what comes after hides it",
    "open": "not planned",
}


def columns_of(line: LineView, removals: Sequence[str], last: bool) -> list[str]:
    """A row's texts, in the order of the columns; what the tester fills in is empty, unless a bench has."""
    shows = f" (shows: {'; '.join(line.shows)})" if line.shows else ""
    removed = f"[ ] {'; '.join(removals)}" if last and removals else ""
    return [
        line.step,
        line.requirement,
        line.preconditions,
        line.stimulus,
        line.how,
        line.wait,
        f"{line.expected}{shows}",
        line.observed,
        line.verdict,
        line.restart,
        line.reset,
        line.fault,
        removed,
        "",
        "",
        "",
    ]


def summary(sheet: SheetView) -> list[str]:
    """What the sheet is, and how far it reaches, in sentences."""
    walks = counted(sheet.walks, "walk")
    found = [f"{sheet.shown:,} of {sheet.goals:,} test goals are shown, by {walks} with {sheet.rows:,} rows."]
    if sheet.least:
        found.append(
            f"No plan for these goals has fewer than {sheet.least:,} rows (different stimuli, attempts that no one "
            "state can serve, the shortest way to what needs a fault); this one has "
            f"{sheet.rows / sheet.least:.1f} times as many."
        )
    if sheet.shortfall:
        found.append(f"The plan is not whole: {sheet.shortfall}.")
    if sheet.untested:
        goals = counted(len(sheet.untested), "goal is", "goals are")
        found.append(f"{goals} not tested; listed at the end with the reason.")
    return [*found, *sheet.worked]


def sheet_csv(sheet: SheetView, columns: Sequence[str]) -> str:
    """Every row under the columns; the list of what is to be put back at the end."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(columns)
    for chapter in sheet.chapters:
        for number, (what, expected) in enumerate(chapter.checks, 1):
            row = [""] * len(columns)
            row[0], row[3], row[6] = f"{chapter.number}.{number}", what, expected
            writer.writerow([_cell(value) for value in row])
        for part in chapter.parts:
            for place, line in enumerate(part.lines, 1):
                values = columns_of(line, part.removals, place == len(part.lines))
                writer.writerow([_cell(value) for value in values])
            row = [""] * len(columns)
            row[0], row[3] = f"after {part.number}", f"back to the initial state: {part.back}"
            writer.writerow([_cell(value) for value in row])
    for step, what in sheet.put_back:
        row = [""] * len(columns)
        row[0], row[3], row[12] = f"end, {step}", what, "[ ]"
        writer.writerow([_cell(value) for value in row])
    return text.getvalue()


def _cell(text: str) -> str:
    """Text that no spreadsheet takes for a formula."""
    shown = printable(text).replace("\n", " ")
    return f"'{shown}" if shown[:1] in ("=", "+", "-", "@") else shown


def sheet_markdown(sheet: SheetView, columns: Sequence[str]) -> str:
    return "\n".join(_markdown(sheet, columns)) + "\n"


def _markdown(sheet: SheetView, columns: Sequence[str]) -> Iterator[str]:
    yield f"# Commissioning sheet: {escaped(sheet.title)}"
    yield f"\nSpec `{printable(sheet.file).replace('`', '')}`, SHA-256 `{sheet.sha256}`.\n"
    yield from (f"- {escaped(text)}" for text in summary(sheet))
    yield "\n## Cautions\n"
    yield from (f"- {escaped(text)}" for text in sheet.cautions)
    for chapter in sheet.chapters:
        yield f"\n## {chapter.number} {escaped(chapter.title)}\n\n{escaped(chapter.text)}\n"
        if chapter.checks:
            yield from _table(
                ("step", "what", "expected", "observed", "pass or fail", "tester", "witness", "date"),
                [
                    [f"{chapter.number}.{number}", what, expected, "", "", "", "", ""]
                    for number, (what, expected) in enumerate(chapter.checks, 1)
                ],
            )
        for part in chapter.parts:
            yield f"\n### Walk {part.number}\n"
            last = len(part.lines)
            rows = [columns_of(line, part.removals, place == last) for place, line in enumerate(part.lines, 1)]
            yield from _table(columns, rows)
            yield f"Back to the initial state: {escaped(part.back)}.\n"
    yield "\n## To be put back\n"
    yield from _table(
        ("step", "what", "taken off", "tester", "witness"), [[step, what, "", "", ""] for step, what in sheet.put_back]
    )
    if sheet.simulated:
        yield "\nSimulated inputs, where the real thing was not used:\n"
        yield from _table(
            ("first used in step", "what", "taken off", "tester", "witness"),
            [[step, what, "", "", ""] for step, what in sheet.simulated],
        )
    if sheet.untested:
        yield "\n## Not tested, and why\n"
        yield from _table(
            ("goal", "outcome", "reason", "spec"),
            [[u.goal, OUTCOMES.get(u.outcome, u.outcome), u.reason, u.source] for u in sheet.untested],
        )
    yield "\n## What is shown where\n"
    yield from _table(("goal", "step"), [list(pair) for pair in sheet.where])


def _table(headings: Sequence[str], rows: Sequence[Sequence[str]]) -> Iterator[str]:
    yield f"| {' | '.join(headings)} |"
    yield f"|{' --- |' * len(headings)}"
    for row in rows:
        yield f"| {' | '.join(escaped(value) for value in row)} |"
    yield ""


def sheet_page(sheet: SheetView) -> str:
    """The page to print: self-contained, black and white, without script."""
    return page("sheet.html.j2", sheet=sheet, summary=summary(sheet), outcomes=OUTCOMES, in_print=in_print)


def in_print(lines: Sequence[LineView]) -> list[list[LineView]]:
    """The rows as they are printed: those that only lead on, and show nothing themselves, together in one, as long as
    the same was observed in them."""
    found: list[list[LineView]] = []
    for line in lines:
        leads = not (line.shows or line.restart or line.reset)
        last = found[-1][-1] if found else None
        alike = last is not None and (last.observed, last.verdict) == (line.observed, line.verdict)
        if leads and alike and last is not None and not (last.shows or last.restart or last.reset):
            found[-1].append(line)
        else:
            found.append([line])
    return found
