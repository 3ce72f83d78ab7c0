"""A short expression that is true in some situations and false in others, over few variables."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TypeAlias

from safetymodel.explore.decisions import Diagram
from safetymodel.explore.encoding import Encoding
from safetymodel.model.formula import FALSE, TRUE, AllOf, AnyOf, Formula, InState, Not, SignalTrue

Row: TypeAlias = tuple[int, ...]
"""One value for each variable."""

Block: TypeAlias = tuple[frozenset[int], ...]
"""Some values for each variable: all rows with one of them each."""

MOST_ROWS = 4096
"""Combinations of values of the variables of one condition."""


@dataclass(frozen=True, slots=True)
class Variable:
    """A signal, or a subsystem by its states. ``values`` is how many there are (a signal: 0 false, 1 true)."""

    kind: str
    number: int
    values: int

    def formula(self, values: frozenset[int]) -> Formula:
        """Where it has one of these values."""
        if self.kind == "signal":
            return SignalTrue(self.number) if 1 in values else Not(SignalTrue(self.number))
        others = frozenset(range(self.values)) - values
        if len(others) < len(values):
            return InState(self.number, tuple(sorted(others)), negated=True)
        return InState(self.number, tuple(sorted(values)))

    def where(self, encoding: Encoding, value: int) -> Diagram:
        if self.kind == "signal":
            reads = encoding.signals[self.number]
            return reads if value else ~reads
        return encoding.in_state(self.number, value)


def tabled(encoding: Encoding, variables: Sequence[Variable], members: Diagram) -> set[Row] | None:
    """The combinations of values that members have; None where there are too many."""
    parts: list[tuple[Row, Diagram]] = [((), members)]
    for variable in variables:
        split = []
        for row, part in parts:
            for value in range(variable.values):
                here = part & variable.where(encoding, value)
                if here != encoding.decisions.false:
                    split.append(((*row, value), here))
        parts = split
        if len(parts) > MOST_ROWS:
            return None
    return {row for row, _ in parts}


def shortest_expression(variables: Sequence[Variable], true: set[Row], false: set[Row]) -> Formula:
    """True in the rows of ``true``, false in those of ``false``, either in all others. Alternatives of conjunctions, or
    a conjunction of alternatives, whichever has fewer mentions; not always the very shortest."""
    if not false:
        return TRUE
    if not true:
        return FALSE
    good, bad = _covered(variables, true, false), _covered(variables, false, true)
    if _mentions(variables, good) <= _mentions(variables, bad):
        return _any(tuple(_all(_literals(variables, _tight(variables, block, true))) for block in good))
    whole = [frozenset(range(v.values)) for v in variables]
    parts = []
    for block in bad:
        opposite = [
            v.formula(every - values)
            for v, values, every in zip(variables, block, whole, strict=True)
            if values != every
        ]
        parts.append(_any(tuple(opposite)))
    return _all(tuple(parts))


def _covered(variables: Sequence[Variable], rows: set[Row], others: set[Row]) -> list[Block]:
    """Few large blocks that hold all of the rows and none of the others."""
    places = range(len(variables))
    tries = (list(places), list(reversed(places)))
    best: list[Block] | None = None
    for order in tries:
        found: list[Block] = []
        for row in sorted(rows):
            if not any(_inside(row, block) for block in found):
                found.append(_widened(variables, row, others, order))
        found = _needed(found, rows)
        if best is None or _mentions(variables, found) < _mentions(variables, best):
            best = found
    assert best is not None
    return best


def _widened(variables: Sequence[Variable], row: Row, others: set[Row], order: Sequence[int]) -> Block:
    block = [frozenset([value]) for value in row]
    for place in order:
        every = frozenset(range(variables[place].values))
        wider = [*block[:place], every, *block[place + 1 :]]
        if not any(_inside(other, wider) for other in others):
            block = wider
    for place in order:
        for value in range(variables[place].values):
            wider = [*block[:place], block[place] | {value}, *block[place + 1 :]]
            if not any(_inside(other, wider) for other in others):
                block = wider
    return tuple(block)


def _tight(variables: Sequence[Variable], block: Block, rows: set[Row]) -> Block:
    """The block without values that none of its rows has, where it has to name some anyway: what never comes about is
    better not let through."""
    inside = [row for row in rows if _inside(row, block)]
    return tuple(
        values if len(values) == variable.values else frozenset(row[place] for row in inside)
        for place, (variable, values) in enumerate(zip(variables, block, strict=True))
    )


def _needed(blocks: list[Block], rows: set[Row]) -> list[Block]:
    kept = list(blocks)
    for block in blocks:
        rest = [b for b in kept if b is not block]
        if all(any(_inside(row, b) for b in rest) for row in rows):
            kept = rest
    return kept


def _inside(row: Row, block: Sequence[frozenset[int]]) -> bool:
    return all(value in values for value, values in zip(row, block, strict=True))


def _literals(variables: Sequence[Variable], block: Block) -> tuple[Formula, ...]:
    pairs = zip(variables, block, strict=True)
    return tuple(v.formula(values) for v, values in pairs if len(values) < v.values)


def _mentions(variables: Sequence[Variable], blocks: Sequence[Block]) -> int:
    return sum(len(_literals(variables, block)) for block in blocks)


def _all(parts: tuple[Formula, ...]) -> Formula:
    return _joined(parts, AllOf, TRUE)


def _any(parts: tuple[Formula, ...]) -> Formula:
    return _joined(parts, AnyOf, FALSE)


def _joined(parts: tuple[Formula, ...], how: Callable[[tuple[Formula, ...]], Formula], nothing: Formula) -> Formula:
    if not parts:
        return nothing
    return parts[0] if len(parts) == 1 else how(parts)
