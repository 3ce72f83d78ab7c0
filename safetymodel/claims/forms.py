"""Each form of requirement, as questions to an engine."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

from safetymodel.claims.breach_states import (
    about_breach,
    breach_of,
    kept_away,
    late_states,
    starts_of,
    trapped_states,
    unlisted_starts,
    unpermitted_starts,
    watched_states,
)
from safetymodel.claims.clock import Clock
from safetymodel.claims.search import Walker
from safetymodel.claims.verdict import Attempt, EngineDisagreement, Judgement, Moment, Trace
from safetymodel.claims.watch import (
    BREACH,
    NOTHING,
    Watch,
    deadline,
    latest_happening,
    permission,
)
from safetymodel.explore.engine import REACTION, LimitReached, Space, going_round
from safetymodel.explore.flags import flags_of
from safetymodel.model.formula import (
    AllOf,
    FaultUp,
    Formula,
    InState,
    Not,
    atoms,
    weakest_mentions,
)
from safetymodel.model.state import fault_numbers
from safetymodel.model.system import Requirement, Transition

S = TypeVar("S")

Judge = Callable[[Space[Any], Requirement, Clock], Judgement]

MOST_ATTEMPTS = 3

BROKEN_WITHOUT_END = "broken without end: the logic goes round automatic transitions for ever and never settles"
OUT_OF_REACH = "it cannot be brought about once these faults are there from the start"


def judge_invariant(space: Space[S], requirement: Requirement, clock: Clock) -> Judgement:
    """``never`` and ``always``, with ``from`` and ``until``, and ``cause`` ... ``within: reaction``."""
    watch, inside, watched = watched_states(space, requirement)
    bad = space.common(watched, space.where(breach_of(requirement)))
    settled_bad = space.common(bad, space.settled)
    if not space.is_empty(settled_bad):
        target = bad if requirement.prevent else settled_bad
        return broken(space, requirement, watch, {inside: target}, clock)
    if requirement.prevent and not space.is_empty(bad):
        reason = "broken while the logic reacts, which `prevent: true` does not accept"
        return broken(space, requirement, watch, {inside: bad}, clock, reason)
    transient_bad = space.common(bad, space.transient)
    endless = going_round(space, transient_bad)
    if not space.is_empty(endless):
        reason = BROKEN_WITHOUT_END
        return broken(space, requirement, watch, {inside: endless}, clock, reason)
    if not space.complete:
        return undecided(space, requirement)
    empty = emptiness(space, requirement, watched)
    if empty is not None:
        return empty
    if space.is_empty(bad):
        return Judgement(requirement, space.budget, "holds")
    return Judgement(requirement, space.budget, "reacts", moment=longest_moment(space, transient_bad, clock))


def emptiness(space: Space[S], requirement: Requirement, watched: S | None = None) -> Judgement | None:
    """The judgement ``empty`` on a requirement that no reached state breaks; None where its situation does arise.

    The space is complete. ``watched``: the states in which an invariant is watched, where they are known already.
    """
    idle: str | Formula | None = None
    match requirement.form:
        case "permissive" | "start" if space.is_empty(starts_of(space, requirement)):
            idle = "no step ever makes it true"
        case "always_possible" if space.is_empty(space.settled):
            idle = NEVER_ARISES
        case "cause" if requirement.within is not None:
            if space.is_empty(space.common(space.settled, space.where(requirement.subject))):
                idle = NEVER_ARISES
        case "never" | "always" | "cause":
            where = watched_states(space, requirement)[2] if watched is None else watched
            idle = idle_mention(space, requirement, where)
    if idle is None:
        return None
    words, mention = (idle, None) if isinstance(idle, str) else ("", idle)
    return Judgement(requirement, space.budget, "empty", idle=words, mention=mention)


NEVER_ARISES = "its situation never arises"
NO_WINDOW = "the watch of it never begins"


def idle_mention(space: Space[S], requirement: Requirement, watched: S) -> str | Formula | None:
    """What makes a true requirement true of nothing: words, or the mention that could be the worst
    constant; None where nothing does."""
    if requirement.form == "cause":
        return NEVER_ARISES if space.is_empty(space.where(requirement.subject)) else None
    where = watched if requirement.prevent else space.common(watched, space.settled)
    if space.is_empty(space.common(watched, space.settled)):
        return NO_WINDOW if requirement.begins is not None else NEVER_ARISES
    make_true = requirement.form == "never"
    for mention, formula in weakest_mentions(requirement.subject, make_true):
        bad = formula if make_true else Not(formula)
        if space.is_empty(space.common(where, space.where(bad))):
            return mention
    return None


def longest_moment(space: Space[S], members: S, clock: Clock) -> Moment:
    """The longest run of reactions through the members (which has an end)."""
    length, ends = 0, members
    while not space.is_empty(ends):
        clock.check()
        length += 1
        ends = space.common(members, space.after(ends, REACTION))
    return Moment(length)


def judge_possible(space: Space[S], requirement: Requirement, clock: Clock) -> Judgement:
    """``possible``: without faults, and after every choice of up to ``budget`` faults from the start on."""
    good = space.common(space.settled, space.where(requirement.subject))
    if space.is_empty(good):
        if not space.complete:
            return undecided(space, requirement)
        found = nearest_attempts(space, requirement, clock)
        return Judgement(requirement, space.budget, "broken", attempts=found)
    if not space.budget:
        return Judgement(requirement, space.budget, "holds")
    return _possible_with_faults(space, requirement, clock)


def _possible_with_faults(space: Space[S], requirement: Requirement, clock: Clock) -> Judgement:
    if not space.complete:
        return undecided(space, requirement)
    lost = kept_away(space, requirement.subject, clock)
    if space.is_empty(lost):
        return Judgement(requirement, space.budget, "holds")
    least, *_ = flags_of(space).minimal(lost)
    up = AllOf(tuple(FaultUp(number) for number in fault_numbers(least)))
    reason = OUT_OF_REACH if least else "it cannot be brought about without faults"
    return broken(space, requirement, NOTHING, {0: space.common(lost, space.where(up))}, clock, reason)


def nearest_attempts(space: Space[S], requirement: Requirement, clock: Clock) -> tuple[Attempt, ...]:
    """Transitions towards a wanted state that are at hand in some settled state and never bring it about.

    Nearest first: fewest happenings to the state, where as much of the wanted as possible is true.
    """
    wanted = [a for a in atoms(requirement.subject) if isinstance(a, InState)]
    found: list[Attempt] = []
    for atom in wanted:
        others = [o for o in wanted if o is not atom]
        for t in _towards(space, atom):
            here = _settled_in(space, t.subsystem, t.source)
            for other in others:
                closer = space.common(here, space.where(other))
                here = here if space.is_empty(closer) else closer
            trace = Walker(space, NOTHING, clock).shortest({0: here})
            if trace is not None:
                found.append(Attempt(trace, t.number))
    found.sort(key=lambda attempt: attempt.trace.happenings)
    return tuple(found[:MOST_ATTEMPTS])


def _settled_in(space: Space[S], subsystem: int, state: int) -> S:
    return space.common(space.settled, space.where(InState(subsystem, (state,))))


def _towards(space: Space[S], atom: InState) -> list[Transition]:
    """Transitions of the subsystem that begin in a state that is reached, and lead into a wanted one,
    or one step nearer to it into a state that is never reached."""
    subsystem = space.system.subsystems[atom.subsystem]
    own = [space.system.transitions[number] for number in subsystem.transitions]
    distance = {n: 0 for n in range(len(subsystem.states)) if (n in atom.states) != atom.negated}
    wanted = set(distance)
    frontier = list(wanted)
    while frontier:
        target = frontier.pop(0)
        for t in own:
            if t.target == target and t.source not in distance:
                distance[t.source] = distance[target] + 1
                frontier.append(t.source)
    reached = {n for n in range(len(subsystem.states)) if not space.is_empty(_settled_in(space, atom.subsystem, n))}
    return [
        t
        for t in own
        if t.source in reached
        and t.target in distance
        and distance[t.target] < distance.get(t.source, -1)
        and (t.target in wanted or t.target not in reached)
    ]


def judge_always_possible(space: Space[S], requirement: Requirement, clock: Clock) -> Judgement:
    """``always_possible``: nobody is trapped."""
    if not space.complete:
        return undecided(space, requirement)
    trapped = trapped_states(space, requirement, clock)
    if space.is_empty(trapped):
        return emptiness(space, requirement) or Judgement(requirement, space.budget, "holds")
    return broken(space, requirement, NOTHING, {0: trapped}, clock)


def judge_permissive(space: Space[S], requirement: Requirement, clock: Clock) -> Judgement:
    """``permissive``: a look at every single step."""
    landed = unpermitted_starts(space, requirement)
    if not space.is_empty(landed):
        return broken(space, requirement, permission(requirement), {BREACH: landed}, clock)
    return _true_of_starts(space, requirement)


def judge_start(space: Space[S], requirement: Requirement, clock: Clock) -> Judgement:
    """``start ... only_by``: whose happening it was."""
    landed = unlisted_starts(space, requirement, clock)
    if not space.is_empty(landed):
        watch = latest_happening(space.system, requirement)
        return broken(space, requirement, watch, {BREACH: landed}, clock)
    return _true_of_starts(space, requirement)


def _true_of_starts(space: Space[S], requirement: Requirement) -> Judgement:
    if not space.complete:
        return undecided(space, requirement)
    return emptiness(space, requirement) or Judgement(requirement, space.budget, "holds")


def judge_deadline(space: Space[S], requirement: Requirement, clock: Clock) -> Judgement:
    """``cause``, ``effect``, ``within`` a time: how long the cause lasts without its effect."""
    late, ticks = late_states(space, requirement, clock)
    if not space.is_empty(late):
        return broken(space, requirement, deadline(requirement), {BREACH: late}, clock)
    if not space.complete:
        return undecided(space, requirement)
    return emptiness(space, requirement) or Judgement(requirement, space.budget, "holds", longest_wait=ticks)


def broken(
    space: Space[S], requirement: Requirement, watch: Watch, targets: dict[int, S], clock: Clock, reason: str = ""
) -> Judgement:
    """The judgement with a shortest counterexample."""
    try:
        trace: Trace | None = Walker(space, watch, clock).shortest(targets, about_breach(requirement))
    except LimitReached as limit:
        raise type(limit)(f"a breach is reached, but {limit} before a shortest run to it was found") from limit
    if trace is None:
        raise EngineDisagreement(f"{requirement.name}: a breach is among the states, but no run leads there")
    return Judgement(requirement, space.budget, "broken", trace=trace, reason=reason)


def undecided(space: Space[S], requirement: Requirement) -> Judgement:
    return Judgement(requirement, space.budget, "undecided", reason=space.shortfall)
