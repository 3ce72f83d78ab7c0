"""One system state: a state per subsystem, the clocks and the fault flags."""

from __future__ import annotations

from typing import NamedTuple

from safetymodel.model.system import System


class State(NamedTuple):
    """``states`` and ``clocks`` have one entry per subsystem (clocks in ticks, 0 where none runs);
    bit f of ``flags`` is up while fault f is."""

    states: tuple[int, ...]
    clocks: tuple[int, ...]
    flags: int


def initial_state(system: System) -> State:
    """The declared start, before anything has settled."""
    return State(tuple(s.initial for s in system.subsystems), (0,) * len(system.subsystems), 0)


def fault_numbers(flags: int) -> tuple[int, ...]:
    """The numbers of the flags that are up, ascending."""
    return tuple(i for i in range(flags.bit_length()) if flags >> i & 1)


def changes(before: State, after: State) -> tuple[tuple[int, int, int], ...]:
    """Subsystems whose state differs: (subsystem, old state, new state)."""
    pairs = zip(before.states, after.states, strict=True)
    return tuple((i, old, new) for i, (old, new) in enumerate(pairs) if old != new)
