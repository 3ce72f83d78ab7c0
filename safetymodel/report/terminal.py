"""Results in a terminal: coloured and wrapped there, plain lines in a pipe. The one room that knows rich.

Colour never carries meaning by itself; all text of a spec is shown as it stands, never as markup, with control
characters made visible.
"""

from __future__ import annotations

import os
import shutil
import sys
import textwrap
import time
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from itertools import zip_longest
from typing import TYPE_CHECKING, TextIO

from safetymodel.explore.engine import Progress
from safetymodel.problems import Problem, printable
from safetymodel.report.said import Block, Grid, RunView, UnreadView, Words, said_of

if TYPE_CHECKING:
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

_RICH_STYLES = {"": "", "good": "green", "bad": "bold red", "doubt": "yellow", "strong": "bold", "quiet": "dim"}

NARROWEST = 40
"""Columns below which lines are not wrapped any narrower."""


def print_result(result: RunView | UnreadView, quiet: bool = False) -> None:
    """Everything about one verification on standard output; problems of the spec on standard error."""
    if not isinstance(result, RunView):
        print_problems(result.problems)
        count = sum(p.severity == "error" for p in result.problems)
        errors = f"{count} error" + ("s" if count != 1 else "")
        show((Words(((f"{result.file}: not verified, {errors}", "bad"),)),), sys.stderr)
        return
    if quiet and result.problems:
        count = len(result.problems)
        warnings = f"{count} warning" + ("s" if count != 1 else "")
        show((Words(((f"{result.system.file}: {warnings}, shown without --quiet", "doubt"),)),), sys.stderr)
    else:
        print_problems(result.problems)
    show((*said_of(result, quiet), None), sys.stdout)


def print_problems(problems: Iterable[Problem]) -> None:
    """Each problem with its place, source line and hint, on standard error."""
    listed = list(problems)
    if not listed:
        return
    if not is_colourful(sys.stderr):
        for problem in listed:
            _write(sys.stderr, problem.as_text() + "\n")
        return
    from rich.text import Text

    console = _console(sys.stderr)
    for problem in listed:
        text = Text(_encodable(problem.as_text(), sys.stderr))
        word = f"{problem.severity}:"
        start = text.plain.find(word)
        style = _RICH_STYLES["bad" if problem.severity == "error" else "doubt"]
        text.stylize(style, max(start, 0), max(start, 0) + len(word))
        console.print(text, soft_wrap=True)


def say(text: str) -> None:
    """One line of text on standard output, whatever its encoding can take; for a dialogue."""
    _write(sys.stdout, printable(text) + "\n")
    sys.stdout.flush()


def is_terminal(stream: TextIO) -> bool:
    try:
        return stream.isatty()
    except ValueError:  # closed
        return False


def is_colourful(stream: TextIO) -> bool:
    """Whether colours and box lines are wanted: a terminal that can, and no NO_COLOR."""
    return is_terminal(stream) and not os.environ.get("NO_COLOR") and os.environ.get("TERM") not in ("dumb", "")


def show(blocks: Iterable[Block], stream: TextIO) -> None:
    """Print blocks: with rich where the stream takes colour, else plain; wrapped only in a terminal."""
    if is_colourful(stream):
        _show_rich(blocks, stream)
        return
    width = max(NARROWEST, shutil.get_terminal_size().columns) if is_terminal(stream) else None
    for block in blocks:
        for line in plain_lines(block, width):
            _write(stream, line + "\n")


def plain_lines(block: Block, width: int | None = None) -> Iterator[str]:
    """The lines of a block without any escape codes; not wrapped where ``width`` is None."""
    if block is None:
        yield ""
    elif isinstance(block, Words):
        yield from _wrapped("".join(text for text, _ in block.pieces), block.indent, block.hang, width)
    else:
        yield from _plain_grid(block, width)


