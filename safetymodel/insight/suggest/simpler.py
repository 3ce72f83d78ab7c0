"""Conditions with fewer mentions than the least restrictive ones, which hold back more."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations, islice, product
from typing import Any

from safetymodel.explore.engine import Space
from safetymodel.insight.suggest.suggested import Beyond, Condition
from safetymodel.insight.suggest.suggested import Sight as Sees
from safetymodel.model.able import able
from safetymodel.model.formula import AllOf, AnyOf, Formula, InState, Not, SignalTrue, atoms, conjoin
from safetymodel.model.system import System

MOST_TRIES = 4
"""Sets of simpler conditions that are verified, the simplest first."""

MOST_WAYS = 200
"""Ways to leave alternatives out of one condition."""

MOST_SETS = 1_000
"""Sets of simpler conditions that are compared, at most: with many conditions only the simplest of each are."""

LEAST_SHARE = 2
"""A simpler condition lets a transition happen in one of so many states, at least, in which the least restrictive one
does."""


@dataclass(frozen=True, slots=True)
class _Choice:
    """One formula for all transitions that have the same least restrictive one."""

    formula: Formula
    mentions: int
    let: int
    """States in which it lets them happen."""


def simpler_conditions(space: Space[Any], conditions: Sequence[Condition]) -> Iterator[tuple[Condition, ...]]:
    """A few sets of conditions with alternatives left out, those with the fewest mentions first; each is false
    wherever the given one is. ``space``: the states without any of them."""
    groups: dict[Formula, list[Condition]] = {}
    for condition in conditions:
        groups.setdefault(condition.formula, []).append(condition)
    each = max(1, int(MOST_SETS ** (1 / max(1, len(groups)))))
    choices = [
        sorted(_choices(space, formula, members), key=lambda choice: choice.mentions)[:each]
        for formula, members in groups.items()
    ]
    together = sorted(product(*choices), key=lambda taken: (sum(c.mentions for c in taken), -sum(c.let for c in taken)))
    whole = sum(_mentions(formula) for formula in groups)
    for taken in islice(together, MOST_TRIES):
        if sum(choice.mentions for choice in taken) >= whole:
            return
        formulas = dict(zip(groups, (choice.formula for choice in taken), strict=True))
        yield tuple(
            c if f == c.formula else Condition(c.transition, f, sight_of(space.system, f), exact=False)
            for c in conditions
            for f in (formulas[c.formula],)
        )


def beyond(space: Space[Any], conditions: Sequence[Condition], simpler: Sequence[Condition]) -> tuple[Beyond, ...]:
    """Where the simpler ones hold back what the others let happen; ``space``: the states with the others."""
    found = []
    for old, new in zip(conditions, simpler, strict=True):
        held = _without(old.formula, new.formula)
        if held is not None and (states := _let(space, old.transition, held)):
            found.append(Beyond(old.transition, held, states, _let(space, old.transition, old.formula)))
    return tuple(found)


def sight_of(system: System, formula: Formula) -> Sees:
    """What the formula reads."""
    mentions = list(atoms(formula))
    if all(isinstance(mention, SignalTrue) for mention in mentions):
        return "signals"
    read = [system.subsystems[m.subsystem].role for m in mentions if isinstance(m, InState)]
    return "logic" if all(role == "control" for role in read) else "states"


def _choices(space: Space[Any], formula: Formula, conditions: Sequence[Condition]) -> Iterator[_Choice]:
    """The formula as it is, and those simpler ones that still let each transition happen often enough."""
    numbers = [condition.transition for condition in conditions]
    whole = [_let(space, number, formula) for number in numbers]
    yield _Choice(formula, _mentions(formula), sum(whole))
    shorter = {way: _mentions(way) for way in islice(_fewer_alternatives(formula), MOST_WAYS)}
    for way, mentions in sorted(shorter.items(), key=lambda pair: pair[1]):
        let = [_let(space, number, way) for number in numbers]
        if mentions < _mentions(formula) and all(a * LEAST_SHARE >= b for a, b in zip(let, whole, strict=True)):
            yield _Choice(way, mentions, sum(let))


def _fewer_alternatives(formula: Formula) -> Iterator[Formula]:
    """The formula with alternatives of an `or` left out, the shortest of each `or` first."""
    match formula:
        case AnyOf(parts):
            for count in (1, 2) if len(parts) > 2 else (1,):
                for some in combinations(parts, count):
                    for ways in product(*((*islice(_fewer_alternatives(part), MOST_WAYS), part) for part in some)):
                        yield ways[0] if count == 1 else AnyOf(ways)
        case AllOf(parts):
            for ways in product(*((*islice(_fewer_alternatives(part), MOST_WAYS), part) for part in parts)):
                if ways != parts:
                    yield conjoin(tuple(dict.fromkeys(ways)))


def _without(formula: Formula, shorter: Formula) -> Formula | None:
    """Where the formula is true and the shorter one is not, as short as that can be told; None: nowhere."""
    if formula == shorter:
        return None
    if isinstance(formula, AnyOf) and shorter in formula.parts:
        rest = tuple(part for part in formula.parts if part != shorter)
        return AllOf((_opposite(shorter), rest[0] if len(rest) == 1 else AnyOf(rest)))
    return AllOf((formula, _opposite(shorter)))


def _opposite(formula: Formula) -> Formula:
    match formula:
        case Not(part):
            return part
        case InState(subsystem, states, negated):
            return InState(subsystem, states, not negated)
        case _:
            return Not(formula)


def _let(space: Space[Any], transition: int, formula: Formula) -> int:
    """In how many states the transition could happen while the formula is true."""
    system = space.system
    here = space.where(able(system, system.transitions[transition]))
    return space.size(space.common(here, space.where(formula)))


def _mentions(formula: Formula) -> int:
    return sum(1 for _ in atoms(formula))
