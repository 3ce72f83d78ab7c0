"""A row of steps, repeated until nothing new comes of it, half by half.

The first half is repeated until nothing new comes of it, then comes the second, and again: where the steps of the first
half change the lower bits, sets stay small while they are not yet whole.
"""

from __future__ import annotations

from collections.abc import Callable

from safetymodel.explore.decisions import Diagram

TOGETHER = 44
"""As many steps, one after the other, again and again, as lead to something new; more are halved."""


def in_halves(
    number: int,
    each: Callable[[int, int, Diagram], Diagram],
    found: Diagram,
    enough: Callable[[Diagram], bool] = lambda _: False,
) -> Diagram:
    """What comes of ``found`` by these steps. ``each`` takes those from a position to before another one, each once;
    it is over early when ``enough`` is known."""

    def part(first: int, end: int, found: Diagram) -> Diagram:
        middle = (first + end) // 2
        while True:
            here = found
            if end - first <= TOGETHER:
                found = each(first, end, found)
            else:
                found = here = part(first, middle, found)
                if not enough(found):
                    found = part(middle, end, found)
            if found == here or enough(found):
                return found

    return part(0, number, found)
