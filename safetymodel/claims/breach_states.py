"""Where a requirement is broken, as sets of reached states: for the verdict and for the fault sets alike."""

from __future__ import annotations

from collections.abc import Callable
from functools import reduce
from typing import TypeVar

from safetymodel.claims.clock import Clock
from safetymodel.claims.watch import INSIDE, NOTHING, Watch, lasting, opening, window
from safetymodel.explore.engine import EVERY_STEP, EVERY_STEP_BUT_TICKS, HAPPENINGS, REACTION, Space
from safetymodel.explore.flags import flags_of
from safetymodel.explore.ordering import signal_support, support
from safetymodel.model.formula import AllOf, FaultUp, Formula, Not
from safetymodel.model.state import fault_numbers
from safetymodel.model.step import Kind
from safetymodel.model.system import Requirement, Scenario, System

S = TypeVar("S")

TICK: tuple[Kind, ...] = ("tick",)
AN_EVENT: tuple[Kind, ...] = ("event",)
NEW_FAULT: tuple[Kind, ...] = ("fault",)
NO_TICK: tuple[Kind, ...] = tuple(kind for kind in HAPPENINGS if kind != "tick")
NO_NEW_FAULT: tuple[Kind, ...] = tuple(kind for kind in EVERY_STEP if kind != "fault")


def inside_window(space: Space[S], requirement: Requirement) -> S:
    """The states that some run is in while its watch is on: from the settled states that begin it on,
    without passing a settled state that ends it."""
    entries = space.common(space.settled, space.where(opening(requirement)))
    room = space.reached
    for ends, _ in window(requirement).settling(INSIDE):
        room = space.minus(room, space.common(space.settled, space.where(ends)))
    return space.spread(entries, EVERY_STEP, None, room)


def watched_states(space: Space[S], requirement: Requirement) -> tuple[Watch, int, S]:
    """How an invariant is watched, the value of the watch while it is on, and the states that some run is in then."""
    if requirement.begins is None:
        return NOTHING, NOTHING.first, space.reached
    return window(requirement), INSIDE, inside_window(space, requirement)


def breach_of(requirement: Requirement) -> Formula:
    """What must not be true in a watched settled state."""
    if requirement.form == "never":
        return requirement.subject
    if requirement.form == "always":
        return Not(requirement.subject)
    return lasting(requirement)


def turning(system: System, subject: Formula) -> tuple[tuple[Kind, ...], frozenset[int]]:
    """Kinds of steps, of events the numbers, among which are all that can make a formula true or false."""
    read = support(subject, signal_support(system))
    events = frozenset(e.number for e in system.events if any(mover in read for mover, _ in e.movers))
    return EVERY_STEP_BUT_TICKS, events


def about_breach(requirement: Requirement) -> tuple[Formula, ...]:
    """What tells a broken state from others; nothing where that is what can still happen."""
    return () if requirement.form in ("possible", "always_possible") else requirement.formulas


def starts_of(space: Space[S], requirement: Requirement) -> S:
    """The states into which some step makes the subject true."""
    return space.turned(space.reached, requirement.subject)


def unpermitted_starts(space: Space[S], requirement: Requirement) -> S:
    """The states into which a step makes the subject of a ``permissive`` true without its permission just before."""
    assert requirement.allowed is not None
    return space.turned(space.minus(space.reached, space.where(requirement.allowed)), requirement.subject)


def unlisted_starts(space: Space[S], requirement: Requirement, clock: Clock) -> S:
    """The states into which a happening that ``only_by`` does not list makes the subject true.

    Only the latest happening counts, so no run has to be remembered: either another happening makes
    A true by itself, or a reaction to one does (or one before anything has happened).
    """
    clock.check()
    unlisted = frozenset(e.number for e in space.system.events) - frozenset(requirement.only_by)
    at_once = space.turned(space.settled, requirement.subject, unlisted)
    landed = space.union(space.after(space.settled, HAPPENINGS, unlisted), space.start)
    reacting = space.common(space.spread(landed, REACTION, None, space.reached), space.transient)
    return space.union(at_once, space.turned(reacting, requirement.subject, ()))


def late_states(space: Space[S], requirement: Requirement, clock: Clock) -> tuple[S, int]:
    """Where the tick leads that comes when ``cause`` without ``effect`` has lasted all of its time; and the ticks
    that it lasts at the longest, where nothing is late.

    Round n keeps the settled states that some run reaches when the wait has lasted exactly n ticks.
    """
    assert requirement.within is not None
    near = space.narrowed((lasting(requirement),))
    waiting = near.common(near.settled, near.where(lasting(requirement)))

    def meanwhile(members: S) -> S:
        return _meanwhile(near, members, waiting, clock)

    # Wherever it waits some wait goes on, so the longest of all lasts as long as the longest that is left of any. Which
    # tick is late is another question.
    late, ticks = _lasted(near, waiting, waiting, requirement.within, meanwhile, clock)
    if not near.is_empty(late):
        begun = near.union(near.after(near.minus(near.settled, waiting), HAPPENINGS), near.start)
        first = near.common(after_reactions(near, begun, clock), waiting)
        late, ticks = _lasted(near, meanwhile(first), waiting, requirement.within, meanwhile, clock)
    return space.common(space.reached, late), ticks


