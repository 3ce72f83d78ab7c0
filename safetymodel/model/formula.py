"""Expressions after their names are resolved: trees over numbers, not over text.

Depth and size are bounded by the spec's checks, so plain recursion over a tree is fine.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TypeAlias


@dataclass(frozen=True, slots=True)
class Constant:
    """``true`` or ``false``."""

    value: bool


@dataclass(frozen=True, slots=True)
class InState:
    """``NAME is A|B``, or with ``negated`` ``NAME is not A|B``; state numbers ascending."""

    subsystem: int
    states: tuple[int, ...]
    negated: bool = False


@dataclass(frozen=True, slots=True)
class SignalTrue:
    """A signal by its bare name: what the logic reads, faults included."""

    signal: int


@dataclass(frozen=True, slots=True)
class FaultUp:
    """``fault NAME``."""

    fault: int


@dataclass(frozen=True, slots=True)
class Not:
    part: Formula


@dataclass(frozen=True, slots=True)
class AllOf:
    """``and``; true of no parts."""

    parts: tuple[Formula, ...]


@dataclass(frozen=True, slots=True)
class AnyOf:
    """``or``; false of no parts."""

    parts: tuple[Formula, ...]


@dataclass(frozen=True, slots=True)
class HowMany:
    """``every/some/no/at least n of FAMILY ...``: between ``least`` and ``most`` members hold.

    ``wording`` is the text of it as people read it, for example ``every lamp is lit``.
    """

    least: int
    most: int
    members: tuple[InState, ...]
    wording: str


@dataclass(frozen=True, slots=True)
class Defined:
    """A condition by its bare name, with its definition put in."""

    name: str
    body: Formula


Formula: TypeAlias = Constant | InState | SignalTrue | FaultUp | Not | AllOf | AnyOf | HowMany | Defined

TRUE = Constant(True)
FALSE = Constant(False)


def parts_of(formula: Formula) -> tuple[Formula, ...]:
    """The direct parts of a formula (none for an atom)."""
    if isinstance(formula, Not):
        return (formula.part,)
    if isinstance(formula, AllOf | AnyOf):
        return formula.parts
    if isinstance(formula, Defined):
        return (formula.body,)
    return ()


def atoms(formula: Formula) -> Iterator[Formula]:
    """Every mention in the formula from left to right: constants, states, signals, faults, counts."""
    stack = [formula]
    while stack:
        node = stack.pop()
        parts = parts_of(node)
        if parts:
            stack.extend(reversed(parts))
        elif not isinstance(node, AllOf | AnyOf):
            yield node


def conjoin(parts: tuple[Formula, ...]) -> Formula:
    """All of the parts, without needless nesting."""
    kept = tuple(p for p in parts if p != TRUE)
    if not kept:
        return TRUE
    return kept[0] if len(kept) == 1 else AllOf(kept)


def weakest_mentions(formula: Formula, make_true: bool) -> Iterator[tuple[Formula, Formula]]:
    """Each mention, with the formula in which that one mention is a constant.

    The constant is the one that makes the whole formula more true (``make_true``) or more
    false: the worst for ``never`` and for ``always``. Source: vacuity after Kupferman and
    Vardi 2003, by occurrence.
    """
    if isinstance(formula, Constant):
        return
    if isinstance(formula, Not):
        for mention, part in weakest_mentions(formula.part, not make_true):
            yield mention, Not(part)
    elif isinstance(formula, AllOf | AnyOf):
        for i, old in enumerate(formula.parts):
            for mention, new in weakest_mentions(old, make_true):
                yield mention, type(formula)((*formula.parts[:i], new, *formula.parts[i + 1 :]))
    elif isinstance(formula, Defined):
        for mention, body in weakest_mentions(formula.body, make_true):
            yield mention, Defined(formula.name, body)
    else:
        yield formula, Constant(make_true)
