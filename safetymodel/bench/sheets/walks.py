"""Walks and plans as data; what a walk shows by itself, and which walks the others make needless."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import Literal

from safetymodel.bench.sheets.follow import Follower
from safetymodel.bench.sheets.forcing import Forced
from safetymodel.bench.sheets.replay import Watcher
from safetymodel.bench.sheets.stages import Goal, Section
from safetymodel.bench.sights import Sight
from safetymodel.bench.stimulus import Stimulus
from safetymodel.model.state import State
from safetymodel.model.system import Scenario, System

Outcome = Literal["shown", "untestable", "forbidden", "by order", "hidden", "open"]


BY_ORDER = (
    "whether a run shows it depends on the order in which the logic reacts, or on the moment of a move in its window "
    "of time"
)

FORBIDDEN = "only in states that a requirement forbids, or on the way into one: not to be tried"

HIDDEN = "a machine without it would come to rest in the same state, so nobody would see that it is missing"

HIDDEN_THERE = f"wherever a walk was found to, {HIDDEN}"

SEEN_BY_ORDER = (
    "a machine without it may come to rest in the same state or not, by the order in which it reacts: no row sees for "
    "sure that it is missing"
)


@dataclass(frozen=True, slots=True)
class Walk:
    """Rows from the initial state. ``fault`` is the one that they bring about, ``shows`` has the goals of each row
    (first: of the initial state). ``back`` are rows that lead back to it, once every force is off; None: none found."""

    section: Section
    rows: tuple[Stimulus, ...]
    shows: tuple[tuple[int, ...], ...]
    back: tuple[Stimulus, ...] | None = None

    @property
    def fault(self) -> int | None:
        return next((row.number for row in self.rows if row.kind == "fault"), None)


@dataclass(frozen=True, slots=True)
class Plan:
    """``outcomes`` has one for each goal, ``reasons`` says why where one is not shown. ``least`` is a number of rows
    that no plan for the shown goals can do without."""

    forced: Forced
    goals: tuple[Goal, ...]
    walks: tuple[Walk, ...]
    outcomes: tuple[Outcome, ...]
    reasons: Mapping[int, str]
    least: int
    shortfall: str = ""

    @property
    def rows(self) -> int:
        return sum(len(walk.rows) for walk in self.walks)


@dataclass(slots=True)
class Draft:
    """A walk as it grows."""

    section: Section
    rows: list[Stimulus] = field(default_factory=list)
    shows: list[tuple[int, ...]] = field(default_factory=list)
    passed: list[tuple[int, State]] = field(default_factory=list)
    """After how many of the rows which settled state was come to."""


def scenario_rows(system: System, scenario: Scenario) -> tuple[Stimulus, ...]:
    """The events and waits of a scenario, up to its first fault."""
    rows: list[Stimulus] = []
    for step in scenario.steps:
        if step.kind == "fault":
            break
        if step.kind == "event" or (step.kind == "wait" and step.number and system.tick is not None):
            rows.append(Stimulus("event" if step.kind == "event" else "wait", step.number))
    return tuple(rows)


def pruned(follower: Follower, goals: tuple[Goal, ...], walks: Iterable[Walk]) -> Iterator[Walk]:
    """The walks without those whose goals the others show, and each only as far as it shows something of its own."""
    listed = list(walks)
    shown = [shows_of(follower, goals, walk.rows) for walk in listed]
    count: dict[int, int] = {}
    for rows in shown:
        for number in {n for row in rows for n in row}:
            count[number] = count.get(number, 0) + 1
    kept = set(range(len(listed)))
    for place in sorted(kept, key=lambda p: (-len(listed[p].rows), p)):
        mine = {n for row in shown[place] for n in row}
        if all(count[n] > 1 for n in mine):
            kept.discard(place)
            for n in mine:
                count[n] -= 1
    told: set[int] = set()
    for place in sorted(kept):
        shows = []
        for row in shown[place]:
            shows.append(tuple(n for n in row if n not in told))
            told.update(row)
        last = max((i for i, row in enumerate(shows) if row), default=0)
        yield replace(listed[place], rows=listed[place].rows[:last], shows=tuple(shows[: last + 1]))


def shows_of(follower: Follower, goals: tuple[Goal, ...], rows: Iterable[Stimulus]) -> list[tuple[int, ...]]:
    """The goals that each row of a walk completes (first: the initial state), all by the reference step function."""
    watcher = Watcher(follower, goals)
    everything = range(len(goals))
    seen = [watcher.begin(everything)]
    seen.extend(watcher.give(row, everything)[1] for row in rows)
    return seen


def stimulus_for(system: System, sight: Sight) -> Stimulus | None:
    """What is done in the state that was reached, for what is seen only then; None where being there is all."""
    if sight.kind == "try":
        return Stimulus("event", sight.number)
    if sight.kind == "jumps":
        return Stimulus("jump", sight.number)
    if sight.kind == "fires":
        event = system.transitions[sight.number].event
        return Stimulus("event", event) if event is not None else None
    return None
