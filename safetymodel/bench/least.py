"""How far a plan can be from the best: rows that no plan can do without."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import TypeVar

from safetymodel.bench.goals import Goal
from safetymodel.bench.reach import Ladder, Reach
from safetymodel.bench.sights import Sight
from safetymodel.bench.stimulus import Stimulus
from safetymodel.model.state import State

S = TypeVar("S")

FARTHEST = 8
"""Rows up to which the way to a goal is measured; what is farther counts as one more, the search gets slow there."""


def least_rows(
    reach: Reach[S],
    goals: Iterable[Goal],
    places: Sequence[S],
    natural: S,
    flags: Sequence[S],
    stimulus_of: Callable[[Sight], Stimulus | None],
    start: Sequence[State],
    room_of: Callable[[int], S],
    where: Mapping[int, int],
) -> int:
    """Rows that every plan for these goals has, the larger of two bounds.

    Different stimuli are different rows, so are two of one stimulus that no one state can serve, and a fault that some
    goal cannot do without strikes in a row of its own. And since a walk has one fault, what needs different faults is
    in different walks, each at least as long as the shortest way from the start to there.

    ``places`` says for every goal of the plan where its first stage can be seen, ``flags`` where each fault is up,
    ``room_of`` where a walk with a fault may be, ``where`` in which row of its walk the plan shows a goal.
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
    ways = 0
    for fault, those in needed.items():
        goal = max(those, key=lambda g: where.get(g.number, 0))
        ladder = Ladder(reach, space.common(places[goal.number], flags[fault]), room_of(fault), fault)
        most = min(FARTHEST, where.get(goal.number, FARTHEST))
        found = ladder.height(start, most)
        rows = most + 1 if found is None and len(ladder.rungs) > most else 1 if found is None else found[0]
        ways += rows + (found is not None and _only_stimulus(goal, stimulus_of) is not None)
    return max(sum(map(len, apart.values())) + len(needed), ways)


def _only_stimulus(goal: Goal, stimulus_of: Callable[[Sight], Stimulus | None]) -> Stimulus | None:
    """The one stimulus that has to be given where the goal is seen."""
    stimuli = {stimulus_of(sight) for sight in goal.stages[0].ways}
    return stimuli.pop() if len(stimuli) == 1 else None
