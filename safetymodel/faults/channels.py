"""Channels and their parts: MTTFd, DCavg, dangerous failures in an hour (PFHd), performance level.

Rates in failures an hour, times in hours, MTTFd in years. The formulas are simplified ones of the
trade: ISO 13849-1 (2015) annexes C, D, E, K and IEC 62061 (2005) 6.7.8.2. They were written down
from memory: check against the printed standards before relying on a figure.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import expm1, inf, isfinite
from typing import Literal

from safetymodel.faults.rates import MISSION_HOURS, mttfd_from_rate, rate_from_mttfd

Category = Literal["B", "1", "2", "3", "4"]

BANDS = (("a", 1e-5, 1e-4), ("b", 3e-6, 1e-5), ("c", 1e-6, 3e-6), ("d", 1e-7, 1e-6), ("e", 1e-8, 1e-7))
"""Performance levels of ISO 13849-1, table 3: from (included) and to (excluded), in dangerous failures an hour."""

TABLE_BETA = 0.02
"""The common-cause share that ISO 13849-1 has behind its table K.1."""

LONGEST_MTTFD = {"B": 100.0, "1": 100.0, "2": 100.0, "3": 100.0, "4": 2500.0}
"""Years that ISO 13849-1 lets a channel count for at most."""


@dataclass(frozen=True, slots=True)
class Estimate:
    """A figure and what it supposes."""

    value: float
    assumptions: tuple[str, ...]


def decisive(value: float) -> float:
    """Nine significant digits: what rounding errors of floats leave further on decides no band, class or category."""
    return float(f"{value:.9g}")


# -- parts of a channel ---------------------------------------------------------------------------


def parts_count(mttfds: Iterable[float]) -> float:
    """MTTFd of a channel in years from those of its parts: 1 / sum(1 / MTTFd_i); ISO 13849-1 annex D.1.

    No part at all: infinite.
    """
    total = sum(1 / _positive(years) for years in mttfds)
    return 1 / total if total else inf


def symmetrised(one: float, other: float) -> float:
    """MTTFd in years of each of two like channels that stand for two unlike ones.

    2/3 (C1 + C2 - 1 / (1/C1 + 1/C2)); ISO 13849-1 annex D.2.
    """
    _positive(one), _positive(other)
    if not (isfinite(one) and isfinite(other)):
        return inf
    return 2 / 3 * (one + other - 1 / (1 / one + 1 / other))


def dc_average(parts: Sequence[tuple[float, float]]) -> float:
    """DCavg, 0 to 1, from (DC, MTTFd in years) of each part: weighted by 1 / MTTFd; ISO 13849-1 annex E.2."""
    if not parts:
        raise ValueError("no part has a diagnostic coverage")
    weights = [1 / _positive(years) for _, years in parts]
    return sum(dc * weight for (dc, _), weight in zip(parts, weights, strict=True)) / sum(weights)


def dc_word(coverage: float) -> str:
    """none, low, medium or high: below 60 %, 90 %, 99 %, and from there on; ISO 13849-1 table 5."""
    ends = (("none", 0.6), ("low", 0.9), ("medium", 0.99))
    return next((word for word, end in ends if decisive(coverage) < end), "high")


def mttfd_word(years: float) -> str:
    """low (from 3 years), medium (from 10), high (from 30); ISO 13849-1 table 4. Below 3 years: not acceptable."""
    found = "not acceptable"
    for word, least in (("low", 3.0), ("medium", 10.0), ("high", 30.0)):
        if decisive(years) >= least:
            found = word
    return found


def performance_level(pfhd: float) -> str | None:
    """The PL, a to e, whose band has so many dangerous failures in an hour; None from 1e-4 on.

    Below 1e-8 it is still e: ISO 13849-1 has nothing better.
    """
    if pfhd < 0:
        raise ValueError("a frequency is not negative")
    pfhd = decisive(pfhd)
    if pfhd < BANDS[-1][1]:
        return "e"
    return next((level for level, low, high in BANDS if low <= pfhd < high), None)


def level_in_category(category: Category, pfhd: float) -> str | None:
    """The PL of so many dangerous failures an hour, no better than the category allows; ISO 13849-1, 6.2.

    B reaches b, 1 reaches c, 2 reaches d.
    """
    level, limit = performance_level(pfhd), {"B": "b", "1": "c", "2": "d"}.get(category, "e")
    return None if level is None else min(level, limit)


# -- IEC 62061 --------------------------------------------------------------------------------------


def architecture_a(rates: Iterable[float]) -> Estimate:
    """PFHd of parts in series without diagnostics: the sum of their rates."""
    return Estimate(sum(rates), ("IEC 62061 architecture A: any one failure is dangerous, none is found in time",))


def architecture_b(one: float, other: float, beta: float, proof_test: float) -> Estimate:
    """PFHd of two channels without diagnostics.

    (1 - beta)^2 l1 l2 T1 + beta (l1 + l2) / 2, with T1 the proof test or the life, whichever is shorter.
    """
    value = (1 - beta) ** 2 * one * other * proof_test + beta * (one + other) / 2
    return Estimate(value, ("IEC 62061 architecture B: two channels, a first failure stays until the proof test",))


def architecture_c(parts: Iterable[tuple[float, float]]) -> Estimate:
    """PFHd of parts in series with diagnostics, from (rate, DC) of each: the sum of l (1 - DC)."""
    value = sum(rate * (1 - coverage) for rate, coverage in parts)
    return Estimate(
        value,
        ("IEC 62061 architecture C: what diagnostics find leads to a safe state before the function is needed",),
    )


def architecture_d(
    one: tuple[float, float], other: tuple[float, float], beta: float, proof_test: float, diagnostic_test: float
) -> Estimate:
    """PFHd of two channels with diagnostics, from (rate, DC) of each.

    (1 - beta)^2 (l1 l2 (DC1 + DC2) T2 / 2 + l1 l2 (2 - DC1 - DC2) T1 / 2) + beta (l1 + l2) / 2, with T1 the
    proof test or the life, T2 the time between two runs of the diagnostics.
    """
    (l1, dc1), (l2, dc2) = one, other
    both = l1 * l2 * ((dc1 + dc2) * diagnostic_test + (2 - dc1 - dc2) * proof_test) / 2
    return Estimate(
        (1 - beta) ** 2 * both + beta * (l1 + l2) / 2,
        (
            "IEC 62061 architecture D: two channels; the share DC of first failures is found and mended "
            "within T2, the others at the proof test",
        ),
    )


# -- ISO 13849-1 --------------------------------------------------------------------------------------


def category_pfhd(
    category: Category,
    mttfd: float,
    coverage: float = 0.0,
    beta: float = TABLE_BETA,
    mission: float = MISSION_HOURS,
) -> Estimate:
    """PFHd of a designated architecture from the MTTFd of each channel (years) and DCavg (0 to 1).

    B and 1: the rate of the channel. 2: a failure is dangerous if the test does not cover it or the
    tester, of half the MTTFd, has failed before. 3 and 4: a chain of three states (both work; one has
    failed unseen; both have failed), averaged over the mission. Held against the samples of table K.1
    that the tests name these are within 10 %; the standard's own models know more states.
    """
    limit = LONGEST_MTTFD[category]
    years = min(_positive(mttfd), limit)
    rate = rate_from_mttfd(years)
    said = [f"ISO 13849-1 category {category}, MTTFd {years:.3g} years a channel, mission {mission / 8760:g} years"]
    if mttfd > limit:
        said.append(f"the MTTFd of a channel counts for at most {limit:g} years")
    if category in ("B", "1"):
        return Estimate(rate, (*said, "one channel without diagnostics: every failure of it is dangerous"))
    if category == "2":
        x = 2 * rate * mission
        found = coverage * -expm1(-x) / x
        said.append(f"DCavg {coverage:.0%}; the tester has half the channel's MTTFd; tests far more often than demands")
        return Estimate(rate * (1 - found), tuple(said))
    said.append(
        f"DCavg {coverage:.0%}, beta {beta:.1%}; what diagnostics find leads to a safe state at once and is mended"
    )
    return Estimate(_two_alike(rate, coverage, beta, mission), tuple(said))


def _two_alike(rate: float, coverage: float, beta: float, mission: float) -> float:
    """Probability that two like channels have both failed by the end of the mission, divided by its length.

    From "both work": to "one failed unseen" at 2 (1 - beta) (1 - DC) l, to "both failed" at beta l;
    from "one failed unseen" to "both failed" at l.
    """
    unseen, common = 2 * (1 - beta) * (1 - coverage) * rate, beta * rate
    leaving = unseen + common
    apart = leaving - rate
    ends = -expm1(-leaving * mission)
    # P(one failed unseen) is unseen * (exp(-rate T) - exp(-leaving T)) / apart; without the difference at apart = 0
    x = apart * mission
    factor = mission * (1 - x / 2) if abs(x) < 1e-6 else -expm1(-x) / apart
    waiting = unseen * (1 + expm1(-rate * mission)) * factor
    return (ends - waiting) / mission


def channel_of(parts: Sequence[tuple[float, float]]) -> tuple[float, float]:
    """(MTTFd in years, DCavg) of a channel from (rate, DC) of its parts; parts that never fail do not count."""
    counting = [(mttfd_from_rate(rate), dc) for rate, dc in parts if rate > 0]
    if not counting:
        return inf, 0.0
    return parts_count(years for years, _ in counting), dc_average([(dc, years) for years, dc in counting])


def _positive(years: float) -> float:
    if not years > 0:
        raise ValueError(f"an MTTFd is more than 0, not {years}")
    return years
