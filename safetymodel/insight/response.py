"""The response budget: how long a requirement is broken while the logic reacts, or waits for its effect, at the most.

In the model reactions take no time. In steel each takes some (:mod:`safetymodel.insight.step_times`), as far as the
spec says so. The budget counts the steps one after the other, in the worst order; parts that work side by side are then
counted too long, never too short. A deadline counts its ticks too, and what happens meanwhile.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from fractions import Fraction
from typing import Any, TypeVar

from safetymodel.claims.breach_states import breach_of, inside_window
from safetymodel.claims.clock import Clock
from safetymodel.claims.search import Walker
from safetymodel.claims.verdict import Judgement, Trace, Word
from safetymodel.claims.watch import INSIDE, NOTHING, lasting, window
from safetymodel.explore.engine import LimitReached, Space
from safetymodel.explore.moves import Move, moves_of
from safetymodel.insight.costliest import Costliest, Costs
from safetymodel.insight.distance import Distance, distance_of
from safetymodel.insight.influence import mentioned
from safetymodel.insight.step_times import PARTS_OF_A_MS, StepTimes, claimed, in_parts
from safetymodel.model.step import Step, steps
from safetymodel.model.system import Requirement, System
from safetymodel.traces.wording import and_list, move_text

S = TypeVar("S")

A_PART = 1 << 32
"""What a thousandth of a ms counts; a step of the logic counts 1, so that of runs that last as long the one with more
steps is shown."""

MOST_NAMED = 8
MOST_TOLD = 3
FEWER_FAULTS = "looked at under fewer faults than the requirement has to withstand"
NEVER_BROKEN = "it is never broken, so no reaction tells a time: give its approach a `stopping`"


@dataclass(frozen=True, slots=True)
class Budget:
    """The longest time of one requirement, under up to ``faults`` faults.

    ``word`` is the verdict. ``steps`` of reaction; None where they are not what counts. Of a deadline ``ticks``.
    ``time`` in ms: of the real parts (None where the spec gives no response of any part that matters), the ticks of
    a deadline included. ``run`` leads to the longest reaction or wait, which begins after step ``begins`` of it.
    ``missing`` are parts that matter, and have no response. ``doubt`` says what else keeps the time from being known.
    ``distance``: where the spec says how a person comes near.
    """

    requirement: Requirement
    faults: int
    steps: int | None
    ticks: int | None = None
    time: Fraction | None = None
    run: Trace | None = None
    begins: int = 0
    missing: tuple[str, ...] = ()
    distance: Distance | None = None
    undecided: str = ""
    word: Word = "reacts"
    doubt: str = ""

    @property
    def unshown(self) -> str:
        """Why it is neither shown that the distance suffices, nor that it does not; empty where one of them is."""
        if self.distance is None or self.distance.suffices is not None:
            return ""
        return self.doubt or f"no `response` of {named(self.missing)}"


def response_budgets(
    spaces: Mapping[int, Space[Any]], judgements: tuple[Judgement, ...], clock: Clock, runs_until: Clock
) -> tuple[Budget, ...]:
    """The budget of each requirement that reacts, or that has an approach."""
    found = []
    for judgement in judgements:
        space, approach = spaces[judgement.budget], judgement.requirement.approach
        if not (_reacts(judgement) or approach):
            continue
        try:
            found.append(_budget(space, judgement, clock, runs_until))
        except LimitReached as limit:
            steps = judgement.moment.steps if judgement.moment is not None else None
            found.append(_judged(judgement, steps, undecided=str(limit), doubt=str(limit)))
    return tuple(found)


def _reacts(judgement: Judgement) -> bool:
    return judgement.word == "reacts" and judgement.moment is not None and judgement.moment.steps is not None


def _budget(space: Space[Any], judgement: Judgement, clock: Clock, runs_until: Clock) -> Budget:
    match judgement.word:
        case "reacts":
            return _reacting(space, judgement, clock, runs_until)
        case "holds" if judgement.requirement.within is not None:
            return _waiting(space, judgement, clock, runs_until)
        case "holds":
            return _never_broken(space.system, judgement)
        case "empty":
            return _judged(judgement, None, doubt="the requirement is `empty`")
        case "undecided":
            return _judged(judgement, None, doubt="the requirement is undecided")
        case _:
            return _judged(judgement, None, doubt="the requirement is broken")


def _judged(
    judgement: Judgement,
    steps: int | None,
    parts: int | None = None,
    *,
    ticks: int | None = None,
    shown: tuple[Trace | None, int] = (None, 0),
    missing: tuple[str, ...] = (),
    undecided: str = "",
    doubt: str = "",
) -> Budget:
    """The budget with its distance, from thousandths of a ms (None: not known)."""
    requirement, approach = judgement.requirement, judgement.requirement.approach
    stopping = approach.stopping if approach is not None else None
    time = None
    if parts is not None or stopping is not None:
        time = Fraction(parts or 0, PARTS_OF_A_MS) + (stopping or 0)
    distance = None
    if approach is not None and not doubt and judgement.budget < requirement.withstand:
        doubt = FEWER_FAULTS
    if approach is not None:
        distance = distance_of(approach, time or Fraction(0), known=not (doubt or missing))
    return Budget(
        requirement=requirement,
        faults=judgement.budget,
        steps=steps,
        ticks=ticks,
        time=time,
        run=shown[0],
        begins=shown[1],
        missing=missing,
        distance=distance,
        undecided=undecided,
        word=judgement.word,
        doubt=doubt,
    )


def named(missing: tuple[str, ...]) -> str:
    """The parts without a response, in one list."""
    more = [f"{len(missing) - MOST_NAMED} more"] if len(missing) > MOST_NAMED else []
    return and_list([*missing[:MOST_NAMED], *more])


def _never_broken(system: System, judgement: Judgement) -> Budget:
    """Never broken in any state, so no reaction takes its time: only parts that an event moves at the same instant do,
    and what the approach says of stopping."""
    requirement = judgement.requirement
    times = StepTimes(system, requirement)
    read, signals = mentioned(claimed(requirement))
    for signal in system.signal_order[::-1]:
        if signal in signals:
            more, further = mentioned([system.signals[signal].reads])
            read |= more
            signals |= further
    together = [m for m in times.together() if sum(s in read for s, _ in system.events[m.number].movers) > 1]
    given = [parts for move in together if (parts := times.of(move)) is not None]
    stopping = requirement.approach.stopping if requirement.approach is not None else None
    doubt = "" if together or stopping is not None else NEVER_BROKEN
    return _judged(judgement, 0, max(given) if given else None, missing=times.missing(together), doubt=doubt)


def _reacting(space: Space[S], judgement: Judgement, clock: Clock, runs_until: Clock) -> Budget:
    requirement, system = judgement.requirement, space.system
    watched = inside_window(space, requirement) if requirement.begins is not None else space.reached
    bad = space.common(space.common(watched, space.where(breach_of(requirement))), space.transient)
    times = StepTimes(system, requirement)
    longest = Costliest(space, bad, bad, _costs(times, lambda move: move.kind == "reaction"), clock, watched)
    shown = _shown(space, space, requirement, times, longest, runs_until)
    known = any(times.of(move) is not None for move in longest.moves)
    assert judgement.moment is not None
    return _judged(
        judgement,
        judgement.moment.steps,
        longest.most // A_PART if known else None,
        shown=shown,
        missing=times.missing(longest.moves),
    )


def _waiting(space: Space[S], judgement: Judgement, clock: Clock, runs_until: Clock) -> Budget:
    """A requirement that keeps its deadline: the longest wait, with the reactions into it, in it and out of it."""
    requirement, system = judgement.requirement, space.system
    ticks = judgement.longest_wait or 0
    times = StepTimes(system, requirement)
    near = space.narrowed((lasting(requirement),))
    waiting = near.where(lasting(requirement))
    if near.is_empty(waiting):
        return _never_broken(system, judgement)
    room = near.union(near.transient, near.common(near.settled, waiting))
    longest = Costliest(near, room, waiting, _costs(times, times.counts), clock)
    if longest.endless:
        longest = Costliest(near, room, waiting, _costs(times, lambda move: False), clock)
    if longest.endless:
        doubt = f"no longest time is known: {_round(system, longest.endless)} again and again meanwhile"
        parts = in_parts(ticks * (system.tick or Fraction(0)))
        return _judged(judgement, None, parts, ticks=ticks, missing=times.missing(longest.moves), doubt=doubt)
    return _judged(
        judgement,
        None,
        longest.most // A_PART,
        ticks=ticks,
        shown=_shown(space, near, requirement, times, longest, runs_until),
        missing=times.missing(longest.moves),
    )


def _round(system: System, moves: tuple[Move, ...]) -> str:
    """What can go round and round: events by name, or where there are none what moves by itself."""
    outside = [m for m in moves if m.kind in ("event", "jump")] or list(moves)
    return f"{and_list([_name(system, move) for move in outside[:MOST_TOLD]])} can happen"


def _name(system: System, move: Move) -> str:
    match move.kind:
        case "event":
            return system.events[move.number].name
        case "jump":
            return f"fault {system.faults[move.number].name}"
        case _:
            return move_text(system, system.transitions[move.number])


def _costs(times: StepTimes, counts_one: Callable[[Move], bool]) -> Costs:
    """What each move costs; these count one more."""
    system = times.system
    events = {e.number: tuple((parts * A_PART, when) for parts, when in times.when(e)) for e in system.events}
    costs = {}
    for move in moves_of(system):
        if move.kind == "event":
            continue
        parts = in_parts(system.tick or Fraction(0)) if move.kind == "tick" else times.of(move) or 0
        costs[move] = parts * A_PART + counts_one(move)
    return Costs({move: cost for move, cost in costs.items() if cost}, events)


def _shown(
    space: Space[S],
    near: Space[S],
    requirement: Requirement,
    times: StepTimes,
    longest: Costliest[S],
    until: Clock,
) -> tuple[Trace | None, int]:
    """A shortest run to where the longest begins, and on through it; None where time for that is over.

    ``near`` is the space in which it was found: what others do meanwhile comes in between.
    """
    chain = longest.chain
    watch = window(requirement) if requirement.begins is not None else NOTHING
    value = INSIDE if requirement.begins is not None else watch.first
    first = chain[0]
    begin = space.common(space.reached, first.members)
    if first.way is not None and first.way.move is not None and first.way.move.kind != "reaction":
        begin = space.common(begin, space.settled)
    before, space.on_work = space.on_work, until.check
    try:
        until.check()
        trace = Walker(space, watch, until).shortest({value: begin})
    except LimitReached:
        return None, 0
    finally:
        space.on_work = before
    assert trace is not None, "a reaction that no run comes to"
    state, taken = trace.end, list[Step]()
    for link, onward in zip(chain, [*chain[1:], None], strict=True):
        if link.way is None:
            break
        while True:
            offered = tuple(steps(space.system, state, space.budget))
            fitting = (s for s in offered if link.way.matches(s))
            step = next((s for s in fitting if onward is None or near.contains(onward.members, s.after)), None)
            done = step is not None
            if step is None:
                others = (s for s in offered if s.kind == "reaction" and not _of_parts(times, s))
                step = next(s for s in others if near.contains(link.members, s.after))
            taken.append(step)
            state = step.after
            if done:
                break
    return Trace(trace.start, (*trace.steps, *taken)), len(trace.steps)


def _of_parts(times: StepTimes, step: Step) -> bool:
    return times.counts(Move(step.kind, step.number))
