"""The whole story of a commissioning sheet: from a spec file to a plan, its sheet, and figures of its coverage."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from safetymodel.bench.reactions import CannotTrack
from safetymodel.bench.sheets.follow import Follower
from safetymodel.bench.sheets.forcing import with_forces
from safetymodel.bench.sheets.goals import goals_of
from safetymodel.bench.sheets.modes import Asked
from safetymodel.bench.sheets.plan import Planner
from safetymodel.bench.sheets.reach import forbidden_states
from safetymodel.bench.sheets.returns import Nearby
from safetymodel.bench.sheets.sheets import Sheet, sheet_of
from safetymodel.bench.sheets.tours import (
    SettledModel,
    closed_tour,
    settled_model,
    shortest_walk,
    switch_sequences,
    switch_walk,
    switches_taken,
)
from safetymodel.bench.sheets.walks import Plan, Walk, shows_of
from safetymodel.bench.stimulus import Stimulus
from safetymodel.claims.clock import Clock
from safetymodel.explore.choice import explore
from safetymodel.explore.engine import Limits, Progress
from safetymodel.model.build import load
from safetymodel.model.system import System
from safetymodel.names import did_you_mean
from safetymodel.problems import Problem
from safetymodel.span import NOWHERE

MOST_SWITCHES = 2_000
"""Sequences up to which a walk over all of them is worked out."""


@dataclass(frozen=True, slots=True)
class Switches:
    """n-switch coverage: how many sequences there are, how many the walks of the sheet take, and the fewest steps of
    one walk that takes all (None: no one walk does, or there are too many)."""

    n: int
    sequences: int
    taken: int
    walk: int | None


@dataclass(frozen=True, slots=True)
class Figures:
    """Of a small settled model without faults: its states and steps, the fewest steps of a walk over all of them, and
    of one that ends where it began (None: there is none)."""

    states: int
    steps: int
    walk: int | None
    tour: int | None
    switches: tuple[Switches, ...]


@dataclass(frozen=True, slots=True)
class Commissioning:
    """``figures`` is None where the settled model is large, or where an order of reaction decides in it."""

    system: System
    plan: Plan
    sheet: Sheet
    figures: Figures | None
    engine: str
    problems: tuple[Problem, ...]


def commission(
    path: str,
    modes: Sequence[str] | None = None,
    stops: Sequence[str] | None = None,
    mechanical: bool = False,
    switches: int | None = None,
    limits: Limits | None = None,
    progress: Progress | None = None,
) -> Commissioning | tuple[Problem, ...]:
    """Plan the tests of a spec; its problems where it has errors, or where a name is none of its own.

    ``modes`` are subsystems whose states are modes of operation, ``stops`` the events of the emergency stop (both found
    by their words unless told). ``mechanical``: the `physically` conditions too. ``switches``: with a walk more, that
    takes every sequence of n+1 steps of a small settled model.
    """
    system, problems = load(path)
    if system is None:
        return problems
    asked, wrong = _asked(system, modes, stops, mechanical)
    if wrong is not None:
        return (*problems, wrong)
    try:
        Follower(system).start()
    except CannotTrack as never:
        message = f"no test can begin from the initial state: {never}"
        return (*problems, Problem("never-settles", NOWHERE, message, "see what `safetymodel verify` says of it"))
    limits = limits or Limits()
    clock = Clock(limits.seconds)
    forced = with_forces(system)
    explored = explore(forced.system, (1,), limits=limits, progress=progress)
    space = explored.spaces[1]
    space.on_work = clock.check
    plan = Planner(forced, goals_of(forced.system, len(system.faults), asked), space, clock.check, progress).plan()
    model = settled_model(system)
    if switches is not None:
        if model is None:
            message = "the settled model of this spec is too large, or an order of reaction decides in it"
            hint = "leave --switches out: the sheet still takes every transition"
            return (*problems, Problem("no-settled-model", NOWHERE, message, hint))
        plan, wrong = _with_switches(plan, model, switches)
        if wrong is not None:
            return (*problems, wrong)
    figures = None if model is None else _figures(system, model, plan)
    return Commissioning(system, plan, sheet_of(plan), figures, explored.engine, problems)


def _asked(
    system: System, modes: Sequence[str] | None, stops: Sequence[str] | None, mechanical: bool
) -> tuple[Asked, Problem | None]:
    subsystems = {s.name: s.number for s in system.subsystems}
    events = {e.name: e.number for e in system.events}
    for names, known, what in ((modes, subsystems, "subsystem"), (stops, events, "event")):
        for name in names or ():
            if name not in known:
                message = f"the spec has no {what} {name}"
                return Asked(), Problem(f"unknown-{what}", NOWHERE, message, did_you_mean(name, list(known)))
    chosen = None if modes is None else tuple(subsystems[name] for name in modes)
    called = None if stops is None else tuple(events[name] for name in stops)
    return Asked(chosen, called, mechanical), None


def _with_switches(plan: Plan, model: SettledModel, n: int) -> tuple[Plan, Problem | None]:
    edges = [(step.source, step.target) for step in model.steps]
    count = switch_sequences(edges, n)
    if count > MOST_SWITCHES:
        message = f"{count:,} sequences of {n + 1} steps are more than the {MOST_SWITCHES:,} that a walk is made for"
        return plan, Problem("too-many-sequences", NOWHERE, message, "ask for fewer --switches")
    walk = switch_walk(edges, 0, n)
    if walk is None:
        message = f"no one walk from the initial state takes every sequence of {n + 1} steps"
        return plan, Problem("no-one-walk", NOWHERE, message, "some state can never be left for the rest again")
    rows = tuple(model.steps[number].stimulus for number in walk)
    hazard = _hazard(plan.forced.system, rows)
    if hazard:
        message = f"a walk that takes every sequence of {n + 1} steps breaks {hazard}: not to be tried on a machine"
        return plan, Problem("leads-into-hazard", NOWHERE, message, "leave --switches out, or mend the logic first")
    shows = shows_of(Follower(plan.forced.system), plan.goals, rows)
    known = {n for w in plan.walks for row in w.shows for n in row}
    new = tuple(tuple(g for g in row if g not in known) for row in shows)
    last = model.states[model.steps[walk[-1]].target] if walk else model.states[0]
    back = Nearby(Follower(plan.forced.system)).way((last,))
    return replace(plan, walks=(*plan.walks, Walk("steps", rows, new, back))), None


def _hazard(system: System, rows: Sequence[Stimulus]) -> str:
    """The requirement that a walk would break, if any: one that forbids a state."""
    follower = Follower(system)
    here = follower.start().after
    for row in rows:
        here = follower.row(here, row).after
        for requirement, breach in forbidden_states(system):
            if any(follower.tracker.holds(state, breach) for state in here):
                return requirement.name
    return ""


def _figures(system: System, model: SettledModel, plan: Plan) -> Figures:
    edges = [(step.source, step.target) for step in model.steps]
    walk, tour = shortest_walk(edges, 0), closed_tour(edges, 0)
    taken = list(_steps_of(system, model, plan))
    found = []
    for n in (0, 1, 2):
        count = switch_sequences(edges, n)
        one = switch_walk(edges, 0, n) if count <= MOST_SWITCHES else None
        found.append(Switches(n, count, switches_taken(edges, taken, n), None if one is None else len(one)))
    length = (None if walk is None else len(walk), None if tour is None else len(tour))
    return Figures(len(model.states), len(edges), *length, tuple(found))


def _steps_of(system: System, model: SettledModel, plan: Plan) -> list[list[int]]:
    """The steps of the settled model that each walk takes, in runs that nothing else interrupts."""
    number = {state: place for place, state in enumerate(model.states)}
    place = {(step.source, step.stimulus): n for n, step in enumerate(model.steps)}
    follower, found = Follower(system), list[list[int]]()
    for walk in plan.walks:
        here, run = follower.start().after, list[int]()
        for row in walk.rows:
            if row.kind in ("fault", "jump"):
                break
            for one in [Stimulus("wait", 1)] * row.number if row.kind == "wait" else [row]:
                step = place.get((number[here[0]], one))
                if step is not None:
                    run.append(step)
                here = follower.row(here, one).after
        found.append(run)
    return found
