"""What a walk could show next: the nearest goal from where it has come to, and the nearest from all that is known."""

from __future__ import annotations

from collections.abc import Collection
from typing import Generic, TypeAlias, TypeVar

from safetymodel.bench.reactions import CannotTrack
from safetymodel.bench.sheets.ladder import Ladder
from safetymodel.bench.sheets.reach import Layers, Reach
from safetymodel.bench.sheets.replay import Watcher
from safetymodel.bench.sheets.rooms import Rooms
from safetymodel.bench.sheets.stages import Goal
from safetymodel.bench.stimulus import Stimulus
from safetymodel.model.state import State

S = TypeVar("S")

NEAR_KNOWN = 2
"""Rows up to which all goals at once are looked for around every state that some walk has come to."""

NEAR = 4
"""Rows up to which a goal is near enough for a walk to be carried on."""

MOST_TRIES = 3
"""Proposals for a goal that may turn out to depend on the order of reaction."""

FARTHEST = 60
"""Rows within which a goal is looked for."""

Proposal: TypeAlias = "tuple[int, tuple[Stimulus, ...] | None]"
"""A goal and the rows to it."""


class Proposals(Generic[S]):
    """``known`` has under each fault the settled states that some walk has come to, and the fewest rows seen to lead
    there."""

    def __init__(self, reach: Reach[S], rooms: Rooms[S], goals: tuple[Goal, ...]) -> None:
        self.reach, self.rooms, self.goals, self.space = reach, rooms, goals, reach.space
        self.known: dict[int | None, dict[State, tuple[Stimulus, ...]]] = {None: {}}
        self._layers: dict[int | None, Layers[S]] = {}

    def know(self, state: State, rows: tuple[Stimulus, ...]) -> None:
        fault = state.flags.bit_length() - 1 if state.flags else None
        here = self.known.setdefault(fault, {})
        if state not in here or len(rows) < len(here[state]):
            here[state] = rows

    def near(self, watcher: Watcher, targets: list[tuple[int, S]], fault: int | None) -> Proposal | None:
        """The nearest goal from where the walk has come to, if it is near."""
        layers = Layers(self.reach, watcher.possible, self.rooms.of(fault)[0], fault)
        found = self._nearest(layers, targets, NEAR)
        if found is None:
            return None
        try:
            return found[0], self.reach.path(layers, found[1], found[2], {})[1]
        except CannotTrack:  # on the way the logic can go round for ever
            return found[0], None

    def new_start(self, targets: list[tuple[int, S]], fault: int | None, tries: dict[int, int]) -> Proposal | None:
        """A goal, and the rows to it from the initial state by way of a state that some walk has come to. The rows are
        None where they can go either way. On a last try an automatic transition has to wait for its row."""
        room = self.rooms.of(fault)[0]
        known = {**self.known[None], **(self.known.get(fault, {}) if fault is not None else {})}
        if not known:  # already the initial state settles one way or the other, or is itself forbidden
            return None
        cost = {state: len(rows) for state, rows in known.items()}
        layers = self._around(known, room, fault)
        first = [(number, target) for number, target in targets if tries.get(number, 0) < MOST_TRIES - 1]
        found = self._nearest(layers, first, NEAR_KNOWN if fault is None else 1) if first else None
        if found is not None:
            try:
                start, rows = self.reach.path(layers, found[1], found[2], cost)
            except CannotTrack:
                return found[0], None
            return found[0], (*known[start], *rows)
        states = sorted(known, key=lambda state: cost[state])
        for number, target in first or targets:
            ladder = Ladder(self.rooms.of(fault)[1], target, room, fault)
            if not first:
                ladder.begin_with(self.reach.waiting(self.goals[number].stages[0].ways))
            place = ladder.height(states, FARTHEST)
            if place is not None:
                try:
                    way = ladder.down(place[1], place[0])
                except CannotTrack:
                    way = None
                return number, None if way is None else (*known[place[1]], *way)
        return None

    def _around(self, known: Collection[State], room: S, fault: int | None) -> Layers[S]:
        """What can be come to from all that is known; as it was, where nothing has come to be known since."""
        kept = self._layers.get(fault)
        if kept is None or len(kept.states) != len(known):
            kept = self._layers[fault] = Layers(self.reach, tuple(known), room, fault)
        return kept

    def _nearest(self, layers: Layers[S], targets: list[tuple[int, S]], most: int) -> tuple[int, int, S] | None:
        """(goal, rows to it, where) of the nearest target."""
        space, depth = self.space, 0
        while depth <= most:
            while len(layers.found) <= depth:
                if not layers.deeper():
                    return None
            passed = layers.found[depth].passed
            for number, target in targets:
                hit = space.common(passed, target)
                if not space.is_empty(hit):
                    return number, depth, hit
            depth += 1
        return None
