"""What the logic would do if one reading were held, or one subsystem stood still: sets of states, seen through the
few subsystems that matter.

Within one reaction, and while only time passes, a subsystem depends on what its automatic transitions read and on
nothing else (:mod:`safetymodel.insight.influence`); every other bit is forgotten, which is exact. No faults are up.
"""

from __future__ import annotations

import copy
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass

from safetymodel.explore.decisions import Diagram, disjoin
from safetymodel.explore.encoding import Encoding, Operation, Tick, Write
from safetymodel.explore.ordering import signal_support, support
from safetymodel.insight.influence import Influence, mentioned
from safetymodel.model.formula import (
    FALSE,
    AllOf,
    AnyOf,
    Constant,
    Defined,
    FaultUp,
    Formula,
    Not,
    SignalTrue,
)
from safetymodel.model.system import System


@dataclass(frozen=True, slots=True)
class Held:
    """What is held: one signal at a reading, or one subsystem in whatever state it is in; or nothing."""

    signal: int | None = None
    reading: bool = False
    subsystem: int | None = None


NOTHING_HELD = Held()


class Conditions:
    """The conditions of a system as diagrams, without faults, with one signal held where asked."""

    def __init__(self, encoding: Encoding) -> None:
        self.encoding = encoding
        self.system: System = encoding.system
        self._readers = self._who_reads()
        self._guards: dict[tuple[int, Held], Diagram] = {}
        self._plain: dict[tuple[int, Held], Formula] = {}
        supports = signal_support(self.system)
        self.reads = tuple(
            support(t.interlock, supports) | support(t.physical, supports) for t in self.system.transitions
        )

    def _who_reads(self) -> tuple[frozenset[int], ...]:
        """For each transition the signals that it reads, through whatever other signals."""
        through: list[frozenset[int]] = [frozenset()] * len(self.system.signals)
        for number in self.system.signal_order:
            _, read = mentioned([self.system.signals[number].reads])
            through[number] = frozenset(read).union(*(through[r] for r in read))
        found = []
        for t in self.system.transitions:
            _, read = mentioned([t.interlock, t.physical])
            found.append(frozenset(read).union(*(through[r] for r in read)))
        return tuple(found)

    def formula(self, formula: Formula, held: Held = NOTHING_HELD) -> Diagram:
        """Where the formula is true without faults."""
        return self.encoding.formula(self._without_faults(formula, held))

    def guard(self, number: int, held: Held) -> Diagram:
        """Where a transition can be taken, clocks apart."""
        held = held if held.signal in self._readers[number] else NOTHING_HELD
        key = (number, held)
        if key not in self._guards:
            t = self.system.transitions[number]
            here = self.encoding.in_state(t.subsystem, t.source)
            self._guards[key] = here & self.formula(t.interlock, held) & self.formula(t.physical, held)
        return self._guards[key]

    def _without_faults(self, formula: Formula, held: Held) -> Formula:
        match formula:
            case SignalTrue(signal):
                if signal == held.signal:
                    return Constant(held.reading)
                key = (signal, held)
                if key not in self._plain:
                    this = self.system.signals[signal]
                    self._plain[key] = Defined(this.name, self._without_faults(this.reads, held))
                return self._plain[key]
            case FaultUp(_):
                return FALSE
            case Not(part):
                return Not(self._without_faults(part, held))
            case AllOf(parts):
                return AllOf(tuple(self._without_faults(part, held) for part in parts))
            case AnyOf(parts):
                return AnyOf(tuple(self._without_faults(part, held) for part in parts))
            case Defined(name, body):
                return Defined(name, self._without_faults(body, held))
            case _:
                return formula


