"""How far a plan can be from the best: rows that no plan can do without."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import TypeVar

from safetymodel.bench.sheets.reach import Layers, Reach
from safetymodel.bench.sheets.stages import Goal
from safetymodel.bench.sights import Sight
from safetymodel.bench.stimulus import Stimulus
from safetymodel.model.state import State

S = TypeVar("S")

FARTHEST = 8
"""Rows up to which the ways to goals are measured; what is farther counts as one more."""


def least_rows(
    reach: Reach[S],
    goals: Iterable[Goal],
    places: Sequence[S],
    natural: S,
    flags: Sequence[S],
    stimulus_of: Callable[[Sight], Stimulus | None],
    start: Sequence[State],
    room: S,
    where: Mapping[int, int],
) -> int:
    """Rows that every plan for these goals has, the larger of two bounds.

    Different stimuli are different rows, so are two of one stimulus that no one state can serve, and a fault that some
    goal cannot do without strikes in a row of its own. And since a walk has one fault, what needs different faults is
    in different walks, each at least as long as the shortest way from the start to there.

    ``places`` says for every goal of the plan where its first stage can be seen, ``flags`` where each fault is up,
    ``room`` where a walk may be, ``where`` in which row of its walk the plan shows a goal.
    """
    space = reach.space
    apart: dict[Stimulus, list[S]] = {}
    needed: dict[int, list[Goal]] = {}
    for goal in goals:
        place = places[goal.number]
        stimulus = _only_stimulus(goal, stimulus_of)
        if stimulus is not None:
            others = apart.setdefault(stimulus, [])
            if all(space.is_empty(space.common(place, other)) for other in others):
                others.append(place)
        if space.is_empty(space.common(place, natural)):
            able = [fault for fault, up in enumerate(flags) if not space.is_empty(space.common(place, up))]
            if len(able) == 1:
                needed.setdefault(able[0], []).append(goal)
    farthest: dict[int, int] = {}
    for fault, those in needed.items():
        goal = max(those, key=lambda g: where.get(g.number, 0))
        farthest[fault] = goal.number
    rows = _fewest_rows(reach, {n: space.common(places[n], flags[f]) for f, n in farthest.items()}, start, room)
    acted = {goal.number for those in needed.values() for goal in those if _only_stimulus(goal, stimulus_of)}
    ways = sum(rows[n] + (n in acted and rows[n] <= FARTHEST) for n in farthest.values())
    return max(sum(map(len, apart.values())) + len(needed), ways)


def _fewest_rows(reach: Reach[S], targets: Mapping[int, S], start: Sequence[State], room: S) -> dict[int, int]:
    """The fewest rows from the start to each target, one more than FARTHEST where it is farther.

    One search does for all faults: no run has two, so each is searched for as if alone.
    """
    if not start or not targets:
        return dict.fromkeys(targets, 1)
    layers, found = Layers(reach, tuple(start), room, every_fault=True), dict[int, int]()
    for depth in range(FARTHEST + 1):
        if depth and not layers.deeper():
            break
        passed = layers.found[depth].passed
        found.update(
            (n, depth)
            for n, target in targets.items()
            if n not in found and not reach.space.is_empty(reach.space.common(passed, target))
        )
        if len(found) == len(targets):
            break
    return {n: found.get(n, FARTHEST + 1) for n in targets}


def _only_stimulus(goal: Goal, stimulus_of: Callable[[Sight], Stimulus | None]) -> Stimulus | None:
    """The one stimulus that has to be given where the goal is seen."""
    stimuli = {stimulus_of(sight) for sight in goal.stages[0].ways}
    return stimuli.pop() if len(stimuli) == 1 else None
