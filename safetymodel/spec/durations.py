"""Durations, rates and other quantities as the format writes them."""

from __future__ import annotations

import re
from fractions import Fraction

_DURATION = re.compile(r"\s*([0-9]+(?:\.[0-9]+)?)\s*(ms|s|min)\s*\Z")
_MS = {"ms": 1, "s": 1000, "min": 60_000}
_QUANTITY = re.compile(r"\s*([0-9]+(?:\.[0-9]+)?(?:[eE][-+]?[0-9]+)?)\s*(/?)\s*([a-z0-9%]+)\s*\Z")
HOURS_A_YEAR = 8760.0
"""As ISO 13849-1 and IEC 61508 count: 365 days."""
_LENGTHS = {"mm": 1.0, "cm": 10.0, "m": 1000.0}
MOST_MM = 1e6
_UNITS = {
    "cycles": 1.0,
    "/demand": 1.0,
    "%": 0.01,
    "h": 1.0,
    "day": 24.0,
    "days": 24.0,
    "year": HOURS_A_YEAR,
    "years": HOURS_A_YEAR,
    "/h": HOURS_A_YEAR,
    "/day": 365.0,
    "/year": 1.0,
}
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


def quantity(text: str) -> float | None:
    """The value of a number with its unit; None where the text is none, or the value 1e15 or more.

    A time is in hours, cycles in a time are in a year, a share or a probability is between 0 and 1.
    """
    match = _QUANTITY.match(text)
    factor = _UNITS.get(match[2] + match[3]) if match else None
    if match is None or factor is None or len(match[1]) > MOST_DIGITS:
        return None
    value = float(match[1])
    value = value / 100 if factor == 0.01 else value * factor
    return value if value < 1e15 else None


def millimetres(text: str) -> float | None:
    """A length in mm, or a speed in mm/s; None where the text is none, or more than a kilometre."""
    match = _QUANTITY.match(text.rstrip().removesuffix("s").rstrip().removesuffix("/"))
    if match is None or match[2] or match[3] not in _LENGTHS or len(match[1]) > MOST_DIGITS:
        return None
    value = float(match[1]) * _LENGTHS[match[3]]
    return value if value <= MOST_MM else None
