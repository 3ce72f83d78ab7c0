"""A better order of the bits for a set that is known: each subsystem is tried in every place, and left where the
diagram is smallest.

That is sifting (Rudell 1993, "Dynamic variable ordering for ordered binary decision diagrams"; from memory) of groups
of bits that stay together: a subsystem's state and clock, with the flags that stand behind it. Deterministic.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from safetymodel.explore.decisions import Movable
from safetymodel.explore.places import Places, Placing

FAR = 1.1
"""A subsystem is moved no further in one direction where the diagram has become so many times as large as the smallest.
"""

SUBSYSTEM = 64
"""Putting a subsystem in its place costs as much as looking at so many nodes."""


def sifted(
    members: Movable, placing: Placing, places: Places, most: int, on_work: Callable[[], None]
) -> tuple[int, ...]:
    """An order of the subsystems for which the diagram of the members, whose bits stand at ``places``, is as small or
    smaller. The members are left in that order. ``most``: nodes that are looked at, over all places that are tried;
    it is over early with more."""
    order = list(places.order)
    work = 0

    def put(new: Sequence[int]) -> int:
        nonlocal work
        on_work()
        nodes = members.arranged(placing.row(new, places))
        work += nodes + SUBSYSTEM * len(order)
        return nodes

    smallest = members.nodes
    # those first that take most room
    for subsystem in sorted(order, key=lambda member: -placing.width(member)):
        at = best = order.index(subsystem)
        others = order[:at] + order[at + 1 :]
        nodes = smallest
        for ways in (range(at + 1, len(order)), range(at - 1, -1, -1)):
            for place in ways:
                # what it passes: on the way the bits of the lower of the two may each double what is there
                lower = others[place - 1] if place > at else subsystem
                if work > most or not members.has_room(nodes << placing.width(lower)):
                    break
                nodes = put([*others[:place], subsystem, *others[place:]])
                if nodes < smallest:
                    smallest, best = nodes, place
                if nodes > FAR * smallest:
                    break
            nodes = smallest
        order = [*others[:best], subsystem, *others[best:]]
        put(order)
    return tuple(order)
