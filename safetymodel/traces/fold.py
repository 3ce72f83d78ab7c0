"""A trace cut into happenings, each with the reactions that it caused; quiet ticks folded into one."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from safetymodel.claims.verdict import Trace
from safetymodel.model.state import State
from safetymodel.model.step import Step


@dataclass(frozen=True, slots=True)
class Group:
    """One happening, or a run of ticks that nothing interrupts, and the reactions after it.

    ``step`` is None for what the logic does before anything happens. ``before`` is the state
    before the first step; ``landed`` the state right after the happening. ``first`` and
    ``last`` count happenings from 1 (both 0 before the first). ``position`` is the place in
    ``trace.steps`` of the group's first step.
    """

    step: Step | None
    ticks: int
    before: State
    landed: State
    reactions: tuple[Step, ...]
    first: int
    last: int
    position: int


def folded(trace: Trace) -> Iterator[Group]:
    """The groups of a trace in order; the first has no happening, and may have no reactions either."""
    state, steps = trace.start, trace.steps
    count = position = 0
    opening = True
    while opening or position < len(steps):
        happening = None if opening else steps[position]
        opening = False
        ticks, before, start, first = 0, state, position, count
        if happening is not None:
            first = count + 1
            state, position, count = happening.after, position + 1, count + 1
            if happening.kind == "tick":
                ticks = 1
                while position < len(steps) and steps[position].kind == "tick":
                    state = steps[position].after
                    ticks, position, count = ticks + 1, position + 1, count + 1
        landed = state
        reactions: list[Step] = []
        while position < len(steps) and steps[position].kind == "reaction":
            reactions.append(steps[position])
            state = steps[position].after
            position += 1
        yield Group(happening, ticks, before, landed, tuple(reactions), first, count, start)
