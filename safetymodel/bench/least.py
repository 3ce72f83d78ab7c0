"""How far a plan can be from the best: rows that no plan can do without."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import TypeVar

from safetymodel.bench.goals import Goal
from safetymodel.bench.sights import Sight
from safetymodel.bench.stimulus import Stimulus
from safetymodel.explore.engine import Space

S = TypeVar("S")


def least_rows(
    space: Space[S],
    goals: Iterable[Goal],
    places: Sequence[S],
    natural: S,
    flags: Sequence[S],
    stimulus_of: Callable[[Sight], Stimulus | None],
) -> int:
    """Rows that every plan for these goals has: different stimuli are different rows, so are two of one stimulus that
    no one state can serve, and a fault that some goal cannot do without strikes in a row of its own.

    ``places`` says for every goal of the plan where its first stage can be seen, ``flags`` where each fault is up.
    """
    apart: dict[Stimulus, list[S]] = {}
    needed: set[int] = set()
    for goal in goals:
        place = places[goal.number]
        stimuli = {stimulus_of(sight) for sight in goal.stages[0].ways}
        if len(stimuli) == 1 and (stimulus := stimuli.pop()) is not None:
            others = apart.setdefault(stimulus, [])
            if all(space.is_empty(space.common(place, other)) for other in others):
                others.append(place)
        if space.is_empty(space.common(place, natural)):
            able = [fault for fault, up in enumerate(flags) if not space.is_empty(space.common(place, up))]
            if len(able) == 1:
                needed.add(able[0])
    return sum(map(len, apart.values())) + len(needed)
