"""The largest set of states from which people, faults and time cannot force a breach.

A game on the system states, with the value of the requirement's watch beside them. In every state the logic may hold
back any of the transitions that it can hold back; whatever it lets through is then in the hands of the others:

- An automatic transition that is held back is not due. Where nothing else is due the state is then settled.
- A transition on an event that is held back does not move; the other movers of the event do, and a joint event does
  not happen. For each event the logic lets through as many of its transitions as it can, and of choices that let
  through equally many the first in the order of the spec file.
- An event marked controllable can be kept from happening at all.
- What cannot be held back happens when it likes: in the order that is worst.

A state is lost where every choice lets something lead to a breach or into a lost state. In the others each transition
is held back where it leads into a lost state, and nowhere else: the latest moment. States that come about only because
something is held back are looked at when a way of the game leads there, until no way leads out of what was looked at.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass
from itertools import combinations

from safetymodel.claims.watch import BREACH
from safetymodel.explore.decisions import Diagram, disjoin
from safetymodel.explore.encoding import Encoding, Operation, Stage, Tick, Together, Write
from safetymodel.explore.engine import REACTION, LimitReached, no_limit
from safetymodel.insight.suggest.goal import Goal
from safetymodel.model.formula import Formula
from safetymodel.model.step import Kind
from safetymodel.model.system import Event

Sets = dict[int, Diagram]
"""A set of states for each value of the watch."""

MOST_SLOTS = 6
"""Transitions of one event that can be held back independently of each other in one state."""


@dataclass(frozen=True, slots=True)
class Way:
    """A happening while the transitions ``withheld`` are held back; ``operation`` None: then nothing happens."""

    withheld: frozenset[int]
    operation: Operation | None


@dataclass(frozen=True, slots=True)
class Happening:
    """A happening and the ways that the logic can choose from, the least restrictive first."""

    kind: Kind
    number: int
    ways: tuple[Way, ...]


class Game:
    """One requirement's game over an encoded system."""

    def __init__(
        self,
        encoding: Encoding,
        budget: int,
        goal: Goal,
        controllable: Collection[int],
        on_work: Callable[[], None] = no_limit,
    ) -> None:
        self.budget = budget
        self.encoding = encoding
        self.goal = goal
        self.values = goal.watch.values
        self.on_work = on_work
        self.false = encoding.decisions.false
        self.controllable = frozenset(controllable)
        reactions = {m.number: op for m, op in encoding.moves if m.kind == "reaction" and isinstance(op, Write)}
        self.forced = {n: op for n, op in reactions.items() if n not in self.controllable}
        self.free = {n: op for n, op in reactions.items() if n in self.controllable}
        self.forced_due = disjoin((op.guard for op in self.forced.values()), self.false)
        self.happenings = tuple(self._happenings())
        self.avoid: Sets = dict.fromkeys(self.values, self.false)
        """Settled states that count as lost besides."""

    def _happenings(self) -> list[Happening]:
        found = []
        for move, operation in self.encoding.moves:
            if move.kind == "reaction" or (move.kind in ("fault", "jump") and not self.budget):
                continue
            if move.kind == "fault":
                operation = only(operation, self.encoding.flags_at_most[self.budget - 1])
            ways = [Way(frozenset(), operation)]
            if move.kind == "time" and move.number in self.controllable:
                ways.append(Way(frozenset([move.number]), None))
            elif move.kind == "event":
                event = self.encoding.system.events[move.number]
                for withheld in self._choices(event):
                    ways.append(Way(withheld, self.encoding.event(event, withheld)))
            found.append(Happening(move.kind, move.number, tuple(ways)))
        return found

    def _choices(self, event: Event) -> list[frozenset[int]]:
        """Every set of its transitions but the empty one that can be held back, the smallest first. Transitions of one
        subsystem from different states never meet, so they share a place."""
        slots: dict[tuple[int, int], set[int]] = {}
        for subsystem, transitions in event.movers:
            counts: dict[int, int] = {}
            for number in transitions:
                if number in self.controllable:
                    source = self.encoding.system.transitions[number].source
                    place = counts.get(source, 0)
                    counts[source] = place + 1
                    slots.setdefault((subsystem, place), set()).add(number)
        if len(slots) > MOST_SLOTS:
            raise LimitReached(f"{event.name} has {len(slots)} transitions that can be held back at once")
        found: list[frozenset[int]] = []
        for count in range(1, len(slots) + 1):
            # the later ones are held back first: of equals the first in the spec is let through
            for chosen in combinations(reversed(list(slots)), count):
                found.append(frozenset[int]().union(*(slots[slot] for slot in chosen)))
        whole = held_with(event)
        if whole and whole not in found:
            found.append(whole)
        return found

    # -- one step -----------------------------------------------------------------------------

    def where(self, formula: Formula) -> Diagram:
        return self.encoding.formula(formula)

    def next_value(self, kind: Kind, number: int, value: int) -> int:
        if kind == "reaction":
            return value
        return next(becomes(value) for meant, becomes in self.goal.watch.classes if meant.covers(kind, number))

    def staying(self, value: int) -> tuple[tuple[Kind, ...], frozenset[int] | None]:
        """The steps that leave the value as it is, until a settled state may change it."""
        kinds: list[Kind] = list(REACTION)
        events: frozenset[int] | None = frozenset()
        for meant, becomes in self.goal.watch.classes:
            if becomes(value) == value:
                kinds.extend(meant.kinds)
                if "event" in meant.kinds:
                    events = None if meant.events is None or events is None else events | meant.events
        return tuple(kinds), events

    def leaps(self, operation: Operation, kind: Kind, number: int, value: int) -> Diagram:
        """Where the step is itself a breach."""
        found = self.false
        for leap in self.goal.watch.leaps:
            if leap.steps.covers(kind, number) and (leap.values is None or value in leap.values):
                assert leap.to == BREACH
                found = found | (operation.source(self.where(leap.after)) & self.where(leap.before))
        return found

    def at_rest(self, sets: Mapping[int, Diagram]) -> Sets:
        """For each value on arrival, where the settled state with the value that it then gets is in the sets."""
        result = {}
        for value in self.values:
            rest, found = self.encoding.decisions.true, self.false
            for formula, new in self.goal.watch.settling(value):
                here = rest & self.where(formula)
                found = found | (here & sets.get(new, self.false))
                rest = rest & ~here
            result[value] = found | (rest & sets.get(value, self.false))
        return result

    # -- lost states --------------------------------------------------------------------------

    def lost(self, arena: Diagram) -> Lost:
        """The states of the arena from which a breach can be forced; what lies outside counts as not lost."""
        lost = Lost(self, arena)
        lost.grow()
        return lost


