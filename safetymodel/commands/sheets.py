"""`safetymodel sheets SPEC`"""

from __future__ import annotations

import sys
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from safetymodel.commands.shared import (
    JsonFile,
    Memory,
    Modes,
    Seconds,
    Spec,
    Stops,
    after_writing,
    ended_by_limits,
    listed,
    size_in_bytes,
)
from safetymodel.files import json_text

if TYPE_CHECKING:
    from safetymodel.bench.sheets.sheets import Sheet

EXIT_CODES = (
    "Exit codes: 0 the sheet is planned to the end; 2 the spec or the call has problems; 3 a limit ended the planning, "
    "and the sheet is not whole. What cannot be tested is listed on the sheet, and is no error."
)


def sheets(
    spec: Spec,
    out: Annotated[
        Path, typer.Option("--out", metavar="DIR", help="Where sheet.md, sheet.csv and sheet.html go.")
    ] = Path("sheets"),
    modes: Modes = None,
    stops: Stops = None,
    mechanical: Annotated[
        bool, typer.Option("--mechanical", help="Test the parts of `physically` conditions too.")
    ] = False,
    switches: Annotated[
        int | None,
        typer.Option(
            "--switches",
            metavar="N",
            min=0,
            max=5,
            help="A walk through every sequence of N+1 steps too (small specs).",
        ),
    ] = None,
    json_file: JsonFile = None,
    seconds: Seconds = None,
    memory: Memory = None,
    quiet: Annotated[bool, typer.Option("--quiet", help="Write the files, print nothing but problems.")] = False,
) -> int:
    """Plan the commissioning: a sheet of test rows that shows every interlock, reset, fault, stop and way out."""
    from safetymodel.bench.sheets.commission import Commissioning, commission
    from safetymodel.explore.engine import Limits
    from safetymodel.pipeline import save_text
    from safetymodel.problems import errors
    from safetymodel.report import sheet_pages, terminal
    from safetymodel.report.sheets_said import figure_lines
    from safetymodel.span import NOWHERE

    named = (None if modes is None else listed(modes), None if stops is None else listed(stops))
    limits = Limits(seconds=seconds, memory=size_in_bytes(memory))
    with ended_by_limits(), terminal.progress() as progress:
        found = commission(spec, *named, mechanical, switches, limits, progress)
    if not isinstance(found, Commissioning):
        terminal.print_problems([p for p in errors(found) if p.span == NOWHERE] or found)
        return 2
    terminal.print_problems(found.problems)
    sheet = found.sheet
    code = 3 if sheet.shortfall else 0
    written, code = write_sheet(sheet, out, code)
    if not written:
        return code
    told = {**asdict(sheet), "figures": None if found.figures is None else asdict(found.figures)}
    if json_file == "-":
        sys.stdout.write(json_text({"format": 1, **told}))
        return code
    if json_file is not None:
        code = after_writing(save_text(Path(json_file), json_text({"format": 1, **told})), code)
    if not quiet:
        for line in (sheet.title, *sheet_pages.summary(sheet), *figure_lines(found.figures)):
            terminal.say(line)
        for path in written:
            terminal.say(f"wrote {path}")
    return code


def write_sheet(sheet: Sheet, out: Path, code: int) -> tuple[tuple[Path, ...], int]:
    """Write the sheet into a folder, as Markdown, comma-separated values and a page; (files, exit code)."""
    from safetymodel.bench.sheets.sheets import COLUMNS
    from safetymodel.files import cannot_write
    from safetymodel.pipeline import save_text
    from safetymodel.report import sheet_pages

    texts = {
        "sheet.md": sheet_pages.sheet_markdown(sheet, COLUMNS),
        "sheet.csv": sheet_pages.sheet_csv(sheet, COLUMNS),
        "sheet.html": sheet_pages.sheet_page(sheet),
    }
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        return (), after_writing((cannot_write(out, error),), code)
    for name, text in texts.items():
        code = after_writing(save_text(out / name, text), code)
    return tuple(out / name for name in texts), code
