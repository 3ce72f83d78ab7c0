"""Groups of faults with a common cause: the beta-factor model.

A fault of a group comes on its own at (1 - beta) of its rate; an event of its own, at beta of the mean rate
of the group, brings all of them at once. Sources: Fleming 1974; the mean of unlike rates as in IEC 62061,
6.7.8.2.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from safetymodel.faults.rates import EventData
from safetymodel.faults.top import minimal
from safetymodel.model.system import System

MOST_SETS = 20_000


@dataclass(frozen=True, slots=True)
class Group:
    """Events with a common cause. ``beta``: the share, 0 to 1, of their rate that strikes all of them."""

    name: str
    events: tuple[str, ...]
    beta: float


def groups_of(system: System) -> list[Group]:
    """The common causes that the spec declares, each with the names of its faults."""
    return [Group(c.name, tuple(system.faults[n].name for n in c.faults), c.beta) for c in system.common_causes]


def with_common_causes(
    sets: Sequence[frozenset[str]], groups: Iterable[Group]
) -> tuple[tuple[frozenset[str], ...], tuple[Group, ...]]:
    """The minimal sets in which each common cause is an event by the name of its group; and the groups that count.

    A group counts where the sets name two or more of its events and its beta is more than 0. ``groups``
    share no event, and none has the name of one.

    :raises ValueError: where the sets become more than ``MOST_SETS``.
    """
    named = {event for one in sets for event in one}
    counting = tuple(g for g in groups if g.beta > 0 and len(named & set(g.events)) >= 2)
    found = set(sets)
    for group in counting:
        members = set(group.events)
        found |= {(one - members) | {group.name} for one in found if one & members}
        if len(found) > MOST_SETS:
            raise ValueError(f"with their common causes the minimal sets are more than {MOST_SETS:,}")
    return minimal(found), counting


def event_data(data: Mapping[str, EventData], groups: Iterable[Group], events: Iterable[str]) -> dict[str, EventData]:
    """The numbers of the events once common causes are events of their own.

    ``data`` has the numbers of every event in ``events`` (those that the minimal sets name). What a common
    cause brings is credited no diagnostics, as in IEC 62061; it stays until the latest proof test of the group.

    :raises ValueError: for a group of events with rates and events with probabilities.
    """
    named = set(events)
    result = {event: data[event] for event in named}
    for group in groups:
        members = [event for event in group.events if event in named]
        numbers = [data[event] for event in members]
        rates = [n.rate for n in numbers if n.rate is not None]
        chances = [n.probability for n in numbers if n.probability is not None]
        if rates and chances:
            raise ValueError(f"the group {group.name} mixes rates and probabilities")
        left = 1 - group.beta
        for event, number in zip(members, numbers, strict=True):
            if number.rate is not None:
                result[event] = replace(number, rate=left * number.rate)
            elif number.probability is not None:
                result[event] = replace(number, probability=left * number.probability)
        if rates:
            longest = max(n.proof_test for n in numbers)
            result[group.name] = EventData(rate=group.beta * sum(rates) / len(rates), proof_test=longest)
        else:
            result[group.name] = EventData(probability=group.beta * sum(chances) / len(chances))
    return result