class Lost:
    """The lost states of a game within an arena, for each value of the watch on arrival."""

    def __init__(self, game: Game, arena: Diagram) -> None:
        self.game = game
        self.arena = arena
        self.sets: Sets = dict.fromkeys(game.values, game.false)
        goal = game.goal
        self._into: dict[tuple[Kind, int, int, int], Diagram] = {}
        """(kind, number, way, value): where that way leads to a breach or into a lost state."""
        for happening in game.happenings:
            for place, way in enumerate(happening.ways):
                for value in game.values:
                    found = game.false
                    if way.operation is not None:
                        found = arena & game.leaps(way.operation, happening.kind, happening.number, value)
                        if game.next_value(happening.kind, happening.number, value) not in game.values:
                            found = found | (arena & way.operation.source(game.encoding.decisions.true))
                    self._into[happening.kind, happening.number, place, value] = found
        for number, operation in (*game.forced.items(), *game.free.items()):
            for value in game.values:
                self._into["reaction", number, 0, value] = arena & game.leaps(operation, "reaction", number, value)
        inside = {goal.inside: arena & game.where(goal.settled)}
        self._bad_at_rest = {v: game.avoid[v] | inside.get(v, game.false) for v in game.values}
        moving = {goal.inside: arena & game.where(goal.moving)}
        self._bad_moving = {v: moving.get(v, game.false) for v in game.values}

    def reaction(self, number: int, value: int) -> Diagram:
        """Where this reaction leads to a breach or into a lost state, or where waiting for it is a breach that could
        be avoided by resting."""
        into = self._into["reaction", number, 0, value]
        return into if number in self.game.forced else into | (self._bad_moving[value] & ~self.game.forced_due)

    def way(self, happening: Happening, place: int, value: int) -> Diagram:
        return self._into[happening.kind, happening.number, place, value]

    def grow(self) -> None:
        game = self.game
        while True:
            fresh = {v: self._losing(v, at_rest) & ~self.sets[v] for v, at_rest in self._at_rest().items()}
            if all(members == game.false for members in fresh.values()):
                return
            for value, members in fresh.items():
                self.sets[value] = self.sets[value] | members
            self._look_back(fresh)

    def _at_rest(self) -> Sets:
        """For each value on arrival, where settling is lost."""
        game, losing = self.game, dict(self._bad_at_rest)
        for happening in game.happenings:
            for value in game.values:
                every = self.way(happening, 0, value)
                for place in range(1, len(happening.ways)):
                    every = every & self.way(happening, place, value)
                losing[value] = losing[value] | every
        return game.at_rest(losing)

    def _losing(self, value: int, at_rest: Diagram) -> Diagram:
        game = self.game
        forced = disjoin((self.reaction(n, value) for n in game.forced), game.false)
        good = disjoin((op.guard & ~self.reaction(n, value) for n, op in game.free.items()), game.false)
        forced = forced | (game.forced_due & self._bad_moving[value])
        return self.arena & (forced | (~game.forced_due & ~good & at_rest))

    def _look_back(self, fresh: Sets) -> None:
        """Where one step leads into the newly lost states."""
        game, nothing = self.game, self.game.false
        for number, operation in (*game.forced.items(), *game.free.items()):
            for value in game.values:
                if fresh[value] != nothing:
                    game.on_work()
                    key: tuple[Kind, int, int, int] = ("reaction", number, 0, value)
                    self._into[key] = self._into[key] | (self.arena & operation.source(fresh[value]))
        for happening in game.happenings:
            for value in game.values:
                new = fresh.get(game.next_value(happening.kind, happening.number, value), nothing)
                if new == nothing:
                    continue
                for place, way in enumerate(happening.ways):
                    if way.operation is not None:
                        game.on_work()
                        key = (happening.kind, happening.number, place, value)
                        self._into[key] = self._into[key] | (self.arena & way.operation.source(new))


def held_with(event: Event) -> frozenset[int]:
    """The transitions that have to be held back so that a controllable event does not happen: of a joint one those of
    the subsystem that declares it are enough."""
    if not event.controllable:
        return frozenset()
    movers = dict(event.movers)
    if event.joint and event.subsystem in movers:
        return frozenset(movers[event.subsystem])
    return frozenset(n for numbers in movers.values() for n in numbers)


def only(operation: Operation, here: Diagram) -> Operation:
    """The operation where it is let through."""
    match operation:
        case Write(guard, cube, value):
            return Write(guard & here, cube, value)
        case Stage():
            return Together(here, (operation,))
        case Together(possible, stages):
            return Together(possible & here, stages)
        case Tick():
            return operation
