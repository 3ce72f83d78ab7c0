"""Failure effects, fault by fault: what reads or sticks wrong, which requirements it defeats, how it shows.

The columns are those of practice under IEC 60812 (from memory, check against the printed standard).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from safetymodel.faults.reveal import Reveal
from safetymodel.faults.sets import MinimalSets
from safetymodel.model.formula import Formula, SignalTrue, atoms
from safetymodel.model.system import Fault, Requirement, System


@dataclass(frozen=True, slots=True)
class EffectOn:
    """What a fault does to one requirement: ``alone`` it is enough; ``together`` are the other faults (numbers)
    of each minimal set that has it."""

    requirement: Requirement
    alone: bool
    together: tuple[tuple[int, ...], ...]


@dataclass(frozen=True, slots=True)
class Effects:
    """One row of the table.

    ``signals`` are the numbers of those that can read wrong for it, the failed one first; ``readers`` of the
    subsystems whose logic reads one of these, or the failed subsystem itself. ``on`` has the requirements that it
    defeats, alone or together; ``unavailable`` those of them that say what must be possible: a stop for nothing
    counts too. ``undecided`` are requirements whose fault sets are not all known, so that it may defeat these as
    well. ``reveal`` is None where it was not looked at.
    """

    fault: Fault
    signals: tuple[int, ...]
    readers: tuple[int, ...]
    on: tuple[EffectOn, ...]
    reveal: Reveal | None
    undecided: tuple[Requirement, ...] = ()

    @property
    def unavailable(self) -> tuple[EffectOn, ...]:
        return tuple(e for e in self.on if e.requirement.form in ("possible", "always_possible"))


def effects(system: System, found: Sequence[MinimalSets], reveals: Sequence[Reveal]) -> tuple[Effects, ...]:
    """The failure effects table: one row a fault, in the order of the spec."""
    shown = {reveal.fault: reveal for reveal in reveals}
    undecided = tuple(s.requirement for s in found if not (s.complete and s.order) and not s.broken_without_faults)
    return tuple(
        Effects(
            fault=fault,
            signals=(signals := _wrong_signals(system, fault)),
            readers=_readers(system, fault, frozenset(signals)),
            on=tuple(effect for sets in found if (effect := _effect(fault.number, sets)) is not None),
            reveal=shown.get(fault.number),
            undecided=undecided,
        )
        for fault in system.faults
    )


def _effect(fault: int, found: MinimalSets) -> EffectOn | None:
    having = [s.faults for s in found.sets if fault in s.faults]
    if not having:
        return None
    together = tuple(tuple(f for f in faults if f != fault) for faults in having if len(faults) > 1)
    return EffectOn(found.requirement, any(len(faults) == 1 for faults in having), together)


def _wrong_signals(system: System, fault: Fault) -> tuple[int, ...]:
    """A failed signal and, in their order, all that read it through others; of a subsystem's fault none."""
    if fault.kind != "signal":
        return ()
    wrong = {fault.subject}
    for number in system.signal_order:
        if _reads(system.signals[number].reads, wrong):
            wrong.add(number)
    return (fault.subject, *sorted(wrong - {fault.subject}))


def _reads(formula: Formula, signals: Iterable[int]) -> bool:
    return any(isinstance(atom, SignalTrue) and atom.signal in signals for atom in atoms(formula))


def _readers(system: System, fault: Fault, wrong: frozenset[int]) -> tuple[int, ...]:
    if fault.kind != "signal":
        return (fault.subject,)
    found = {t.subsystem for t in system.transitions if _reads(t.interlock, wrong) or _reads(t.physical, wrong)}
    return tuple(sorted(found))
