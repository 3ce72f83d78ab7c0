"""The nearest declared name, for hints."""

from __future__ import annotations

from collections.abc import Iterable
from difflib import SequenceMatcher

_MOST_COMPARED = 5000


def nearest(name: str, declared: Iterable[str]) -> str | None:
    """The declared name most like ``name``, or None when none is near.

    Case is ignored; ties go to the first declared. At most 5,000 names are compared.
    """
    wanted = name.lower()
    best: tuple[float, str] | None = None
    for count, other in enumerate(declared):
        if count >= _MOST_COMPARED:
            break
        matcher = SequenceMatcher(None, wanted, other.lower(), autojunk=False)
        if matcher.real_quick_ratio() < 0.6 or matcher.quick_ratio() < 0.6:
            continue
        score = matcher.ratio()
        if score >= 0.6 and (best is None or score > best[0]):
            best = (score, other)
    return best[1] if best else None


def did_you_mean(name: str, declared: Iterable[str]) -> str:
    """A hint that names the nearest declared name; empty when there is none."""
    other = nearest(name, declared)
    return f"did you mean {other}?" if other else ""
