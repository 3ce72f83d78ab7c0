"""What formulas depend on, by number: subsystems and fault flags."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from operator import itemgetter
from typing import Any

from safetymodel.bench.sights import signals_of
from safetymodel.model.formula import FaultUp, Formula, HowMany, InState, atoms
from safetymodel.model.system import System


class Cone:
    """What formulas depend on: subsystems (ascending), the flags as a mask, and a key of a state by the subsystems."""

    def __init__(self, system: System, *formulas: Formula, own: int | None = None) -> None:
        signals = frozenset[int]().union(*(signals_of(system, formula) for formula in formulas))
        subsystems: set[int] = set() if own is None else {own}
        flags: set[int] = {f.number for f in system.faults if f.kind == "stuck" and f.subject == own}
        read = (*formulas, *(system.signals[number].reads for number in signals))
        for atom in (atom for formula in read for atom in atoms(formula)):
            if isinstance(atom, InState):
                subsystems.add(atom.subsystem)
            elif isinstance(atom, HowMany):
                subsystems.update(member.subsystem for member in atom.members)
            elif isinstance(atom, FaultUp):
                flags.add(atom.fault)
        flags.update(f.number for f in system.faults if f.kind == "signal" and f.subject in signals)
        self.subsystems = tuple(sorted(subsystems))
        self.mask = bits_of(flags)
        self.key: Callable[[tuple[int, ...]], Any] = itemgetter(*self.subsystems) if self.subsystems else _nothing


def _nothing(states: tuple[int, ...]) -> int:
    return 0


def bits_of(numbers: Iterable[int]) -> int:
    """The numbers as bits of one."""
    mask = 0
    for number in numbers:
        mask |= 1 << number
    return mask
