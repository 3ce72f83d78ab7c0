"""Extra conditions that keep the breach of a requirement off: found by a game, put in, verified again, then given."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from safetymodel.claims.clock import Clock
from safetymodel.claims.forms import BROKEN_WITHOUT_END
from safetymodel.claims.judge import judge
from safetymodel.claims.verdict import Judgement
from safetymodel.claims.watch import NOTHING
from safetymodel.explore.choice import explore
from safetymodel.explore.engine import LimitReached, Limits, Space
from safetymodel.explore.memory import within_memory
from safetymodel.explore.symbolic import Symbolic, SymbolicSpace
from safetymodel.insight.suggest.conditions import conditions_of
from safetymodel.insight.suggest.costs import Spaces, standing_text, with_costs
from safetymodel.insight.suggest.game import Game, held_with
from safetymodel.insight.suggest.goal import Goal, goal_of, without_moments
from safetymodel.insight.suggest.keep import play_and_keep
from safetymodel.insight.suggest.play import Played, play
from safetymodel.insight.suggest.sentences import sentences
from safetymodel.insight.suggest.simpler import beyond, simpler_conditions
from safetymodel.insight.suggest.suggested import Condition, Suggestion
from safetymodel.insight.suggest.suggested import Sight as Sees
from safetymodel.model.formula import FALSE, Formula, conjoin
from safetymodel.model.system import Requirement, System

ROUNDS = 4
"""Times that conditions which hold back too much, or not enough, are followed by further ones."""


def controllable(system: System) -> frozenset[int]:
    """The transitions that the logic can hold back each by itself."""
    return frozenset(t.number for t in system.transitions if t.controllable)


def _all_held(system: System) -> frozenset[int]:
    """What is held back when everything is that can be."""
    return controllable(system).union(*(held_with(event) for event in system.events))


def with_conditions(system: System, conditions: Mapping[int, Formula]) -> System:
    """The system with a further `if` on some transitions."""
    transitions = tuple(
        replace(t, interlock=conjoin((t.interlock, conditions[t.number]))) if t.number in conditions else t
        for t in system.transitions
    )
    return replace(system, transitions=transitions)


def suggest(
    spaces: Spaces,
    requirement: Requirement,
    before: Mapping[str, Judgement],
    *,
    keep_possible: bool = False,
    clock: Clock | None = None,
    limits: Limits | None = None,
) -> Suggestion:
    """Least restrictive conditions for one requirement.

    ``spaces`` are the explored states for each fault budget that a requirement has to withstand, ``before`` the
    judgement on each requirement by its name. With ``keep_possible`` the conditions also leave every `always_possible`
    of the spec true: the largest set of states from which what they name can still be brought about.
    """
    clock = clock or Clock()
    system = spaces[requirement.withstand].system
    word = before[requirement.name].word
    blank = Suggestion(requirement, requirement.withstand, "passes", keeps_possible=keep_possible, before=word)
    try:
        found = _suggested(spaces, blank, before, clock, limits or Limits())
    except LimitReached as limit:
        found = replace(blank, outcome="undecided", reason=str(limit))
    return replace(found, sentences=sentences(system, found))


def suggest_for(
    spaces: Spaces,
    requirement: Requirement,
    before: Mapping[str, Judgement],
    clock: Clock | None = None,
    limits: Limits | None = None,
) -> tuple[Suggestion, ...]:
    """What can be suggested for a broken requirement, the best first: simpler conditions, where there are any; the
    least restrictive ones; where those leave an `always_possible` broken, what keeps it."""
    found = [suggest(spaces, requirement, before, clock=clock, limits=limits)]
    if found[-1].outcome == "conditions" and found[-1].blocks:
        kept = suggest(spaces, requirement, before, keep_possible=True, clock=clock, limits=limits)
        if kept.outcome == "conditions" and (kept.passes or not found[-1].passes):
            found.append(kept)
    simple = simpler(spaces, found[-1], before, clock, limits)
    if simple is not None:
        found.append(simple)
    return tuple(sorted(found, key=lambda s: (s.rank, not s.simpler)))


def simpler(
    spaces: Spaces,
    found: Suggestion,
    before: Mapping[str, Judgement],
    clock: Clock | None = None,
    limits: Limits | None = None,
) -> Suggestion | None:
    """Conditions with fewer mentions than those found, with which the requirement passes too and nothing becomes worse;
    None where there are none, or where a limit is reached."""
    if found.outcome != "conditions" or not found.passes:
        return None
    clock, space = clock or Clock(), spaces[found.budget]
    blank = replace(found, least_restrictive=False, simpler=True, reason="")
    try:
        for conditions in simpler_conditions(space, found.conditions):
            simple, after, _ = _put_in(spaces, replace(blank, conditions=conditions), clock, limits or Limits())
            if not simple.passes:
                continue
            simple = with_costs(simple, spaces, after, before, clock, first_only=True)
            if not simple.costs:
                assert found.changed is not None
                least = explore(found.changed, [found.budget], limits=clock.within(limits or Limits())).spaces
                simple = replace(simple, beyond=beyond(least[found.budget], found.conditions, conditions))
                return replace(simple, sentences=sentences(space.system, simple))
    except LimitReached:
        return None
    return None


def _suggested(
    spaces: Spaces, blank: Suggestion, before: Mapping[str, Judgement], clock: Clock, limits: Limits
) -> Suggestion:
    requirement = blank.requirement
    space = spaces[requirement.withstand]
    if blank.before in ("holds", "reacts"):
        return blank
    goal = _goal(space.system, blank)
    if goal is None:
        return replace(blank, outcome="not asked")
    if not space.complete or blank.before == "undecided":
        return replace(blank, outcome="undecided", reason=space.shortfall or "its verdict is not known")
    if blank.before == "empty":
        return replace(blank, outcome="not asked", reason="it is true of nothing")
    reasons: list[str] = []
    conditions: dict[int, Condition] = {}
    here: Space[Any] = space
    lost = False
    for _ in range(ROUNDS):
        symbolic = _symbolic(here, clock.within(limits))
        symbolic.on_work = clock.check
        with within_memory(symbolic.symbolic.memory):
            played = _played(symbolic, requirement, goal, blank.keeps_possible)
            lost = played.lost
            if lost:
                break
            new = conditions_of(symbolic.symbolic.encoding, played)
        if any(not c.exact for c in new):
            reasons.append("what the conditions can read does not tell all situations apart")
        for condition in new:
            conditions[condition.transition] = _joined(conditions.get(condition.transition), condition)
        ordered = tuple(conditions[n] for n in sorted(conditions))
        found, after, judgement = _put_in(spaces, replace(blank, conditions=ordered), clock, limits)
        if judgement.word in ("holds", "reacts", "empty"):
            why = "; ".join(dict.fromkeys(reasons))
            found = replace(found, outcome="conditions", least_restrictive=not reasons, reason=why)
            return with_costs(found, spaces, after, before, clock)
        if judgement.reason == BROKEN_WITHOUT_END and requirement.form in ("never", "always", "cause"):
            reasons.append("the logic could go round in a breach for ever, so it is held back before it begins to")
            goal = without_moments(goal, requirement)
        elif not new:
            break
        here = after[requirement.withstand]
    if lost and not reasons:
        return _no_condition(space, blank, limits, clock)
    return replace(blank, outcome="undecided", reason="; ".join(dict.fromkeys(reasons)) or "the breach stays")


def _put_in(spaces: Spaces, found: Suggestion, clock: Clock, limits: Limits) -> tuple[Suggestion, Spaces, Judgement]:
    """The requirement judged again with the conditions, and the states with them."""
    system = spaces[found.budget].system
    changed = with_conditions(system, {c.transition: c.formula for c in found.conditions})
    after = explore(changed, sorted(spaces), limits=clock.within(limits)).spaces
    for each in after.values():
        each.on_work = clock.check
    judgement = judge(after[found.budget], found.requirement, clock)
    said = standing_text(system, judgement)
    found = replace(found, after=judgement.word, passes=judgement.passes, standing=said, changed=changed)
    return found, after, judgement


def _goal(system: System, blank: Suggestion) -> Goal | None:
    if blank.keeps_possible and blank.requirement.form == "always_possible":
        return Goal(NOTHING, NOTHING.first)
    return goal_of(system, blank.requirement)


def _symbolic(space: Space[Any], limits: Limits) -> SymbolicSpace:
    """The same states as diagrams."""
    if isinstance(space, SymbolicSpace):
        return space
    found = SymbolicSpace(Symbolic(space.system, space.budget, limits))
    if not found.complete:
        raise LimitReached(found.shortfall)
    return found


def _played(space: SymbolicSpace, requirement: Requirement, goal: Goal, keep: bool) -> Played:
    system = space.system
    game = Game(space.symbolic.encoding, space.budget, goal, controllable(system), space.on_work)
    if not keep:
        return play(game, space.start, space.reached)[0]
    kept = [r for r in system.requirements if r.form == "always_possible"]
    return play_and_keep(game, space.start, space.reached, kept)


def _no_condition(space: Space[Any], blank: Suggestion, limits: Limits, clock: Clock) -> Suggestion:
    """Nothing can do it: the run to the breach that is left when all that can be held back is."""
    found = replace(blank, outcome="no condition")
    if blank.requirement.form == "always_possible":
        return found
    held = with_conditions(space.system, dict.fromkeys(_all_held(space.system), FALSE))
    nothing_held = explore(held, (space.budget,), limits=clock.within(limits)).spaces[space.budget]
    nothing_held.on_work = clock.check
    judgement = judge(nothing_held, blank.requirement, clock)
    return replace(found, way=judgement.trace, changed=held)


def _joined(old: Condition | None, new: Condition) -> Condition:
    """Both conditions of one transition as one."""
    if old is None:
        return new
    sights: tuple[Sees, ...] = ("signals", "logic", "states")
    sight = max(old.sight, new.sight, key=sights.index)
    return Condition(new.transition, conjoin((old.formula, new.formula)), sight, old.exact and new.exact)
