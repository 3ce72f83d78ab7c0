"""A second look at a counterexample, by the reference step function and the plain words of each form.

Written apart from the search: it knows one run, and asks whether that run is one of the model's
and whether it breaks the requirement as the page of meaning says.
"""

from __future__ import annotations

from safetymodel.claims.verdict import Judgement, Trace
from safetymodel.model.formula import Formula
from safetymodel.model.state import State, fault_numbers, initial_state
from safetymodel.model.step import Step, happenings, holds, is_settled, reactions, steps
from safetymodel.model.system import Requirement, System


def recheck(system: System, judgement: Judgement) -> str:
    """Why the counterexample of a broken requirement is none; empty where it is one."""
    trace, requirement = judgement.trace, judgement.requirement
    if trace is None:
        return "there is no counterexample"
    if trace.start != initial_state(system):
        return "the counterexample does not begin at the initial state"
    state = trace.start
    for position, step in enumerate(trace.steps, 1):
        if step not in steps(system, state, judgement.budget):
            return f"step {position} of the counterexample is not one that the model offers"
        state = step.after
    if not _is_breach(system, requirement, trace, judgement.reason):
        return "the counterexample does not break the requirement"
    return ""


def _is_breach(system: System, requirement: Requirement, trace: Trace, reason: str) -> bool:
    match requirement.form:
        case "never":
            return _watched_end(system, requirement, trace, requirement.subject, True, bool(reason))
        case "always":
            return _watched_end(system, requirement, trace, requirement.subject, False, bool(reason))
        case "cause" if requirement.within is None:
            late = holds(system, trace.end, requirement.subject) and not _effect(system, requirement, trace.end)
            return late and (is_settled(system, trace.end) or requirement.prevent or bool(reason))
        case "cause":
            return _lasted(system, requirement, trace)
        case "permissive":
            before = _before_last(trace)
            return _begins(system, trace, requirement.subject) and not _true(system, before, requirement.allowed)
        case "start":
            by = next((s for s in reversed(trace.steps) if s.kind != "reaction"), None)
            listed = by is not None and by.kind == "event" and by.number in requirement.only_by
            return _begins(system, trace, requirement.subject) and not listed
        case "always_possible":
            return is_settled(system, trace.end) and not _can_come_about(system, requirement.subject, trace.end)
        case "possible":
            return is_settled(system, trace.end) and not _can_come_about(system, requirement.subject, trace.end)


def _true(system: System, state: State, formula: Formula | None) -> bool:
    return formula is not None and holds(system, state, formula)


def _effect(system: System, requirement: Requirement, state: State) -> bool:
    return _true(system, state, requirement.effect)


def _before_last(trace: Trace) -> State:
    return trace.steps[-2].after if len(trace.steps) > 1 else trace.start


def _begins(system: System, trace: Trace, formula: Formula) -> bool:
    """Whether the last step makes the formula true."""
    return bool(trace.steps) and holds(system, trace.end, formula) and not holds(system, _before_last(trace), formula)


def _watched_end(
    system: System, requirement: Requirement, trace: Trace, formula: Formula, bad: bool, endless: bool
) -> bool:
    watching = requirement.begins is None
    for state in (trace.start, *(step.after for step in trace.steps)):
        if requirement.begins is None or not is_settled(system, state):
            continue
        if _true(system, state, requirement.ends):
            watching = False
        elif holds(system, state, requirement.begins):
            watching = True
    seen = is_settled(system, trace.end) or requirement.prevent or endless
    return watching and seen and holds(system, trace.end, formula) == bad


def _lasted(system: System, requirement: Requirement, trace: Trace) -> bool:
    """Whether the last step is the tick with which the cause has lasted too long without its effect."""
    lasted: int | None = None
    state = trace.start
    for step in (None, *trace.steps):
        if step is not None:
            state = step.after
            if lasted is not None and step.kind == "tick":
                lasted += 1
        if is_settled(system, state) and step is not (trace.steps[-1] if trace.steps else None):
            if not holds(system, state, requirement.subject) or _effect(system, requirement, state):
                lasted = None
            elif lasted is None:
                lasted = 0
    last: Step | None = trace.steps[-1] if trace.steps else None
    assert requirement.within is not None
    return last is not None and last.kind == "tick" and lasted is not None and lasted > requirement.within


MOST_LOOKED_AT = 2_000


def _can_come_about(system: System, formula: Formula, start: State) -> bool:
    """Whether P can still be brought about without a new fault, as far as a plain walk of bounded
    size sees; a larger remainder is left to the engine that found it."""
    seen, frontier = {start}, [start]
    budget = len(fault_numbers(start.flags))
    while frontier:
        state = frontier.pop()
        settled = is_settled(system, state)
        if settled and holds(system, state, formula):
            return True
        offered = happenings(system, state, budget) if settled else reactions(system, state)
        for step in offered:
            if step.after not in seen:
                if len(seen) >= MOST_LOOKED_AT:
                    return False
                seen.add(step.after)
                frontier.append(step.after)
    return False
