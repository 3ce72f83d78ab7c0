"""What can make a difference to what within one reaction: who reads whom, by the automatic transitions alone."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from safetymodel.model.formula import Formula, HowMany, InState, SignalTrue, atoms
from safetymodel.model.system import System


@dataclass(frozen=True, slots=True)
class Influence:
    """Numbers of the subsystems and signals that something depends on, as long as nothing happens from outside."""

    subsystems: frozenset[int]
    signals: frozenset[int]


def mentioned(formulas: Iterable[Formula]) -> tuple[set[int], set[int]]:
    """The subsystems and signals that some formulas name themselves."""
    subsystems: set[int] = set()
    signals: set[int] = set()
    for formula in formulas:
        for atom in atoms(formula):
            match atom:
                case InState(subsystem, _, _):
                    subsystems.add(subsystem)
                case HowMany(_, _, members, _):
                    subsystems.update(member.subsystem for member in members)
                case SignalTrue(signal):
                    signals.add(signal)
                case _:
                    pass
    return subsystems, signals


def influence(system: System, formulas: Iterable[Formula], events: Iterable[int] = ()) -> Influence:
    """What the formulas depend on when only these events happen, once, and the logic reacts and time passes."""
    happening = frozenset(events)
    subsystems: set[int] = set()
    signals: set[int] = set()
    pending = list(formulas)
    joint = [system.events[e] for e in happening if system.events[e].joint]
    while pending:
        named, read = mentioned([pending.pop()])
        for signal in read - signals:
            signals.add(signal)
            pending.append(system.signals[signal].reads)
        for number in named - subsystems:
            subsystems.add(number)
            for t in (system.transitions[n] for n in system.subsystems[number].transitions):
                if t.event is None or t.event in happening:
                    pending.extend((t.interlock, t.physical))
            for event in joint:
                if any(mover == number for mover, _ in event.movers):
                    pending.extend(InState(mover, ()) for mover, _ in event.movers)
    return Influence(frozenset(subsystems), frozenset(signals))
