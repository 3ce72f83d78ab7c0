"""The verdict on each requirement, and the defects that need none."""

from __future__ import annotations

from typing import Any, TypeVar

from safetymodel.claims import forms
from safetymodel.claims.clock import Clock
from safetymodel.claims.recheck import recheck
from safetymodel.claims.search import Walker
from safetymodel.claims.verdict import EngineDisagreement, Finding, Judgement, Trace
from safetymodel.explore.engine import LimitReached, MemoryReached, Space, going_round
from safetymodel.model.state import State
from safetymodel.model.step import reactions
from safetymodel.model.system import Requirement

S = TypeVar("S")


def form_judge(requirement: Requirement) -> forms.Judge:
    """The function that judges this form."""
    match requirement.form:
        case "never" | "always":
            return forms.judge_invariant
        case "possible":
            return forms.judge_possible
        case "always_possible":
            return forms.judge_always_possible
        case "permissive":
            return forms.judge_permissive
        case "start":
            return forms.judge_start
        case "cause":
            return forms.judge_invariant if requirement.within is None else forms.judge_deadline


def judge(space: Space[Any], requirement: Requirement, clock: Clock | None = None) -> Judgement:
    """The verdict on a requirement under the space's fault budget.

    A counterexample is re-stepped through ``model.step`` and examined by a second road
    (:mod:`safetymodel.claims.recheck`) before it is given out. Raises EngineDisagreement where
    that fails: our bug, never the user's.
    """
    clock = clock or Clock()
    while space.outgrown is not None:
        space = space.outgrown
    while True:
        try:
            judgement = form_judge(requirement)(space, requirement, clock)
            break
        except LimitReached as limit:
            roomier = space.roomier() if isinstance(limit, MemoryReached) else None
            if roomier is None:
                return Judgement(requirement, space.budget, "undecided", reason=str(limit))
            space = roomier
    if judgement.trace is not None:
        fault = recheck(space.system, judgement)
        if fault:
            raise EngineDisagreement(f"{requirement.name}: {fault}")
    return judgement


def find_chatter(space: Space[S], clock: Clock | None = None) -> tuple[Finding, ...]:
    """Whether the logic can go round automatic transitions for ever, and whether anything settles at all."""
    clock = clock or Clock()
    round_and_round = going_round(space, space.transient)
    if space.is_empty(round_and_round):
        return ()
    trace = Walker(space, clock=clock).shortest({0: round_and_round})
    assert trace is not None
    run, lasso = _go_round(space, trace, round_and_round)
    if space.complete and space.is_empty(space.settled):
        message = "the initial state never settles: the logic goes round automatic transitions for ever"
        return (Finding("never-settles", message, run, lasso),)
    return (Finding("chatter", "the logic can go round automatic transitions for ever", run, lasso),)


def _go_round(space: Space[S], trace: Trace, members: S) -> tuple[Trace, int]:
    """The run prolonged through the members until a state comes back, and where the round begins."""
    run = list(trace.steps)
    state: State = trace.end
    places = {state: len(run)}
    while True:
        step = next(s for s in reactions(space.system, state) if space.contains(members, s.after))
        run.append(step)
        state = step.after
        if state in places:
            return Trace(trace.start, tuple(run)), places[state]
        places[state] = len(run)
