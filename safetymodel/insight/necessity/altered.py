"""One changed system beside the system as it is: the same bits, the same moves but for those of one transition.

What a change does to the reached states is said here in a few sets, so that what has been found about the system as it
is can be carried over instead of being found again.
"""

from __future__ import annotations

import copy
from collections.abc import Callable, Collection, Iterable
from dataclasses import dataclass
from functools import cached_property

from safetymodel.explore.decisions import Diagram, disjoin
from safetymodel.explore.encoding import Encoding, Operation
from safetymodel.explore.engine import EVERY_STEP
from safetymodel.explore.moves import Move
from safetymodel.explore.saturation import Saturation
from safetymodel.explore.symbolic import SymbolicSpace
from safetymodel.insight.necessity.changes import Change
from safetymodel.model.able import partners_able
from safetymodel.model.step import Kind
from safetymodel.model.system import System, Transition

Moves = tuple[tuple[Move, Operation], ...]


@dataclass(frozen=True)
class Altered:
    """Over the ``reached`` states of the system as it is.

    ``own``: the moves of the changed transition, each with the reached states in which it is not as it was. ``more``
    and ``less``: where the transition can happen only with the change, and only without. ``lost``: where at least one
    step is no longer there. ``calmed``: settled only with the change; ``stirred``: only without.
    """

    change: Change
    encoding: Encoding
    reached: Diagram
    own: tuple[tuple[Move, Operation, Diagram], ...]
    more: Diagram
    less: Diagram
    lost: Diagram
    calmed: Diagram
    stirred: Diagram
    on_work: Callable[[], None]
    only_less: bool = False
    """Every step of the changed system is one of the system as it is, from whatever state, and settled is the same."""

    @property
    def false(self) -> Diagram:
        return self.encoding.decisions.false

    @property
    def differs(self) -> bool:
        return self.more != self.false or self.less != self.false

    @property
    def differing(self) -> Diagram:
        return self.more | self.less | self.calmed | self.stirred

    @property
    def only_more(self) -> bool:
        """Every step of the system as it is is one of the changed system too, wherever the former comes to."""
        return self.lost == self.false

    @property
    def changed_moves(self) -> tuple[Move, ...]:
        """Those of the changed transition, in the system as it is or in this one."""
        return _moves_of(self.encoding.system.transitions[self.change.transition])

    @cached_property
    def new_at_once(self) -> Diagram:
        """Where a step from the reached states leads that the system as it is does not come to."""
        return self.strays(self.reached) & ~self.reached

    def does_as(self, other: Altered, everywhere: Diagram) -> bool:
        """Whether two changes of one transition are the same in all these states."""
        if "late" in (self.change.kind, other.change.kind):
            return False
        number = self.change.transition
        return (self.encoding.can[number] ^ other.encoding.can[number]) & everywhere == self.false

    def moves(self, kinds: Collection[Kind]) -> Moves:
        return tuple((move, op) for move, op in self.encoding.moves if move.kind in kinds)

    def image(self, members: Diagram, moves: Iterable[tuple[Move, Operation]]) -> Diagram:
        """Where these moves lead from the members."""
        found = self.false
        if members == found:
            return found
        settled = members & self.encoding.calm
        for move, operation in moves:
            self.on_work()
            found = found | operation.image(members if move.kind == "reaction" else settled)
        return found

    def strays(self, members: Diagram, kinds: Collection[Kind] = EVERY_STEP) -> Diagram:
        """Where steps of these kinds lead from the members, which are reached by the system as it is, that are none
        of its own steps."""
        found = self.false
        if self.only_less:
            return found
        for move, operation, where in self.own:
            if move.kind in kinds:
                here = members & where
                found = found | operation.image(here if move.kind == "reaction" else here & self.encoding.calm)
        calmed = members & self.calmed
        if calmed != self.false:
            found = found | self.image(calmed, self.moves([kind for kind in kinds if kind != "reaction"]))
        return found

    def saturation(self, kinds: Collection[Kind] = EVERY_STEP) -> Saturation:
        return Saturation(self.encoding, self.on_work, kinds)

    def grown(self, seeds: Diagram, room: Diagram, kinds: Collection[Kind] = EVERY_STEP) -> Diagram:
        """Those of the seeds that are in the room, and what steps of these kinds lead to from there in the room."""
        seeds = seeds & room
        return self.saturation(kinds).grow(seeds, room) if seeds != self.false else seeds


