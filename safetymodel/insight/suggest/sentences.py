"""A suggestion in plain sentences."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from safetymodel.insight.suggest.suggested import Changed, Condition, Sight, Suggestion
from safetymodel.model.formula import FALSE, TRUE, Formula, atoms
from safetymodel.model.system import System, Transition
from safetymodel.traces.wording import and_list, counted, event_text, faults_text, formula_text, move_text

MOST_MENTIONS = 6
"""In what is said of what simpler conditions hold back more."""

_SIGHTS: dict[Sight, str] = {
    "signals": "it reads signals alone",
    "logic": "no expression over signals alone tells the situations apart, so it reads states of the logic too",
    "states": (
        "the signals do not tell the situations apart, so it reads how things are: the logic needs a further switch "
        "for that, which does not fail together with the others"
    ),
}


def kind_text(found: Suggestion) -> str:
    """What these conditions are among those suggested for one requirement; empty where there are no others."""
    if found.simpler:
        return "simpler conditions"
    if found.keeps_possible:
        return "everything that is always possible kept so"
    return ""


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
    why = f" ({found.standing})" if found.standing else ""
    seen = f"verified again {faults_text(found.budget)}"
    if not found.passes:
        yield f"No condition was found that makes {name} pass: what keeps the breach off leaves it {found.after}{why}."
    yield from _costs(system, found)
    if not found.passes:
        yield f"To keep the breach off all the same, {seen}:"
    yield from condition_sentences(system, found.conditions, found.simpler)
    if found.passes:
        those = "it" if len(found.conditions) == 1 else "them"
        all_others = "as all other requirements were"
        yield f"With {those} {name}: {found.after}{why}, {seen}, {all_others}; before: {found.before}."
    if found.simpler:
        yield from _beyond(system, found)
    elif found.least_restrictive:
        yield "Least restrictive: nothing is held back from which the breach could still have been avoided later."
    else:
        yield f"Not the least restrictive: {found.reason}."
    if found.better and found.passes:
        yield f"It also helps: {_list(found.better)}."
    if not found.costs:
        scenarios = ", every scenario goes as before" if system.scenarios else ""
        yield (
            "No other requirement becomes worse (verdict, faults and happenings to a breach, longest reaction and "
            f"wait){scenarios}, and no event becomes impossible."
        )


def _costs(system: System, found: Suggestion) -> Iterator[str]:
    """What becomes worse, a sentence for each kind."""
    if found.worse:
        yield f"It costs: {_list(found.worse)}."
    for failing in found.failing:
        place = f"`{failing.step}` ({failing.span.short})"
        yield f"It costs: scenario {failing.scenario.name} fails at {place}: {failing.why}."
    if found.chatters:
        yield "It costs: the logic can then go round automatic transitions for ever."
    if found.idle:
        yield f"It costs: {and_list([event_text(system.events[n]) for n in found.idle])} can never happen any more."


def _list(changes: tuple[Changed, ...]) -> str:
    return "; ".join(f"{changed.requirement.name} {changed.said}" for changed in changes)


def _beyond(system: System, found: Suggestion) -> Iterator[str]:
    """What simpler conditions hold back that the least restrictive ones let happen."""
    if not found.beyond:
        yield "Simpler than the least restrictive, and in all that comes about it holds back no more."
    told: dict[str, list[str]] = {}
    for one in found.beyond:
        where = f"while `{formula_text(system, one.formula)}`"
        if sum(1 for _ in atoms(one.formula)) > MOST_MENTIONS:
            where = f"in {one.states:,} of {counted(one.every, 'state')} in which that lets it happen"
        told.setdefault(where, []).append(move_text(system, system.transitions[one.transition]))
    for where, moves in told.items():
        yield f"Simpler than the least restrictive; it also holds back {and_list(moves)} {where}."


def condition_sentences(system: System, conditions: Sequence[Condition], simpler: bool = False) -> Iterator[str]:
    """Where the conditions go, and what they read; transitions that get the same one are told together. Of simpler
    ones what they hold back more is told apart."""
    groups: dict[tuple[Formula, Sight, bool, bool], list[Transition]] = {}
    for condition in conditions:
        transition = system.transitions[condition.transition]
        key = (condition.formula, condition.sight, condition.exact or simpler, transition.interlock == TRUE)
        groups.setdefault(key, []).append(transition)
    notes = {key: _note(sight, exact) for key in groups for formula, sight, exact, _ in (key,) if formula != FALSE}
    once = len(notes) > 1 and len(set(notes.values())) == 1
    for group, transitions in groups.items():
        places = and_list([_place(system, transition) for transition in transitions])
        if group not in notes:
            yield f"Leave out {places}: {'it' if len(transitions) == 1 else 'they'} may never happen."
            continue
        formula, _, _, bare = group
        text = f"`{formula_text(system, formula)}`"
        how = f"Give the `if` {text} to {places}" if bare else f"Add {text} to the `if` of {places}"
        yield f"{how}." if once else f"{how}; {notes[group]}."
    if once:
        yield f"Of each of these conditions: {next(iter(notes.values()))}."


def _note(sight: Sight, exact: bool) -> str:
    """What a condition reads."""
    more = "" if exact else "; it holds back more than it had to, for what it reads does not tell all apart"
    return _SIGHTS[sight] + more


def _place(system: System, transition: Transition) -> str:
    on = f" on {system.events[transition.event].name}" if transition.event is not None else ""
    return f"{move_text(system, transition)}{on} ({transition.span.short})"
