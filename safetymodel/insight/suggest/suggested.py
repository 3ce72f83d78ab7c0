"""What was found out about extra conditions for one requirement."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from safetymodel.claims.verdict import Trace, Word
from safetymodel.model.formula import Formula
from safetymodel.model.system import Requirement, Scenario, System
from safetymodel.span import Span

Sight = Literal["signals", "logic", "states"]
"""What a condition reads: signals alone; signals and states of subsystems with the role control; states of any."""

Outcome = Literal["conditions", "no condition", "passes", "not asked", "undecided"]
"""Conditions were found that keep the breach off; none can do it; the requirement passes already; its form is none
that a condition can help; a limit was reached, or what was found did not stand its second verification."""


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
    """A requirement that is judged otherwise with the conditions put in; ``said`` tells how, in words.

    The verdicts can be the same: then fewer faults or happenings break it, or a reaction or a wait can last longer.
    """

    requirement: Requirement
    before: Word
    after: Word
    said: str


@dataclass(frozen=True, slots=True)
class Failing:
    """A scenario that works without the conditions and fails with them, with the step at which it does."""

    scenario: Scenario
    step: str
    span: Span
    why: str


@dataclass(frozen=True, slots=True)
class Beyond:
    """Where a simpler condition holds a transition back, and the least restrictive one does not: in ``states`` of the
    ``every`` states in which that lets it happen."""

    transition: int
    formula: Formula
    states: int
    every: int


@dataclass(frozen=True, slots=True)
class Suggestion:
    """Extra conditions that keep the breach of one requirement off under ``budget`` faults, verified together before
    they are shown.

    ``least_restrictive``: nothing is blocked from which the breach could still have been avoided by blocking later.
    ``simpler``: fewer mentions than the least restrictive ones, and nothing becomes worse; ``beyond`` is what they hold
    back more. ``after`` is the requirement's verdict with the conditions, ``passes`` whether that is a pass,
    ``standing`` what has to be said beside it (why it is empty, how long it reacts). ``worse`` and ``better`` are the
    others that change, ``failing`` the scenarios that no longer work, ``chatters`` whether the logic can go round for
    ever and could not before, ``idle`` the events (numbers) that can move nobody any more and could before. ``changed``
    is the system with the conditions put in; ``blocks``: some `always_possible` is broken in it.

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
    passes: bool = False
    standing: str = ""
    simpler: bool = False
    beyond: tuple[Beyond, ...] = ()
    worse: tuple[Changed, ...] = ()
    better: tuple[Changed, ...] = ()
    failing: tuple[Failing, ...] = ()
    chatters: bool = False
    idle: tuple[int, ...] = ()
    changed: System | None = None
    way: Trace | None = None
    reason: str = ""
    sentences: tuple[str, ...] = ()
    """All of it for people, one sentence each."""

    @property
    def costs(self) -> bool:
        """Whether anything becomes worse."""
        return bool(self.worse or self.failing or self.chatters or self.idle)

    @property
    def rank(self) -> int:
        """The smaller the better: a pass that costs nothing, a pass, no pass, nothing found."""
        if self.outcome != "conditions":
            return 3
        return 2 if not self.passes else int(self.costs)
