"""Where something stands in a spec file."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Span:
    """A place in a text file.

    ``file`` is the path as the user gave it; ``line`` and ``column`` count from 1;
    ``length`` is the number of characters meant (at least 1), all on that line.
    """

    file: str
    line: int
    column: int = 1
    length: int = 1

    def __str__(self) -> str:
        return f"{self.file}:{self.line}:{self.column}"

    @property
    def short(self) -> str:
        """``file:line``, as traces and diagrams quote it."""
        return f"{self.file}:{self.line}"


NOWHERE = Span("", 0, 0)
"""For things that no file declares."""
