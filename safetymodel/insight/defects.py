"""Defects that need no requirement: what was found, each with its place and a run that shows it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Any, Generic, Literal, TypeVar

from safetymodel.claims.breach_states import AN_EVENT
from safetymodel.claims.clock import Clock
from safetymodel.claims.judge import find_chatter
from safetymodel.claims.search import Walker
from safetymodel.claims.verdict import Trace
from safetymodel.explore.engine import LimitReached, Space
from safetymodel.explore.single import Single, single_moves
from safetymodel.insight.dead import dead_parts
from safetymodel.insight.races import Race, races
from safetymodel.model.able import able, partners_able
from safetymodel.model.formula import AllOf
from safetymodel.model.step import Kind
from safetymodel.model.system import System, Transition
from safetymodel.span import Span

S = TypeVar("S")

DefectKind = Literal[
    "never-settles",
    "chatter",
    "race",
    "ambiguous",
    "stuck",
    "dead-state",
    "dead-transition",
    "dead-event",
    "idle-condition",
]

TIME: tuple[Kind, ...] = ("reaction", "time", "tick")


@dataclass(frozen=True, slots=True)
class Defect:
    """One defect. ``places`` are the parts of the spec it is about, the first the foremost.

    ``budget``: the fewest faults under which it shows; for dead parts, the most under which it was looked.
    ``transitions`` (numbers): the round of chatter, the two that race or are ambiguous, the dead ones, or those whose
    condition never blocks. ``condition``: ``if`` or ``physically``. ``subsystem`` with ``state``: a dead state.
    ``event``: a dead event, or the one that is ambiguous. ``runs``: one run to it, of a race one to each end; of a
    dead part one to where it would come next; none where the time for runs was over, or where nothing comes near.
    ``lasso``: the position in the run's steps from which it goes round for ever.
    """

    kind: DefectKind
    budget: int
    places: tuple[Span, ...]
    transitions: tuple[int, ...] = ()
    subsystem: int | None = None
    state: int | None = None
    event: int | None = None
    condition: str = ""
    runs: tuple[Trace, ...] = ()
    lasso: int | None = None
    ran_out: bool = False


@dataclass(frozen=True, slots=True)
class Defects:
    """All that was found under up to ``budget`` faults; ``undecided`` says what a limit kept from being looked at."""

    budget: int
    found: tuple[Defect, ...]
    undecided: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class _Found(Generic[S]):
    """A defect before its run is searched: a shortest one into ``members``, from which ``finish`` makes its runs."""

    defect: Defect
    space: Space[S] | None = None
    members: S | None = None
    finish: Callable[[Trace], tuple[Trace, ...]] = lambda trace: (trace,)

    def with_run(self, clock: Clock) -> Defect:
        """The defect with its run, where time is left for one."""
        space = self.space
        if space is None or self.members is None:
            return self.defect
        before, space.on_work = space.on_work, clock.check
        try:
            clock.check()
            trace = Walker(space, clock=clock).shortest({0: self.members})
        except LimitReached:
            return replace(self.defect, ran_out=True)
        finally:
            space.on_work = before
        assert trace is not None, "a defect that no run comes to"
        found = replace(self.defect, runs=self.finish(trace))
        if found.kind != "stuck" or not trace.steps:
            return found
        taken = trace.steps[-1].moved
        return replace(found, transitions=taken, places=_places(space.system, taken) or found.places)


def find_defects(spaces: Sequence[Space[Any]], clock: Clock, runs_until: Callable[[], Clock]) -> Defects:
    """Everything that is wrong in these spaces of one system, of ascending budgets.

    ``runs_until`` gives the clock for the runs that show it, once the looking is done.
    """
    looked = _Look(spaces, clock)
    most = looked.most
    found: list[_Found[Any]] = []
    undecided: list[str] = []
    if not most.complete:
        undecided.append(f"dead and stuck parts ({most.shortfall})")
    rooms: tuple[tuple[str, Callable[[], Iterable[_Found[Any]]], bool], ...] = (
        ("chatter", looked.chatter, True),
        ("races", looked.races, True),
        ("ambiguity", looked.ambiguous, True),
        ("stuck states", looked.stuck, most.complete),
        ("dead parts", looked.dead, most.complete),
    )
    for name, look, worth_it in rooms:
        try:
            found.extend(look() if worth_it else ())
        except LimitReached as limit:
            undecided.append(f"{name} ({limit})")
    until = runs_until()
    return Defects(most.budget, tuple(f.with_run(until) for f in found), tuple(undecided))


class _Look:
    def __init__(self, spaces: Sequence[Space[Any]], clock: Clock) -> None:
        self.spaces = spaces
        self.most = spaces[-1]
        self.system: System = self.most.system
        self.clock = clock
        self.single: Single[Any] = single_moves(self.most)

    def _narrowest(self, members: Any) -> tuple[Space[Any], Any]:
        """The space of the fewest faults in which the set still has members, and those."""
        for space in self.spaces:
            part = space.common(members, space.reached)
            if not space.is_empty(part):
                return space, part
        raise AssertionError("a set of no members")

    def chatter(self) -> Iterable[_Found[Any]]:
        for space in self.spaces:
            for finding in find_chatter(space, self.clock):
                assert finding.lasso is not None
                ring = tuple(dict.fromkeys(step.number for step in finding.trace.steps[finding.lasso :]))
                places = _places(self.system, ring)
                runs, lasso = (finding.trace,), finding.lasso
                yield _Found(Defect(finding.slug, space.budget, places, ring, runs=runs, lasso=lasso))
                return

    def races(self) -> Iterable[_Found[Any]]:
        for race in races(self.most, self.single, self.clock):
            space, members = self._narrowest(race.members)
            defect = Defect("race", space.budget, _places(self.system, race.pair), race.pair)
            yield _Found(defect, space, members, partial(_both_orders, race))

    def ambiguous(self) -> Iterable[_Found[Any]]:
        system, space = self.system, self.most
        for one, other in _alternatives(system):
            self.clock.check()
            both = AllOf((able(system, one), able(system, other), partners_able(system, one)))
            members = space.common(space.settled, space.where(both))
            if not space.is_empty(members):
                least, part = self._narrowest(members)
                pair = (one.number, other.number)
                defect = Defect("ambiguous", least.budget, _places(system, pair), pair, event=one.event)
                yield _Found(defect, least, part)

    def stuck(self) -> Iterable[_Found[Any]]:
        """Where no event is possible, neither now nor after any time."""
        space = self.most
        if not self.system.events:
            return
        alive = space.before(space.reached, AN_EVENT)
        lost = space.minus(space.settled, alive)
        if not space.is_empty(lost):
            self.clock.check()
            lost = space.minus(lost, space.spread_back(alive, TIME, lost))
        if not space.is_empty(lost):
            least, members = self._narrowest(lost)
            yield _Found(Defect("stuck", least.budget, (self.system.subsystems[0].span,)), least, members)

    def dead(self) -> Iterable[_Found[Any]]:
        space = self.most
        for part in dead_parts(space, self.single, self.clock):
            defect = Defect(
                part.kind,
                space.budget,
                part.places,
                part.transitions,
                part.subsystem,
                part.state,
                part.event,
                part.condition,
            )
            if part.near is None or space.is_empty(part.near):
                yield _Found(defect)
            else:
                yield _Found(defect, *self._narrowest(part.near))


def _places(system: System, transitions: Iterable[int]) -> tuple[Span, ...]:
    return tuple(dict.fromkeys(system.transitions[t].span for t in transitions))


def _alternatives(system: System) -> Iterable[tuple[Transition, Transition]]:
    """Two transitions of one subsystem from one state on one event."""
    by_start: dict[tuple[int, int, int], list[Transition]] = {}
    for t in system.transitions:
        if t.event is not None:
            by_start.setdefault((t.subsystem, t.source, t.event), []).append(t)
    for ways in by_start.values():
        for place, one in enumerate(ways):
            for other in ways[place + 1 :]:
                yield one, other


def _both_orders(race: Race[Any], run: Trace) -> tuple[Trace, ...]:
    """The run prolonged by either transition first, to two different ends."""
    one, other = race.two_ends(run.end)
    return Trace(run.start, (*run.steps, *one)), Trace(run.start, (*run.steps, *other))
