"""The numbers of a requirement: from its minimal fault sets and the numbers of the faults, with every assumption.

Frequencies are in an hour, times in hours unless a name says years.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from safetymodel.faults import averages
from safetymodel.faults.channels import Estimate, performance_level
from safetymodel.faults.common_cause import event_data, groups_of, with_common_causes
from safetymodel.faults.diagram import MOST_NODES, DiagramTooLarge, SetsDiagram
from safetymodel.faults.rates import MISSION_HOURS, EventData, mttfd_from_b10d, rate_from_mttfd, simple_probability
from safetymodel.faults.supposed import assumptions_of, worn_of
from safetymodel.faults.top import Importance, TopValue, importances, min_cut_bound
from safetymodel.faults.two_channels import Channels, channels_of
from safetymodel.model.system import Fault, Requirement, System
from safetymodel.traces.wording import counted

MOST_VALUES = 20_000_000
"""Nodes of a diagram, times the moments at which each has a value."""


MOST_STRETCHED = 0.5
"""Rate times time between tests up to which l T / 2 stands for 1 - (1 - exp(-l T)) / (l T): here it is 17 % more."""


@dataclass(frozen=True, slots=True)
class SetFigure:
    """The numbers of one minimal set of events: faults, or common causes under their own names.

    ``frequency`` is averaged exactly, ``simple_frequency`` by the simplified formulas (never less); None
    where no event of the set has a rate. ``share`` of the sum over all sets, of the simplified
    frequencies if there are any (None for a set that has none), else of the probabilities.
    """

    events: tuple[str, ...]
    probability: float
    frequency: float | None
    simple_frequency: float | None
    share: float | None


@dataclass(frozen=True, slots=True)
class Figures:
    """What the numbers of the faults say about one requirement.

    ``probability``: that the faults of some minimal set are all there at a random moment (at a demand).
    ``frequency``: how often a minimal set comes about, in an hour. ``pfhd``: the same by the simplified
    formulas, and only where it can be a figure of dangerous failures: every set has numbers and a
    rate, no limit ended the search for sets, and the requirement is not one of use (`possible`). ``level``: the
    PL whose band has it. ``stretched``: events for which the simplified formulas of a set do not hold, each with rate
    times the time between its tests. ``worn``: faults whose part has to be replaced before the mission ends, each
    with the years (T10d).
    ``left_out``: minimal sets that lack a number; ``missing``: the faults that lack it. ``nothing``: why
    there are no figures at all.
    """

    requirement: str
    sets: tuple[SetFigure, ...] = ()
    probability: TopValue | None = None
    frequency: TopValue | None = None
    pfhd: Estimate | None = None
    level: str | None = None
    channels: Channels | None = None
    importances: tuple[Importance, ...] = ()
    left_out: tuple[tuple[str, ...], ...] = ()
    missing: tuple[str, ...] = ()
    assumptions: tuple[str, ...] = ()
    stretched: tuple[tuple[str, float], ...] = ()
    worn: tuple[tuple[str, float], ...] = ()
    nothing: str = ""


def event_of(fault: Fault, mission: float) -> EventData | None:
    """The numbers of a fault of a spec; None where it has none. ``mission`` in hours."""
    failure = fault.failure
    if failure.probability is not None:
        return EventData(probability=failure.probability)
    rate = fault.rate
    if rate is None and failure.b10d is not None and failure.cycles is not None:
        rate = rate_from_mttfd(mttfd_from_b10d(failure.b10d, failure.cycles))
    if rate is None:
        return None
    return EventData(
        rate=rate,
        proof_test=mission if failure.proof_test is None else failure.proof_test,
        coverage=failure.coverage or 0.0,
        diagnostic_test=failure.diagnostic_test or 0.0,
    )


def has_numbers(system: System) -> bool:
    """Whether any fault of the spec has a number."""
    return any(event_of(fault, MISSION_HOURS) is not None for fault in system.faults)


def figures_of(
    system: System, requirement: Requirement, sets: Iterable[Sequence[int]], up_to: int, complete: bool = True
) -> Figures:
    """The figures of a requirement from its minimal fault sets (fault numbers) of up to ``up_to`` faults.

    ``complete`` False: a limit was reached, and there may be more sets.
    """
    mission = system.mission_time or MISSION_HOURS
    numbers = [tuple(one) for one in sets]
    if any(not one for one in numbers):
        return Figures(requirement.name, nothing="it is broken without any fault")
    if not numbers:
        nothing = f"no set of up to {counted(up_to, 'fault')} defeats it; larger sets were not counted"
        if not complete:
            nothing = "undecided: a limit ended the search before any set was found"
        return Figures(requirement.name, nothing=nothing)
    data = {fault.name: event for fault in system.faults if (event := event_of(fault, mission)) is not None}
    named = [tuple(system.faults[n].name for n in one) for one in numbers]
    left_out = tuple(one for one in named if any(event not in data for event in one))
    missing = tuple(dict.fromkeys(event for one in left_out for event in one if event not in data))
    plain = tuple(frozenset(one) for one in named if all(event in data for event in one))
    if not plain:
        nothing = "every minimal set has a fault without a rate or a probability"
        return Figures(requirement.name, left_out=left_out, missing=missing, nothing=nothing)
    groups = groups_of(system)
    try:
        split, counting = with_common_causes(plain, groups)
    except ValueError as too_many:
        return Figures(requirement.name, left_out=left_out, missing=missing, nothing=str(too_many))
    used = sorted({event for one in plain for event in one})
    events = event_data(data, counting, used)
    at = averages.moments(events)
    rated = all(any(events[event].rate is not None for event in one) for one in split)
    some_rate = any(events[event].rate is not None for one in split for event in one)
    found = _sets(split, events, at)
    diagram = _diagram(split, at.weights.size)
    frequency, pfhd = None, None
    if some_rate:
        exact = None if diagram is None else averages.average_frequency(diagram, events, at)
        frequency = TopValue(exact, sum(one.frequency or 0.0 for one in found))
    if rated and complete and not left_out and requirement.form != "possible":
        pfhd = Estimate(
            sum(one.simple_frequency or 0.0 for one in found),
            ("the sum over the minimal sets of l (1 - DC) for one fault, l1 q2 + l2 q1 for two, and so on",),
        )
    channels = None
    if pfhd is not None:
        betas = [g.beta for g in counting]
        channels = channels_of(plain, data, betas, mission)
    return Figures(
        requirement=requirement.name,
        sets=found,
        probability=TopValue(
            None if diagram is None else averages.average_top(diagram, at),
            sum(one.probability for one in found),
            at.average(min_cut_bound(split, at.values)),
        ),
        frequency=frequency,
        pfhd=pfhd,
        level=None if pfhd is None else performance_level(pfhd.value),
        channels=channels,
        importances=importances(split, at.values, at.average, diagram),
        left_out=left_out,
        missing=missing,
        stretched=() if frequency is None else _stretched(split, events),
        worn=worn_of(system, used, mission),
        assumptions=assumptions_of(
            system, requirement, used, data, counting, at, up_to, complete, bool(left_out), pfhd is not None
        ),
    )


def _stretched(sets: Sequence[frozenset[str]], events: Mapping[str, EventData]) -> tuple[tuple[str, float], ...]:
    """Events of sets of several for which q = l T / 2 is no longer near what it stands for, the worst first."""
    several = {event for one in sets if len(one) > 1 for event in one}
    products = [(event, events[event].hidden_rate * events[event].proof_test) for event in sorted(several)]
    return tuple(sorted((pair for pair in products if pair[1] > MOST_STRETCHED), key=lambda pair: (-pair[1], pair[0])))


def _diagram(sets: Sequence[frozenset[str]], moments: int) -> SetsDiagram | None:
    try:
        return SetsDiagram(sets, min(MOST_NODES, MOST_VALUES // moments))
    except DiagramTooLarge:
        return None


def _sets(
    sets: Sequence[frozenset[str]], events: Mapping[str, EventData], at: averages.Moments
) -> tuple[SetFigure, ...]:
    """Each set with its numbers, the largest share first."""
    chance = {name: simple_probability(number) for name, number in events.items()}
    rows: list[tuple[tuple[str, ...], float, float | None, float | None]] = []
    for one in sets:
        order = tuple(sorted(one))
        rated = any(events[event].rate is not None for event in order)
        rows.append(
            (
                order,
                averages.set_probability(order, at),
                averages.set_frequency(order, events, at) if rated else None,
                averages.simple_set_frequency(order, events, chance) if rated else None,
            )
        )
    by_frequency = any(simple is not None for *_, simple in rows)

    def weight(row: Any) -> float:
        return float(row[3] or 0.0) if by_frequency else float(row[1])

    whole = sum(weight(row) for row in rows)
    rows.sort(key=lambda row: (-weight(row), len(row[0]), row[0]))
    return tuple(
        SetFigure(*row, share=None if by_frequency and row[3] is None else weight(row) / whole if whole else 0.0)
        for row in rows
    )
