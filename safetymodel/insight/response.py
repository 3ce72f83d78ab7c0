"""The response budget: for a requirement that is broken only while the logic reacts, how long that takes at the most.

In the model reactions take no time. In steel each takes the response of the part that moves, and of the slowest switch
that its conditions read, as far as the spec gives them. The budget counts the reactions one after the other, in the
worst order; parts that work side by side are then counted too long, never too short.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from typing import Any, Generic, TypeVar

from safetymodel.claims.breach_states import breach_of, inside_window
from safetymodel.claims.clock import Clock
from safetymodel.claims.search import Walker
from safetymodel.claims.verdict import Judgement, Trace
from safetymodel.claims.watch import INSIDE, NOTHING, window
from safetymodel.explore.engine import LimitReached, Space
from safetymodel.explore.moves import Move
from safetymodel.explore.single import Single, single_moves
from safetymodel.insight.distance import Distance, distance_of
from safetymodel.insight.influence import mentioned
from safetymodel.model.step import Step, reactions
from safetymodel.model.system import Requirement, System

S = TypeVar("S")


@dataclass(frozen=True, slots=True)
class Budget:
    """The longest reaction of one requirement, under up to ``faults`` faults.

    ``steps`` of reaction, or of a deadline ``ticks``; ``time`` in ms: of the real parts (None where the spec gives no
    response of any part that matters), the ticks of a deadline included. ``run`` leads to the longest reaction, which
    begins after step ``begins`` of it. ``missing`` are parts that matter, and have no response. ``distance``: where
    the spec says how a person comes near.
    """

    requirement: Requirement
    faults: int
    steps: int
    ticks: int | None = None
    time: Fraction | None = None
    run: Trace | None = None
    begins: int = 0
    missing: tuple[str, ...] = ()
    distance: Distance | None = None
    undecided: str = ""


def response_budgets(
    spaces: Mapping[int, Space[Any]], judgements: tuple[Judgement, ...], clock: Clock, runs_until: Clock
) -> tuple[Budget, ...]:
    """The budget of each requirement that reacts, or that has an approach and keeps its deadline."""
    found = []
    for judgement in judgements:
        space = spaces[judgement.budget]
        if judgement.word == "reacts" and judgement.moment is not None and judgement.moment.steps is not None:
            try:
                found.append(_reacting(space, judgement, judgement.moment.steps, clock, runs_until))
            except LimitReached as limit:
                found.append(
                    Budget(judgement.requirement, judgement.budget, judgement.moment.steps, undecided=str(limit))
                )
        elif judgement.word == "holds" and judgement.requirement.approach is not None:
            found.append(_waiting(space.system, judgement))
    return tuple(found)


def _waiting(system: System, judgement: Judgement) -> Budget:
    """A requirement that is never broken, or that keeps its deadline: the longest wait, and stopping."""
    requirement, approach = judgement.requirement, judgement.requirement.approach
    ticks = judgement.longest_wait or 0
    time = ticks * (system.tick or Fraction(0)) + ((approach.stopping if approach else None) or 0)
    distance = None if approach is None else distance_of(approach, time)
    return Budget(requirement, judgement.budget, 0, ticks=ticks, time=time, distance=distance)


def _reacting(space: Space[S], judgement: Judgement, steps: int, clock: Clock, runs_until: Clock) -> Budget:
    requirement, system = judgement.requirement, space.system
    watched = inside_window(space, requirement) if requirement.begins is not None else space.reached
    bad = space.common(space.common(watched, space.where(breach_of(requirement))), space.transient)
    single = single_moves(space)
    used = [m for m in single.moves if m.kind == "reaction" and not space.is_empty(_from(space, single, bad, m))]
    costs = {move: _cost(system, move) for move in used}
    known = any(cost is not None for cost in costs.values())
    longest = _Longest(space, single, bad, {m: int(c or 0) if known else 1 for m, c in costs.items()}, clock)
    run, begins = _shown(space, requirement, longest, runs_until)
    approach = requirement.approach
    stopping = approach.stopping if approach is not None else None
    time = None
    if known or stopping is not None:
        time = Fraction(longest.most if known else 0, PARTS_OF_A_MS) + (stopping or 0)
    distance = distance_of(approach, time) if approach is not None and time is not None else None
    missing = dict.fromkeys(name for move in used for name in _without_response(system, move))
    return Budget(requirement, judgement.budget, steps, None, time, run, begins, tuple(missing), distance)


PARTS_OF_A_MS = 1000
"""Responses are counted in whole thousandths of a ms, rounded up."""


def _from(space: Space[S], single: Single[S], members: S, move: Move) -> S:
    return space.common(members, single.before(space.reached, move))


def _read(system: System, move: Move) -> set[int]:
    """The signals that a transition's conditions read, through whatever other signals."""
    t = system.transitions[move.number]
    _, found = mentioned([t.interlock, t.physical])
    todo = list(found)
    while todo:
        _, more = mentioned([system.signals[todo.pop()].reads])
        todo.extend(more - found)
        found |= more
    return found


