"""What an engine answers: sets of system states of one model, and how steps connect them.

A requirement is judged with these questions alone, so every engine gives every verdict. Sets are
opaque to the caller, immutable, and always subsets of the reached states.
"""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import dataclass
from typing import Protocol, TypeVar

from safetymodel.model.formula import Formula
from safetymodel.model.state import State
from safetymodel.model.step import Kind
from safetymodel.model.system import System

S = TypeVar("S")

HAPPENINGS: tuple[Kind, ...] = ("event", "time", "fault", "jump", "tick")
REACTION: tuple[Kind, ...] = ("reaction",)
EVERY_STEP: tuple[Kind, ...] = (*REACTION, *HAPPENINGS)
WITHOUT_FAULTS: tuple[Kind, ...] = (*REACTION, "event", "time", "tick")
EVERY_STEP_BUT_TICKS: tuple[Kind, ...] = tuple(kind for kind in EVERY_STEP if kind != "tick")
"""All that can make a formula true or false: none reads a clock."""

Progress = Callable[[str, int], None]
"""Called now and then with what is being done and how many states are known so far."""


@dataclass(frozen=True, slots=True)
class Limits:
    """How far a run may go: system states, seconds of wall clock, bytes of memory (None: no limit)."""

    states: int | None = None
    seconds: float | None = None
    memory: int | None = None


class LimitReached(Exception):
    """A limit ended the work before its answer was known. Its text says which, and how far it got."""


class MemoryReached(LimitReached):
    """It was the memory that did not suffice; with more of it the answer may be found."""


def no_limit() -> None:
    """What a space calls before its work as long as nobody has set a limit."""


class Space(Protocol[S]):
    """The reached states of ``system`` under at most ``budget`` faults, the start included.

    ``complete`` is False where a limit ended the search; then every set holds only states that
    are truly reached, but not all of them, and ``shortfall`` says why.
    """

    @property
    def system(self) -> System: ...
    @property
    def budget(self) -> int: ...
    @property
    def complete(self) -> bool: ...
    @property
    def shortfall(self) -> str: ...

    on_work: Callable[[], None]
    """Called now and then by what takes long; may raise :class:`LimitReached`."""

    @property
    def start(self) -> S:
        """The declared initial state alone, before it has settled."""

    @property
    def reached(self) -> S: ...
    @property
    def settled(self) -> S: ...
    @property
    def transient(self) -> S: ...

    def nothing(self) -> S: ...
    def where(self, formula: Formula) -> S:
        """The reached states in which the formula is true."""

    def union(self, a: S, b: S) -> S: ...
    def common(self, a: S, b: S) -> S: ...
    def minus(self, a: S, b: S) -> S: ...
    def same(self, a: S, b: S) -> bool: ...
    def is_empty(self, a: S) -> bool: ...
    def size(self, a: S) -> int:
        """How many states, exactly."""

    def weight(self, a: S) -> int:
        """What a step of the set costs, in some measure that compares sets."""

    def contains(self, a: S, state: State) -> bool: ...
    def only(self, state: State) -> S:
        """The set of this one state; empty where it is not reached."""

    def after(self, a: S, kinds: Collection[Kind], events: Collection[int] | None = None) -> S:
        """The states that one step of these kinds leads to; ``events`` narrows the events."""

    def turned(self, a: S, formula: Formula, events: Collection[int] | None = None) -> S:
        """The states in which the formula is true to which one step leads from a member in which it is false; of the
        events these ones."""

    def before(self, a: S, kinds: Collection[Kind], events: Collection[int] | None = None) -> S:
        """The reached states from which one step of these kinds leads into the set."""

    def spread(self, a: S, kinds: Collection[Kind], events: Collection[int] | None, within: S) -> S:
        """The set and all that any number of such steps lead to, as long as each lands in ``within``."""

    def spread_back(self, a: S, kinds: Collection[Kind], until: S | None = None) -> S:
        """The set and every reached state from which steps of these kinds can lead into it.

        With ``until`` only which of those states are in the answer is asked; of others some may be missing.
        """

    @property
    def outgrown(self) -> Space[S] | None:
        """What :meth:`roomier` has given before."""

    def roomier(self) -> Space[S] | None:
        """The same states with more memory to work in, which from then on is used for them; None where there is no
        more."""

    def fewest_faults(self, a: S) -> S:
        """Those states of a set that have the fewest flags up."""

    def on_the_way(self, a: S) -> S:
        """At least the reached states that a run into the set can pass. Since no flag ever goes down again,
        their flags are up together in some member; an engine may leave out all others."""

    def inside(self, room: S, budget: int | None = None) -> Space[S]:
        """The space with only these of its reached states, and a smaller budget where one is given; the start,
        wherever it is, stays what it was."""

    def coarser(self, subsystems: Collection[int]) -> Space[S] | None:
        """What shows of the space through these subsystems and the flags alone: every step and every state is there,
        and there may be more. None where that is no cheaper. Formulas may then read only these subsystems.
        """

    def seen(self, a: S) -> S:
        """What shows of a set of the space that this one is a view of; ``common`` of the wide space brings it back."""

    def narrowed(self, formulas: Collection[Formula]) -> Space[S]:
        """The space of those subsystems alone that these formulas depend on, through whatever chain of reading;
        the space itself where that leaves nothing out or might not be exact.

        A set of the narrowed space stands for all states that agree with it on those subsystems:
        ``common`` of the wide space brings it back.
        """


def going_round(space: Space[S], members: S) -> S:
    """Those members from which reactions can stay among the members for ever."""
    while True:
        kept = space.common(members, space.before(members, REACTION))
        if space.same(kept, members):
            return kept
        members = kept
