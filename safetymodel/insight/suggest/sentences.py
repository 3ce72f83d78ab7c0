"""A suggestion in plain sentences."""

from __future__ import annotations

from collections.abc import Iterator

from safetymodel.insight.suggest.suggested import Condition, Suggestion
from safetymodel.model.formula import TRUE
from safetymodel.model.system import System
from safetymodel.traces.wording import and_list, counted, event_text, faults_text, formula_text, move_text

_SIGHTS = {
    "signals": "it reads signals alone",
    "logic": "no expression over signals alone tells the situations apart, so it reads states of the logic too",
    "states": (
        "the signals do not tell the situations apart, so it reads how things are: the logic needs a further switch "
        "for that, which does not fail together with the others"
    ),
}


def sentences(system: System, suggestion: Suggestion) -> tuple[str, ...]:
    """All that is to be said of it, the most important first."""
    return tuple(_sentences(system, suggestion))


def _sentences(system: System, found: Suggestion) -> Iterator[str]:
    name = found.requirement.name
    match found.outcome:
        case "passes":
            yield f"{name} passes as it is; no condition is needed."
            return
        case "not asked":
            yield f"{name} asks that something stays possible; holding something back cannot bring that about."
            return
        case "undecided":
            yield f"For {name} no condition was found that stood a second verification: {found.reason}."
            return
        case "no condition":
            yield (
                f"No condition can make {name} pass {faults_text(found.budget)}: people, faults, time and what "
                "the logic cannot hold back can force the breach."
            )
            if found.way is not None:
                yield (
                    "The run shown leads to it although everything that can be held back is held back "
                    f"({counted(found.way.happenings, 'happening')})."
                )
            return
    for condition in found.conditions:
        yield condition_sentence(system, condition)
    those = "it" if len(found.conditions) == 1 else "them"
    seen = f"verified again {faults_text(found.budget)}, as all other requirements were"
    yield f"With {those} {name}: {found.after}, {seen}; before: {found.before}."
    if found.after == "empty":
        yield f"Not a pass: what {name} is about then never arises any more."
    if found.least_restrictive:
        yield "Least restrictive: nothing is held back from which the breach could still have been avoided later."
    else:
        yield f"Not the least restrictive: {found.reason}."
    for changed in found.worse:
        yield f"It costs: {changed.requirement.name} was {changed.before} and becomes {changed.after}."
    for changed in found.better:
        yield f"It also helps: {changed.requirement.name} was {changed.before} and becomes {changed.after}."
    if found.idle:
        yield f"It costs: {and_list([event_text(system.events[n]) for n in found.idle])} can never happen any more."
    if not found.worse and not found.idle:
        yield "No other requirement becomes worse, and no event becomes impossible."


def condition_sentence(system: System, condition: Condition) -> str:
    """Where the condition goes, and what it reads."""
    transition = system.transitions[condition.transition]
    where = move_text(system, transition)
    if transition.event is not None:
        where += f" on {system.events[transition.event].name}"
    place = f"{where} ({transition.span})"
    if condition.never:
        return f"Leave out {place}: it may never happen."
    text = formula_text(system, condition.formula)
    how = "add the `if`" if transition.interlock == TRUE else "add to the `if`"
    more = "" if condition.exact else "; it holds back more than it had to, for what it reads does not tell all apart"
    return f"To {place} {how}: `{text}`; {_SIGHTS[condition.sight]}{more}."
