"""What a condition can tell apart: the situations that look alike to some signals and some subsystems' states."""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from typing import TypeVar

from safetymodel.explore.decisions import Diagram
from safetymodel.explore.encoding import Encoding
from safetymodel.explore.ordering import signal_support
from safetymodel.model.formula import FaultUp, Formula, SignalTrue, atoms
from safetymodel.model.system import System

T = TypeVar("T")


class Sight:
    """Sees the readings of ``signals`` and the states of ``subsystems``; no clock, and no fault but by its signal."""

    def __init__(self, encoding: Encoding, signals: Sequence[int], subsystems: Collection[int]) -> None:
        self.encoding = encoding
        self.signals = tuple(signals)
        self.subsystems = frozenset(subsystems)
        bits = _bits_of_signals(encoding)
        direct = {bit for s in self.subsystems for bit in encoding.state_bits[s]}
        groups: list[tuple[set[int], list[int]]] = []
        for signal in self.signals:
            mine, members = bits[signal] - direct, [signal]
            apart = []
            for other, signals_there in groups:
                if other & mine:
                    mine, members = mine | other, signals_there + members
                else:
                    apart.append((other, signals_there))
            groups = [*apart, (mine, members)]
        seen = direct.union(*(mine for mine, _ in groups))
        cube = encoding.decisions.cube
        self._unseen = cube([b for b in range(encoding.decisions.bits) if b not in seen])
        self._groups = [(cube(sorted(mine)), tuple(members)) for mine, members in groups]

    def alike(self, members: Diagram) -> Diagram:
        """Every situation that looks like some member (whether it can come about or not)."""
        members = members.exists(self._unseen)
        for cube, signals in self._groups:
            members = self._group(members, signals, cube)
        return members

    def _group(self, members: Diagram, signals: tuple[int, ...], cube: Diagram) -> Diagram:
        false = self.encoding.decisions.false
        parts = [(members, self.encoding.decisions.true)]
        for signal in signals:
            reads = self.encoding.signals[signal]
            split = [(part & on, seen & on) for part, seen in parts for on in (reads, ~reads)]
            parts = [(part, seen) for part, seen in split if part != false]
        result = false
        for part, seen in parts:
            result = result | (part.exists(cube) & seen)
        return result


def _bits_of_signals(encoding: Encoding) -> list[set[int]]:
    """For each signal every bit that its reading depends on: subsystems, and the faults that hold a signal."""
    system = encoding.system
    flags = signal_flags(system)
    return [
        {bit for s in read for bit in encoding.state_bits[s]} | {encoding.flag_bits[f] for f in flags[number]}
        for number, read in enumerate(signal_support(system))
    ]


def signal_flags(system: System) -> list[frozenset[int]]:
    """For each signal the faults that its reading depends on, through other signals too."""
    found: list[frozenset[int]] = [frozenset()] * len(system.signals)
    for number in system.signal_order:
        flags = {f.number for f in system.faults if f.kind == "signal" and f.subject == number}
        for atom in atoms(system.signals[number].reads):
            match atom:
                case SignalTrue(other):
                    flags |= found[other]
                case FaultUp(fault):
                    flags.add(fault)
                case _:
                    pass
        found[number] = frozenset(flags)
    return found


def fewest(items: Sequence[T], enough: Callable[[Sequence[T]], bool]) -> list[T] | None:
    """A part of the items that is enough while no smaller part of it is; the later ones are left out first. None
    where not even all of them are."""
    kept = list(items)
    if not enough(kept):
        return None
    size = max(1, len(kept) // 2)
    while True:
        place = len(kept)
        while place > 0:
            begin = max(0, place - size)
            trial = kept[:begin] + kept[place:]
            if len(trial) < len(kept) and enough(trial):
                kept = trial
            place = begin
        if size == 1:
            return kept
        size = max(1, size // 2)


def reads_only_signals(formula: Formula) -> bool:
    return all(isinstance(atom, SignalTrue) for atom in atoms(formula))
