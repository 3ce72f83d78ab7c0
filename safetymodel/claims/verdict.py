"""What was found out about one requirement."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from safetymodel.model.formula import Formula
from safetymodel.model.state import State
from safetymodel.model.step import Step
from safetymodel.model.system import Requirement

Word = Literal["holds", "reacts", "broken", "empty", "undecided"]


class EngineDisagreement(Exception):
    """Two roads to one verdict came to different ends: our mistake, never the user's."""


@dataclass(frozen=True, slots=True)
class Trace:
    """A run: the initial state, then every step, reactions included."""

    start: State
    steps: tuple[Step, ...]

    @property
    def happenings(self) -> int:
        """Events, faults, jumps, moves in a window of time, and ticks; reactions do not count."""
        return sum(step.kind != "reaction" for step in self.steps)

    @property
    def end(self) -> State:
        return self.steps[-1].after if self.steps else self.start


@dataclass(frozen=True, slots=True)
class Moment:
    """The longest time that a requirement is broken while the logic reacts: reaction steps, of
    no model time. ``steps`` is None where it need not end (the logic can go round for ever)."""

    steps: int | None


@dataclass(frozen=True, slots=True)
class Attempt:
    """A run to a settled state where this transition would bring the wanted state, and does not."""

    trace: Trace
    transition: int


Road = Literal["re-stepped", "other engine", "invariant", "invariant of a part", "witness", "none"]


@dataclass(frozen=True, slots=True)
class Opinion:
    """How a verdict was seen a second time, by another road than the one that found it.

    ``agrees`` is None where it was not; ``reason`` says why, or what is wrong.
    """

    road: Road
    agrees: bool | None
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Judgement:
    """The verdict on one requirement under one fault budget.

    ``trace`` is a shortest counterexample of a broken one. ``moment`` belongs to ``reacts``.
    Of an ``empty`` one, ``idle`` says in words what never arises, or ``mention`` is the part that
    makes no difference. ``longest_wait``
    (ticks) is how long ``cause`` without ``effect`` can last, where the requirement has a deadline and keeps it.
    ``attempts`` are, for a broken ``possible``, the nearest blocked attempts; ``blocked`` the same in words.
    ``reason`` says in words why the verdict is what it is, where that needs saying.
    """

    requirement: Requirement
    budget: int
    word: Word
    trace: Trace | None = None
    moment: Moment | None = None
    idle: str = ""
    mention: Formula | None = None
    longest_wait: int | None = None
    attempts: tuple[Attempt, ...] = ()
    blocked: tuple[str, ...] = ()
    reason: str = ""
    second: Opinion | None = None

    @property
    def passes(self) -> bool:
        """Whether it counts as a pass for the exit code."""
        if self.word == "empty":
            return self.requirement.may_be_empty
        return self.word in ("holds", "reacts")


@dataclass(frozen=True, slots=True)
class Finding:
    """A defect that needs no requirement, with the run that shows it.

    ``lasso`` is the position in ``trace.steps`` from which the run goes round for ever.
    """

    slug: Literal["chatter", "never-settles"]
    message: str
    trace: Trace
    lasso: int | None = None