class World:
    """Part of a system, with something held: reactions, events and time as operations on sets of its states."""

    def __init__(
        self,
        conditions: Conditions,
        seen: Influence,
        held: Held = NOTHING_HELD,
        events: Iterable[int] = (),
        on_work: Callable[[], None] = lambda: None,
    ) -> None:
        self.conditions = conditions
        self.held = held
        self.on_work = on_work
        encoding, system = conditions.encoding, conditions.system
        decisions = encoding.decisions
        self.false, self.true = decisions.false, decisions.true
        happening = frozenset(events)
        own = [
            t
            for t in system.transitions
            if t.subsystem in seen.subsystems
            and t.subsystem != held.subsystem
            and (t.event is None or t.event in happening)
        ]
        can = [self.false] * len(system.transitions)
        self.reactions: dict[int, Write] = {}
        self.windows: list[Write] = []
        for t in own:
            can[t.number] = conditions.guard(t.number, held)
            if t.event is not None:
                continue
            clock = encoding.clock_bits[t.subsystem]
            late = decisions.at_least(clock, t.latest) if t.latest else self.true
            due = can[t.number] & late
            if due != self.false:
                self.reactions[t.number] = self.enter(t.subsystem, t.target, due)
            if t.earliest < t.latest:
                early = decisions.at_least(clock, t.earliest) if t.earliest else self.true
                self.windows.append(self.enter(t.subsystem, t.target, can[t.number] & early & ~late))
        self.calm: Diagram = ~disjoin((write.guard for write in self.reactions.values()), self.false)
        self._subjects = {number: system.transitions[number].subsystem for number in self.reactions}
        self._readers = {
            s: [n for n in self.reactions if s in conditions.reads[n] or s == self._subjects[n]]
            for s in seen.subsystems
        }
        narrow = copy.copy(encoding)
        narrow.can = tuple(can)
        self.events: Mapping[int, Operation] = {
            number: operation
            for number in sorted(happening)
            if (operation := narrow.event(system.events[number])) is not None
        }
        clocks = next((op.clocks for _, op in encoding.moves if isinstance(op, Tick)), ())
        self.tick = Tick(tuple(c for c in clocks if c.subsystem in seen.subsystems))
        self.timed = bool(self.windows) or any(system.transitions[n].latest for n in self.reactions)

    def enter(self, subsystem: int, state: int, guard: Diagram) -> Write:
        """The subsystem comes into a state, and its clock starts anew, where ``guard`` holds."""
        encoding = self.conditions.encoding
        bits = encoding.state_bits[subsystem] + encoding.clock_bits[subsystem]
        zero = encoding.decisions.equals(encoding.clock_bits[subsystem], 0)
        return Write(guard, encoding.decisions.cube(bits), encoding.in_state(subsystem, state) & zero)

    def close(self, members: Diagram) -> tuple[Diagram, frozenset[int]]:
        """The members and all that reactions make of them; and the subsystems that moved."""
        found, moved = members, set()
        waiting = dict.fromkeys(self.reactions)
        while waiting:
            number = next(iter(waiting))
            del waiting[number]
            self.on_work()
            new = self.reactions[number].image(found) & ~found
            if new != self.false:
                found = found | new
                moved.add(self._subjects[number])
                waiting.update(dict.fromkeys(self._readers[self._subjects[number]]))
        return found, frozenset(moved)

    def settled(self, members: Diagram) -> Diagram:
        """Where reactions from the members come to an end."""
        return self.close(members)[0] & self.calm

    def back(self, members: Diagram, room: Diagram) -> Diagram:
        """The members and those of the room from which reactions can lead into them."""
        found = members
        while True:
            before = found
            for write in self.reactions.values():
                self.on_work()
                found = found | (write.source(found) & room)
            if found == before:
                return found

    def later(self, members: Diagram) -> Diagram:
        """The settled states that the members, settled themselves, come to when nothing but time passes."""
        if not self.timed:
            return members
        found = frontier = members
        while frontier != self.false:
            self.on_work()
            landed = self.tick.image(frontier)
            for write in self.windows:
                landed = landed | write.image(frontier)
            frontier = self.settled(landed) & ~found
            found = found | frontier
        return found

    def earlier(self, members: Diagram, room: Diagram) -> Diagram:
        """Those of the settled ``room`` from which time and reactions alone can lead into the members."""
        found = members & room
        if not self.timed:
            return found
        while True:
            before = found
            way = self.tick.source(found) & room
            for write in self.windows:
                way = way | (write.source(found) & room)
            found = found | way
            reacting = self.close(self.landed(room & ~found))[0]
            ahead = self.back(found, reacting)
            way = self.tick.source(ahead) & room
            for write in self.windows:
                way = way | (write.source(ahead) & room)
            found = found | way
            if found == before:
                return found

    def landed(self, members: Diagram) -> Diagram:
        """What one step of time makes of settled states."""
        result = self.tick.image(members)
        for write in self.windows:
            result = result | write.image(members)
        return result