def _cost(system: System, move: Move) -> int | None:
    """The response of a reaction in thousandths of a ms; None where the spec gives none of it."""
    own = system.subsystems[system.transitions[move.number].subsystem].response
    switches = [r for s in _read(system, move) if (r := system.signals[s].response) is not None]
    if own is None and not switches:
        return None
    return -int(-((own or 0) + max(switches, default=Fraction(0))) * PARTS_OF_A_MS // 1)


def _without_response(system: System, move: Move) -> list[str]:
    own = system.subsystems[system.transitions[move.number].subsystem]
    named = [own.name] if own.response is None else []
    return named + [system.signals[s].name for s in sorted(_read(system, move)) if system.signals[s].response is None]


class _Longest(Generic[S]):
    """The costliest run of reactions through the members, the step that leaves them included.

    ``levels[n]`` has the members that runs of ``n`` steps come to, by what they have cost so far; of a state that is
    come to at several costs only the highest counts.
    """

    def __init__(self, space: Space[S], single: Single[S], members: S, costs: Mapping[Move, int], clock: Clock) -> None:
        self.space = space
        self.single = single
        self.members = members
        self.costs = costs
        self.levels: list[dict[int, S]] = []
        self.most = 0
        self._last: tuple[int, int, S, Move] | None = None
        level = {0: members}
        while level:
            clock.check()
            self.levels.append(level)
            self._finish(level)
            level = self._next(level)

    def _finish(self, level: dict[int, S]) -> None:
        """Whether leaving the members from here costs more than anything so far."""
        space, outside = self.space, self.space.minus(self.space.reached, self.members)
        for cost, here in level.items():
            for move, more in self.costs.items():
                if self._last is None or cost + more > self.most or (cost + more == self.most and self._deeper()):
                    leaving = space.common(here, self.single.before(outside, move))
                    if not space.is_empty(leaving):
                        self.most, self._last = cost + more, (len(self.levels) - 1, cost, leaving, move)

    def _deeper(self) -> bool:
        return self._last is not None and len(self.levels) - 1 > self._last[0]

    def _next(self, level: dict[int, S]) -> dict[int, S]:
        space, after = self.space, dict[int, S]()
        for cost, here in level.items():
            for move, more in self.costs.items():
                landed = space.common(self.single.after(here, move), self.members)
                if not space.is_empty(landed):
                    total = cost + more
                    after[total] = space.union(after[total], landed) if total in after else landed
        result, seen = dict[int, S](), space.nothing()
        for total in sorted(after, reverse=True):
            new = space.minus(after[total], seen)
            if not space.is_empty(new):
                result[total] = new
                seen = space.union(seen, new)
        return result

    def chain(self) -> list[tuple[S, Move]]:
        """A costliest run from its begin on: for each step the members that it is taken from, and the move."""
        assert self._last is not None
        depth, cost, here, last = self._last
        chain = [(here, last)]
        while depth:
            depth -= 1
            for move, more in self.costs.items():
                earlier = self.levels[depth].get(cost - more)
                if earlier is not None:
                    source = self.space.common(self.single.before(here, move), earlier)
                    if not self.space.is_empty(source):
                        cost, here = cost - more, source
                        chain.append((here, move))
                        break
            else:
                raise AssertionError("a run of reactions without a begin")
        return chain[::-1]


def _shown(space: Space[S], requirement: Requirement, longest: _Longest[S], until: Clock) -> tuple[Trace | None, int]:
    """A shortest run to where the longest reaction begins, and on through it; None where time for that is over."""
    chain = longest.chain()
    watch = window(requirement) if requirement.begins is not None else NOTHING
    value = INSIDE if requirement.begins is not None else watch.first
    before, space.on_work = space.on_work, until.check
    try:
        until.check()
        trace = Walker(space, watch, until).shortest({value: chain[0][0]})
    except LimitReached:
        return None, 0
    finally:
        space.on_work = before
    assert trace is not None, "a reaction that no run comes to"
    state, taken = trace.end, list[Step]()
    for place, (_, move) in enumerate(chain):
        step = next(s for s in reactions(space.system, state) if s.number == move.number)
        if place + 1 < len(chain):
            assert space.contains(chain[place + 1][0], step.after), "a reaction that leaves its way"
        taken.append(step)
        state = step.after
    return Trace(trace.start, (*trace.steps, *taken)), len(trace.steps)
