"""The rows and columns of a cause-and-effect matrix, from the model."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

from safetymodel.explore.ordering import signal_support, support
from safetymodel.model.formula import Formula, InState
from safetymodel.model.system import System
from safetymodel.span import NOWHERE, Span

CauseKind = Literal["lost", "comes", "state", "act"]


@dataclass(frozen=True, slots=True)
class Cause:
    """A row. ``lost``, ``comes``: signal ``number`` reads false, or true, whatever it should read. ``state``:
    subsystem ``number`` comes into ``state`` from another and stays there. ``act``: event ``number`` happens."""

    kind: CauseKind
    number: int
    state: int = 0
    span: Span = NOWHERE


@dataclass(frozen=True, slots=True)
class Effect:
    """A column: a function, or an actuator, which is active in every state but its initial one.

    ``subsystems`` are those that ``active`` reads, through whatever signals.
    """

    name: str
    text: str
    active: Formula
    subsystems: frozenset[int]
    span: Span
    is_function: bool = False


def causes_of(system: System) -> Iterator[Cause]:
    """Every signal, every state of every subsystem that is entered, every operator's act; in the spec's order."""
    for signal in system.signals:
        yield Cause("lost", signal.number, span=signal.span)
        yield Cause("comes", signal.number, span=signal.span)
    for subsystem in system.subsystems:
        entered = {system.transitions[n].target for n in subsystem.transitions}
        for state in range(len(subsystem.states)):
            if state in entered:
                yield Cause("state", subsystem.number, state, subsystem.span)
    for event in system.events:
        if event.movers:
            yield Cause("act", event.number, span=event.span)


def effects_of(system: System) -> tuple[Effect, ...]:
    """The declared functions, then every actuator that none of them reads."""
    signals = signal_support(system)
    found = [Effect(f.name, f.text, f.active, support(f.active, signals), f.span, True) for f in system.functions]
    covered = frozenset().union(*(effect.subsystems for effect in found))
    for s in system.subsystems:
        if s.role == "actuator" and s.number not in covered and len(s.states) > 1:
            active = InState(s.number, (s.initial,), negated=True)
            found.append(Effect(s.name, s.text, active, frozenset([s.number]), s.span))
    return tuple(found)
