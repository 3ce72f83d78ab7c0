"""In which situations something happens, put as the states of a few subsystems."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import combinations

from safetymodel.explore.decisions import Diagram
from safetymodel.explore.encoding import Encoding
from safetymodel.model.system import System

MOST_PARTS = 3
"""Subsystems that a condition names at most."""

MOST_TRIED = 10
"""Subsystems that are tried together: those that narrow the situations down the most."""

Needed = tuple[int, tuple[int, ...], Diagram]
"""A subsystem, the states that it has to be in, and the situations without the effect that this leaves."""


@dataclass(frozen=True, slots=True)
class When:
    """Each subsystem with the states that it has to be in. Not ``exact``: that has to be so, and is not enough."""

    parts: tuple[tuple[int, tuple[int, ...]], ...]
    exact: bool


def only_when(
    system: System, encoding: Encoding, yes: Diagram, no: Diagram, on_work: Callable[[], None] = lambda: None
) -> When:
    """A short condition that is true in all of ``yes`` and, where it is exact, nowhere in ``no``."""
    false = encoding.decisions.false
    size = encoding.decisions.count
    needed: list[Needed] = []
    for s in system.subsystems:
        on_work()
        here = [(state, encoding.in_state(s.number, state)) for state in range(len(s.states))]
        inside = [(state, there) for state, there in here if yes & there != false]
        if len(inside) == len(here):
            continue
        fits = false
        for _, there in inside:
            fits = fits | there
        left = no & fits
        if left != no:
            needed.append((s.number, tuple(state for state, _ in inside), left))
    needed.sort(key=lambda part: size(part[2]))
    needed = needed[:MOST_TRIED]
    for count in range(1, min(MOST_PARTS, len(needed)) + 1):
        for chosen in combinations(needed, count):
            on_work()
            left = chosen[0][2]
            for _, _, other in chosen[1:]:
                left = left & other
            if left == false:
                return When(tuple((number, states) for number, states, _ in chosen), True)
    return _closest(needed, no, size) if needed else When((), False)


def _closest(needed: list[Needed], no: Diagram, size: Callable[[Diagram], int]) -> When:
    """Of what has to be so, part by part what narrows it down the most."""
    left, chosen = no, list[tuple[int, tuple[int, ...]]]()
    for _ in range(MOST_PARTS):
        number, states, fits = min(needed, key=lambda part: size(left & part[2]))
        if left & fits == left:
            break
        left = left & fits
        chosen.append((number, states))
    return When(tuple(chosen), False)
