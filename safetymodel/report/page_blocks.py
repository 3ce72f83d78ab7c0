"""What the terminal says, as values that a page's template lays out: paragraphs and tables."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from safetymodel.report.said import Block, Grid, Piece, Words

DEEPEST = 10


@dataclass(frozen=True, slots=True)
class Shown:
    """One block. ``pieces`` is a paragraph, ``indent`` its step inwards; or ``headings`` and ``rows`` are a table.
    A ``heading`` is a paragraph that is all strong and follows a gap."""

    pieces: tuple[Piece, ...] = ()
    indent: int = 0
    heading: bool = False
    headings: tuple[str, ...] = ()
    rows: tuple[tuple[Piece, ...], ...] = ()
    label: str = ""


def shown(blocks: Iterable[Block]) -> list[Shown]:
    """The blocks in order; empty lines only tell headings from other strong lines."""
    found: list[Shown] = []
    gap = True
    latest = "Table"
    tables: dict[str, int] = {}
    for block in blocks:
        if block is None:
            gap = True
            continue
        if isinstance(block, Words):
            pieces = tuple(_trimmed(block.pieces))
            strong = gap and not block.indent and bool(pieces) and pieces[0][1] == "strong"
            if strong:
                latest = pieces[0][0]
            lead = len(block.pieces[0][0]) - len(block.pieces[0][0].lstrip()) if block.pieces else 0
            found.append(Shown(pieces, min((block.indent + lead) // 2, DEEPEST), strong))
        else:
            tables[latest] = tables.get(latest, 0) + 1
            found.append(_table(block, latest if tables[latest] == 1 else f"{latest} ({tables[latest]})"))
        gap = False
    return found


def _trimmed(pieces: Iterable[Piece]) -> list[Piece]:
    """Without the blanks that only line up text in a terminal."""
    listed = [piece for piece in pieces if piece[0]]
    while listed and not listed[0][0].strip():
        del listed[0]
    if listed:
        listed[0] = (listed[0][0].lstrip(), listed[0][1])
    return listed


def _table(grid: Grid, label: str) -> Shown:
    rows = grid.rows
    return Shown(headings=grid.headings, rows=rows, label=label)
