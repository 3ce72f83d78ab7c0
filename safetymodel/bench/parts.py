"""The parts of a condition: each single mention in it, and the condition without one of them."""

from __future__ import annotations

from dataclasses import dataclass

from safetymodel.model.formula import TRUE, AllOf, AnyOf, Constant, Defined, Formula, Not
from safetymodel.model.system import System, Transition
from safetymodel.traces.wording import formula_text, move_text

Path = tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Part:
    """One mention in the condition of a transition, with the `not` before it where there is one.

    ``path`` leads to it from the top of the formula; ``interlock`` is False for a part of the physical condition.
    """

    transition: int
    interlock: bool
    path: Path
    formula: Formula

    def of(self, system: System) -> Formula:
        """The whole condition that it is a part of."""
        this = system.transitions[self.transition]
        return this.interlock if self.interlock else this.physical


def parts_of_transition(transition: Transition) -> tuple[Part, ...]:
    """The parts of its `if`, then those of its `physically`, each from left to right."""
    found = [Part(transition.number, True, path, formula) for path, formula in mentions(transition.interlock)]
    found += [Part(transition.number, False, path, formula) for path, formula in mentions(transition.physical)]
    return tuple(found)


def mentions(formula: Formula) -> list[tuple[Path, Formula]]:
    """(path, mention) of a condition from left to right, definitions put in; constants are none."""
    match formula:
        case Constant():
            return []
        case Not(AllOf() | AnyOf() | Not() | Defined() as inner):
            return [((0, *path), part) for path, part in mentions(inner)]
        case AllOf(parts) | AnyOf(parts):
            return [((n, *path), part) for n, inner in enumerate(parts) for path, part in mentions(inner)]
        case Defined(_, body):
            return [((0, *path), part) for path, part in mentions(body)]
        case _:
            return [((), formula)]


def without(formula: Formula, path: Path) -> Formula:
    """The condition as if the part there had never been written; without any part it is true."""
    return _left(formula, path) or TRUE


def _left(formula: Formula, path: Path) -> Formula | None:
    if not path:
        return None
    match formula:
        case Not(part):
            inner = _left(part, path[1:])
            return None if inner is None else Not(inner)
        case Defined(_, body):
            return _left(body, path[1:])
        case AllOf(parts) | AnyOf(parts):
            inner = _left(parts[path[0]], path[1:])
            kept = (*parts[: path[0]], *(() if inner is None else (inner,)), *parts[path[0] + 1 :])
            return type(formula)(kept) if kept else None
        case _:
            raise ValueError("a path that leads nowhere")


def part_text(system: System, part: Part) -> str:
    """``brake_held_a of lift: stowed -> at_floor``."""
    move = move_text(system, system.transitions[part.transition])
    return f"{formula_text(system, part.formula)} of {move}"
