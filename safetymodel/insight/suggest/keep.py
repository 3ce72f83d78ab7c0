"""The game with a further demand: what must always be possible has to stay so (a non-blocking choice)."""

from __future__ import annotations

from collections.abc import Sequence

from safetymodel.explore.decisions import Diagram
from safetymodel.insight.suggest.game import Game, Sets
from safetymodel.insight.suggest.play import Played, Reach, play
from safetymodel.model.system import Requirement


def play_and_keep(game: Game, start: Diagram, arena: Diagram, kept: Sequence[Requirement]) -> Played:
    """The game in which a settled state counts as lost too where what a kept ``always_possible`` names can no longer be
    brought about without a new fault, by what is let through. States are taken away until none is left to take away,
    so what stays is the largest set."""
    while True:
        played, reach = play(game, start, arena)
        if reach is None:
            return played
        arena = arena | played.arrived
        stuck = [_trapped(game, reach, requirement) for requirement in kept]
        if all(members == game.false for sets in stuck for members in sets.values()):
            return played
        for sets in stuck:
            for value, members in sets.items():
                game.avoid[value] = game.avoid[value] | members


def _trapped(game: Game, reach: Reach, requirement: Requirement) -> Sets:
    """The settled states from which the subject can no longer come true, under as many flags as it has to withstand."""
    subject = game.where(requirement.subject)
    good = {v: reach.settled(v) & subject for v in game.values}
    good = reach.leading_to(good)
    few = game.encoding.flags_at_most[min(requirement.withstand, game.budget)]
    return {v: reach.settled(v) & few & ~good[v] for v in game.values}
