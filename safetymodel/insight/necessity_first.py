"""A first look at each change: what comes of it at the first moment at which it makes a difference, and soon after.

The states that were reached are gone through again, operation by operation, and what was known before each is kept
(:class:`Record`). As long as none of the states known is one in which the change makes a difference, all of them are
reached by the changed system as well; so is what one operation of the changed system leads to from there, and what its
steps lead to from that. A breach that is found among these is one of the changed system. Where none is found in the few
rounds nothing is said.
"""

from __future__ import annotations

import copy
from collections.abc import Callable, Collection
from contextlib import suppress
from dataclasses import dataclass

from safetymodel.claims.verdict import Word
from safetymodel.explore.decisions import Diagram, disjoin
from safetymodel.explore.encoding import Encoding, Operation
from safetymodel.explore.engine import EVERY_STEP, going_round, no_limit
from safetymodel.explore.moves import Move
from safetymodel.explore.saturation import Saturation
from safetymodel.explore.symbolic import SymbolicSpace
from safetymodel.insight.necessity_changes import Change
from safetymodel.insight.necessity_looks import Look, looks_of
from safetymodel.insight.necessity_mirrors import Asked
from safetymodel.model.able import partners_able
from safetymodel.model.formula import Formula
from safetymodel.model.system import System

ROUNDS = 2
"""The first difference, and one round of all that can happen after it; one more showed nothing new on the coach."""


@dataclass(frozen=True, slots=True)
class Soon:
    """What a first look at a change has found: requirements (names) with the verdict that they then have at best;
    whether the logic can then go round for ever."""

    found: dict[str, Word]
    chatters: bool = False


class Enough(Exception):
    """Nothing more has to be looked at."""


class Record:
    """The reached states in the order in which they are found: what is known before each move that leads on."""

    def __init__(self, encoding: Encoding, start: Diagram, on_work: Callable[[], None]) -> None:
        self.encoding = encoding
        self.known: list[Diagram] = []
        self.moves: list[Move] = []
        false, calm = encoding.decisions.false, encoding.calm
        saturation = Saturation(encoding, on_work, EVERY_STEP)
        room = encoding.decisions.true
        happenings = [(m, op) for m, op in encoding.moves if m.kind in ("event", "time", "jump")]
        strikes = [(m, op) for m, op in encoding.moves if m.kind == "fault"]
        ticks = [(m, op) for m, op in encoding.moves if m.kind == "tick"]
        readers = saturation.readers

        def once(found: Diagram, moves: Collection[tuple[Move, Operation]]) -> Diagram:
            for move, operation in moves:
                on_work()
                new = operation.image(found & calm) & ~found
                if new != false:
                    self.known.append(found)
                    self.moves.append(move)
                    found = found | saturation.close(new, readers.after(move, encoding.system), room)
            return found

        self.first = found = saturation.close(start, readers.all, room)
        while True:
            before = found
            while True:
                here = found
                found = once(found, happenings)
                if found == here:
                    found = once(found, ticks)
                    if found == here:
                        break
            found = once(found, strikes)
            if found == before:
                return

    def before(self, members: Diagram) -> tuple[Diagram, Move] | None:
        """The most that is known without any of the members, and the move that then leads to some; None where some
        are there from the first."""
        false = self.encoding.decisions.false
        low, high = -1, len(self.known)  # known[low] has none; known[high], or what the last move leads to, has some
        while high - low > 1:
            middle = (low + high) // 2
            low, high = (middle, high) if self.known[middle] & members == false else (low, middle)
        return None if low < 0 else (self.known[low], self.moves[low])


