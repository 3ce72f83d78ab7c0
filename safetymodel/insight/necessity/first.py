"""A first look at each change: what comes of it at the first moment at which it makes a difference, and soon after.

What was known before each operation that led on is kept (`record`). As long as none of the states known is
one in which the change makes a difference, all of them are reached by the changed system as well; so is what one
operation of the changed system leads to from there, and what its steps lead to from that. A breach that is found among
these is one of the changed system. Where none is found in the few rounds nothing is said.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass

from safetymodel.claims.verdict import Word
from safetymodel.explore.decisions import Diagram
from safetymodel.explore.encoding import Encoding
from safetymodel.explore.engine import EVERY_STEP, going_round, no_limit
from safetymodel.explore.rounds import going_on
from safetymodel.explore.saturation import Saturation
from safetymodel.explore.symbolic import SymbolicSpace
from safetymodel.insight.necessity.altered import Altered
from safetymodel.insight.necessity.looks import Looks
from safetymodel.insight.necessity.mirrors import Asked
from safetymodel.insight.necessity.record import Record
from safetymodel.model.system import System

ROUNDS = 3
"""The first difference, and some rounds of what can happen after it."""


@dataclass(frozen=True, slots=True)
class Soon:
    """What a first look at a change has found: requirements (names) with the verdict that they then have at best;
    whether the logic can then go round for ever."""

    found: dict[str, Word]
    chatters: bool = False


class Enough(Exception):
    """Nothing more has to be looked at."""


class FirstLook:
    """Over the states of the system as it is, reached under the largest fault budget."""

    def __init__(
        self, space: SymbolicSpace, record: Record, asked: Asked, on_work: Callable[[], None] = no_limit
    ) -> None:
        self.space = space
        self.encoding: Encoding = space.symbolic.encoding
        self.system: System = space.system
        self.asked = asked
        self.on_work = on_work
        self.looks = Looks(self.encoding, asked, on_work)
        self.false = self.encoding.decisions.false
        self.record = record
        self.chatters = going_round(space, space.transient) != self.false
        """Whether the logic can go round for ever as it is."""

    def soon(self, altered: Altered) -> Soon:
        """What is noticed at the first difference and in the few rounds after it."""
        changed, differing = altered.encoding, altered.differing
        saturation = Saturation(changed, self.on_work, EVERY_STEP)
        room, all_readers = changed.decisions.true, saturation.readers.all
        before = self.record.before(differing)
        if before is None:
            landed = saturation.close(self.space.start, all_readers, room)
        else:
            # where the change makes no difference it is the same operation
            known, operation = before
            new = saturation.close(operation.image(known & changed.calm), all_readers, room)
            landed = saturation.close(new & differing, all_readers, room)
        looks = self.looks.of(altered, self.system.requirements)
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
        if self.chatters:
            return Soon(found)
        return Soon(found, going_on(changed, landed & changed.transient, self.on_work) != self.false)
