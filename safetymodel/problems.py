"""A user's mistake, as a value: shown to people, never raised."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from safetymodel.span import NOWHERE, Span

Severity = Literal["error", "warning"]

MOST_LINES = 20
"""Further places of one problem that are named."""


@dataclass(frozen=True, slots=True)
class Problem:
    """One mistake or doubt in a spec or a call.

    ``slug`` is the stable name of the kind of problem; ``message`` says what is wrong,
    ``hint`` what to do about it; ``source`` is the text of the line at ``span``.
    ``others`` are further places that belong to it (the first declaration of a duplicate).
    """

    slug: str
    span: Span
    message: str
    hint: str = ""
    source: str = ""
    severity: Severity = "error"
    others: tuple[Span, ...] = ()

    def as_text(self) -> str:
        """The problem in plain text, several lines: place, message, source with caret, hint."""
        place = f"{self.span}: " if self.span != NOWHERE else ""
        lines = [f"{place}{self.severity}: {self.message} [{self.slug}]"]
        if self.source:
            text = self.source.expandtabs(1)
            start, width = max(self.span.column - 1, 0), max(self.span.length, 1)
            # A long line is cut around the caret, so that it stays readable.
            cut = max(0, start - 60)
            shown = text[cut : cut + 110]
            lead = "..." if cut else ""
            number = str(self.span.line)
            lines.append(f"  {number} | {lead}{shown}")
            room = max(1, min(width, len(shown) - (start - cut)))
            lines.append(f"  {' ' * len(number)} | {' ' * (len(lead) + start - cut)}{'^' * room}")
        if len(self.others) > 1 and {other.file for other in self.others} == {self.span.file}:
            numbers = list(dict.fromkeys(str(other.line) for other in self.others))
            numbers[MOST_LINES:] = [f"{len(numbers) - MOST_LINES} more"] if len(numbers) > MOST_LINES else []
            lines.append(f"  see also lines {', '.join(numbers)}")
        else:
            lines.extend(f"  see also {other}" for other in self.others)
        if self.hint:
            lines.append(f"  hint: {self.hint}")
        return printable("\n".join(lines))


def printable(text: str) -> str:
    """The text with control characters (terminal escapes among them) and direction marks made visible: ``\\x1b``,
    ``\\u202e``."""
    return "".join(c if c == "\n" or c.isprintable() else _code(c) for c in text)


def _code(c: str) -> str:
    return f"\\x{ord(c):02x}" if ord(c) < 256 else f"\\u{ord(c):04x}"


def errors(problems: Iterable[Problem]) -> tuple[Problem, ...]:
    """Those of the problems that stop the work."""
    return tuple(p for p in problems if p.severity == "error")
