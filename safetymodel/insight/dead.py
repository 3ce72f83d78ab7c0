"""Dead parts: a state never entered, a transition never taken, a condition that never blocks, an event that never
moves anything. All are read off the reached states."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Generic, Literal, TypeVar

from safetymodel.claims.clock import Clock
from safetymodel.explore.engine import Space
from safetymodel.explore.moves import Move
from safetymodel.explore.single import Single
from safetymodel.model.able import able, partners_able
from safetymodel.model.formula import TRUE, AllOf, Formula, InState, Not
from safetymodel.model.system import System, Transition
from safetymodel.span import Span

S = TypeVar("S")

DeadKind = Literal["dead-state", "dead-transition", "dead-event", "idle-condition"]


@dataclass(frozen=True, slots=True)
class Dead(Generic[S]):
    """A part that does nothing in any run. ``near`` are the states where it would come next (for a condition that
    never blocks: where it is asked), None where there are none."""

    kind: DeadKind
    places: tuple[Span, ...]
    transitions: tuple[int, ...] = ()
    subsystem: int | None = None
    state: int | None = None
    event: int | None = None
    condition: str = ""
    near: S | None = None


def dead_parts(space: Space[S], single: Single[S], clock: Clock) -> Iterator[Dead[S]]:
    """Every dead part of a complete space. A part that is dead because another is, is not told twice: no transition
    from or to a dead state, no event of which every transition is dead already, no condition of a dead transition."""
    look = _Look(space, single, clock)
    lost_states = [
        (s.number, state)
        for s in space.system.subsystems
        for state in range(len(s.states))
        if space.is_empty(space.where(InState(s.number, (state,))))
    ]
    for number, state in lost_states:
        yield look.state(number, state)
    lost = [t for t in space.system.transitions if not look.taken(t)]
    told = [t for t in lost if not {(t.subsystem, t.source), (t.subsystem, t.target)} & set(lost_states)]
    for group in _by_place(told):
        clock.check()
        yield look.transition(group)
    gone = {t.number for t in lost}
    for event in space.system.events:
        ways = [n for _, numbers in event.movers for n in numbers]
        if ways and not set(ways) <= gone:
            continue
        if not ways or not {t.number for t in told} & set(ways):
            yield Dead("dead-event", (event.span,), event=event.number)
    alive = [t for t in space.system.transitions if t.number not in gone]
    for condition in ("if", "physically"):
        idle = [t for t in alive if look.never_blocks(t, condition)]
        for group in _by_place(idle):
            clock.check()
            yield look.condition(group, condition)


def _by_place(transitions: Iterable[Transition]) -> Iterator[list[Transition]]:
    """Those of one place in the spec together: instances of a family, sources of a list."""
    groups: dict[Span, list[Transition]] = {}
    for t in transitions:
        groups.setdefault(t.span, []).append(t)
    yield from groups.values()


class _Look(Generic[S]):
    def __init__(self, space: Space[S], single: Single[S], clock: Clock) -> None:
        self.space = space
        self.system: System = space.system
        self.single = single
        self.clock = clock
        self.moves = set(single.moves)

    def _settled(self, formula: Formula) -> S:
        return self.space.common(self.space.settled, self.space.where(formula))

    def taken(self, t: Transition) -> bool:
        """Whether some step of some run takes the transition."""
        self.clock.check()
        if t.event is not None:
            return not self.space.is_empty(self._settled(AllOf((able(self.system, t), partners_able(self.system, t)))))
        moves = [Move("reaction", t.number), Move("time", t.number)]
        return any(move in self.moves and not self.space.is_empty(self.single.possible(move)) for move in moves)

    def state(self, subsystem: int, state: int) -> Dead[S]:
        this = self.system.subsystems[subsystem]
        towards = [self.system.transitions[n] for n in this.transitions if self.system.transitions[n].target == state]
        near = self._nearest(towards)
        places = (this.span, *dict.fromkeys(t.span for t in towards))
        numbers = tuple(t.number for t in towards)
        return Dead("dead-state", places, numbers, subsystem, state, near=near)

    def transition(self, group: list[Transition]) -> Dead[S]:
        numbers = tuple(t.number for t in group)
        near = self._nearest(group)
        return Dead("dead-transition", (group[0].span,), numbers, event=group[0].event, near=near)

    def condition(self, group: list[Transition], condition: str) -> Dead[S]:
        here = self.space.nothing()
        for t in group:
            here = self.space.union(here, self._asked(t, condition))
        numbers = tuple(t.number for t in group)
        return Dead("idle-condition", (group[0].span,), numbers, condition=condition, near=here)

    def _nearest(self, transitions: list[Transition]) -> S | None:
        """Where as much as possible of what one of the transitions needs is there."""
        for interlock, physical in ((False, True), (True, False), (False, False)):
            here = self.space.nothing()
            for t in transitions:
                here = self.space.union(here, self._settled(able(self.system, t, interlock, physical)))
            if not self.space.is_empty(here):
                return here
        return None

    def _asked(self, t: Transition, condition: str) -> S:
        """The states in which everything else of the transition is there, so that this condition decides.

        Of one in a window of time: also where time has not run out yet, since it may then fire.
        """
        rest = able(self.system, t, condition != "if", condition != "physically")
        if t.event is not None:
            return self._settled(AllOf((rest, partners_able(self.system, t))))
        return self.space.common(self.space.where(rest), self.single.lasted(t.subsystem, t.earliest))

    def never_blocks(self, t: Transition, condition: str) -> bool:
        """Whether the condition is there, and true wherever it decides."""
        asked = t.interlock if condition == "if" else t.physical
        if asked == TRUE:
            return False
        self.clock.check()
        blocked = self.space.common(self._asked(t, condition), self.space.where(Not(asked)))
        return self.space.is_empty(blocked)
