"""From the numbers of one fault to how often it comes and how likely it is there.

Hours and failures in an hour throughout, years only where a name says so; a year has 8760 hours.
Sources: IEC 61508-6 annex B and IEC 62061 (proof-test and diagnostic-test intervals), ISO 13849-1
annex C (B10d); common reliability arithmetic of a constant rate.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, expm1

from safetymodel.spec.durations import HOURS_A_YEAR

MISSION_HOURS = 20 * HOURS_A_YEAR
"""The mission time of ISO 13849-1: 20 years."""


@dataclass(frozen=True, slots=True)
class EventData:
    """The numbers of one basic event.

    Either ``rate`` (failures in an hour) or ``probability`` (there at a demand; 0 to 1). A failure stays
    for up to ``proof_test`` hours; the share ``coverage`` of them only for ``diagnostic_test`` hours.
    """

    rate: float | None = None
    probability: float | None = None
    proof_test: float = MISSION_HOURS
    coverage: float = 0.0
    diagnostic_test: float = 0.0

    def __post_init__(self) -> None:
        if (self.rate is None) == (self.probability is None):
            raise ValueError("an event has a rate or a probability, and not both")
        if self.rate is not None and self.rate < 0:
            raise ValueError("a rate is not negative")
        if self.probability is not None and not 0 <= self.probability <= 1:
            raise ValueError("a probability is between 0 and 1")
        if not 0 <= self.coverage <= 1 or self.proof_test <= 0 or self.diagnostic_test < 0:
            raise ValueError("coverage is between 0 and 1, and a test interval is a positive time")

    @property
    def hidden_rate(self) -> float:
        """Failures in an hour that no diagnostics find; 0 without a rate."""
        return (self.rate or 0.0) * (1 - self.coverage)

    @property
    def found_rate(self) -> float:
        """Failures in an hour that diagnostics find; 0 without a rate."""
        return (self.rate or 0.0) * self.coverage


def cycles_per_year(days: float, hours: float, cycle_seconds: float) -> float:
    """Cycles in a year (n_op) from days in a year, hours in a day and seconds in a cycle; ISO 13849-1, C.4.2."""
    _positive(days=days, hours=hours, cycle_seconds=cycle_seconds)
    return days * hours * 3600 / cycle_seconds


def mttfd_from_b10d(b10d: float, cycles: float) -> float:
    """MTTFd in years of a part that wears: B10d / (0.1 n_op); ISO 13849-1, C.4.2.

    ``b10d`` in cycles, ``cycles`` in a year.
    """
    _positive(b10d=b10d, cycles=cycles)
    return b10d / (0.1 * cycles)


def t10d(b10d: float, cycles: float) -> float:
    """Years after which the part is to be replaced: B10d / n_op, a tenth of its MTTFd; ISO 13849-1, C.4.2."""
    _positive(b10d=b10d, cycles=cycles)
    return b10d / cycles


def rate_from_mttfd(years: float) -> float:
    """Dangerous failures in an hour from an MTTFd in years: 1 / (8760 MTTFd)."""
    _positive(years=years)
    return 1 / (HOURS_A_YEAR * years)


def mttfd_from_rate(rate: float) -> float:
    """MTTFd in years from failures in an hour."""
    _positive(rate=rate)
    return 1 / (HOURS_A_YEAR * rate)


def unavailability_at(rate: float, age: float) -> float:
    """Probability that a fault is there ``age`` hours after the last test: 1 - exp(-rate age)."""
    return -expm1(-rate * age)


def average_unavailability(rate: float, interval: float) -> float:
    """Probability that a fault is there at a random moment between tests every ``interval`` hours, exactly.

    1 - (1 - exp(-x)) / x with x = rate interval, in a form that keeps its digits for small x.
    """
    x = rate * interval
    if x < 1e-3:  # the series of the same, to the precision of a float
        return x / 2 * (1 - x / 3 * (1 - x / 4 * (1 - x / 5)))
    return 1 + expm1(-x) / x


def half_interval(rate: float, interval: float) -> float:
    """The usual approximation rate * interval / 2: never less than :func:`average_unavailability`."""
    return rate * interval / 2


def average_probability(event: EventData) -> float:
    """Probability that an event is there at a random moment, by the exact averages of its parts.

    The hidden and the found failures are independent: 1 - (1 - q_hidden)(1 - q_found).
    """
    if event.probability is not None:
        return event.probability
    hidden = average_unavailability(event.hidden_rate, event.proof_test)
    found = average_unavailability(event.found_rate, event.diagnostic_test)
    return hidden + found - hidden * found


def simple_probability(event: EventData) -> float:
    """As :func:`average_probability` by lambda ((1 - DC) T1 / 2 + DC T2 / 2), as in IEC 62061; never less.

    More than 1 where rate and interval are so large that the formula means nothing.
    """
    if event.probability is not None:
        return event.probability
    return half_interval(event.hidden_rate, event.proof_test) + half_interval(event.found_rate, event.diagnostic_test)


def survival(rate: float, hours: float) -> float:
    """Probability of no failure in so many hours."""
    return exp(-rate * hours)


def _positive(**values: float) -> None:
    for name, value in values.items():
        if not value > 0:
            raise ValueError(f"{name} must be more than 0, not {value}")