class Alterations:
    """The changed systems of one space."""

    def __init__(self, space: SymbolicSpace, on_work: Callable[[], None]) -> None:
        self.space = space
        self.system: System = space.system
        self.encoding: Encoding = space.symbolic.encoding
        self.false = self.encoding.decisions.false
        self.on_work = on_work
        self._others: dict[int, Diagram] = {}

    def of(self, change: Change) -> Altered:
        old, reached, false = self.encoding, self.space.reached, self.false
        t = self.system.transitions[change.transition]
        new = copy.copy(old)
        can, due = list(old.can), list(old.due)
        if change.kind == "late":
            due[t.number] = false
        else:
            can[t.number] = old.can_if(t.number, change.interlock)
            if t.event is None:
                due[t.number] = can[t.number] & old.clock_from(t.subsystem, t.latest)
        new.can, new.due = tuple(can), tuple(due)
        if t.event is not None:
            return self._on_event(change, t, new)
        others = self._due_but(t.number)
        new.transient = others | due[t.number]
        new.calm = ~new.transient
        early_before = self._early(t, t.latest) & old.can[t.number]
        early = self._early(t, None if change.kind == "late" else t.latest) & can[t.number]
        mine: list[tuple[Move, Operation]] = [
            (Move("reaction", t.number), new.enter(t.subsystem, t.target, due[t.number]))
        ]
        wheres = [reached & (due[t.number] ^ old.due[t.number])]
        if early != false or early_before != false:
            mine.append((Move("time", t.number), new.enter(t.subsystem, t.target, early)))
            wheres.append(reached & (early ^ early_before))
        self._replace(new, t, mine)
        more = reached & can[t.number] & ~old.can[t.number]
        less = reached & (old.due[t.number] if change.kind == "late" else old.can[t.number] & ~can[t.number])
        calmed = reached & old.transient & new.calm
        stirred = reached & old.calm & new.transient
        gone = (old.due[t.number] & ~due[t.number]) | (early_before & ~early)
        lost = (reached & gone) | calmed | stirred
        own = tuple((move, op, where) for (move, op), where in zip(mine, wheres, strict=True))
        return Altered(change, new, reached, own, more, less, lost, calmed, stirred, self.on_work)

    def _on_event(self, change: Change, t: Transition, new: Encoding) -> Altered:
        old, reached, false = self.encoding, self.space.reached, self.false
        assert t.event is not None
        event = self.system.events[t.event]
        operation = new.event(event)
        here = reached & old.calm & old.formula(partners_able(self.system, t))
        more = here & new.can[t.number] & ~old.can[t.number]
        less = here & old.can[t.number] & ~new.can[t.number]
        move = Move("event", t.event)
        self._replace(new, t, [] if operation is None else [(move, operation)])
        own = () if operation is None else ((move, operation, more | less),)
        # who moves also when others do had stayed where it was before
        apart = event.joint or len(event.movers) == 1
        lost = less if apart else more | less
        only_less = apart and change.kind == "removed"
        return Altered(change, new, reached, own, more, less, lost, false, false, self.on_work, only_less)

    def _early(self, t: Transition, latest: int | None) -> Diagram:
        """Where the clock is in the window of time of the transition."""
        early = self.encoding.clock_from(t.subsystem, t.earliest)
        return early if latest is None else early & ~self.encoding.clock_from(t.subsystem, latest)

    def _replace(self, new: Encoding, t: Transition, mine: list[tuple[Move, Operation]]) -> None:
        gone = _moves_of(t)
        new.moves = (*((m, op) for m, op in self.encoding.moves if m not in gone), *mine)

    def _due_but(self, number: int) -> Diagram:
        """Where some other automatic transition is due."""
        known = self._others.get(number)
        if known is None:
            parts = (d for n, d in enumerate(self.encoding.due) if n != number and d != self.false)
            known = self._others[number] = disjoin(parts, self.false)
        return known


def _moves_of(t: Transition) -> tuple[Move, ...]:
    if t.event is not None:
        return (Move("event", t.event),)
    return (Move("reaction", t.number), Move("time", t.number))


def altered_space(
    space: SymbolicSpace, altered: Altered, reached: Diagram, chatters: bool | None = None
) -> SymbolicSpace:
    """These states as a space of the changed system, under the budget of the given one. ``chatters``: whether reactions
    can go on for ever in it; None as long as nobody has looked."""
    symbolic = copy.copy(space.symbolic)
    symbolic.encoding = altered.encoding
    symbolic.reached = reached
    symbolic.chatters = chatters
    found = SymbolicSpace(symbolic, space.budget)
    found.on_work = altered.on_work
    return found
