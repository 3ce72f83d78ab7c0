"""How a system state is packed into 64-bit words, and back."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from safetymodel.model.state import State
from safetymodel.model.system import System

Words = NDArray[np.uint64]
"""Shape (words, states): column j is one packed system state."""

WORD_BITS = 64


@dataclass(frozen=True, slots=True)
class Field:
    """A bit field: ``word``, ``shift`` within it, ``width`` in bits (0: always zero, takes no room)."""

    word: int
    shift: int
    width: int

    @property
    def mask(self) -> int:
        return (1 << self.width) - 1

    def read(self, words: Words) -> NDArray[np.uint32]:
        """The field of every state."""
        if not self.width:
            return np.zeros(words.shape[1], np.uint32)
        shifted: Words = (words[self.word] >> np.uint64(self.shift)) & np.uint64(self.mask)
        return shifted.astype(np.uint32)

    def store(self, words: Words, value: int) -> None:
        """Write one value into the field of every state, in place."""
        if self.width:
            keep = np.uint64(((1 << WORD_BITS) - 1) ^ (self.mask << self.shift))
            words[self.word] = (words[self.word] & keep) | np.uint64(value << self.shift)


@dataclass(frozen=True, slots=True)
class Layout:
    """A field per subsystem, per clock and per fault flag; no field straddles two words."""

    states: tuple[Field, ...]
    clocks: tuple[Field, ...]
    flags: tuple[Field, ...]
    words: int

    def pack(self, state: State) -> Words:
        """One state as a column."""
        column = np.zeros((self.words, 1), np.uint64)
        for field, value in zip(self.states, state.states, strict=True):
            field.store(column, value)
        for field, value in zip(self.clocks, state.clocks, strict=True):
            field.store(column, value)
        for number, field in enumerate(self.flags):
            field.store(column, state.flags >> number & 1)
        return column

    def unpack(self, column: Words) -> State:
        """The state that a column (shape (words, 1)) stands for."""
        read = [int(word) for word in column[:, 0]]

        def value(field: Field) -> int:
            return read[field.word] >> field.shift & field.mask if field.width else 0

        flags = sum(value(field) << number for number, field in enumerate(self.flags))
        return State(tuple(map(value, self.states)), tuple(map(value, self.clocks)), flags)


def layout_of(system: System) -> Layout:
    """A layout for a system: fields in the order of the spec, each word filled before the next."""
    word = shift = 0

    def place(highest: int) -> Field:
        nonlocal word, shift
        width = highest.bit_length()
        if shift + width > WORD_BITS:
            word, shift = word + 1, 0
        field = Field(word, shift, width)
        shift += width
        return field

    states, clocks = [], []
    for subsystem in system.subsystems:
        states.append(place(len(subsystem.states) - 1))
        clocks.append(place(max(subsystem.longest)))
    flags = [place(1) for _ in system.faults]
    return Layout(tuple(states), tuple(clocks), tuple(flags), word + 1)
