"""The channels that minimal fault sets show, and what ISO 13849-1 estimates from them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from safetymodel.faults.channels import (
    LONGEST_MTTFD,
    TABLE_BETA,
    Category,
    Estimate,
    category_pfhd,
    channel_of,
    dc_average,
    dc_word,
    decisive,
    level_in_category,
    mttfd_word,
    symmetrised,
)
from safetymodel.faults.rates import EventData, mttfd_from_rate


@dataclass(frozen=True, slots=True)
class Channel:
    """Faults any one of which fails the channel; ``mttfd`` in years, ``coverage`` 0 to 1."""

    faults: tuple[str, ...]
    mttfd: float
    coverage: float


@dataclass(frozen=True, slots=True)
class Channels:
    """One channel, or two of which both must fail. ``mttfd`` in years of each of two like channels instead.

    ``estimate`` is the PFHd of the category that the channels and DCavg allow, None where there is none.
    ``cut``: the years for which each channel counts at most, where one has more; then ``mttfd`` is made of less.
    """

    channels: tuple[Channel, ...]
    mttfd: float
    mttfd_word: str
    coverage: float
    coverage_word: str
    category: Category | None
    estimate: Estimate | None
    level: str | None
    cut: float | None = None


def split_in_channels(sets: Sequence[frozenset[str]]) -> tuple[tuple[str, ...], ...] | None:
    """The channels that the minimal sets show: one where each set is a single fault, two where the sets are
    exactly the pairs of a fault here and a fault there. None for anything else."""
    if not sets:
        return None
    if all(len(one) == 1 for one in sets):
        return (tuple(sorted(event for one in sets for event in one)),)
    if any(len(one) != 2 for one in sets):
        return None
    first = min(event for one in sets for event in one)
    there = {event for one in sets if first in one for event in one} - {first}
    partner = min(there)
    here = {event for one in sets if partner in one for event in one} - {partner}
    pairs = {frozenset((a, b)) for a in here for b in there}
    return (tuple(sorted(here)), tuple(sorted(there))) if not here & there and pairs == set(sets) else None


def channels_of(
    sets: Sequence[frozenset[str]], data: Mapping[str, EventData], betas: Sequence[float], mission: float
) -> Channels | None:
    """Channels with MTTFd, DCavg and the estimate of ISO 13849-1; None where the sets show no channels,
    or a fault has no rate above 0. ``betas``: the common-cause shares that the spec declares between them.

    A channel counts for at most 100 years, in category 4 for 2,500, and this before two unlike ones are made alike:
    the other way round one very good channel would hide a bad one (ISO 13849-1, 4.5.2 and annex D.2; from memory,
    check against the printed standard). Category 4 wants a high MTTFd of each channel, not of their mean.
    """
    split = split_in_channels(sets)
    if split is None or any(not data[event].rate for one in split for event in one):
        return None
    parts = [[(data[event].rate or 0.0, data[event].coverage) for event in one] for one in split]
    channels = tuple(Channel(one, *channel_of(part)) for one, part in zip(split, parts, strict=True))
    coverage = decisive(dc_average([(dc, mttfd_from_rate(rate)) for part in parts for rate, dc in part]))
    category: Category | None = None
    if len(channels) == 1:
        category = "B" if coverage < 0.6 else None  # 1 needs well-tried parts, 2 a tester: no model shows them
    elif coverage >= 0.6:
        each_high = all(mttfd_word(channel.mttfd) == "high" for channel in channels)
        category = "4" if coverage >= 0.99 and each_high else "3"
    most = LONGEST_MTTFD[category or "3"]
    years = [min(channel.mttfd, most) for channel in channels]
    mttfd = years[0] if len(years) == 1 else symmetrised(*years)
    estimate = None
    if category is not None:
        estimate = category_pfhd(category, mttfd, _column(category, coverage), max([TABLE_BETA, *betas]), mission)
    return Channels(
        channels=channels,
        mttfd=mttfd,
        mttfd_word=mttfd_word(mttfd),
        coverage=coverage,
        coverage_word=dc_word(coverage),
        category=category,
        estimate=estimate,
        level=None if estimate is None or category is None else level_in_category(category, estimate.value),
        cut=most if any(decisive(channel.mttfd) > most for channel in channels) else None,
    )


def _column(category: Category, coverage: float) -> float:
    """The DCavg that table K.1 counts with: the least of its class; only category 4 has a column for high."""
    classes = (0.0, 0.6, 0.9, 0.99) if category == "4" else (0.0, 0.6, 0.9)
    return max((least for least in classes if coverage >= least), default=0.0)
