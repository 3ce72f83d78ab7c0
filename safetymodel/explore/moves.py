"""The moves of a system as operations on packed states: where each is possible, what it changes."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from safetymodel.explore.layout import Words
from safetymodel.explore.logic import Batch, Logic, Node
from safetymodel.model.step import Kind
from safetymodel.model.system import Event, System

Rows = NDArray[np.intp]


@dataclass(frozen=True, slots=True)
class Move:
    """A kind of step with its number, as in :class:`safetymodel.model.step.Step`."""

    kind: Kind
    number: int


def moves_of(system: System) -> tuple[Move, ...]:
    """Every move that the system could make, in the order in which ``model.step`` offers them."""
    automatic = [t for t in system.transitions if t.event is None]
    return (
        *(Move("reaction", t.number) for t in automatic),
        *(Move("event", e.number) for e in system.events),
        *(Move("time", t.number) for t in automatic if t.earliest < t.latest),
        *(Move("fault", f.number) for f in system.faults),
        *(Move("jump", f.number) for f in system.faults if f.kind == "jump"),
        *([Move("tick", 0)] if system.tick is not None else ()),
    )


class Mover:
    """Applies moves to batches of states."""

    def __init__(self, system: System, logic: Logic, budget: int) -> None:
        self.system = system
        self.logic = logic
        self.budget = budget
        self.moves = moves_of(system)
        self._tables = {
            s.number: np.array(s.longest, np.uint32) for s in system.subsystems if logic.layout.clocks[s.number].width
        }
        self._strikes: dict[int, Node] = {}
        if budget:
            for fault in system.faults:
                rivals = [
                    f for f in system.faults if f.kind == fault.kind == "signal" and f.subject == fault.subject
                ] or [fault]
                self._strikes[fault.number] = logic.both(logic.negate(logic.flag(f.number)) for f in rivals)

    def reactions(self, batch: Batch) -> Iterator[tuple[int, Rows, Words]]:
        """(move, rows of the batch, states after) for each due transition."""
        for position, move in enumerate(self.moves):
            if move.kind != "reaction":
                break
            yield from self._one(position, batch, self.logic.due[move.number], move.number)

    def happenings(self, batch: Batch) -> Iterator[tuple[int, Rows, Words]]:
        """(move, rows of the batch, states after) for all that can happen in settled states."""
        room: NDArray[np.bool_] | None = None
        for position, move in enumerate(self.moves):
            if move.kind == "event":
                for rows, after in self._event(batch, self.system.events[move.number]):
                    yield position, rows, after
            elif move.kind == "time":
                yield from self._one(position, batch, self.logic.in_window[move.number], move.number)
            elif move.kind == "fault" and self.budget:
                if room is None:
                    room = self._flags_up(batch) < self.budget
                (rows,) = np.nonzero(room & batch.truth(self._strikes[move.number]))
                if rows.size:
                    after = batch.words[:, rows]
                    self.logic.layout.flags[move.number].store(after, 1)
                    yield position, rows, after
            elif move.kind == "jump" and self.budget:
                fault = self.system.faults[move.number]
                here = batch.truth(self.logic.in_states(fault.subject, [fault.state or 0]))
                (rows,) = np.nonzero(here & batch.truth(self.logic.flag(fault.number)))
                if rows.size:
                    after = batch.words[:, rows]
                    self._enter(after, fault.subject, fault.target)
                    yield position, rows, after
            elif move.kind == "tick":
                yield position, np.arange(batch.size), self._ticked(batch)

    def _one(self, position: int, batch: Batch, enabled: Node, transition: int) -> Iterator[tuple[int, Rows, Words]]:
        if enabled == self.logic.false:
            return
        (rows,) = np.nonzero(batch.truth(enabled))
        if rows.size:
            after = batch.words[:, rows]
            self._take(after, transition)
            yield position, rows, after

    def _event(self, batch: Batch, event: Event) -> Iterator[tuple[Rows, Words]]:
        can = self.logic.can
        ways = [[t for t in transitions if can[t] != self.logic.false] for _, transitions in event.movers]
        if event.joint and not all(ways):
            return
        ways = [transitions for transitions in ways if transitions]
        if not ways:
            return
        if len(ways) == 1:
            for t in ways[0]:
                for _, rows, after in self._one(0, batch, can[t], t):
                    yield rows, after
            return
        movers = [self.logic.either(can[t] for t in transitions) for transitions in ways]
        possible = self.logic.both(movers) if event.joint else self.logic.either(movers)
        (rows,) = np.nonzero(batch.truth(possible))
        if not rows.size:
            return
        after = batch.words[:, rows]
        for transitions in ways:
            kept_rows, kept_after = [], []
            still = np.ones(len(rows), np.bool_)
            for t in transitions:
                enabled = batch.truth(can[t])[rows]
                if enabled.any():
                    still &= ~enabled
                    part = after[:, enabled]
                    self._take(part, t)
                    kept_rows.append(rows[enabled])
                    kept_after.append(part)
            if still.any():
                kept_rows.append(rows[still])
                kept_after.append(after[:, still])
            rows, after = np.concatenate(kept_rows), np.concatenate(kept_after, axis=1)
        yield rows, after

    def _take(self, words: Words, transition: int) -> None:
        t = self.system.transitions[transition]
        self._enter(words, t.subsystem, t.target)

    def _enter(self, words: Words, subsystem: int, state: int) -> None:
        self.logic.layout.states[subsystem].store(words, state)
        self.logic.layout.clocks[subsystem].store(words, 0)

    def _ticked(self, batch: Batch) -> Words:
        after = batch.words.copy()
        for subsystem, longest in self._tables.items():
            field = self.logic.layout.clocks[subsystem]
            running = batch.clocks(subsystem) < longest[batch.states(subsystem)]
            after[field.word] += running.astype(np.uint64) << np.uint64(field.shift)
        return after

    def _flags_up(self, batch: Batch) -> NDArray[np.int32]:
        number = np.zeros(batch.size, np.int32)
        for field in self.logic.layout.flags:
            number += field.read(batch.words) != 0
        return number