class FirstLook:
    """Over the states of the system as it is, reached under the largest fault budget."""

    def __init__(self, space: SymbolicSpace, asked: Asked, on_work: Callable[[], None] = no_limit) -> None:
        self.space = space
        self.encoding: Encoding = space.symbolic.encoding
        self.system: System = space.system
        self.asked = asked
        self.on_work = on_work
        self.looks: tuple[Look, ...] = looks_of(self.encoding, self.system.requirements, asked)
        self.false = self.encoding.decisions.false
        self.record = Record(self.encoding, space.start, on_work)
        self.chatters = going_round(space, space.transient) != self.false
        """Whether the logic can go round for ever as it is."""
        self._others: dict[int, Diagram] = {}

    def differing(self, change: Change) -> tuple[Diagram, Diagram]:
        """The reached states in which the transition can happen only with the change, and those in which only
        without."""
        encoding, t = self.encoding, self.system.transitions[change.transition]
        before = encoding.can[t.number]
        if change.kind == "late":
            return self.false, self.space.reached & encoding.due[t.number]
        free = encoding.can_if(t.number, change.interlock)
        more = self.space.reached & free & ~before
        less = self.space.reached & before & ~free
        if t.event is not None:
            here = encoding.calm & encoding.formula(partners_able(self.system, t))
            more, less = more & here, less & here
        return more, less

    def soon(self, change: Change, differing: Diagram) -> Soon:
        """What is noticed at the first difference and in the few rounds after it. Not for ``late``."""
        changed = self._changed(change.transition, change.interlock)
        saturation = Saturation(changed, self.on_work, EVERY_STEP)
        room, all_readers = changed.decisions.true, saturation.readers.all
        before = self.record.before(differing)
        if before is None:
            landed = saturation.close(self.space.start, all_readers, room)
        else:
            known, move = before
            landed = self._landed(changed, saturation, known, move, differing)
        looks = looks_of(changed, self.system.requirements, self.asked)
        found: dict[str, Word] = {}
        left = ROUNDS

        def kept(members: Diagram) -> Diagram:
            nonlocal left
            self.on_work()
            for look in looks:
                if look.seen(members) != self.false:
                    found[look.requirement.name] = look.word
                    raise Enough
            left -= 1
            if not left:
                raise Enough
            return members

        with suppress(Enough):
            kept(landed)
            saturation.grow(landed, room, None, kept)
        return Soon(found, not self.chatters and self._goes_round(changed, landed))

    def _landed(
        self, changed: Encoding, saturation: Saturation, known: Diagram, move: Move, differing: Diagram
    ) -> Diagram:
        """The first states in which the change makes a difference, and what reactions make of them."""
        room = changed.decisions.true
        operation = next(op for m, op in changed.moves if m == move)
        new = saturation.close(operation.image(known & changed.calm), saturation.readers.all, room)
        return saturation.close(new & differing, saturation.readers.all, room)

    def _goes_round(self, changed: Encoding, members: Diagram) -> bool:
        """Whether reactions alone lead from some of the members, which reactions do not lead out of, for ever."""
        reactions = [op for m, op in changed.moves if m.kind == "reaction"]
        here = members & changed.transient
        while here != self.false:
            self.on_work()
            back = disjoin((op.source(here) for op in reactions), self.false) & here
            if back == here:
                return True
            here = back
        return False

    def _changed(self, number: int, interlock: Formula) -> Encoding:
        """The encoded system in which that transition has this `if`."""
        t = self.system.transitions[number]
        changed = copy.copy(self.encoding)
        can, due = list(changed.can), list(changed.due)
        can[number] = changed.can_if(number, interlock)
        if t.event is None:
            due[number] = can[number] & changed.clock_from(t.subsystem, t.latest)
        changed.can, changed.due = tuple(can), tuple(due)
        if t.event is None:
            due_else = self._others.get(number)
            if due_else is None:
                due_else = disjoin((d for n, d in enumerate(due) if n != number and d != self.false), self.false)
                self._others[number] = due_else
            changed.transient = due_else | due[number]
            changed.calm = ~changed.transient
        mine: dict[Move, Operation | None] = {}
        if t.event is not None:
            mine[Move("event", t.event)] = changed.event(self.system.events[t.event])
        else:
            mine[Move("reaction", number)] = changed.enter(t.subsystem, t.target, due[number])
            if t.earliest < t.latest:
                early = changed.clock_from(t.subsystem, t.earliest) & ~changed.clock_from(t.subsystem, t.latest)
                mine[Move("time", number)] = changed.enter(t.subsystem, t.target, can[number] & early)
        others = [(m, op) for m, op in self.encoding.moves if m not in mine]
        changed.moves = (*others, *((m, op) for m, op in mine.items() if op is not None))
        return changed
