"""The goals of one condition: each part of it alone blocks a transition, and alone lets it happen."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from safetymodel.bench.aims import polarity
from safetymodel.bench.parts import mentions, without
from safetymodel.bench.sheets.stages import Goal, Stage
from safetymodel.bench.sights import Sight, alone, part_list, signals_of
from safetymodel.model.able import able, partners_able
from safetymodel.model.formula import (
    TRUE,
    AllOf,
    AnyOf,
    Constant,
    Defined,
    FaultUp,
    Formula,
    InState,
    Not,
    SignalTrue,
    conjoin,
)
from safetymodel.model.system import System, Transition
from safetymodel.traces.wording import formula_text, transition_text


def goals_of_parts(system: System, t: Transition, condition: Formula, interlock: bool) -> Iterator[Goal]:
    """Each part of a condition alone blocks the transition, and alone lets it happen."""
    parts, text = part_list(condition), transition_text(system, t)
    if not parts:
        return
    base = Goal(0, "blocks", "causes", "", (), t.span.short, transition=t.number)
    blocked = [(part, alone(system, condition, part, False)) for part in parts]
    if _is_conjunction(condition, True) and len(parts) > 1:
        whole = conjoin((Not(condition), *(alone(system, condition, part, False) for part in parts)))
        stays = (Stage(_blocked_sights(system, t, interlock, whole)),)
        yield replace(base, title=f"{text} stays away while nothing calls for it", stages=stays)
    else:
        for part, formula in blocked:
            yield replace(
                base,
                title=f"{formula_text(system, part)} alone blocks {text}",
                stages=(Stage(_blocked_sights(system, t, interlock, formula)),),
                own=signals_of(system, part),
                part=part,
            )
    if not _is_conjunction(condition, False):  # of a conjunction, one passage shows all parts
        for part in parts:
            yield replace(
                base,
                kind="decides",
                title=f"{formula_text(system, part)} alone decides that {text} happens",
                stages=(Stage((Sight("fires", alone(system, condition, part, True), t.number),)),),
                own=signals_of(system, part),
                part=part,
            )

    yield from _mentions(system, t, condition, interlock, base)


def _mentions(system: System, t: Transition, condition: Formula, interlock: bool, base: Goal) -> Iterator[Goal]:
    """A part that stands in a condition more than once: each of its places decides alone, as if left out there only."""
    found = [(path, mention, _positive(mention)) for path, mention in mentions(condition)]
    for number, (path, mention, part) in enumerate(found):
        if sum(other == part for _, _, other in found) < 2:
            continue
        rest, narrows = without(condition, path), polarity(condition, path)[1]
        place = 1 + sum(other == part for _, _, other in found[:number])
        what = f"{formula_text(system, mention)} in place {place} alone"
        if narrows:
            sights = _blocked_sights(system, t, interlock, conjoin((Not(condition), rest)))
            title = f"{what} blocks {transition_text(system, t)}"
        else:
            sights = (Sight("fires", conjoin((condition, Not(rest))), t.number),)
            title = f"{what} decides that {transition_text(system, t)} happens"
        own = signals_of(system, mention)
        yield replace(base, kind="blocks" if narrows else "decides", title=title, stages=(Stage(sights),), own=own)


def _positive(part: Formula) -> Formula:
    part = part.part if isinstance(part, Not) else part
    return replace(part, negated=False) if isinstance(part, InState) else part


def _blocked_sights(system: System, t: Transition, interlock: bool, formula: Formula) -> tuple[Sight, ...]:
    """Where a transition is kept from happening by its condition and nothing else."""
    here = conjoin((able(system, t, interlock=not interlock, physical=interlock), partners_able(system, t), formula))
    if t.event is None:
        return (Sight("at", here, t.number, (t.subsystem, t.latest)),)
    return (Sight("try", conjoin((here, nothing_alike(system, t))), t.event),)


def nothing_alike(system: System, t: Transition) -> Formula:
    """No other transition on the same event does the same; true of an automatic one."""
    if t.event is None:
        return TRUE
    return conjoin(
        tuple(
            Not(able(system, system.transitions[n]))
            for n in system.subsystems[t.subsystem].transitions
            if n != t.number and _alike(t, system.transitions[n])
        )
    )


def _alike(a: Transition, b: Transition) -> bool:
    return a.event == b.event and a.source == b.source and a.target == b.target


def _is_conjunction(formula: Formula, negated: bool) -> bool:
    """Whether a formula (or its contrary) is a conjunction of parts, each always with the same truth."""
    found: dict[Formula, bool] = {}
    stack = [(formula, negated)]
    while stack:
        node, turned = stack.pop()
        match node:
            case Constant():
                pass
            case InState() | SignalTrue() | FaultUp():
                turned ^= isinstance(node, InState) and node.negated
                part = replace(node, negated=False) if isinstance(node, InState) else node
                if found.setdefault(part, turned) != turned:
                    return False
            case Not(part):
                stack.append((part, not turned))
            case Defined(_, body):
                stack.append((body, turned))
            case AllOf(parts) if not turned or len(parts) < 2:
                stack.extend((p, turned) for p in parts)
            case AnyOf(parts) if turned or len(parts) < 2:
                stack.extend((p, turned) for p in parts)
            case _:
                return False
    return True
