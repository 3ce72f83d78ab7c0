"""Why no run can show a goal, in words."""

from __future__ import annotations

from typing import Any, TypeVar

from safetymodel.bench.sheets.reach import Reach
from safetymodel.bench.sheets.stages import Goal
from safetymodel.bench.sights import assigned, part_list
from safetymodel.explore.engine import Space
from safetymodel.model.able import able
from safetymodel.model.formula import Formula, InState, Not
from safetymodel.model.system import System, Transition
from safetymodel.traces.wording import formula_text

S = TypeVar("S")


def why_untestable(reach: Reach[Any], goal: Goal) -> str:
    """The reason why no reached state shows the first stage of the goal, whatever one fault or force there is."""
    space, system = reach.space, reach.system
    if goal.transition is not None and goal.part is not None:
        return _of_part(space, system, system.transitions[goal.transition], goal.part, goal.kind == "blocks")
    sights = goal.stages[0].ways
    if goal.kind == "prompt":
        return "wherever it is due, something else is due as well: whether it was late would not be seen for sure"
    if goal.kind == "turns":
        return "no condition turns by it alone: wherever it reads wrongly, other parts decide"
    if goal.kind == "taken":
        t = system.transitions[sights[0].number]
        this = system.subsystems[t.subsystem]
        here = space.where(InState(t.subsystem, (t.source,)))
        if space.is_empty(here):
            return f"unreachable: {this.name} is never {this.states[t.source]}"
        if space.is_empty(space.common(here, space.where(able(system, t)))):
            return f"unreachable: its conditions are never true while {this.name} is {this.states[t.source]}"
        return "unreachable: where its conditions are true, something else always happens first"
    for sight in sights:
        if sight.kind == "at" and not space.is_empty(space.common(space.transient, space.where(sight.formula))):
            return "only in transient states: nobody can look at the machine there"
        on_event = sight.kind == "fires" and system.transitions[sight.number].event is not None
        if on_event and not space.is_empty(space.common(space.settled, space.where(sight.formula))):
            return "unreachable: the event moves nothing there"
    return "unreachable: no state has it"


def _of_part(space: Space[Any], system: System, t: Transition, part: Formula, blocks: bool) -> str:
    """Why a part of a condition never makes the difference alone."""
    this, text = system.subsystems[t.subsystem], formula_text(system, part)
    interlock = part in part_list(t.interlock)
    condition = t.interlock if interlock else t.physical
    able_else = space.where(able(system, t, interlock=not interlock, physical=interlock))
    settled = blocks or t.event is not None
    here = space.common(space.settled if settled else space.transient, able_else)
    if space.is_empty(here):
        kind = "settled" if settled else "on the move"
        return f"unreachable: it is never {kind} with {this.name} in {this.states[t.source]} and free to move otherwise"
    outcome = space.common(here, space.where(Not(condition) if blocks else condition))
    if space.is_empty(outcome):
        return f"unreachable: the condition is never {'false' if blocks else 'true'} there"
    for value in (False, True):
        turned = assigned(system, condition, part, not value)
        if turned == assigned(system, condition, part, value):
            continue
        states = space.common(outcome, space.where(part if value else Not(part)))
        if space.is_empty(states):
            continue
        mask = _mask(space, system, condition, part, states, here)
        if mask:
            return f"masked: whenever {text} is {_word(value)} there, {mask}"
    reading = [
        v for v in (True, False) if not space.is_empty(space.common(here, space.where(part if v else Not(part))))
    ]
    if len(reading) == 1:
        return f"unreachable: {text} is always {_word(reading[0])} there"
    if settled and not space.is_empty(space.common(space.transient, able_else)):
        return "only in transient states, or masked by several other parts in turn"
    return "masked by several other parts in turn"


def _mask(space: Space[Any], system: System, condition: Formula, part: Formula, states: Any, here: Any) -> str:
    """Another part that always stands in the way in these states, though not in all others."""
    for other in part_list(condition):
        if other == part:
            continue
        for value in (False, True):
            formula = other if value else Not(other)
            if space.is_empty(space.minus(states, space.where(formula))) and not space.is_empty(
                space.minus(here, space.where(formula))
            ):
                return f"{formula_text(system, other)} is {_word(value)} too"
    return ""


def _word(value: bool) -> str:
    return "true" if value else "false"
