"""What was found out about extra conditions for one requirement."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from safetymodel.claims.verdict import Trace, Word
from safetymodel.model.formula import Formula
from safetymodel.model.system import Requirement, System

Sight = Literal["signals", "logic", "states"]
"""What a condition reads: signals alone; signals and states of subsystems with the role control; states of any."""

Outcome = Literal["conditions", "no condition", "passes", "not asked", "undecided"]
"""Conditions were found; none can do it; the requirement passes already; its form is none that a condition can help;
a limit was reached, or what was found did not stand its second verification."""


@dataclass(frozen=True, slots=True)
class Condition:
    """An extra condition of one transition, to be joined to its `if` by `and`.

    ``formula`` lets the transition happen in every situation in which the largest set lets it, and ``exact`` says
    that it does so in no other and forgoes nothing. Where ``exact`` is False it blocks more than it had to: what it
    can read does not tell all of the situations apart. ``never`` is True where it blocks the transition altogether.
    """

    transition: int
    formula: Formula
    sight: Sight
    exact: bool

    @property
    def never(self) -> bool:
        from safetymodel.model.formula import FALSE

        return self.formula == FALSE


@dataclass(frozen=True, slots=True)
class Changed:
    """A requirement whose verdict is another one with the conditions put in."""

    requirement: Requirement
    before: Word
    after: Word


@dataclass(frozen=True, slots=True)
class Suggestion:
    """Extra conditions that make one requirement pass under ``budget`` faults, verified together before they are shown.

    ``least_restrictive``: nothing is blocked from which the breach could still have been avoided by blocking later.
    ``after`` is the requirement's verdict with the conditions, ``worse`` and ``better`` are the others whose verdict
    changes, ``idle`` the events (numbers) that can move nobody any more and could before. ``changed`` is the system
    with the conditions put in; ``blocks``: some `always_possible` is broken in it.

    Where no condition can do it, ``changed`` is the system in which everything that can be held back is held back for
    good, and ``way`` a shortest run to the breach in that. ``reason`` says what else has to be said.
    """

    requirement: Requirement
    budget: int
    outcome: Outcome
    conditions: tuple[Condition, ...] = ()
    least_restrictive: bool = False
    keeps_possible: bool = False
    blocks: bool = False
    before: Word = "broken"
    after: Word | None = None
    worse: tuple[Changed, ...] = ()
    better: tuple[Changed, ...] = ()
    idle: tuple[int, ...] = ()
    changed: System | None = None
    way: Trace | None = None
    reason: str = ""
    sentences: tuple[str, ...] = ()
    """All of it for people, one sentence each."""
