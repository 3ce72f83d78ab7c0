"""DOT text whose every label is taken as it stands: nothing that a spec says can be read as DOT."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Sequence

MOST_LABEL = 2000
"""Characters of a label that are drawn; a longer one is cut, and ends in an ellipsis."""

FONT = "Arial"
"""Every drawing engine has the widths of this font or of one with the same widths."""

Attribute = str | float | bool


def shown(text: str) -> str:
    """The text in one line, without anything that XML or a reader cannot take.

    Control characters, direction marks and lone surrogates are written as ``\\x1b``, ``\\u202e``.
    """
    return "".join(_visible(c) for c in text)


def _visible(c: str) -> str:
    if c in "\n\r\t":
        return " "
    if c.isprintable():
        return c
    return f"\\x{ord(c):02x}" if ord(c) < 256 else f"\\u{ord(c):04x}"


def wrapped(text: str, width: int, indent: str = "") -> list[str]:
    """The text in lines of at most ``width`` characters; later lines are indented. Long words are broken."""
    return textwrap.wrap(shown(text), width, subsequent_indent=indent, break_on_hyphens=False) or [""]


def label(lines: str | Iterable[str], align: str = "n") -> str:
    """A quoted DOT string that shows these lines of text as they stand.

    ``align`` is ``n`` (centred), ``l`` (left) or ``r`` (right). Quotes, backslashes, ampersands and angle
    brackets lose their meaning, so neither escapes such as ``\\N`` nor entities nor HTML-like labels arise.
    """
    listed = [lines] if isinstance(lines, str) else list(lines)
    end = f"\\{align}"
    parts = [_plain(line) for line in listed]
    if align == "n":
        return '"' + end.join(parts) + '"'
    return '"' + "".join(part + end for part in parts) + '"'


def _plain(line: str) -> str:
    text = shown(line)
    if len(text) > MOST_LABEL:
        text = text[: MOST_LABEL - 3] + "..."
    return text.replace("&", "&amp;").replace("\\", "\\\\").replace('"', '\\"')


class Raw(str):
    """An attribute's value that is DOT already: what :func:`label` gives."""


def attributes(pairs: dict[str, Attribute]) -> str:
    """``[key=value, ...]`` in the order given; every value is quoted unless it is a :class:`Raw`."""
    if not pairs:
        return ""
    return " [" + ", ".join(f"{key}={_value(value)}" for key, value in pairs.items()) + "]"


def _value(value: Attribute) -> str:
    if isinstance(value, Raw):
        return str(value)
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return label(value)
    return f"{value:g}"


def node(name: str, **pairs: Attribute) -> str:
    """A node statement; ``name`` is one of ours (letters and digits), never text of the spec."""
    return f"  {_name(name)}{attributes(pairs)};"


def edge(source: str, target: str, **pairs: Attribute) -> str:
    """An edge statement; the names may end in a compass point (``n3:e``)."""
    return f"  {_name(source)} -> {_name(target)}{attributes(pairs)};"


def _name(name: str) -> str:
    assert all(c.isascii() and (c.isalnum() or c in "_:") for c in name), name
    return name


def block(kind: str, lines: Iterable[str]) -> list[str]:
    """A ``{ ... }`` block with its lines indented."""
    return [f"  {kind} {{", *(f"  {line}" for line in lines), "  }"]


def digraph(
    title: Sequence[str], body: Iterable[str], graph: dict[str, Attribute], nodes: dict[str, Attribute] | None = None
) -> str:
    """A whole DOT file: title at the top left, the common fonts, then the body."""
    heading: dict[str, Attribute] = {
        "label": Raw(label(title, "l")),
        "labelloc": "t",
        "labeljust": "l",
        "fontname": FONT,
        "fontsize": 15,
        "bgcolor": "white",
        "pad": 0.15,
        **graph,
    }
    every: dict[str, Attribute] = {"fontname": FONT, "fontsize": 12, "color": "black", "fontcolor": "black"}
    lines = [
        "digraph picture {",
        f"  graph{attributes(heading)};",
        f"  node{attributes(every | (nodes or {}))};",
        f"  edge{attributes(every | {'fontsize': 11.0, 'arrowsize': 0.8})};",
        *body,
        "}",
    ]
    return "\n".join(lines) + "\n"
