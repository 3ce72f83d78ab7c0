"""What the figures of a requirement suppose, in sentences: printed beside them."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence

from safetymodel.faults.averages import Moments
from safetymodel.faults.channels import decisive
from safetymodel.faults.common_cause import Group
from safetymodel.faults.rates import MISSION_HOURS, EventData, mttfd_from_b10d, t10d
from safetymodel.model.system import Requirement, System
from safetymodel.spec.durations import HOURS_A_YEAR


def assumptions_of(
    system: System,
    requirement: Requirement,
    used: Sequence[str],
    data: Mapping[str, EventData],
    groups: Iterable[Group],
    at: Moments,
    up_to: int,
    complete: bool,
    some_left_out: bool,
    dangerous: bool,
) -> tuple[str, ...]:
    """Sentences, the general ones first. ``used``: the faults that the figures count."""
    rated = [name for name in used if data[name].rate is not None]
    said = [
        "the numbers of the faults are those in the spec; nothing here checks them",
        f"only the faults of the spec, in sets of up to {up_to}, count; larger sets are left out",
        "a set counts as soon as all its faults are there, in whatever order they come and however seldom the "
        "situation comes in which they do harm",
    ]
    if not complete:
        said.append(
            "a limit ended the search: there may be more sets, so the figures may be too small, and give no PFHd"
        )
    if some_left_out:
        said.append("sets with a fault without numbers are left out: the figures are too small, and give no PFHd")
    if rated:
        said += _about_rates(system, rated, data, at)
    chances = [name for name in used if data[name].probability is not None]
    if chances:
        said.append(f"each demand meets these with the probability in the spec: {_listed(chances)}")
    groups = tuple(groups)
    if not groups and len(used) > 1:
        said.append(
            "faults come independently of each other, since the spec declares no common cause of these; for two "
            "channels the standards count one, and it often outweighs all else"
        )
    for group in groups:
        said.append(
            f"common cause {group.name}: beta {group.beta:.3g} of the mean of {_listed(group.events)} strikes all at "
            "once, and is credited no diagnostics; otherwise faults come independently of each other"
        )
    if dangerous:
        said.append(
            "PFHd takes every set as a dangerous failure of the function that the requirement stands for; a PL is the "
            "band of PFHd alone (ISO 13849-1, table 3): category, DCavg, common causes, systematic failures and "
            "software limit it further, and are not judged here"
        )
        if requirement.form == "always_possible":
            said.append("the PFHd means something only where it is dangerous that this can no longer be brought about")
    elif requirement.form == "possible":
        said.append("a requirement of use: its frequency is of lost availability, and gives no PFHd")
    said.append("formulas from memory of ISO 13849-1 and IEC 62061: check against the printed standards")
    return tuple(said)


def _about_rates(system: System, rated: Sequence[str], data: Mapping[str, EventData], at: Moments) -> Iterator[str]:
    mission = system.mission_time or MISSION_HOURS
    source = "in the spec" if system.mission_time is not None else "not in the spec; the usual one of ISO 13849-1"
    yield f"constant rates; mission time {mission / HOURS_A_YEAR:g} years ({source}); parts are as new at its beginning"
    faults = {fault.name: fault for fault in system.faults}
    waiting = [name for name in rated if faults[name].failure.proof_test is None]
    if waiting:
        yield f"without a proof test these stay until the end of the mission: {_listed(waiting)}"
    tested = [
        f"{name} (every {data[name].proof_test:g} h)" for name in rated if faults[name].failure.proof_test is not None
    ]
    if tested:
        yield f"a proof test finds and mends these for certain: {_listed(tested)}"
    covered = [
        f"{name} ({data[name].coverage:.4g} of them, every {data[name].diagnostic_test:g} h)"
        for name in rated
        if data[name].coverage > 0
    ]
    if covered:
        yield (
            "what diagnostics find is mended at once; alone it leads to a safe state before the function is needed: "
            + _listed(covered)
        )
    if len({interval for name in rated for interval in _intervals(data[name])}) > 1:
        yield "tests whose intervals divide one another fall due together, all others at unrelated times"
    if at.averaged:
        yield f"too many kinds of intervals: these count with their average over time: {_listed(at.averaged)}"
    for name in rated:
        failure = faults[name].failure
        if failure.b10d is not None and failure.cycles is not None:
            years = mttfd_from_b10d(failure.b10d, failure.cycles)
            yield (
                f"{name}: MTTFd {years:.4g} years = B10d {failure.b10d:.4g} / (0.1 x {failure.cycles:.4g} cycles a "
                f"year); the rate holds up to T10d only: its part has to be replaced after "
                f"{t10d(failure.b10d, failure.cycles):.3g} years, and no figure counts that this mends anything"
            )


def worn_of(system: System, used: Sequence[str], mission: float) -> tuple[tuple[str, float], ...]:
    """The faults of parts that wear out before the mission (hours) ends, each with its T10d in years."""
    found = []
    for fault in system.faults:
        failure = fault.failure
        if fault.name in used and failure.b10d is not None and failure.cycles is not None:
            years = t10d(failure.b10d, failure.cycles)
            if decisive(years) < decisive(mission / HOURS_A_YEAR):
                found.append((fault.name, years))
    return tuple(found)


def _intervals(number: EventData) -> tuple[float, ...]:
    return (number.proof_test, number.diagnostic_test) if number.coverage > 0 else (number.proof_test,)


def _listed(names: Iterable[str]) -> str:
    return ", ".join(names)
