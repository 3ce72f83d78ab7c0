"""Averages over time of what the minimal sets make of faults that wait for their tests.

The average of a product is not the product of averages: where two faults are tested on the same day both are
likeliest just before it. So the top is computed at many moments and averaged (Gauss and Legendre's rule
between one test and the next). Tests whose intervals divide one another fall due together; the others
fall at unrelated times, so that each such group of intervals has a time of its own.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from safetymodel.faults.diagram import SetsDiagram
from safetymodel.faults.rates import EventData, average_unavailability

MOST_TESTS = 200
"""Tests in a longer interval up to which their moments are followed in it; else they have a time of their own."""

MOST_MOMENTS = 4_000
MOST_SLICES = 60
_POINTS = 4


@dataclass(frozen=True, slots=True)
class Moments:
    """Moments and their weights (their sum is 1); the probabilities of events at them."""

    weights: Any
    values: dict[str, Any]
    averaged: tuple[str, ...] = ()
    """Events of which a part counts with its average, since there are too many kinds of intervals."""

    def average(self, values: Any) -> float:
        """The average of something at these moments (one value for all of them, or an array)."""
        return float(np.sum(self.weights * values))


def moments(data: Mapping[str, EventData]) -> Moments:
    """When to look, and how likely each event is there then."""
    parts = {
        name: [p for p in ((d.hidden_rate, d.proof_test), (d.found_rate, d.diagnostic_test)) if p[0] > 0 and p[1] > 0]
        for name, d in data.items()
    }
    intervals = sorted({interval for found in parts.values() for _, interval in found}, reverse=True)
    weights: Any = np.ones(1)
    times: dict[float, Any] = {}
    for group in _groups(intervals):
        steepest = max(rate for found in parts.values() for rate, interval in found if interval in group)
        own_times, own_weights = _moments_of(group, steepest)
        if weights.size * own_weights.size > MOST_MOMENTS:
            continue
        times = {interval: np.repeat(at, own_weights.size) for interval, at in times.items()}
        times.update(dict.fromkeys(group, np.tile(own_times, weights.size)))
        weights = np.outer(weights, own_weights).ravel()
    values: dict[str, Any] = {}
    averaged = []
    for name, number in data.items():
        present: Any = number.probability or 0.0
        for rate, interval in parts[name]:
            if interval in times:
                q: Any = -np.expm1(-rate * np.mod(times[interval], interval))
            else:
                q = average_unavailability(rate, interval)
                averaged.append(name)
            present = present + q * (1 - present)
        values[name] = present
    return Moments(weights, values, tuple(dict.fromkeys(averaged)))


def _groups(intervals: Sequence[float]) -> list[list[float]]:
    """Intervals (descending) in groups: each divides the first of its group, up to ``MOST_TESTS`` times."""
    groups: list[list[float]] = []
    for interval in intervals:
        for group in groups:
            times = group[0] / interval
            if round(times) <= MOST_TESTS and abs(times - round(times)) < 1e-9 * times:
                group.append(interval)
                break
        else:
            groups.append([interval])
    return groups


def _moments_of(group: Sequence[float], steepest: float) -> tuple[Any, Any]:
    """Moments in the first interval of a group, and their weights; no test falls inside a piece."""
    longest = group[0]
    pieces = max(1, min(MOST_SLICES, int(2 * steepest * longest)))  # what comes quickly bends much: look more closely
    cuts = {n / pieces for n in range(pieces + 1)}
    for interval in group[1:]:
        tests = round(longest / interval)
        cuts.update(n / tests for n in range(1, tests))
    edges = np.array(sorted(cuts)) * longest
    lengths = np.diff(edges)
    places, weights = np.polynomial.legendre.leggauss(_POINTS)
    times = (edges[:-1, None] + lengths[:, None] * (places[None, :] + 1) / 2).ravel()
    return times, (lengths[:, None] * weights[None, :] / 2).ravel() / longest


def striking_rate(one: EventData, alone: bool) -> float:
    """How often an event completes a minimal set, in an hour.

    ``alone``: it is a set of its own; then what diagnostics find does not count (it leads to a safe state),
    as in IEC 62061 architecture C. A last failure of several completes the set whether found or not.
    """
    return one.hidden_rate if alone else (one.rate or 0.0)


def average_top(diagram: SetsDiagram, at: Moments) -> float:
    """The probability of the top at a random moment."""
    return at.average(diagram.value(at.values))


def average_frequency(diagram: SetsDiagram, data: Mapping[str, EventData], at: Moments) -> float:
    """How often the top comes about, in an hour: the sum over events of rate times sensitivity (Vesely 1970).

    An event strikes only where it is not there yet: its rate counts with (1 - its probability).
    """
    total: Any = 0.0
    for event, gain in diagram.sensitivity(at.values).items():
        alone = frozenset((event,)) in diagram.sets
        total = total + striking_rate(data[event], alone) * (1 - at.values[event]) * gain
    return at.average(total)


def set_probability(one: Sequence[str], at: Moments) -> float:
    """The probability that all events of a minimal set are there at a random moment."""
    product: Any = 1.0
    for event in one:
        product = product * at.values[event]
    return at.average(product)


def set_frequency(one: Sequence[str], data: Mapping[str, EventData], at: Moments) -> float:
    """How often a minimal set comes about, in an hour."""
    total: Any = 0.0
    for event in one:
        product: Any = striking_rate(data[event], len(one) == 1) * (1 - at.values[event])
        for other in one:
            if other != event:
                product = product * at.values[other]
        total = total + product
    return at.average(total)


def simple_set_frequency(one: Sequence[str], data: Mapping[str, EventData], chance: Mapping[str, float]) -> float:
    """As :func:`set_frequency` by the simplified formulas; never less.

    One fault: its rate less what diagnostics find. Two: l1 q2 + l2 q1, with q the usual average of
    `simple_probability` (``chance``); for two alike that is IEC 62061. More: the average of the product of m
    faults that wait is at most 2^m / (m + 1) times the product of their averages (Hoelder's inequality,
    reached where all are tested at once).
    """
    total = 0.0
    for event in one:
        rate = striking_rate(data[event], len(one) == 1)
        if not rate:
            continue
        waiting, product = 0, rate
        for other in one:
            if other != event:
                waiting += data[other].rate is not None
                product *= min(chance[other], 1.0) if data[other].rate is None else chance[other]
        total += product * 2**waiting / (waiting + 1)
    return total
