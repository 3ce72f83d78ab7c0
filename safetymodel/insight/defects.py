"""Defects that need no requirement: what was found, each with its place and a run that shows it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any, Generic, Literal, TypeVar

from safetymodel.claims.clock import Clock
from safetymodel.claims.judge import find_chatter
from safetymodel.claims.search import Walker
from safetymodel.claims.verdict import Trace
from safetymodel.explore.engine import LimitReached, Space
from safetymodel.explore.single import Single, single_moves
from safetymodel.insight.dead import Dead, dead_parts
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


@dataclass
class Runs(Generic[S]):
    """Shortest runs, for as long as time for them is left."""

    clock: Clock
    ran_out: bool = field(default=False)

    def to(self, space: Space[S], members: S) -> tuple[Trace, ...]:
        """A shortest run into the set; none where it is empty or time is over."""
        self.ran_out = False
        if space.is_empty(members):
            return ()
        before = space.on_work
        space.on_work = self.clock.check
        try:
            self.clock.check()
            trace = Walker(space, clock=self.clock).shortest({0: members})
        except LimitReached:
            self.ran_out = True
            return ()
        finally:
            space.on_work = before
        return () if trace is None else (trace,)


def find_defects(spaces: Sequence[Space[Any]], clock: Clock, runs_until: Clock) -> Defects:
    """Everything that is wrong in these spaces of one system, of ascending budgets."""
    looked = _Look(spaces, clock, Runs(runs_until))
    found: list[Defect] = []
    undecided: list[str] = []
    if not looked.most.complete:
        undecided.append(f"dead and stuck parts ({looked.most.shortfall})")
    rooms: tuple[tuple[str, Callable[[], Iterable[Defect]], bool], ...] = (
        ("chatter", looked.chatter, True),
        ("races", looked.races, True),
        ("ambiguity", looked.ambiguous, True),
        ("stuck states", looked.stuck, looked.most.complete),
        ("dead parts", looked.dead, looked.most.complete),
    )
    for name, look, worth_it in rooms:
        if not worth_it:
            continue
        try:
            found.extend(look())
        except LimitReached as limit:
            undecided.append(f"{name} ({limit})")
    return Defects(looked.most.budget, tuple(found), tuple(undecided))


class _Look:
    def __init__(self, spaces: Sequence[Space[Any]], clock: Clock, runs: Runs[Any]) -> None:
        self.spaces = spaces
        self.most = spaces[-1]
        self.system: System = self.most.system
        self.clock = clock
        self.runs = runs
        self.singles: dict[int, Single[Any]] = {}

    def single(self, space: Space[Any]) -> Single[Any]:
        if id(space) not in self.singles:
            self.singles[id(space)] = single_moves(space)
        return self.singles[id(space)]

    def _narrowest(self, members: Any) -> tuple[Space[Any], Any]:
        """The space of the fewest faults in which the set still has members, and those."""
        for space in self.spaces:
            part = space.common(members, space.reached)
            if not space.is_empty(part):
                return space, part
        raise AssertionError("a set of no members")

    def chatter(self) -> Iterable[Defect]:
        for space in self.spaces:
            for finding in find_chatter(space, self.clock):
                assert finding.lasso is not None
                ring = tuple(dict.fromkeys(step.number for step in finding.trace.steps[finding.lasso :]))
                places = tuple(dict.fromkeys(self.system.transitions[t].span for t in ring))
                yield Defect(finding.slug, space.budget, places, ring, runs=(finding.trace,), lasso=finding.lasso)
                return

    def races(self) -> Iterable[Defect]:
        for race in races(self.most, self.single(self.most), self.clock):
            space, members = self._narrowest(race.members)
            runs = self.runs.to(space, members)
            yield Defect(
                "race",
                space.budget,
                _places(self.system, race.pair),
                race.pair,
                runs=_both_orders(race, runs),
                ran_out=self.runs.ran_out,
            )

    def ambiguous(self) -> Iterable[Defect]:
        system, space = self.system, self.most
        for one, other in _alternatives(system):
            self.clock.check()
            both = AllOf((able(system, one), able(system, other), partners_able(system, one)))
            members = space.common(space.settled, space.where(both))
            if space.is_empty(members):
                continue
            least, part = self._narrowest(members)
            pair = (one.number, other.number)
            runs = self.runs.to(least, part)
            places = _places(system, pair)
            yield Defect("ambiguous", least.budget, places, pair, event=one.event, runs=runs, ran_out=self.runs.ran_out)

    def stuck(self) -> Iterable[Defect]:
        """Where no event is possible, neither now nor after any time."""
        space = self.most
        if not self.system.events:
            return
        alive = space.before(space.reached, ("event",))
        lost = space.minus(space.settled, alive)
        if space.is_empty(lost):
            return
        self.clock.check()
        lost = space.minus(lost, space.spread_back(alive, TIME, lost))
        if space.is_empty(lost):
            return
        least, members = self._narrowest(lost)
        runs = self.runs.to(least, members)
        places: tuple[Span, ...] = ()
        taken = tuple(runs[0].steps[-1].moved) if runs and runs[0].steps else ()
        places = _places(self.system, taken) or tuple(s.span for s in self.system.subsystems[:1])
        yield Defect("stuck", least.budget, places, taken, runs=runs, ran_out=self.runs.ran_out)

    def dead(self) -> Iterable[Defect]:
        space = self.most
        for part in dead_parts(space, self.single(space), self.clock):
            yield self._dead(space, part)

    def _dead(self, space: Space[Any], part: Dead[Any]) -> Defect:
        near = part.near
        runs: tuple[Trace, ...] = ()
        self.runs.ran_out = False
        if near is not None and not space.is_empty(near):
            least, members = self._narrowest(near)
            runs = self.runs.to(least, members)
        return Defect(
            part.kind,
            space.budget,
            part.places,
            part.transitions,
            part.subsystem,
            part.state,
            part.event,
            part.condition,
            runs,
            ran_out=self.runs.ran_out,
        )


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


def _both_orders(race: Race[Any], runs: tuple[Trace, ...]) -> tuple[Trace, ...]:
    """The run prolonged by either transition first, to two different ends."""
    if not runs:
        return ()
    one, other = race.two_ends(runs[0].end)
    start, steps = runs[0].start, runs[0].steps
    return Trace(start, (*steps, *one)), Trace(start, (*steps, *other))
