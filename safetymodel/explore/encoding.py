"""A system as decision diagrams: its bits, its conditions, and each move as an operation on sets.

A transition sets one subsystem to a constant state, so its image needs no second copy of the bits:
forget the subsystem's own bits in (set and condition), then fix their new value.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from itertools import product

from safetymodel.explore.decisions import Decisions, Diagram, Substitution, and_exists, disjoin
from safetymodel.explore.engine import LimitReached
from safetymodel.explore.moves import Move, moves_of
from safetymodel.explore.ordering import signal_support, subsystem_order, support
from safetymodel.explore.places import Placing
from safetymodel.model.formula import (
    AllOf,
    AnyOf,
    Constant,
    Defined,
    FaultUp,
    Formula,
    HowMany,
    InState,
    Not,
    SignalTrue,
)
from safetymodel.model.state import State
from safetymodel.model.system import Event, System

FEW_OPTIONS = 8
"""Combinations of what the movers of an event do, up to which each is one operation of its own."""

MOST_STATES_KNOWN = 20_000
"""Single states whose bits are remembered."""

MOST_OPTIONS = 4096


@dataclass(frozen=True, slots=True)
class Write:
    """Where ``guard`` holds, the bits of ``cube`` get the values of ``value``."""

    guard: Diagram
    cube: Diagram
    value: Diagram

    def image(self, members: Diagram) -> Diagram:
        return and_exists(members, self.guard, self.cube) & self.value

    def source(self, members: Diagram) -> Diagram:
        return and_exists(members, self.value, self.cube) & self.guard


@dataclass(frozen=True, slots=True)
class Stage:
    """One of several movers: one of its writes, or nothing where ``stays`` holds."""

    writes: tuple[Write, ...]
    stays: Diagram

    def image(self, members: Diagram) -> Diagram:
        result = members & self.stays
        for write in self.writes:
            result = result | write.image(members)
        return result

    def source(self, members: Diagram) -> Diagram:
        result = members & self.stays
        for write in self.writes:
            result = result | write.source(members)
        return result


@dataclass(frozen=True, slots=True)
class Together:
    """Several movers at one instant. The stages are in an order in which none reads what an earlier
    one has changed, so one after the other is the same as all at once."""

    possible: Diagram
    stages: tuple[Stage, ...]

    def image(self, members: Diagram) -> Diagram:
        result = members & self.possible
        for stage in self.stages:
            result = stage.image(result)
        return result

    def source(self, members: Diagram) -> Diagram:
        result = members
        for stage in reversed(self.stages):
            result = stage.source(result)
        return result & self.possible


@dataclass(frozen=True, slots=True)
class Clock:
    """One subsystem's clock: ``running`` where it is below the largest duration of its state,
    ``arrived`` where it reads 1 up to that, ``full`` where it has reached it."""

    subsystem: int
    running: Diagram
    arrived: Diagram
    full: Diagram
    up: Substitution
    down: Substitution


@dataclass(frozen=True, slots=True)
class Tick:
    """Every clock one tick on."""

    clocks: tuple[Clock, ...]

    def image(self, members: Diagram) -> Diagram:
        for clock in self.clocks:
            members = (members.substitute(clock.down) & clock.arrived) | (members & clock.full)
        return members

    def source(self, members: Diagram) -> Diagram:
        for clock in reversed(self.clocks):
            members = (members.substitute(clock.up) & clock.running) | (members & clock.full)
        return members


Operation = Write | Stage | Together | Tick


class Encoding:
    """The bits of a system state and every condition and move over them."""

    def __init__(self, system: System, budget: int, memory: int, order: tuple[int, ...] | None = None) -> None:
        """``memory`` in bytes; ``order`` of the subsystems, if it is known already."""
        self.system = system
        self.budget = budget
        self._values: dict[State, list[tuple[int, bool]]] = {}
        self.places = Placing(system).by(subsystem_order(system) if order is None else order)
        self.order = self.places.order
        self.state_bits, self.clock_bits, self.flag_bits = self.places.states, self.places.clocks, self.places.flags
        count = self.places.count
        self.decisions = Decisions(count, memory)
        self.all_but_flags = self.decisions.cube([b for b in range(count) if b not in set(self.flag_bits)])
        self._formulas: dict[Formula, Diagram] = {}
        self.signal_support = signal_support(system)
        self.signals: list[Diagram] = [self.decisions.false] * len(system.signals)
        for number in system.signal_order:
            self.signals[number] = self.reading(number, system.signals[number].reads)
        self.can = tuple(self._can(n) for n in range(len(system.transitions)))
        self.due = tuple(self._due(n) for n in range(len(system.transitions)))
        self.transient = disjoin((self.due[s] for s in self._by_place()), self.decisions.false)
        self.calm = ~self.transient
        self.flags_at_most = tuple(
            self.decisions.count_between([self.flag(f) for f in self._flags_by_place()], 0, k)
            for k in range(budget + 1)
        )
        self.moves: tuple[tuple[Move, Operation], ...] = tuple(self._moves())

    def _by_place(self) -> list[int]:
        place = {member: i for i, member in enumerate(self.order)}
        automatic = [t for t in self.system.transitions if t.event is None]
        return [t.number for t in sorted(automatic, key=lambda t: (place[t.subsystem], t.number))]

    def _flags_by_place(self) -> list[int]:
        return sorted(range(len(self.flag_bits)), key=lambda f: self.flag_bits[f])

    # -- conditions -------------------------------------------------------------------------

    def in_state(self, subsystem: int, state: int) -> Diagram:
        return self.decisions.equals(self.state_bits[subsystem], state)

    def flag(self, fault: int) -> Diagram:
        return self.decisions.bit(self.flag_bits[fault])

    def clock_from(self, subsystem: int, ticks: int) -> Diagram:
        """Where the subsystem has been in its state for so many ticks or more."""
        return self.decisions.at_least(self.clock_bits[subsystem], ticks) if ticks else self.decisions.true

    def formula(self, formula: Formula) -> Diagram:
        """Where a formula is true."""
        known = self._formulas.get(formula)
        if known is None:
            known = self._formulas[formula] = self._formula(formula)
        return known

    def _formula(self, formula: Formula) -> Diagram:
        false = self.decisions.false
        match formula:
            case Constant(value):
                return self.decisions.true if value else false
            case InState(subsystem, states, negated):
                found = disjoin((self.in_state(subsystem, s) for s in states), false)
                return ~found if negated else found
            case SignalTrue(signal):
                return self.signals[signal]
            case FaultUp(fault):
                return self.flag(fault)
            case Not(part):
                return ~self.formula(part)
            case AllOf(parts):
                return ~disjoin((~self.formula(part) for part in parts), false)
            case AnyOf(parts):
                return disjoin((self.formula(part) for part in parts), false)
            case HowMany(least, most, members, _):
                return self.decisions.count_between([self.formula(m) for m in members], least, most)
            case Defined(_, body):
                return self.formula(body)

    def forget_formulas(self) -> None:
        """For a copy in which signals read something else: work every formula out anew."""
        self._formulas = {}

    def reading(self, number: int, reads: Formula) -> Diagram:
        """Where a signal reads true, faults included, if its expression is this one."""
        reading = self.formula(reads)
        for fault in self.system.faults:
            if fault.kind == "signal" and fault.subject == number:
                flag = self.flag(fault.number)
                reading = reading | flag if fault.value else reading & ~flag
        return reading

    def _can(self, number: int) -> Diagram:
        return self.can_if(number, self.system.transitions[number].interlock)

    def can_if(self, number: int, interlock: Formula) -> Diagram:
        """Where the transition can happen, clocks and events aside, if this were its interlock condition."""
        t = self.system.transitions[number]
        found = self.in_state(t.subsystem, t.source) & self.formula(interlock) & self.formula(t.physical)
        for fault in self.system.faults:
            if fault.kind == "stuck" and fault.subject == t.subsystem and fault.state in (None, t.source):
                found = found & ~self.flag(fault.number)
        return found

    def _due(self, number: int) -> Diagram:
        t = self.system.transitions[number]
        if t.event is not None:
            return self.decisions.false
        return self.can[number] & self.clock_from(t.subsystem, t.latest)

    # -- moves ------------------------------------------------------------------------------

    def _moves(self) -> list[tuple[Move, Operation]]:
        false = self.decisions.false
        found: list[tuple[Move, Operation]] = []
        for move in moves_of(self.system):
            operation: Operation | None = None
            if move.kind == "reaction":
                operation = self._take(move.number, self.due[move.number])
            elif move.kind == "event":
                operation = self.event(self.system.events[move.number])
            elif move.kind == "time":
                t = self.system.transitions[move.number]
                early = self.clock_from(t.subsystem, t.earliest) & ~self.clock_from(t.subsystem, t.latest)
                operation = self._take(move.number, self.can[move.number] & early)
            elif move.kind == "fault" and self.budget:
                operation = self._strike(move.number)
            elif move.kind == "jump" and self.budget:
                fault = self.system.faults[move.number]
                here = self.in_state(fault.subject, fault.state or 0) & self.flag(fault.number)
                operation = self.enter(fault.subject, fault.target, here)
            elif move.kind == "tick":
                operation = Tick(tuple(self._clocks()))
            if operation is not None and not (isinstance(operation, Write) and operation.guard == false):
                found.append((move, operation))
        return found

    def enter(self, subsystem: int, state: int, guard: Diagram) -> Write:
        """Where ``guard`` holds, the subsystem comes to the state, and its clock starts anew."""
        bits = self.state_bits[subsystem] + self.clock_bits[subsystem]
        value = self.in_state(subsystem, state) & self.decisions.equals(self.clock_bits[subsystem], 0)
        return Write(guard, self.decisions.cube(bits), value)

    def _take(self, transition: int, guard: Diagram) -> Write:
        t = self.system.transitions[transition]
        return self.enter(t.subsystem, t.target, guard)

    def _strike(self, number: int) -> Write:
        fault = self.system.faults[number]
        guard = self.flags_at_most[self.budget - 1] & ~self.flag(number)
        for other in self.system.faults:
            if other.kind == fault.kind == "signal" and other.subject == fault.subject:
                guard = guard & ~self.flag(other.number)
        return Write(guard, self.decisions.cube([self.flag_bits[number]]), self.flag(number))

    def _clocks(self) -> list[Clock]:
        found = []
        for s in self.system.subsystems:
            bits = self.clock_bits[s.number]
            if not bits:
                continue
            false = self.decisions.false
            running = arrived = full = false
            for state, longest in enumerate(s.longest):
                here = self.in_state(s.number, state)
                reached = self.decisions.at_least(bits, longest) if longest else self.decisions.true
                beyond = self.decisions.at_least(bits, longest + 1)
                running = running | (here & ~reached)
                arrived = arrived | (here & self.decisions.at_least(bits, 1) & ~beyond)
                full = full | (here & reached & ~beyond)
            up, down = self.decisions.increment(bits), self.decisions.decrement(bits)
            found.append(Clock(s.number, running, arrived, full, up, down))
        return found

    def event(self, event: Event, withheld: Collection[int] = ()) -> Operation | None:
        """What an event does while some transitions are withheld from it; None where it does nothing at all."""
        false = self.decisions.false
        movers = [
            (subsystem, tuple(t for t in transitions if t not in withheld and self.can[t] != false))
            for subsystem, transitions in event.movers
        ]
        if event.joint and not all(transitions for _, transitions in movers):
            return None
        movers = [(subsystem, transitions) for subsystem, transitions in movers if transitions]
        if not movers:
            return None
        able = {s: disjoin((self.can[t] for t in transitions), false) for s, transitions in movers}
        possible = ~disjoin((~a for a in able.values()), false) if event.joint else disjoin(able.values(), false)
        if possible == false:
            return None
        writes = {s: tuple(self._take(t, self.can[t]) for t in transitions) for s, transitions in movers}
        stays = {s: false if event.joint or len(movers) == 1 else ~able[s] for s, _ in movers}
        if len(movers) == 1:
            (subsystem,) = writes
            ways = writes[subsystem]
            return ways[0] if len(ways) == 1 else Stage(ways, false)
        combinations = 1
        for s in writes:
            combinations *= len(writes[s]) + (stays[s] != false)
        if combinations <= FEW_OPTIONS:
            stage = self._at_once([(writes[s], stays[s]) for s in writes], moving=not event.joint)
            return stage.writes[0] if len(stage.writes) == 1 else stage
        stages = [
            Stage(writes[group[0]], stays[group[0]])
            if len(group) == 1
            else self._at_once([(writes[s], stays[s]) for s in group])
            for group in self._groups(movers)
        ]
        return Together(possible, tuple(stages))

    def _groups(self, movers: Sequence[tuple[int, tuple[int, ...]]]) -> list[list[int]]:
        """The movers in an order in which none reads what an earlier one has changed; those that read
        each other in a ring stay together."""
        reads = {s: self._read_by(s, transitions) & {m for m, _ in movers} - {s} for s, transitions in movers}
        left = [s for s, _ in movers]
        groups: list[list[int]] = []
        while left:
            readers = {s: {r for r in left if s in reads[r]} for s in left}
            free = next((s for s in left if not readers[s]), None)
            group = [free] if free is not None else _ring(left, readers)
            groups.append(group)
            left = [s for s in left if s not in group]
        return groups

    def _read_by(self, subsystem: int, transitions: Sequence[int]) -> frozenset[int]:
        found: frozenset[int] = frozenset()
        for number in transitions:
            t = self.system.transitions[number]
            found |= support(t.interlock, self.signal_support) | support(t.physical, self.signal_support)
        return found

    def _at_once(self, movers: Sequence[tuple[tuple[Write, ...], Diagram]], moving: bool = False) -> Stage:
        """Every combination of what each of the movers does; with ``moving``, but that none of them moves."""
        true, false = self.decisions.true, self.decisions.false
        options = [(*writes, *([Write(stays, true, true)] if stays != false else [])) for writes, stays in movers]
        size = 1
        for ways in options:
            size *= len(ways)
        if size > MOST_OPTIONS:
            raise LimitReached(f"an event has {size:,} combinations of transitions that read each other")
        combined = []
        for chosen in product(*options):
            guard, cube, value = true, true, true
            if moving and all(write.cube == true for write in chosen):
                continue
            for write in chosen:
                guard, cube, value = guard & write.guard, cube & write.cube, value & write.value
            if guard != false:
                combined.append(Write(guard, cube, value))
        return Stage(tuple(combined), false)

    # -- single states ----------------------------------------------------------------------

    def values(self, state: State) -> list[tuple[int, bool]]:
        """The bits of one state; remembered, since the same few states are asked about again and again."""
        known = self._values.get(state)
        if known is not None:
            return known
        if len(self._values) >= MOST_STATES_KNOWN:
            self._values.clear()
        pairs = [(bit, bool(state.flags >> number & 1)) for number, bit in enumerate(self.flag_bits)]
        for rows, numbers in ((self.state_bits, state.states), (self.clock_bits, state.clocks)):
            for bits, value in zip(rows, numbers, strict=True):
                pairs.extend((bit, bool(value >> place & 1)) for place, bit in enumerate(bits))
        self._values[state] = pairs
        return pairs

    def single(self, state: State) -> Diagram:
        """The set of one state."""
        pairs = sorted(self.values(state))
        return self.decisions.equals([b for b, _ in pairs], sum(1 << i for i, (_, on) in enumerate(pairs) if on))


def _ring(left: Sequence[int], readers: dict[int, set[int]]) -> list[int]:
    """Movers that read each other in a ring and that no mover outside the ring reads."""

    def upstream(start: int) -> set[int]:
        seen, todo = {start}, [start]
        while todo:
            for reader in readers[todo.pop()]:
                if reader not in seen:
                    seen.add(reader)
                    todo.append(reader)
        return seen

    reached = {s: upstream(s) for s in left}
    smallest = min(left, key=lambda s: len(reached[s]))
    return [s for s in left if s in reached[smallest]]
