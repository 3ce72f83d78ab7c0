"""The part of a system that some formulas depend on, and the encoded system seen through a part alone.

A subsystem moves by what its own transitions read. So a run of the whole, seen through a set of
subsystems that read only each other, is a run of those; and such a run is one of the whole, in which
the others do nothing but react. (That needs reactions that come to an end: with chatter anywhere in
the whole nothing is left out.)

Through a smaller part more seems possible than there is: what the forgotten subsystems forbid is then allowed. Such a
view gives lower bounds.
"""

from __future__ import annotations

import copy
from collections.abc import Collection
from dataclasses import dataclass

from safetymodel.explore.decisions import Diagram
from safetymodel.explore.encoding import Encoding, Operation, Stage, Tick, Together, Write
from safetymodel.explore.moves import Move
from safetymodel.model.formula import FaultUp, Formula, HowMany, InState, SignalTrue, atoms
from safetymodel.model.system import Fault, System


@dataclass(frozen=True, slots=True)
class Cone:
    """Numbers of the subsystems, signals and faults that matter to some formulas."""

    subsystems: frozenset[int]
    signals: frozenset[int]
    faults: frozenset[int]


def cone_of(system: System, formulas: Collection[Formula]) -> Cone:
    """Everything that the truth of the formulas can depend on, through whatever chain of reading."""
    subsystems: set[int] = set()
    signals: set[int] = set()
    flags: set[int] = set()
    together = [[s for s, _ in event.movers] for event in system.events if event.joint]
    pending = list(formulas)

    def enter(number: int) -> None:
        todo = [number]
        while todo:
            here = todo.pop()
            if here in subsystems:
                continue
            subsystems.add(here)
            for transition in system.subsystems[here].transitions:
                pending.extend((system.transitions[transition].interlock, system.transitions[transition].physical))
            todo.extend(s for movers in together if here in movers for s in movers)

    while pending:
        for atom in atoms(pending.pop()):
            match atom:
                case InState(subsystem, _, _):
                    enter(subsystem)
                case HowMany(_, _, members, _):
                    pending.extend(members)
                case SignalTrue(signal) if signal not in signals:
                    signals.add(signal)
                    pending.append(system.signals[signal].reads)
                case FaultUp(fault):
                    flags.add(fault)
                case _:
                    pass
    own = {f.number for f in system.faults if f.subject in (signals if f.kind == "signal" else subsystems)}
    return Cone(frozenset(subsystems), frozenset(signals), frozenset(flags | own))


def through_subsystems(encoding: Encoding, subsystems: Collection[int]) -> Through:
    """What shows of these subsystems alone, with all signals and faults."""
    system = encoding.system
    everything = (frozenset(range(len(system.signals))), frozenset(range(len(system.faults))))
    return Through(encoding, Cone(frozenset(subsystems), *everything))


class Through:
    """Forgets every bit of an encoded system that is not of a cone."""

    def __init__(self, encoding: Encoding, cone: Cone) -> None:
        self.cone = cone
        self.whole = encoding
        kept = {bit for s in cone.subsystems for bit in (*encoding.state_bits[s], *encoding.clock_bits[s])}
        kept |= {encoding.flag_bits[f] for f in cone.faults}
        self._forgotten = encoding.decisions.cube([b for b in range(encoding.decisions.bits) if b not in kept])

    def seen(self, members: Diagram) -> Diagram:
        return members.exists(self._forgotten)

    def encoding(self, transient: Diagram, calm: Diagram) -> Encoding:
        """The encoded cone, over the bits of the whole; ``transient`` is where a reaction may be due, ``calm`` where
        none may."""
        narrow = copy.copy(self.whole)
        narrow.transient = transient
        narrow.calm = calm
        narrow.flags_at_most = tuple(self.seen(few) for few in self.whole.flags_at_most)
        narrow.moves = tuple((move, self.operation(op)) for move, op in self.whole.moves if self.concerns(move))
        return narrow

    def concerns(self, move: Move) -> bool:
        """Whether the move can change anything in the cone."""
        system = self.whole.system
        match move.kind:
            case "tick":
                return True
            case "event":
                return any(s in self.cone.subsystems for s, _ in system.events[move.number].movers)
            case "fault":
                return move.number in self.cone.faults
            case "jump":
                fault: Fault = system.faults[move.number]
                return fault.subject in self.cone.subsystems
            case _:
                return system.transitions[move.number].subsystem in self.cone.subsystems

    def _write(self, write: Write) -> Write:
        return Write(self.seen(write.guard), write.cube, self.seen(write.value))

    def _stage(self, stage: Stage) -> Stage:
        return Stage(tuple(self._write(w) for w in stage.writes), self.seen(stage.stays))

    def operation(self, operation: Operation) -> Operation:
        match operation:
            case Write():
                return self._write(operation)
            case Stage():
                return self._stage(operation)
            case Together(possible, stages):
                return Together(self.seen(possible), tuple(self._stage(stage) for stage in stages))
            case Tick(clocks):
                return Tick(tuple(clock for clock in clocks if clock.subsystem in self.cone.subsystems))
