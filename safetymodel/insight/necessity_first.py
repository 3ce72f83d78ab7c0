"""A first look at what is only let through more often: what comes of it at once, and of that in a few rounds.

Where a part of the `if` of a transition on an event is left out so that it only happens more often, all that was
reached stays reached, and whatever is new begins with that transition. So a breach that is found there is one of the
changed system. Where none is found in the few rounds nothing is said.
"""

from __future__ import annotations

import copy
from collections.abc import Callable
from contextlib import suppress

from safetymodel.claims.verdict import Word
from safetymodel.explore.decisions import Diagram
from safetymodel.explore.encoding import Encoding
from safetymodel.explore.engine import EVERY_STEP, no_limit
from safetymodel.explore.saturation import Saturation
from safetymodel.explore.symbolic import SymbolicSpace
from safetymodel.insight.necessity_changes import Change
from safetymodel.insight.necessity_looks import Look, looks_of
from safetymodel.insight.necessity_mirrors import Asked
from safetymodel.model.able import partners_able
from safetymodel.model.system import System

ROUNDS = 3


class FirstLook:
    """Over the states of the system as it is, reached under the largest fault budget."""

    def __init__(self, space: SymbolicSpace, asked: Asked) -> None:
        self.space = space
        self.encoding: Encoding = space.symbolic.encoding
        self.system: System = space.system
        self.looks: tuple[Look, ...] = looks_of(self.encoding, self.system.requirements, asked)
        self.false = self.encoding.decisions.false

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

    def noticed(self, change: Change, more: Diagram, on_work: Callable[[], None] = no_limit) -> dict[str, Word]:
        """Who notices within a few rounds, of a change by which a transition on an event happens ``more`` and never
        less."""
        t = self.system.transitions[change.transition]
        assert t.event is not None
        changed = copy.copy(self.encoding)
        can = list(changed.can)
        can[t.number] = changed.can_if(t.number, change.interlock)
        changed.can = tuple(can)
        operation = changed.event(self.system.events[t.event])
        if operation is None:
            return {}  # a joint event that some other subsystem never takes part in
        changed.moves = tuple(
            (m, operation if m.kind == "event" and m.number == t.event else op) for m, op in self.encoding.moves
        )
        landed = operation.image(more)
        for look in self.looks:
            if look.ended(more, operation, "event", t.event) != self.false:
                return {look.requirement.name: look.word}
        left = ROUNDS

        class Enough(Exception):
            pass

        found: dict[str, Word] = {}

        def kept(members: Diagram) -> Diagram:
            nonlocal left
            for look in self.looks:
                if look.seen(members) != self.false:
                    found[look.requirement.name] = look.word
                    raise Enough
            left -= 1
            if not left:
                raise Enough
            return members

        saturation = Saturation(changed, on_work, EVERY_STEP)
        with suppress(Enough):
            saturation.grow(landed & ~self.space.reached, ~self.space.reached, None, kept)
        return found
