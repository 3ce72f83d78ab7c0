"""Dining philosophers straight in `oxidd`, written by hand: what our engine would cost without a spec, an encoding, a
fault, a reaction. Two bits a hand and one a fork, in the order of the table; each event is applied to what is known so
far, until nothing is new.
"""

from __future__ import annotations

import time

from oxidd.bcdd import BCDDFunction, BCDDManager
from oxidd.util import BooleanOperator


def explore(n: int, capacity: int, cache: int) -> tuple[int, float, float]:
    """(states, seconds of processor time to build the conditions, seconds to explore)."""
    began = time.process_time()
    manager = BCDDManager(capacity, cache, 1)
    manager.add_vars(5 * n)
    true = manager.true()

    def reads(bits: tuple[int, ...], value: int) -> BCDDFunction:
        result = true
        for place in range(len(bits) - 1, -1, -1):
            bit = bits[place]
            one = manager.var(bit) if value >> (len(bits) - 1 - place) & 1 else manager.not_var(bit)
            result = one & result
        return result

    def cube(*rows: tuple[int, ...]) -> BCDDFunction:
        result = true
        for bit in sorted((bit for row in rows for bit in row), reverse=True):
            result = manager.var(bit) & result
        return result

    left = [(5 * i, 5 * i + 1) for i in range(n)]
    right = [(5 * i + 2, 5 * i + 3) for i in range(n)]
    fork = [(5 * i + 4,) for i in range(n)]  # to the left of philosopher i
    idle, waiting, holding = 0, 1, 2
    events = []
    for i in range(n):
        l, r, mine, other = left[i], right[i], fork[i], fork[(i + 1) % n]  # noqa: E741
        for parts, old, new in (
            ((l, r), (idle, idle), (waiting, waiting)),
            ((l, mine), (waiting, 0), (holding, 1)),
            ((r, other), (waiting, 0), (holding, 1)),
            ((l, r, mine, other), (holding, holding, 1, 1), (idle, idle, 0, 0)),
        ):
            guard = value = true
            for bits, before, after in zip(parts, old, new, strict=True):
                guard, value = guard & reads(bits, before), value & reads(bits, after)
            events.append((guard, cube(*parts), value))
    reached = true
    for bits in (*left, *right, *fork):
        reached = reached & reads(bits, 0)
    built = time.process_time()
    while True:
        before = reached
        for guard, moved, value in events:
            reached = reached | (reached.apply_exists(BooleanOperator.AND, guard, moved) & value)
        if reached == before:
            break
    ended = time.process_time()
    return reached.sat_count(5 * n), built - began, ended - built
