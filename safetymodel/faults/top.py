"""The top of a fault tree from its minimal sets: exact value, bounds, importance of each event.

Basic events are independent; common causes are put in as events of their own (`common_cause`).
Sources: Vesely, Goldberg, Roberts and Haasl, Fault Tree Handbook, NUREG-0492 (1981), for the rare-event
sum; Esary and Proschan 1963 for the min-cut upper bound; Birnbaum 1969; Fussell 1975 and Vesely for
the importance that bears their names.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from math import prod
from typing import Any

from safetymodel.faults.diagram import DiagramTooLarge, SetsDiagram

Sets = Sequence[frozenset[str]]


@dataclass(frozen=True, slots=True)
class TopValue:
    """A value of the top: ``exact`` by decision diagram (None where that grew too large), never more than
    ``min_cut``, which is never more than ``rare_event``. ``min_cut`` is None for a frequency."""

    exact: float | None
    rare_event: float
    min_cut: float | None = None

    @property
    def best(self) -> float:
        """The exact value where there is one, else the nearest upper bound."""
        if self.exact is not None:
            return self.exact
        return self.rare_event if self.min_cut is None else self.min_cut


@dataclass(frozen=True, slots=True)
class Importance:
    """How much an event matters to the top.

    ``fussell_vesely``: share of the top's probability in which some minimal set with the event stands.
    ``birnbaum``: probability of the top with the event there for certain, less that without it.
    """

    event: str
    fussell_vesely: float
    birnbaum: float


def minimal(sets: Iterable[Iterable[str]]) -> tuple[frozenset[str], ...]:
    """The sets that contain no other; fewest events first, then by name."""
    kept: list[frozenset[str]] = []
    for one in sorted({frozenset(s) for s in sets}, key=lambda s: (len(s), sorted(s))):
        if not any(other <= one for other in kept):
            kept.append(one)
    return tuple(kept)


def rare_event_sum(sets: Sets, q: Mapping[str, Any]) -> Any:
    """The sum of the probabilities of the minimal sets: an upper bound, near where they are small."""
    return sum(prod(q[event] for event in sorted(one)) for one in sets)


def min_cut_bound(sets: Sets, q: Mapping[str, Any]) -> Any:
    """1 less the product of (1 less the probability of each minimal set): an upper bound, at most 1.

    For floats, as a running sum without differences, so that small values keep their digits.
    """
    bound: Any = 0
    for one in sets:
        p = prod(q[event] for event in sorted(one))
        bound = bound + p * (1 - bound)
    return bound


def top_exact(sets: Sets, q: Mapping[str, Any]) -> Any:
    """The probability that all events of some set are there, exactly (fractions stay fractions).

    :raises DiagramTooLarge: where the decision diagram of the sets grows too large.
    """
    return SetsDiagram(sets).value(q)


def top_probability(sets: Sets, q: Mapping[str, float]) -> TopValue:
    """The probability of the top: exact, rare-event sum, min-cut upper bound.

    ``q``: a probability, 0 to 1, for each event of the minimal ``sets``.
    """
    try:
        exact = float(top_exact(sets, q))
    except DiagramTooLarge:
        exact = None
    return TopValue(exact, float(rare_event_sum(sets, q)), float(min_cut_bound(sets, q)))


def importances(
    sets: Sets, q: Mapping[str, Any], mean: Callable[[Any], float] = float, diagram: SetsDiagram | None = None
) -> tuple[Importance, ...]:
    """Each event's importance, the largest Fussell-Vesely first; events by name where equal.

    ``q`` may have arrays of many moments; ``mean`` then makes one number of such an array. Where the
    diagram (``diagram``, if there is one of the sets already) grows too large both are by the rare-event sum.
    """
    events = sorted({event for one in sets for event in one})
    try:
        diagram = diagram or SetsDiagram(sets)
        top = diagram.value(q)
        birnbaum = diagram.sensitivity(q)
        share = {e: diagram.value(q, diagram.union([s for s in sets if e in s])) for e in events}
    except DiagramTooLarge:
        top = rare_event_sum(sets, q)
        birnbaum = {e: rare_event_sum([s - {e} for s in sets if e in s], q) for e in events}
        share = {e: rare_event_sum([s for s in sets if e in s], q) for e in events}
    whole = mean(top)
    found = [Importance(e, mean(share[e]) / whole if whole else 0.0, mean(birnbaum[e])) for e in events]
    return tuple(sorted(found, key=lambda i: (-i.fussell_vesely, i.event)))
