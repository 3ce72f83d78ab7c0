"""How much memory decision diagrams get: first as much as a model of its size is likely to need, then more."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager

from safetymodel.explore.decisions import OutOfNodes
from safetymodel.explore.engine import MemoryReached
from safetymodel.model.system import System

FIRST_MEMORY = 3_000_000_000
"""Bytes that a run starts with, at most. A full table of nodes is swept, and what was known of operations is lost with
that; a small cache forgets what will be asked again: a coach with three faults takes a third less time than with half
of this."""

SIDE_BY_SIDE = 2
"""Without a limit of the user's, so many processes shall have room beside each other."""

BYTES_PER_PLACE = 1_500_000
"""Less to start with for a smaller model: so much for each state, clock bit and fault ..."""

BYTES_PER_TRIPLE = 80
"""... or, where that is more, so much for each three of them, and again for each fault that can strike: room costs
time, too, before it is used."""

TIMES = 4
"""When the memory is full there will be so many times as much."""

SHARE_OF_MACHINE = 0.5
"""Without a limit of the user's, at most this part of the machine's memory is used."""


def most_memory(limit: int | None) -> int:
    """Bytes to use at most, under a limit of the user's or none."""
    return limit or int(machine_memory() * SHARE_OF_MACHINE)


def growing_memory(system: System, budget: int, limit: int | None) -> Iterator[int]:
    """The bytes to begin with, then always more as long as they do not suffice."""
    most = most_memory(limit) if limit else most_memory(None) // SIDE_BY_SIDE
    places = sum(len(s.states) + max(s.longest).bit_length() for s in system.subsystems) + len(system.faults)
    memory = min(FIRST_MEMORY, max(BYTES_PER_PLACE * places, BYTES_PER_TRIPLE * (budget + 1) * places**3), most)
    while memory:
        yield memory
        memory = more_memory(memory, limit)


def more_memory(memory: int, limit: int | None) -> int:
    """What there is when so much does not suffice; 0: no more."""
    more = min(TIMES * memory, most_memory(limit))
    return more if more > memory else 0


def full(memory: int) -> MemoryReached:
    """What is said when so much did not suffice."""
    return MemoryReached(f"the limit of {memory / 1e6:,.0f} MB was reached")


def machine_memory() -> int:
    """Bytes of memory of this machine; 4 GB where it does not say."""
    try:
        return os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES")
    except (AttributeError, ValueError, OSError):
        return 4_000_000_000


@contextmanager
def within_memory(memory: int) -> Iterator[None]:
    """Turns a full table of nodes into :class:`MemoryReached`."""
    try:
        yield
    except OutOfNodes as error:
        raise full(memory) from error
