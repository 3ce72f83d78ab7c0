"""A growing table of distinct packed states: a hash table whose every operation works on arrays."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from safetymodel.explore.layout import Words

Indices = NDArray[np.int32]

_MIX = np.uint64(0x9E3779B97F4A7C15)
_MIX_AGAIN = np.uint64(0xD6E8FEB86659FD93)


class StateTable:
    """Packed states, numbered from 0 in the order in which they were added."""

    def __init__(self, words: int) -> None:
        self.size = 0
        self._words: Words = np.zeros((words, 1024), np.uint64)
        self._slots: Indices = np.full(4096, -1, np.int32)

    def column(self, number: int) -> Words:
        """One state, shape (words, 1)."""
        return self._words[:, number : number + 1]

    def columns(self, first: int, last: int) -> Words:
        """States ``first`` to ``last`` - 1."""
        return self._words[:, first:last]

    def pick(self, numbers: NDArray[np.integer]) -> Words:
        """The states of these numbers, in that order."""
        return self._words[:, numbers]

    @property
    def bytes(self) -> int:
        """Memory taken."""
        return self._words.nbytes + self._slots.nbytes

    def find(self, words: Words) -> Indices:
        """The number of each state, or -1 where it is not in the table."""
        numbers, _ = self._probe(words)
        return numbers

    def add(self, words: Words) -> Indices:
        """The number of each state; those not yet in the table are added, in ascending order."""
        numbers, missing = self._probe(words)
        if missing.size:
            distinct, inverse = _distinct(words[:, missing])
            first = self.size
            self._append(distinct)
            numbers[missing] = first + inverse
        return numbers

    def _probe(self, words: Words) -> tuple[Indices, NDArray[np.intp]]:
        numbers = np.full(words.shape[1], -1, np.int32)
        pending = np.arange(words.shape[1])
        mask = len(self._slots) - 1
        slot = _hash(words, mask)
        absent: list[NDArray[np.intp]] = []
        while pending.size:
            held = self._slots[slot]
            empty = held < 0
            if empty.any():
                absent.append(pending[empty])
                pending, slot, held = pending[~empty], slot[~empty], held[~empty]
            same = np.ones(len(pending), np.bool_)
            for word, sought in zip(self._words, words, strict=True):
                same &= word[held] == sought[pending]
            numbers[pending[same]] = held[same]
            pending, slot = pending[~same], (slot[~same] + 1) & mask
        return numbers, np.concatenate(absent) if absent else np.zeros(0, np.intp)

    def _append(self, words: Words) -> None:
        first, count = self.size, words.shape[1]
        self.size += count
        if self.size > self._words.shape[1]:
            grown = np.zeros((len(self._words), max(self.size, 2 * self._words.shape[1])), np.uint64)
            grown[:, :first] = self._words[:, :first]
            self._words = grown
        self._words[:, first : self.size] = words
        if 2 * self.size > len(self._slots):
            capacity = len(self._slots)
            while 3 * self.size > capacity:
                capacity *= 2
            self._slots = np.full(capacity, -1, np.int32)
            self._claim(np.arange(self.size, dtype=np.int32))
        else:
            self._claim(np.arange(first, self.size, dtype=np.int32))

    def _claim(self, numbers: Indices) -> None:
        """Give each of these states, none of which has one yet, a slot on its probe path."""
        mask = len(self._slots) - 1
        slot = _hash(self._words[:, numbers], mask)
        while numbers.size:
            vacant = self._slots[slot] < 0
            self._slots[slot[vacant]] = numbers[vacant]
            lost = self._slots[slot] != numbers
            numbers, slot = numbers[lost], (slot[lost] + 1) & mask


def _hash(words: Words, mask: int) -> NDArray[np.int64]:
    mixed = np.zeros(words.shape[1], np.uint64)
    for word in words:
        mixed = (mixed ^ word) * _MIX
        mixed ^= mixed >> np.uint64(32)
        mixed *= _MIX_AGAIN
        mixed ^= mixed >> np.uint64(29)
    return (mixed & np.uint64(mask)).astype(np.int64)


def _distinct(words: Words) -> tuple[Words, NDArray[np.intp]]:
    """The distinct columns in ascending order, and for each column which of them it is."""
    if len(words) == 1:
        values, inverse = np.unique(words[0], return_inverse=True)
        return values[np.newaxis, :], inverse
    order = np.lexsort(words)
    ordered = words[:, order]
    new = np.ones(len(order), np.bool_)
    new[1:] = (ordered[:, 1:] != ordered[:, :-1]).any(axis=0)
    inverse = np.empty(len(order), np.intp)
    inverse[order] = np.cumsum(new) - 1
    return ordered[:, new], inverse