def _wrapped(text: str, indent: int, hang: int, width: int | None) -> Iterator[str]:
    text = printable(text).rstrip()
    lead = " " * (len(text) - len(text.lstrip()))
    if width is None or indent + len(text) <= width:
        yield f"{' ' * indent}{text}"
        return
    yield from textwrap.wrap(
        text.strip(),
        width,
        initial_indent=" " * indent + lead,
        subsequent_indent=" " * min(indent + hang, width // 2),
        break_on_hyphens=False,
    )


def _plain_grid(grid: Grid, width: int | None) -> Iterator[str]:
    rows = [[printable(text) for text in grid.headings], *([printable(text) for text, _ in row] for row in grid.rows)]
    widths = column_widths(rows, width, 2)
    for row in rows:
        cells = [textwrap.wrap(cell, room, break_on_hyphens=False) for cell, room in zip(row, widths, strict=True)]
        for line in zip_longest(*cells, fillvalue=""):
            yield "  ".join(f"{cell:<{room}}" for cell, room in zip(line, widths, strict=True)).rstrip()


SHORT = 14
"""Letters up to which a column is never folded."""

LEAST = 8
"""Columns of the terminal that a folded column keeps, however narrow all is."""


def column_widths(rows: list[list[str]], width: int | None, gap: int) -> list[int]:
    """The width of each column of a table (headings are the first row), all of it within ``width`` where that is given.

    Where that is too little, names, in the first column, fold to a third; short columns stay whole; the long ones
    share what is left, and what one of them does not need goes to the longer. Where nothing is left names fold further.
    """
    needs = [max(map(len, column)) for column in zip(*rows, strict=True)]
    if width is None:
        return needs
    left = width - gap * (len(needs) - 1)
    if sum(needs) <= left:
        return needs
    found = list(needs)
    found[0] = min(needs[0], max(width // 3, len(rows[0][0])))
    if sum(found) <= left:
        return found
    long = [n for n in range(1, len(needs)) if needs[n] > SHORT] or [len(needs) - 1]
    left -= sum(found[n] for n in range(len(needs)) if n not in long)
    for count, n in enumerate(sorted(long, key=lambda n: needs[n])):
        found[n] = max(LEAST, min(needs[n], left // (len(long) - count)))
        left -= found[n]
    if left < 0:  # then the names give way
        found[0] = max(min(found[0], LEAST), found[0] + left)
    return found


def _write(stream: TextIO, text: str) -> None:
    stream.write(_encodable(text, stream))


def _encodable(text: str, stream: TextIO) -> str:
    """The text with characters that the stream cannot take written out as escapes."""
    encoding = getattr(stream, "encoding", None) or "utf-8"
    return text.encode(encoding, "backslashreplace").decode(encoding)


def _console(stream: TextIO) -> Console:
    from rich.console import Console

    return Console(file=stream, highlight=False, markup=False, emoji=False)


def _show_rich(blocks: Iterable[Block], stream: TextIO) -> None:
    console = _console(stream)
    for block in blocks:
        if block is None:
            console.print()
        elif isinstance(block, Words):
            for line in _rich_lines(block, console, stream):
                console.print(line, no_wrap=True, overflow="ignore", crop=False)
        else:
            console.print(_rich_grid(block, console.width, stream))


def _rich_lines(words: Words, console: Console, stream: TextIO) -> Iterator[Text]:
    """The paragraph wrapped to the terminal's width; further lines hang."""
    from rich.text import Text

    text = _rich_text(words.pieces, stream)
    text.rstrip()
    indent = min(words.indent, console.width // 3)
    hang = min(words.hang, console.width // 4)
    while True:
        lead = Text(" " * indent)
        lines = text.wrap(console, max(console.width - indent, 10))
        first = lines[0] if lines else Text()
        used = len(first.plain)
        first.rstrip()
        yield lead + first
        rest = text[used:]
        if hang:
            indent, hang = indent + hang, 0
        rest = rest[len(rest.plain) - len(rest.plain.lstrip()) :]
        if not rest.plain:
            return
        text = rest


def _rich_text(pieces: Iterable[tuple[str, str]], stream: TextIO) -> Text:
    from rich.text import Text

    text = Text()
    for piece, style in pieces:
        text.append(_encodable(printable(piece), stream), _RICH_STYLES[style])
    return text


def _rich_grid(grid: Grid, width: int, stream: TextIO) -> Table:
    from rich import box
    from rich.table import Table

    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, show_edge=False)
    rows = [list(grid.headings), *([_encodable(printable(text), stream) for text, _ in row] for row in grid.rows)]
    for heading, room in zip(grid.headings, column_widths(rows, width, 3), strict=True):
        table.add_column(heading, overflow="fold", width=room)
    for row in grid.rows:
        table.add_row(*(_rich_text((piece,), stream) for piece in row))
    return table


SPIN_AFTER = 0.4
"""Seconds before a sign of life appears."""

_REFRESH = 0.1


@contextmanager
def progress() -> Iterator[Progress]:
    """A callable to report work with; it shows a transient line on standard error, in a terminal only."""
    if not is_colourful(sys.stderr):
        yield _silent
        return
    started = shown = time.monotonic()
    stream = sys.stderr  # what shows a status puts something else in its place
    status = None

    def report(what: str, states: int) -> None:
        nonlocal shown, status
        now = time.monotonic()
        if now - started < SPIN_AFTER or now - shown < _REFRESH:
            return
        shown = now
        text = _encodable(printable(f"{what}, {states:,} states" if states else what), stream)
        if status is None:
            from rich.status import Status
            from rich.text import Text

            console = _console(stream)
            spinner = "dots" if console.encoding.startswith("utf") else "line"  # which every code page has
            status = Status(Text(text), console=console, spinner=spinner, refresh_per_second=8)
            status.start()
        else:
            from rich.text import Text

            status.update(Text(text))

    try:
        yield report
    finally:
        if status is not None:
            status.stop()


def _silent(what: str, states: int) -> None:
    """Reports nothing."""
