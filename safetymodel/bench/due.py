"""Automatic transitions that are due, as sets of states of a space."""

from __future__ import annotations

from typing import Generic, TypeVar

from safetymodel.explore.engine import Space
from safetymodel.explore.single import single_moves
from safetymodel.model.able import able
from safetymodel.model.system import Transition

S = TypeVar("S")


class Due(Generic[S]):
    """Where automatic transitions (by number) are due; remembered."""

    def __init__(self, space: Space[S]) -> None:
        self.space = space
        self._single = single_moves(space)
        self._due: dict[int, S] = {}
        self._only: dict[int, S] = {}

    def ripe(self, transition: Transition, members: S) -> S:
        """Those of the members in which its clock has come to the latest tick that it may wait for."""
        if transition.event is not None or not transition.latest:
            return members
        return self.space.common(members, self._single.lasted(transition.subsystem, transition.latest))

    def due(self, transition: int) -> S:
        """The states in which it is due."""
        if transition not in self._due:
            this = self.space.system.transitions[transition]
            self._due[transition] = self.ripe(this, self.space.where(able(self.space.system, this)))
        return self._due[transition]

    def only(self, transition: int) -> S:
        """The states in which it is the only one due: no order of reaction can forestall it."""
        if transition not in self._only:
            space, rest = self.space, self.space.transient
            for t in space.system.transitions:
                if t.event is None and t.number != transition:
                    rest = space.minus(rest, self.due(t.number))
            self._only[transition] = rest
        return self._only[transition]
