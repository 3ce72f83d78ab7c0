"""What a fuzz run goes for: goals, and where a part of a condition makes the difference."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from safetymodel.bench.coverage import Coverage
from safetymodel.bench.parts import Part, Path, without
from safetymodel.model.formula import AllOf, AnyOf, Constant, Defined, Formula, InState, Not, conjoin
from safetymodel.model.system import System, Transition


@dataclass(frozen=True, eq=False)
class Goal:
    """``kind`` ``taken``, ``prompt`` or ``blocked``: ``number`` is a transition; ``matters``: a place among the parts;
    ``apart``: a place among the pairs of outputs that could be crossed.

    Where ``wanted`` holds, ``event`` is tried, or the clock of subsystem ``clock[0]`` comes to ``clock[1]`` ticks; None
    where being there is all. ``faults`` are those of which one must be up; empty where it goes without.
    """

    kind: Literal["taken", "prompt", "blocked", "matters", "apart"]
    number: int
    wanted: Formula
    event: int | None = None
    clock: tuple[int, int] | None = None
    faults: tuple[int, ...] = ()
    begins: tuple[int, int] | None = None
    """The subsystem and the state that its transition leaves."""
    passing: bool = False
    """It holds only for a moment, while the logic reacts."""
    transition: int | None = None


def is_met(goal: Goal, coverage: Coverage) -> bool:
    """Whether a goal has been reached. That a part decides is gone for once, whether anything shows it or not."""
    match goal.kind:
        case "taken":
            return goal.number in coverage.taken
        case "prompt":
            return goal.number in coverage.prompt
        case "blocked":
            return goal.number in coverage.blocked
        case "matters":
            return coverage.seen[goal.number].decides
        case "apart":
            return goal.number in coverage.apart


def mattering(system: System, t: Transition, part: Part) -> tuple[Formula, bool]:
    """Where leaving the part out would make a difference: the part reads so that it alone decides. And whether it
    decides that the transition happens, not that it is blocked."""
    condition = part.of(system)
    other = t.physical if part.interlock else t.interlock
    rest = without(condition, part.path)
    sign, narrows = polarity(condition, part.path)
    source = InState(t.subsystem, (t.source,))
    reading = part.formula if sign != narrows else Not(part.formula)
    decided = (rest, Not(condition)) if narrows else (condition, Not(rest))
    return all_of(source, reading, *decided, other), not narrows


def polarity(formula: Formula, path: Path) -> tuple[bool, bool]:
    """(the part counts as it is, not negated; the part makes the condition harder to meet)."""
    sign, narrows = True, True
    node = formula
    for place in path:
        match node:
            case Not(part):
                sign, node = not sign, part
            case Defined(_, body):
                node = body
            case AllOf(parts) | AnyOf(parts):
                if len(parts) > 1:
                    narrows = isinstance(node, AllOf) == sign
                node = parts[place]
    return sign, narrows


def all_of(*formulas: Formula) -> Formula:
    """Their conjunction, the conjunctions among them opened, so that what is missing can be counted."""
    parts: list[Formula] = []
    stack = list(reversed(formulas))
    while stack:
        formula = stack.pop()
        if isinstance(formula, AllOf):
            stack.extend(reversed(formula.parts))
        elif isinstance(formula, Defined) and isinstance(formula.body, AllOf):
            stack.extend(reversed(formula.body.parts))
        elif formula != Constant(True):
            parts.append(formula)
    return conjoin(tuple(parts))
