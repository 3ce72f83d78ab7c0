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

from safetymodel.claims.verdict import Judgement
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
    faults, or ``empty``: then nothing is shown, whatever fails. ``singles`` are the faults (numbers) that defeat it
    alone, ``unfound_singles`` those of them that are not found at or before the next demand. ``hidden`` are the
    faults that matter to it (they are in some minimal set) and are not found so. ``silent`` are the minimal sets of
    two or more faults of which all but the last can accumulate without being found. ``short`` says why 4 was not
    looked at, where it was not, or why nothing is known.
    """

    requirement: Requirement
    order: int
    word: Word
    singles: tuple[int, ...] = ()
    unfound_singles: tuple[int, ...] = ()
    hidden: tuple[int, ...] = ()
    silent: tuple[tuple[int, ...], ...] = ()
    short: str = ""
    empty: Judgement | None = None


def evidence(found: Sequence[MinimalSets], reveals: Sequence[Reveal]) -> tuple[Evidence, ...]:
    """The evidence for every requirement that can be a safety function: not for what only asks what must be possible,
    unless (``always_possible``) it is against a hazard."""
    return tuple(_evidence(sets, reveals) for sets in found if _protects(sets.requirement))


def _protects(requirement: Requirement) -> bool:
    if requirement.form == "possible":
        return False
    return requirement.form != "always_possible" or bool(requirement.hazards)


def _evidence(found: MinimalSets, reveals: Sequence[Reveal]) -> Evidence:
    requirement, order = found.requirement, found.order
    if found.broken_without_faults or found.empty is not None:
        return Evidence(requirement, order, "none", empty=found.empty)
    shown = {reveal.fault for reveal in reveals if reveal.revealed}
    singles = tuple(s.faults[0] for s in found.of_order(1))
    matter = sorted({fault for s in found.sets for fault in s.faults})
    if unknown := _unknown(found, reveals, matter):
        return Evidence(requirement, order, "undecided", short=unknown)
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


def _unknown(found: MinimalSets, reveals: Sequence[Reveal], matter: Sequence[int]) -> str:
    """What of all that the evidence rests on is not known; empty where everything is."""
    if not found.complete:
        return found.reason
    if not reveals:
        return "the spec declares no faults"
    if not found.order:
        return "no fault was let strike"
    undecided = next((r for r in reveals if r.fault in matter and r.word == "undecided"), None)
    return "" if undecided is None else f"how its faults show was not found out: {undecided.reason}"
