"""How large a picture may be before it stops being one."""

from __future__ import annotations

from collections.abc import Collection

from safetymodel.problems import Problem
from safetymodel.span import NOWHERE, Span


def too_large(what: str, size: str, most: int, hint: str, span: Span = NOWHERE) -> Problem:
    """The problem of a graph with too many parts: ``size`` says how many of which."""
    return Problem("graph-too-large", span, f"{what} has {size}; a picture of more than {most:,} cannot be read", hint)


def refusal(
    what: str,
    nodes: tuple[int, str, int],
    arrows: tuple[Collection[object], int],
    hint: str,
    span: Span = NOWHERE,
) -> Problem | None:
    """The problem of a graph that is too large to draw, None where it is not.

    ``nodes`` is how many, what they are called, and the most that are drawn; ``arrows`` are those to be drawn, and
    the most. The limits keep a picture legible, and its layout within some seconds.
    """
    count, name, most = nodes
    if count > most:
        return too_large(what, f"{count:,} {name}", most, hint, span)
    lines, most_lines = arrows
    if len(lines) > most_lines:
        return too_large(what, f"{len(lines):,} arrows", most_lines, hint, span)
    return None
