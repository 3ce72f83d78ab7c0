"""What the model shows of the behaviour that ISO 13849-1 asks of each category, requirement by requirement.

The behavioural definitions (ISO 13849-1, 6.2; paraphrased, check against the printed standard): in B and 1 a
fault may lose the function; in 2 its loss is found by a test; in 3 no single fault loses it; in 4 no single
fault loses it and each is found at or before the next demand, or else an accumulation of faults that are not
found does not lose it. Nothing else of a category or a performance level is a matter of behaviour: see ``NOT_SHOWN``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from safetymodel.faults.reveal import Reveal
from safetymodel.faults.sets import MinimalSets
from safetymodel.model.system import Requirement

Word = Literal["none", "B or 1", "2", "3", "4", "undecided"]

NOT_SHOWN = (
    "well-tried components and principles (what makes 1 of B)",
    "MTTFd of each channel",
    "DCavg: which share of dangerous failures is found",
    "measures against common cause failures",
    "systematic failures, software and environment",
    "the rate of a test against the rate of demands (2)",
    "faults that the spec does not declare, or excludes",
)
"""Parts of ISO 13849-1 that no run of a model shows."""

ACCUMULATED = 2
"""Faults that have to be looked at together before anything is said of their accumulation."""


@dataclass(frozen=True, slots=True)
class Evidence:
    """How far the behaviour of a category is shown for one requirement, under up to ``order`` declared faults.

    ``word`` is the highest category whose behaviour is shown; ``none`` where the requirement is broken without
    faults. ``singles`` are the faults (numbers) that defeat it alone, ``unfound_singles`` those of them that are not
    found at or before the next demand. ``hidden`` are the faults that matter to it (they are in some minimal set) and
    are not found so. ``silent`` are the minimal sets of two or more faults of which all but the last can
    accumulate without being found. ``short`` says why 4 was not looked at, where it was not.
    """

    requirement: Requirement
    order: int
    word: Word
    singles: tuple[int, ...] = ()
    unfound_singles: tuple[int, ...] = ()
    hidden: tuple[int, ...] = ()
    silent: tuple[tuple[int, ...], ...] = ()
    short: str = ""


def evidence(found: Sequence[MinimalSets], reveals: Sequence[Reveal]) -> tuple[Evidence, ...]:
    """The evidence for every requirement that can be a safety function: not for what only asks what must be possible,
    unless (``always_possible``) it is against a hazard."""
    shown = {reveal.fault for reveal in reveals if reveal.revealed}
    return tuple(_evidence(sets, shown) for sets in found if _protects(sets.requirement))


def _protects(requirement: Requirement) -> bool:
    if requirement.form == "possible":
        return False
    return requirement.form != "always_possible" or bool(requirement.hazards)


def _evidence(found: MinimalSets, shown: set[int]) -> Evidence:
    requirement, order = found.requirement, found.order
    if found.broken_without_faults:
        return Evidence(requirement, order, "none")
    if not found.complete or not order:
        reason = found.reason or "no fault was let strike"
        return Evidence(requirement, order, "undecided", short=reason)
    singles = tuple(s.faults[0] for s in found.of_order(1))
    matter = sorted({fault for s in found.sets for fault in s.faults})
    hidden = tuple(fault for fault in matter if fault not in shown)
    unfound = tuple(fault for fault in singles if fault in hidden)
    several = (s.faults for s in found.sets if len(s.faults) > 1)
    silent = tuple(faults for faults in several if sum(f in hidden for f in faults) >= len(faults) - 1)
    short = ""
    if singles:
        word: Word = "B or 1" if unfound else "2"
    elif order < ACCUMULATED:
        word, short = "3", f"accumulation needs a look at {ACCUMULATED} faults at once (--up-to {ACCUMULATED})"
    else:
        word = "3" if silent else "4"
    return Evidence(requirement, order, word, singles, unfound, hidden, silent, short)
