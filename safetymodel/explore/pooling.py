"""The moves of an encoded system with those that do the same taken as one.

Whether a subsystem comes to a state by an event, by time or by a jump, afterwards it is there and its clock reads 0:
where nobody asks which move it was, their conditions are one condition and one operation.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass
from typing import TypeAlias
from weakref import WeakKeyDictionary

from safetymodel.explore.decisions import Diagram, disjoin
from safetymodel.explore.encoding import Encoding, Operation, Stage, Write
from safetymodel.explore.moves import Move
from safetymodel.explore.ordering import signal_support, support
from safetymodel.model.step import Kind
from safetymodel.model.system import System


@dataclass(frozen=True, slots=True)
class Readers:
    """Which reactions (positions among the reactions) can become due: for each subsystem when it
    moves, when a tick passes, and whenever anything may have changed."""

    of: tuple[tuple[int, ...], ...]
    of_time: tuple[int, ...]
    all: tuple[int, ...]

    def after(self, moved: Collection[int] | None) -> tuple[int, ...]:
        """The reactions to try after these subsystems moved from a settled state; None: anything may have changed."""
        if moved is None:
            return self.all
        return tuple(sorted({reaction for subsystem in moved for reaction in self.of[subsystem]}))


def readers_of(system: System, reactions: Collection[Collection[int]], anything: Collection[int] = ()) -> Readers:
    """Who reads whom, among these reactions, each one automatic transition or several; those in ``anything`` may read
    whatever there is."""
    signals = signal_support(system)
    of: list[list[int]] = [[] for _ in system.subsystems]
    timed = []
    for position, numbers in enumerate(reactions):
        read: set[int] = set()
        for number in numbers:
            t = system.transitions[number]
            read |= {t.subsystem} | support(t.interlock, signals) | support(t.physical, signals)
            if number in anything:
                read.update(range(len(of)))
        for subsystem in sorted(read):
            of[subsystem].append(position)
        if any(system.transitions[number].latest or number in anything for number in numbers):
            timed.append(position)
    return Readers(tuple(map(tuple, of)), tuple(timed), tuple(range(len(reactions))))


@dataclass(frozen=True, slots=True)
class Pooled:
    """One operation for some moves of one sort: the automatic transitions (``reactions``), or the subsystems that it
    moves (None: anything may change)."""

    operation: Operation
    reactions: tuple[int, ...]
    moved: frozenset[int] | None


@dataclass(frozen=True, slots=True, eq=False)
class Pool:
    """The moves of some kinds, sort by sort, in the order of the moves."""

    reactions: tuple[Pooled, ...]
    happenings: tuple[Pooled, ...]
    strikes: tuple[Pooled, ...]
    tick: Operation | None
    readers: Readers

    def in_settled(self) -> Iterator[Operation]:
        """Every operation that happens in settled states only."""
        for sort in (self.happenings, self.strikes):
            yield from (pooled.operation for pooled in sort)
        if self.tick is not None:
            yield self.tick


_Key: TypeAlias = tuple[frozenset[Kind], frozenset[int] | None]
_Moves: TypeAlias = tuple[tuple[Move, Operation], ...]
_KNOWN: WeakKeyDictionary[Encoding, tuple[_Moves, dict[_Key, Pool]]] = WeakKeyDictionary()


def pool_of(encoding: Encoding, kinds: Collection[Kind], events: Collection[int] | None = None) -> Pool:
    """The moves of these kinds, of the events these numbers (None: all); remembered while the moves are the same."""
    moves, pools = _KNOWN.get(encoding, ((), {}))
    if moves is not encoding.moves:
        pools = {}
        _KNOWN[encoding] = (encoding.moves, pools)
    key = (frozenset(kinds), None if events is None or "event" not in kinds else frozenset(events))
    if key not in pools:
        pools[key] = _pool(encoding, *key)
    return pools[key]


def _pool(encoding: Encoding, kinds: frozenset[Kind], events: frozenset[int] | None) -> Pool:
    chosen = [
        (move, operation)
        for move, operation in encoding.moves
        if move.kind in kinds and (move.kind != "event" or events is None or move.number in events)
    ]

    def sort(*of: Kind) -> tuple[Pooled, ...]:
        return tuple(_merged(encoding, [(move, operation) for move, operation in chosen if move.kind in of]))

    tick = next((operation for move, operation in chosen if move.kind == "tick"), None)
    reactions = sort("reaction")
    readers = readers_of(encoding.system, [pooled.reactions for pooled in reactions])
    return Pool(reactions, sort("event", "time", "jump"), sort("fault"), tick, readers)


def _merged(encoding: Encoding, moves: Iterable[tuple[Move, Operation]]) -> Iterator[Pooled]:
    """Writes of the same value to the same bits as one, in the place of the first; a move that chooses among writes
    counts as each of them."""
    system, false = encoding.system, encoding.decisions.false
    rows: dict[object, list[tuple[Move, Operation]]] = {}
    for move, operation in moves:
        choosing = isinstance(operation, Stage) and operation.stays == false
        for part in operation.writes if choosing and isinstance(operation, Stage) else (operation,):
            key: object = (part.cube, part.value) if isinstance(part, Write) else move
            rows.setdefault(key, []).append((move, part))
    for row in rows.values():
        reactions = tuple(move.number for move, _ in row if move.kind == "reaction")
        moved = moved_by(row[0][0], system)  # it writes to no other subsystem's bits than the others of the row
        writes = [operation for _, operation in row if isinstance(operation, Write)]
        if len(writes) > 1:
            guard: Diagram = disjoin((write.guard for write in writes), false)
            yield Pooled(Write(guard, writes[0].cube, writes[0].value), reactions, moved)
        else:
            yield Pooled(row[0][1], reactions, moved)


def moved_by(move: Move, system: System) -> frozenset[int] | None:
    """The subsystems whose state a move may change; None where it may change what is read without moving anybody."""
    match move.kind:
        case "event":
            return frozenset(subsystem for subsystem, _ in system.events[move.number].movers)
        case "jump":
            return frozenset([system.faults[move.number].subject])
        case "fault" | "tick":
            return None
        case _:
            return frozenset([system.transitions[move.number].subsystem])
