"""A cause-and-effect matrix computed from the model: what each cause does to each effect, over all situations.

A situation is a settled state that the model reaches without faults. In each situation in which a cause can come, it
is put there with all else as it is: a signal is held at a reading (at one that it has already, too, where starts are
asked), a subsystem is brought into a state that one of its own transitions leads to (as far as nature lets it) and
stays there, an act happens where it moves something. Then the logic reacts until it settles, time may pass, and the
cause may go again. So a mark says what the cause itself does, not what happens to go with it; conditions that the text
of the spec names, but that make no difference, leave no mark. Where a cause neither is there nor comes while the effect
is active, whether it would stop it is not tried, and said to be so; in the same way with its start.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Literal

from safetymodel.claims.clock import Clock
from safetymodel.explore.decisions import Diagram
from safetymodel.explore.encoding import Operation
from safetymodel.explore.memory import within_memory
from safetymodel.explore.symbolic import SymbolicSpace
from safetymodel.insight.causes import Cause, Effect, causes_of, effects_of
from safetymodel.insight.influence import Influence, influence, mentioned
from safetymodel.insight.what_if import NOTHING_HELD, Conditions, Held, World
from safetymodel.insight.when import When, only_when
from safetymodel.model.formula import Formula, SignalTrue
from safetymodel.model.system import System

Does = Literal["blocks", "stops", "latches", "starts"]

Untried = Literal["stop", "start"]
"""What could not be tried: whether a cause ends an effect; whether it keeps it from starting, or starts it."""

TICK = -1
"""Stands for the passing of time among the happenings that can start an effect."""


@dataclass(frozen=True, slots=True)
class Mark:
    """What a cause does to an effect.

    ``blocks``: an effect that could be started cannot be. ``stops``: it ends, and comes back by itself when the cause
    goes. ``latches``: it ends, and does not come back by itself. ``starts``: it begins. ``delayed``: only after a time.
    ``always``: in every situation in which it could; else ``when`` says in which. Of ``blocks``, ``starts`` are the
    ways of starting that are blocked (an event's number, or :data:`TICK`), each with the situations (None: in all),
    and ``others`` says that another way is not.
    """

    does: Does
    always: bool
    delayed: bool = False
    when: When | None = None
    starts: tuple[tuple[int, When | None], ...] = ()
    others: bool = False


@dataclass(frozen=True, slots=True)
class Matrix:
    """``cells`` has the marks of every pair (row, column) that has any. ``situations``: how many were looked at.
    ``undecided`` are columns that a limit kept from being finished. ``untried`` has the pairs without a stop or a start
    of which something could not be tried, since the cause neither is there nor comes where it could show."""

    causes: tuple[Cause, ...]
    effects: tuple[Effect, ...]
    cells: dict[tuple[int, int], tuple[Mark, ...]]
    situations: int
    undecided: tuple[int, ...] = ()
    shortfall: str = ""
    untried: dict[tuple[int, int], tuple[Untried, ...]] = field(default_factory=dict)


def unfinished(system: System, shortfall: str) -> Matrix:
    """A matrix of which nothing is known."""
    effects = effects_of(system)
    return Matrix(tuple(causes_of(system)), effects, {}, 0, tuple(range(len(effects))), shortfall)


def matrix(space: SymbolicSpace, clock: Clock, on_effect: Callable[[str], None] = lambda name: None) -> Matrix:
    """The matrix of a system from its states without faults."""
    from safetymodel.explore.engine import LimitReached

    causes, effects = tuple(causes_of(space.system)), effects_of(space.system)
    cells: dict[tuple[int, int], tuple[Mark, ...]] = {}
    untried: dict[tuple[int, int], tuple[Untried, ...]] = {}
    undecided: list[int] = []
    shortfall = space.shortfall
    look = _Look(space, clock)
    for column, effect in enumerate(effects):
        on_effect(effect.name)
        try:
            if not space.complete:
                raise LimitReached(space.shortfall)
            with within_memory(space.symbolic.memory):
                found = list(look.column(effect, causes))
            cells.update({(row, column): marks for row, marks, _ in found if marks})
            untried.update({(row, column): what for row, _, what in found if what})
        except LimitReached as limit:
            undecided.append(column)
            shortfall = shortfall or str(limit)
    return Matrix(causes, effects, cells, space.size(space.settled), tuple(undecided), shortfall, untried)


@dataclass(frozen=True, slots=True)
class _Way:
    """One way in which a cause can come: the situations, what it does to them at once, and how it goes again."""

    situations: Diagram
    shift: Operation | None
    held: Held
    back: Operation | None = None
    goes: bool = True


@dataclass(frozen=True, slots=True)
class _Start:
    """A happening (an event's number, or TICK) that can start the effect, and the situations in which it can."""

    happening: int
    seen: Influence
    world: World
    situations: Diagram


class _Look:
    """What all columns share."""

    def __init__(self, space: SymbolicSpace, clock: Clock) -> None:
        self.space = space
        self.system: System = space.system
        self.clock = clock
        self.encoding = space.symbolic.encoding
        self.conditions = Conditions(self.encoding)
        self.false = self.encoding.decisions.false
        self._parts: dict[frozenset[int], Diagram] = {}
        self._events = {move.number: op for move, op in self.encoding.moves if move.kind == "event"}
        self._named = tuple(self._reads_itself(t.interlock, t.physical) for t in self.system.transitions)

    def _reads_itself(self, *formulas: Formula) -> frozenset[int]:
        """The subsystems whose states decide some formulas, signals read through."""
        return frozenset().union(
            *(self._reads_itself(self.system.signals[n].reads) for n in mentioned(formulas)[1]), mentioned(formulas)[0]
        )

    def part(self, subsystems: frozenset[int]) -> Diagram:
        """All situations, seen through some subsystems."""
        if subsystems not in self._parts:
            kept = {b for s in subsystems for b in (*self.encoding.state_bits[s], *self.encoding.clock_bits[s])}
            cube = self.encoding.decisions.cube([b for b in range(self.encoding.decisions.bits) if b not in kept])
            self._parts[subsystems] = self.space.settled.exists(cube)
        return self._parts[subsystems]

    def world(self, seen: Influence, held: Held = NOTHING_HELD, *events: int) -> World:
        return World(self.conditions, seen, held, events, self.clock.check)

    def ways(self, cause: Cause, seen: Influence, kept: bool = False) -> Iterator[_Way]:
        """The ways in which a cause can come, seen through some subsystems and what decides whether it can.

        With ``kept`` a signal may have its reading already, and keeps it.
        """
        match cause.kind:
            case "lost" | "comes":
                reading = cause.kind == "comes"
                reads = self.conditions.formula(SignalTrue(cause.number))
                room = self.part(seen.subsystems)
                held = Held(signal=cause.number, reading=reading)
                here = self.encoding.decisions.true if kept else ~reads if reading else reads
                yield _Way(room & here, None, held)
            case "state":
                yield from self._entries(cause, seen)
            case "act":
                movers = [n for _, numbers in self.system.events[cause.number].movers for n in numbers]
                known = seen.subsystems.union(
                    *(self._named[n] | {self.system.transitions[n].subsystem} for n in movers)
                )
                operation = self._plain_event(cause.number, known)
                if operation is not None:
                    room = self.part(known)
                    yield _Way(
                        room & operation.source(self.encoding.decisions.true), operation, NOTHING_HELD, goes=False
                    )

    def _entries(self, cause: Cause, seen: Influence) -> Iterator[_Way]:
        """Into a state from each other one that a transition leads from, wherever nature lets it."""
        this = self.system.subsystems[cause.number]
        enter = self.world(seen)
        by_source: dict[int, list[int]] = {}
        for number in this.transitions:
            t = self.system.transitions[number]
            if t.target == cause.state and t.source != cause.state:
                by_source.setdefault(t.source, []).append(number)
        for source, numbers in by_source.items():
            physical = self.false
            known = seen.subsystems | {this.number}
            for number in numbers:
                condition = self.system.transitions[number].physical
                physical = physical | self.conditions.formula(condition)
                known |= self._reads_itself(condition)
            there = self.encoding.in_state(this.number, source)
            yield _Way(
                self.part(known) & there & physical,
                enter.enter(this.number, cause.state, there),
                Held(subsystem=this.number),
                enter.enter(this.number, source, self.encoding.decisions.true),
            )

    def _plain_event(self, number: int, known: frozenset[int]) -> Operation | None:
        return self.world(Influence(known, frozenset()), NOTHING_HELD, number).events.get(number)

    def column(
        self, effect: Effect, causes: tuple[Cause, ...]
    ) -> Iterator[tuple[int, tuple[Mark, ...], tuple[Untried, ...]]]:
        """The rows of this column, each with its marks and what of it could not be tried."""
        column = _Column(self, effect)
        for row, cause in enumerate(causes):
            self.clock.check()
            marks = column.marks(cause)
            yield row, marks, column.untried(cause, marks)


class _Column:
    """One effect."""

    def __init__(self, look: _Look, effect: Effect) -> None:
        self.look = look
        self.effect = effect
        self.false = look.false
        self.seen = influence(look.system, [effect.active])
        self.active = look.conditions.formula(effect.active)
        self.plain = look.world(self.seen)
        room = look.part(self.seen.subsystems)
        on, off = room & self.active, room & ~self.active
        self.stays_on = on & ~self.plain.earlier(off, room)
        self.stays_off = off & ~self.plain.earlier(on, room)
        self.starts = tuple(self._starts())

    def _starts(self) -> Iterator[_Start]:
        """Everything that can start the effect, and where."""
        look = self.look
        for number in (*look._events, TICK):
            if number == TICK:
                seen, world = self.seen, self.plain
                if not world.timed:
                    continue
            else:
                movers = {s for s, _ in look.system.events[number].movers}
                if not movers & self.seen.subsystems:
                    continue
                seen = influence(look.system, [self.effect.active], [number])
                world = look.world(seen, NOTHING_HELD, number)
            room = look.part(seen.subsystems) & ~self.active
            able = self._able(world, number, room)
            if able != self.false:
                yield _Start(number, seen, world, able)

    def _able(self, world: World, happening: int, room: Diagram) -> Diagram:
        """Those of the settled room in which a happening can start the effect."""
        landed = world.landed(room) if happening == TICK else self._image(world, happening, room)
        reacting = world.close(landed)[0]
        goal = reacting & world.calm & self.active
        if goal == self.false:
            return self.false
        ahead = world.back(goal, reacting)
        if happening == TICK:
            back = world.tick.source(ahead)
            for write in world.windows:
                back = back | write.source(ahead)
            return back & room
        return world.events[happening].source(ahead) & room

    def _image(self, world: World, event: int, members: Diagram) -> Diagram:
        operation = world.events.get(event)
        return self.false if operation is None else operation.image(members)

    def touches(self, cause: Cause, seen: Influence) -> bool:
        """Whether the cause can matter to what is seen at all."""
        match cause.kind:
            case "lost" | "comes":
                return cause.number in seen.signals
            case "state":
                return cause.number in seen.subsystems
            case _:
                return any(s in seen.subsystems for s, _ in self.look.system.events[cause.number].movers)

    def marks(self, cause: Cause) -> tuple[Mark, ...]:
        """What the cause does to the effect."""
        if cause.kind == "state" and cause.number in self.effect.subsystems:
            return ()
        found = [*self._at_once(cause), *self._blocks(cause)] if self._concerns(cause) else []
        return tuple(found)

    def _concerns(self, cause: Cause) -> bool:
        return self.touches(cause, self.seen) or any(self.touches(cause, start.seen) for start in self.starts)

    def untried(self, cause: Cause, marks: tuple[Mark, ...]) -> tuple[Untried, ...]:
        """What the marks leave open since the cause is never where it could show; nothing where it stops or starts."""
        does = {mark.does for mark in marks}
        if (cause.kind == "state" and cause.number in self.effect.subsystems) or does - {"blocks"}:
            return ()
        found: list[Untried] = []
        matters = self.touches(cause, self.seen)
        if matters and not self._meets(cause, self.seen, self.active):
            found.append("stop")
        if not does:
            asked = [start for start in self.starts if self.touches(cause, start.seen)]
            blocks = not asked or any(self._meets(cause, start.seen, start.situations) for start in asked)
            if not blocks or (matters and not self._meets(cause, self.seen, ~self.active)):
                found.append("start")
        return tuple(found)

    def _meets(self, cause: Cause, seen: Influence, members: Diagram) -> bool:
        """Whether the cause is there, or can come, in some of these situations; a signal reads false and true anywhere,
        since a reading that it has already changes nothing."""
        if cause.kind == "state":
            there = self.look.encoding.in_state(cause.number, cause.state)
            if self.look.part(seen.subsystems | {cause.number}) & members & there != self.false:
                return True
        return any(way.situations & members != self.false for way in self.look.ways(cause, seen, kept=True))

    def _at_once(self, cause: Cause) -> Iterator[Mark]:
        """Stops and starts."""
        if not self.touches(cause, self.seen):
            return
        ways = [_Followed(self, way) for way in self.look.ways(cause, self.seen)]
        yield from self._ended(ways)
        yield from self._begun(ways)

    def _ended(self, ways: list[_Followed]) -> Iterator[Mark]:
        gone = [(f, f.changed(self.active, ~self.active)) for f in ways]
        if any(off != self.false for _, off in gone):
            returns = any(f.returns(off) for f, off in gone if off != self.false)
            goes = all(f.way.goes for f, _ in gone)
            does: Does = "latches" if goes and not returns else "stops"
            yield self._mark(does, [f.difference(self.active, ~self.active) for f, _ in gone])
        late = [f.late(self.stays_on, self.active, ~self.active) for f in ways]
        if any(then != self.false for _, then in late):
            yield self._mark("stops", late, delayed=True)

    def _begun(self, ways: list[_Followed]) -> Iterator[Mark]:
        if any(f.changed(~self.active, self.active) != self.false for f in ways):
            yield self._mark("starts", [f.difference(~self.active, self.active) for f in ways])
        late = [f.late(self.stays_off, ~self.active, self.active) for f in ways]
        if any(then != self.false for _, then in late):
            yield self._mark("starts", late, delayed=True)

    def _mark(self, does: Does, split: list[tuple[Diagram, Diagram]], delayed: bool = False) -> Mark:
        """``split``: for each way the situations in which it could have its effect, and those in which it has."""
        if all(possible == actual for possible, actual in split):
            return Mark(does, True, delayed)
        return Mark(does, False, delayed, self._when(split))

    def _when(self, split: list[tuple[Diagram, Diagram]]) -> When:
        could, does_so = self.false, self.false
        for possible, actual in split:
            could, does_so = could | possible, does_so | actual
        return only_when(self.look.system, self.look.encoding, does_so, could & ~does_so, self.look.clock.check)

    def _blocks(self, cause: Cause) -> Iterator[Mark]:
        splits = {start.happening: self._blocked(cause, start) for start in self.starts}
        asked = {happening: split for happening, split in splits.items() if split}
        starts: list[tuple[int, When | None]] = []
        always = True
        for happening, split in asked.items():
            whole = all(possible == actual for possible, actual in split)
            always = always and whole
            if any(actual != self.false for _, actual in split):
                starts.append((happening, None if whole else self._when(split)))
        if starts:
            yield Mark("blocks", always, starts=tuple(starts), others=len(asked) > len(starts))

    def _blocked(self, cause: Cause, start: _Start) -> list[tuple[Diagram, Diagram]]:
        """For each way of the cause the situations in which the effect could be started so, and those in which it
        cannot any more."""
        if cause.kind == "act" and cause.number == start.happening:
            return []
        split: list[tuple[Diagram, Diagram]] = []
        events = () if start.happening == TICK else (start.happening,)
        for way in self.look.ways(cause, start.seen, kept=True):
            could = way.situations & start.situations
            if could == self.false:
                continue
            if not self.touches(cause, start.seen):
                split.append((could, self.false))
                continue
            world = self.look.world(start.seen, way.held, *events)
            reacting = world.close(could if way.shift is None else way.shift.image(could))[0]
            ends = reacting & world.calm & ~self.active
            lost = ends & ~self._able(world, start.happening, ends)
            source = world.back(lost, reacting) if lost != self.false else self.false
            split.append((could, could & (source if way.shift is None else way.shift.source(source))))
        return split


class _Followed:
    """One way of a cause, followed through the reactions to it, for one effect."""

    def __init__(self, column: _Column, way: _Way) -> None:
        self.column = column
        self.way = way
        self.false = column.false
        self.world = column.look.world(column.seen, way.held)
        self._closed: dict[int, Diagram] = {}

    def _shifted(self, members: Diagram) -> Diagram:
        return members if self.way.shift is None else self.way.shift.image(members)

    def _unshifted(self, members: Diagram) -> Diagram:
        return members if self.way.shift is None else self.way.shift.source(members)

    def changed(self, before: Diagram, after: Diagram) -> Diagram:
        """The settled ends with ``after`` of what began with ``before``."""
        return self.world.settled(self._shifted(self.way.situations & before)) & after

    def difference(self, before: Diagram, after: Diagram) -> tuple[Diagram, Diagram]:
        """The situations with ``before``, and those of them that can end with ``after``."""
        could = self.way.situations & before
        reacting = self.world.close(self._shifted(could))[0]
        source = self.world.back(reacting & self.world.calm & after, reacting)
        return could, could & self._unshifted(source)

    def returns(self, ended: Diagram) -> bool:
        """Whether the effect can come back by itself, at once or with time, when the cause goes again."""
        if not self.way.goes:
            return False
        plain = self.column.plain
        restored = ended if self.way.back is None else self.way.back.image(ended)
        return plain.later(plain.settled(restored)) & self.column.active != self.false

    def late(self, steady: Diagram, before: Diagram, after: Diagram) -> tuple[Diagram, Diagram]:
        """The situations that time alone would not change, nor the cause at once; and those of them that time can
        change with the cause."""
        could = self.way.situations & steady
        if could == self.false or not self.world.timed:
            return self.false, self.false
        reacting = self.world.close(self._shifted(could))[0]
        ends = reacting & self.world.calm & before
        could = could & self._unshifted(self.world.back(ends, reacting))
        then = self.world.later(ends)
        if then & after == self.false:
            return could, self.false
        ahead = self.world.earlier(then & after, then) & ends
        return could, could & self._unshifted(self.world.back(ahead, reacting))
