"""How a game goes: what comes about while everything is held back that leads into a lost state, and nothing else."""

from __future__ import annotations

import copy
from collections.abc import Collection, Mapping
from dataclasses import dataclass

from safetymodel.explore.decisions import Diagram, disjoin
from safetymodel.explore.encoding import Encoding, Operation, Write
from safetymodel.explore.moves import Move
from safetymodel.explore.saturation import Saturation
from safetymodel.insight.suggest.game import Game, Happening, Lost, Sets, Way, held_with, only


@dataclass(frozen=True, slots=True)
class Held:
    """For one transition, the situations of the game in which it could happen: let through, and held back."""

    let: Diagram
    held: Diagram


@dataclass(frozen=True, slots=True)
class Played:
    """How the game goes. ``lost`` at the start: no condition can do it, and the rest is empty.

    ``arrived`` are the states that come about, ``held`` is for each transition that is ever held back.
    """

    lost: bool
    arrived: Diagram
    held: Mapping[int, Held]


def play(game: Game, start: Diagram, arena: Diagram) -> tuple[Played, Reach | None]:
    """The game from the start, and what comes about in it; None where it is lost at the start. ``arena`` are the
    states to begin with: those reached without any condition."""
    while True:
        lost = game.lost(arena)
        if lost.sets[game.goal.watch.first] & start != game.false:
            return Played(True, game.false, {}), None
        reach = Reach(game, lost)
        reach.grow(start)
        new = reach.arrived() & ~arena
        if new == game.false:
            return Played(False, reach.arrived(), reach.held()), reach
        arena = arena | new


class Reach:
    """What comes about while everything is held back that leads into a lost state, and nothing else."""

    def __init__(self, game: Game, lost: Lost) -> None:
        self.game = game
        self.lost = lost
        self.seen: Sets = dict.fromkeys(game.values, game.false)
        """The states that come about, by the value of the watch: of a state of rest the one that it has then."""
        self._space = {value: self._played(value) for value in game.values}

    def _played(self, value: int) -> Encoding:
        """The encoded system as it moves while the watch has this value."""
        game, lost = self.game, self.lost
        moves: list[tuple[Move, Operation]] = [(Move("reaction", n), op) for n, op in game.forced.items()]
        for number, op in game.free.items():
            through = op.guard & ~lost.reaction(number, value)
            moves.append((Move("reaction", number), Write(through, op.cube, op.value)))
        played = copy.copy(game.encoding)
        played.transient = disjoin((op.guard for _, op in moves if isinstance(op, Write)), game.false)
        played.calm = ~played.transient
        for happening in game.happenings:
            for place, way in enumerate(happening.ways):
                if way.operation is not None:
                    here = self.where_chosen(happening, place, value)
                    moves.append((Move(happening.kind, happening.number), only(way.operation, here)))
        played.moves = tuple(moves)
        return played

    def where_chosen(self, happening: Happening, place: int, value: int) -> Diagram:
        """Where that way of a happening is the first that is not lost."""
        here = self.game.encoding.decisions.true
        if len(happening.ways) > 1:
            for earlier in range(place):
                here = here & self.lost.way(happening, earlier, value)
            here = here & ~self.lost.way(happening, place, value)
        return here

    def settled(self, value: int) -> Diagram:
        return self.seen[value] & self._space[value].calm

    def arrived(self) -> Diagram:
        return disjoin(self.seen.values(), self.game.false)

    def grow(self, start: Diagram) -> None:
        game, pending = self.game, dict[int, Diagram]()
        held = [n for n, op in game.free.items() if any(self.lost.reaction(n, v) != game.false for v in game.values)]
        self._land(game.goal.watch.first, start, pending)
        while pending:
            value, members = pending.popitem()
            members = members & ~self.seen[value]
            if members == game.false:
                continue
            kinds, events = game.staying(value)
            saturation = Saturation(self._space[value], game.on_work, kinds, events, held)
            members = saturation.grow(members, self._keeping(value) & ~self.seen[value])
            self.seen[value] = self.seen[value] | members
            resting = members & self._space[value].calm
            for move, operation in self._space[value].moves:
                game.on_work()
                landed = operation.image(members if move.kind == "reaction" else resting)
                self._land(game.next_value(move.kind, move.number, value), landed, pending)

    def _land(self, value: int, members: Diagram, pending: Sets) -> None:
        """Sort states on arrival by the value that they then have, and keep what is new."""
        if members == self.game.false or value not in self.game.values:
            return  # the watch goes on for no value but those: a breach, of states that the game has yet to look at
        for formula, new in self.game.goal.watch.settling(value):
            here = members & self._space[value].calm & self.game.where(formula)
            members = members & ~here
            pending[new] = pending.get(new, self.game.false) | (here & ~self.seen[new])
        pending[value] = pending.get(value, self.game.false) | (members & ~self.seen[value])

    def _keeping(self, value: int) -> Diagram:
        """The states that do not change the value when a run comes to them."""
        changing = disjoin((self.game.where(f) for f, _ in self.game.goal.watch.settling(value)), self.game.false)
        return self._space[value].transient | ~changing

    def leading_to(self, good: Sets) -> Sets:
        """The good settled states and all from which what is let through can lead into them, without a new fault."""
        game, found = self.game, dict(good)
        while True:
            before = dict(found)
            for value in game.values:
                space = self._space[value]
                for move, operation in space.moves:
                    after = game.next_value(move.kind, move.number, value)
                    if move.kind == "fault" or after not in found:
                        continue
                    game.on_work()
                    here = self.seen[value] if move.kind == "reaction" else self.settled(value)
                    found[value] = found[value] | (operation.source(self._landing(after, found)) & here)
            if found == before:
                return found

    def _landing(self, value: int, sets: Sets) -> Diagram:
        """The states in which a run that comes with this value is in the sets."""
        space = self._space[value]
        return (space.transient & sets[value]) | (space.calm & self.game.at_rest(sets)[value])

    def held(self) -> dict[int, Held]:
        """For each transition that is held back somewhere, where it is and where it is let through."""
        game = self.game
        whole = (held_with(event) for event in game.encoding.system.events)
        let = dict.fromkeys(sorted(game.controllable.union(*whole)), game.false)
        held = dict(let)
        for value in game.values:
            for number, op in game.free.items():
                here = self.seen[value] & op.guard
                let[number] = let[number] | (here & ~self.lost.reaction(number, value))
                held[number] = held[number] | (here & self.lost.reaction(number, value))
            for happening in game.happenings:
                if len(happening.ways) > 1:
                    for place, way in enumerate(happening.ways):
                        here = self.settled(value) & self.where_chosen(happening, place, value)
                        self._sort(happening, way, here, let, held)
        return {n: Held(let[n], held[n]) for n in let if held[n] != game.false}

    def _sort(self, happening: Happening, way: Way, here: Diagram, let: Sets, held: Sets) -> None:
        encoding = self.game.encoding
        whole = happening.ways[0].operation
        assert whole is not None
        here = here & whole.source(encoding.decisions.true)  # where it could happen at all
        if happening.kind == "time":
            numbers: Collection[int] = (happening.number,)
        else:
            numbers = [n for _, ts in encoding.system.events[happening.number].movers for n in ts]
        for number in numbers:
            if number in let:
                part = here & encoding.can[number]
                into = held if number in way.withheld else let
                into[number] = into[number] | part
