"""SVG text written by hand: escaping, the width of words, a few shapes. Nothing here depends on the machine."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable, Sequence
from html import escape

from safetymodel.diagrams.dot_text import shown

FONT_FAMILY = "Arial, Helvetica, sans-serif"

_WIDE = 1.14
"""Browsers without Arial take a font that is wider than it by about so much (DejaVu Sans, Verdana)."""

_WIDTHS: tuple[tuple[str, float], ...] = (
    ("ijl'|", 0.23),
    (" !,./:;I[]\\ft", 0.28),
    ('"()-`r{}*', 0.36),
    ("ckJsvxyz^", 0.5),
    ("FTZ+<=>~", 0.6),
    ("&ABEKPSVXY", 0.67),
    ("CDHNRUw", 0.73),
    ("GOQ", 0.78),
    ("mM%", 0.87),
    ("W@", 1.0),
)
"""Widths of Arial's letters as a share of the size, rounded up (Adobe's metrics of Helvetica; values from memory,
which only decide how much room is left); any other letter of Latin script takes 0.56."""
_WIDTH_OF = {letter: width for letters, width in _WIDTHS for letter in letters}


def text_width(text: str, size: float) -> float:
    """How much room the text needs at this size, on the generous side."""
    return _WIDE * size * sum(_letter_width(c) for c in text)


def _letter_width(letter: str) -> float:
    known = _WIDTH_OF.get(letter)
    if known is not None:
        return known
    if letter.isascii():
        return 0.56
    return 1.0 if unicodedata.east_asian_width(letter) in "WF" else 0.7


def cut(text: str, width: float, size: float) -> str:
    """The text in one line, without control characters, ended by ``...`` where it needs more than ``width``."""
    line = shown(text[:1000])
    if len(text) <= 1000 and text_width(line, size) <= width:
        return line
    room = width - text_width("...", size)
    kept = 0
    while kept < len(line) and (room := room - _WIDE * size * _letter_width(line[kept])) >= 0:
        kept += 1
    return line[:kept].rstrip() + "..."


def name_lines(name: str, width: float, size: float, most: int) -> list[str]:
    """A name or a few words in at most ``most`` lines: broken after a blank or a dot, else after an underscore."""
    lines = [""]
    for part in _split(shown(name[:1000]), " ."):
        wide = text_width(part.rstrip(), size) > width
        for piece in _split(part, "_") if wide else [part]:
            if lines[-1] and text_width((lines[-1] + piece).rstrip(), size) > width:
                lines.append("")
            lines[-1] += piece
    if len(lines) > most:
        lines[most - 1 :] = ["".join(lines[most - 1 :])]
    return [cut(line.strip(), width, size) for line in lines]


def _split(text: str, ends: str) -> list[str]:
    """The text in pieces, each up to and with one or more of these letters."""
    parts: list[str] = []
    for letter in text:
        if parts and (parts[-1][-1] not in ends or letter in ends):
            parts[-1] += letter
        else:
            parts.append(letter)
    return parts


def number(value: float) -> str:
    """A coordinate with at most one decimal."""
    return f"{round(value, 1):g}" if abs(value) < 100_000 else f"{value:.0f}"


def opening(tag: str, **pairs: str | float) -> str:
    """An opening tag; ``_`` in a key stands for ``-``, values are escaped."""
    return f"<{tag}{_attributes(pairs)}>"


def element(tag: str, inside: str = "", /, **pairs: str | float) -> str:
    """An element; ``inside`` is SVG already."""
    return f"<{tag}{_attributes(pairs)}>{inside}</{tag}>" if inside else f"<{tag}{_attributes(pairs)}/>"


def _attributes(pairs: dict[str, str | float]) -> str:
    texts = ((key, value if isinstance(value, str) else number(value)) for key, value in pairs.items())
    return "".join(f' {key.rstrip("_").replace("_", "-")}="{escape(shown(text))}"' for key, text in texts)


def text(x: float, y: float, words: str, **pairs: str | float) -> str:
    """Words at a place, as they stand."""
    return element("text", escape(shown(words)) or " ", x=x, y=y, **pairs)


def hint(words: str) -> str:
    """What a browser shows where the pointer rests."""
    return element("title", escape(shown(words)) or " ")


def line(x1: float, y1: float, x2: float, y2: float, **pairs: str | float) -> str:
    return element("line", x1=x1, y1=y1, x2=x2, y2=y2, **pairs)


def rectangle(x: float, y: float, width: float, height: float, **pairs: str | float) -> str:
    return element("rect", x=x, y=y, width=width, height=height, **pairs)


def polygon(points: Iterable[tuple[float, float]], inside: str = "", /, **pairs: str | float) -> str:
    return element("polygon", inside, points=" ".join(f"{number(x)},{number(y)}" for x, y in points), **pairs)


def hatching(x: float, y: float, width: float, height: float, gap: float) -> str:
    """The path of slanting lines that fill a rectangle: told apart from a plain fill without any colour."""
    strokes = []
    offset = gap
    while offset < width + height:
        low, high = max(0.0, offset - height), min(width, offset)
        strokes.append(f"M{number(x + low)} {number(y + offset - low)}L{number(x + high)} {number(y + offset - high)}")
        offset += gap
    return "".join(strokes)


def document(width: float, height: float, title: str, description: str, body: Sequence[str]) -> str:
    """A whole SVG file; a screen reader says the title, and the description to whoever asks for it."""
    head = opening(
        "svg",
        xmlns="http://www.w3.org/2000/svg",
        width=width,
        height=height,
        viewBox=f"0 0 {number(width)} {number(height)}",
        font_family=FONT_FAMILY,
        font_size=12,
        role="img",
        aria_label=title,
    )
    paper = rectangle(0, 0, width, height, fill="#ffffff")
    told = element("desc", escape(shown(description)) or " ")
    return "\n".join([head, hint(title), told, paper, *body, "</svg>"]) + "\n"
