"""Durations and rates as the format writes them."""

from __future__ import annotations

import re
from fractions import Fraction

_DURATION = re.compile(r"\s*([0-9]+(?:\.[0-9]+)?)\s*(ms|s|min)\s*\Z")
_MS = {"ms": 1, "s": 1000, "min": 60_000}
MOST_MS = 366 * 24 * 3_600_000
MOST_DIGITS = 30


def milliseconds(text: str) -> Fraction | None:
    """A duration in ms, exactly; None where the text is none (or longer than a year)."""
    match = _DURATION.match(text)
    if not match or len(match[1]) > MOST_DIGITS:
        return None
    value = Fraction(match[1]) * _MS[match[2]]
    return value if value <= MOST_MS else None


def per_hour(text: str) -> float | None:
    """A rate per hour; None where the text is none."""
    number, slash, unit = text.partition("/")
    try:
        value = float(number)
    except ValueError:
        return None
    return value if slash and unit.strip() == "h" and 0 <= value < 1e12 else None
