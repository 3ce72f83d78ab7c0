"""What has to be remembered along a run to judge a requirement: a small automaton beside the model.

A value is kept along the run. It changes when something happens (``classes``), when a settled state
is entered (``settling``), and leaps when a single step does what is forbidden (``leaps``).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeAlias

from safetymodel.explore.engine import EVERY_STEP, HAPPENINGS, REACTION
from safetymodel.model.formula import TRUE, AllOf, Formula, Not
from safetymodel.model.step import Kind
from safetymodel.model.system import Requirement, System


@dataclass(frozen=True, slots=True)
class StepClass:
    """Steps of these kinds (of events: these numbers, None for all)."""

    kinds: tuple[Kind, ...]
    events: frozenset[int] | None = None

    def covers(self, kind: Kind, number: int) -> bool:
        return kind in self.kinds and (kind != "event" or self.events is None or number in self.events)


@dataclass(frozen=True, slots=True)
class Leap:
    """A step of this class from a state where ``before`` is true, the value being one of ``values``
    (None: any), to a state where ``after`` is true, sets the value to ``to``."""

    steps: StepClass
    before: Formula
    after: Formula
    to: int
    values: frozenset[int] | None = None


Classes: TypeAlias = tuple[tuple[StepClass, Callable[[int], int]], ...]
"""Steps told apart, each class with what it makes of the value."""


@dataclass(frozen=True, slots=True)
class Watch:
    """``classes`` partition the happenings, each with what it makes of the value; ``settling``
    gives, for a value, the rules (formula, new value) of which the first true one applies."""

    first: int = 0
    classes: Classes = ((StepClass(HAPPENINGS), lambda value: value),)
    settling: Callable[[int], tuple[tuple[Formula, int], ...]] = lambda value: ()
    leaps: tuple[Leap, ...] = ()
    values: tuple[int, ...] = (0,)
    """Every value that a run can go on from."""


NOTHING = Watch()
"""Watches nothing: the value is always 0."""

OUTSIDE, INSIDE = 0, 1
"""Values of :func:`window`."""


def window(requirement: Requirement) -> Watch:
    """From a settled state with ``begins`` up to the next settled state with ``ends``."""
    begins = requirement.begins
    if begins is None:
        return Watch(first=INSIDE, values=(INSIDE,))
    ends = requirement.ends
    opens: Formula = begins if ends is None else AllOf((begins, Not(ends)))
    rules = {OUTSIDE: ((opens, INSIDE),), INSIDE: () if ends is None else ((ends, OUTSIDE),)}
    return Watch(settling=rules.__getitem__, values=(OUTSIDE, INSIDE))


BREACH = -1
"""The value after a forbidden step."""

OTHERS, LISTED = 0, 1
"""Values of :func:`latest_happening`."""


def permission(requirement: Requirement) -> Watch:
    """Leaps to :data:`BREACH` where a step makes A true without P just before."""
    assert requirement.allowed is not None
    before = AllOf((Not(requirement.subject), Not(requirement.allowed)))
    return Watch(leaps=(Leap(StepClass(EVERY_STEP), before, requirement.subject, BREACH),))


def latest_happening(system: System, requirement: Requirement) -> Watch:
    """Whether the latest happening is one of the listed events; leaps to :data:`BREACH` where a
    step makes A true and it is not."""
    listed = frozenset(requirement.only_by)
    unlisted = frozenset(e.number for e in system.events) - listed
    not_events = tuple(kind for kind in HAPPENINGS if kind != "event")
    start = Not(requirement.subject)
    return Watch(
        first=OTHERS,
        classes=(
            (StepClass(("event",), listed), lambda value: LISTED),
            (StepClass(HAPPENINGS, unlisted), lambda value: OTHERS),
        ),
        leaps=(
            Leap(StepClass(REACTION), start, requirement.subject, BREACH, frozenset([OTHERS])),
            Leap(StepClass((*not_events, "event"), unlisted), start, requirement.subject, BREACH),
        ),
        values=(OTHERS, LISTED),
    )


def lasting(requirement: Requirement) -> Formula:
    """``cause`` without ``effect``."""
    assert requirement.effect is not None
    return AllOf((requirement.subject, Not(requirement.effect)))


def deadline(requirement: Requirement) -> Watch:
    """Value 0 while ``cause`` without ``effect`` is not seen; else one more than the ticks that it
    has lasted; :data:`BREACH` on the tick with which it has lasted longer than allowed."""
    assert requirement.within is not None
    late = requirement.within + 1
    wait = lasting(requirement)
    tick = StepClass(("tick",))
    others = StepClass(tuple(kind for kind in HAPPENINGS if kind != "tick"))

    def settling(value: int) -> tuple[tuple[Formula, int], ...]:
        return ((wait, 1),) if value == 0 else ((Not(wait), 0),)

    return Watch(
        classes=((tick, lambda value: value + 1 if value else 0), (others, lambda value: value)),
        settling=settling,
        leaps=(Leap(tick, TRUE, TRUE, BREACH, frozenset([late])),),
        values=tuple(range(late + 1)),
    )


def watch_of(system: System, requirement: Requirement) -> Watch:
    """What has to be remembered along a run to judge the requirement."""
    if requirement.form in ("never", "always"):
        return window(requirement) if requirement.begins is not None else NOTHING
    if requirement.form == "permissive":
        return permission(requirement)
    if requirement.form == "start":
        return latest_happening(system, requirement)
    if requirement.form == "cause" and requirement.within is not None:
        return deadline(requirement)
    return NOTHING


def opening(requirement: Requirement) -> Formula:
    """Of a requirement with a window: it opens in the settled states in which this is true."""
    (opens, _), *_ = window(requirement).settling(OUTSIDE)
    return opens


def is_plain(watch: Watch) -> bool:
    """Whether it remembers nothing on the way: then a run is where it would be without it."""
    return watch.values == (watch.first,)
