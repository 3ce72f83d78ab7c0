"""Blocks of text as Markdown, for wikis and reviews of changes. Text of a spec is escaped."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator

from safetymodel.problems import printable
from safetymodel.report.said import Block, Grid, Words

_MARKS = re.compile(r"([\\`*_{}\[\]<>#|~&!])")


def escaped(text: str) -> str:
    """Text without any meaning for Markdown or HTML."""
    return _MARKS.sub(r"\\\1", printable(text).replace("\n", " "))


def as_markdown(blocks: Iterable[Block]) -> str:
    """The blocks in their order: the first line a title, a line in bold alone a heading, indented lines lists."""
    lines: list[str] = []
    outer: list[int] = []
    for block in blocks:
        depth = 0
        if isinstance(block, Words):
            outer = [indent for indent in outer if 0 < indent < block.indent]
            depth = len(outer)
            outer.append(block.indent)
        lines.extend(_lines(block, depth, first=not lines))
    return re.sub(r"\n{3,}", "\n\n", "\n".join(lines).strip()) + "\n"


def _lines(block: Block, depth: int, first: bool) -> Iterator[str]:
    if block is None:
        yield ""
    elif isinstance(block, Grid):
        yield from ("", *_table(block), "")
    elif first:
        yield f"# {escaped(''.join(text for text, _ in block.pieces).strip())}"
        yield ""
    elif not block.indent and len(block.pieces) == 1 and block.pieces[0][1] == "strong":
        yield from ("", f"## {escaped(block.pieces[0][0])}", "")
    elif block.indent:
        yield f"{'  ' * depth}- {_words(block)}"
    else:
        yield from ("", _words(block))


def _words(block: Words) -> str:
    text = ""
    for piece, style in block.pieces:
        shown = escaped(piece)
        inner = shown.strip()
        bold = inner and style in ("strong", "bad")
        text += shown.replace(inner, f"**{inner}**", 1) if bold else shown
    return text.strip()


def _table(grid: Grid) -> Iterator[str]:
    yield f"| {' | '.join(escaped(h) for h in grid.headings)} |"
    yield f"|{'---|' * len(grid.headings)}"
    for row in grid.rows:
        yield f"| {' | '.join(escaped(text) for text, _ in row)} |"
