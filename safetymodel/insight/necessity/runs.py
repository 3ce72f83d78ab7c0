"""Single runs to reached states, made from the record of how the states were found, and how far each is still a run
when one transition is changed.

No run here is a shortest one: it is only there to show that something comes about.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from safetymodel.explore.decisions import Diagram, disjoin
from safetymodel.explore.encoding import Encoding, Operation
from safetymodel.explore.moves import Move
from safetymodel.insight.necessity.altered import Altered
from safetymodel.insight.necessity.record import Record

LONGEST = 400
"""Steps of a run, at most."""


@dataclass(frozen=True, slots=True)
class Run:
    """The states that it passes, each a set of one, and the moves between them; ``passed``: all of the states."""

    states: tuple[Diagram, ...]
    moves: tuple[Move, ...]
    passed: Diagram

    def still(self, altered: Altered) -> int:
        """How many of its states the changed system still passes, each as settled as it was."""
        false = altered.false
        if self.passed & altered.lost == false:
            return len(self.states)
        left = {move for move, _ in altered.encoding.moves}
        changed = {move: where for move, _, where in altered.own}
        turned = altered.calmed | altered.stirred
        for place, (state, move) in enumerate(zip(self.states, self.moves, strict=False)):
            if state & turned != false:
                return place
            if move not in left or (move in changed and state & changed[move] != false):
                return place + 1
        return len(self.states) - (self.states[-1] & turned != false)


def run_of(encoding: Encoding, states: tuple[Diagram, ...], moves: tuple[Move, ...]) -> Run:
    return Run(states, moves, disjoin(states, encoding.decisions.false))


class Runs:
    """Runs to states of the record. Reactions must come to an end in all of them."""

    def __init__(self, record: Record, on_work: Callable[[], None]) -> None:
        self.record = record
        self.encoding: Encoding = record.encoding
        self.on_work = on_work
        calm = self.encoding.calm
        self._steps: list[tuple[Move, Operation, Diagram]] = [
            (move, op, record.last if move.kind == "reaction" else record.last & calm)
            for move, op in self.encoding.moves
        ]

    def to(self, members: Diagram, altered: Altered) -> Run | None:
        """A run to one of the members; by as few steps that the change takes as chance has it."""
        record, decisions = self.record, self.encoding.decisions
        members = members & record.last
        if members == decisions.false:
            return None
        turned = altered.calmed | altered.stirred
        here = self._one(self._earliest(_apart(members, altered.lost))[1])
        states, moves = [here], list[Move]()
        while here != record.start:
            self.on_work()
            found = self._before(here, altered, turned)
            if found is None or len(moves) >= LONGEST:
                return None
            move, here = found
            states.append(here)
            moves.append(move)
        return run_of(self.encoding, tuple(reversed(states)), tuple(reversed(moves)))

    def _before(self, state: Diagram, altered: Altered, turned: Diagram) -> tuple[Move, Diagram] | None:
        """A step before: to a state that was found earlier, or by a reaction from one that was found no later."""
        false = self.encoding.decisions.false
        at = self.record.first(state)
        earlier = self.record.known[at - 1] if at else false
        no_later = self.record.known[at] if at < len(self.record.known) else self.record.last
        changed = {move: where for move, _, where in altered.own}
        kept: list[tuple[Move, Diagram]] = []
        taken: list[tuple[Move, Diagram]] = []
        for move, operation, room in self._steps:
            origin = operation.source(state)
            if origin != false:
                origin = origin & room & (no_later if move.kind == "reaction" else earlier)
            if origin != false:
                still = origin & ~turned
                if move in changed:
                    still = still & ~changed[move]
                if still != false:
                    kept.append((move, still))
                taken.append((move, origin))
        ways = kept or taken
        if not ways:
            return None
        chosen = self._one(self._earliest(disjoin((origin for _, origin in ways), false))[1])
        return next((move, chosen) for move, origin in ways if origin & chosen != false)

    def _earliest(self, members: Diagram) -> tuple[int, Diagram]:
        """Those that were found first."""
        at = self.record.first(members)
        return at, members & self.record.known[at] if at < len(self.record.known) else members

    def _one(self, members: Diagram) -> Diagram:
        return self.encoding.decisions.one(members)


def _apart(members: Diagram, avoided: Diagram) -> Diagram:
    """Those that are not avoided, if there are any."""
    kept = members & ~avoided
    return kept if kept != kept & ~kept else members