def _lasted(
    space: Space[S], first: S, waiting: S, within: int, meanwhile: Callable[[S], S], clock: Clock
) -> tuple[S, int]:
    """Where the tick after ``within`` leads to, if a wait goes on from the first states; and the ticks that it lasts at
    the longest, up to ``within``."""
    lasted, ticks = first, 0
    while not space.is_empty(lasted):
        clock.check()
        landed = space.after(lasted, TICK)
        if ticks == within:
            return landed, ticks
        ticks += 1
        again = meanwhile(space.common(after_reactions(space, landed, clock), waiting))
        if space.same(again, lasted):  # it lasts for ever
            return landed, ticks
        lasted = again
    return space.nothing(), ticks


def _meanwhile(space: Space[S], members: S, waiting: S, clock: Clock) -> S:
    """The waiting states that are reached from the members while no time passes and the wait goes on."""
    clock.check()
    room = space.minus(space.reached, space.minus(space.settled, waiting))
    return space.common(space.spread(members, (*REACTION, *NO_TICK), None, room), space.settled)


def struck_from_the_start(space: Space[S], clock: Clock) -> list[S]:
    """For each number of faults up to the budget: the settled states when so many have struck before anything else."""
    struck = [after_reactions(space, space.start, clock)]
    for _ in range(space.budget):
        struck.append(after_reactions(space, space.after(struck[-1], NEW_FAULT), clock))
    return struck


def after_reactions(space: Space[S], members: S, clock: Clock) -> S:
    """The settled states that reactions lead to from the members."""
    clock.check()
    return space.common(space.spread(members, REACTION, None, space.reached), space.settled)


def can_lead_to(space: Space[S], good: S, asked: S, clock: Clock) -> S:
    """Those of the asked states from which the good ones can be reached without any new fault."""
    clock.check()
    return space.common(space.spread_back(good, NO_NEW_FAULT, asked), asked)


def trapped_states(space: Space[S], requirement: Requirement, clock: Clock) -> S:
    """The settled states from which the subject of an ``always_possible`` cannot come true any more."""
    near = space.narrowed((requirement.subject,))
    good = near.common(near.settled, near.where(requirement.subject))
    lost = near.minus(near.settled, can_lead_to(near, good, near.settled, clock))
    return space.common(space.settled, lost)


def hopeless(space: Space[S], good: S, asked: S, clock: Clock, together: bool = False) -> S:
    """Those of the asked states from which the good ones can no longer be reached without a new fault.

    ``together``: only those whose faults leave none of the asked states with a way.

    First with at most one flag up, then the others, since flags stay what they are: combinations of which a
    part is enough already are left out, for no minimal set is among them.
    """
    flags = flags_of(space)
    found = space.nothing()
    left = asked
    few = space.union(flags.of_size(0), flags.of_size(1)) if space.budget else space.reached
    for room in (few, space.minus(space.reached, few)):
        here = space.common(left, room)
        if space.is_empty(here):
            continue
        lost = space.minus(here, can_lead_to(space, good, here, clock))
        if together:
            lost = space.minus(lost, flags.alike(space.minus(here, lost)))
        found = space.union(found, lost)
        for mask in flags.minimal(lost):
            up = AllOf(tuple(FaultUp(f) for f in fault_numbers(mask)))
            left = space.minus(left, space.where(up))
    return found


def kept_away(space: Space[S], subject: Formula, clock: Clock) -> S:
    """Settled states just after some faults struck at the start, where these faults keep the subject from coming true
    in a settled state, in whatever order the logic reacts; of each least combination of such faults at least.

    The scenarios of the spec are followed first, with the faults there: few faults are in the way of them, and
    only for those is every run looked at.
    """
    good = space.common(space.settled, space.where(subject))
    flags = flags_of(space)
    left = reduce(space.union, struck_from_the_start(space, clock))
    for scenario in space.system.scenarios:
        if space.is_empty(left):
            break
        left = space.minus(left, flags.alike(_met_on_the_way(space, scenario, left, good, clock)))
    near = space.narrowed((subject,))
    good = near.common(near.settled, near.where(subject))
    return space.common(left, hopeless(near, good, near.seen(left), clock, together=True))


def _met_on_the_way(space: Space[S], scenario: Scenario, members: S, good: S, clock: Clock) -> S:
    """Good states that are met when the members go through the scenario as far as it has no fault; what a step does
    not move stays."""
    met = space.common(members, good)
    for step in scenario.steps:
        if step.kind == "fault":
            break
        if step.kind == "event":
            moved = after_reactions(space, space.after(members, AN_EVENT, (step.number,)), clock)
            members = space.union(members, moved)
            met = space.union(met, space.common(moved, good))
        for _ in range(step.number if step.kind == "wait" else 0):
            waited = space.spread(space.after(members, TICK), (*REACTION, "time"), None, space.reached)
            members = space.common(waited, space.settled)
            met = space.union(met, space.common(members, good))
    return met
