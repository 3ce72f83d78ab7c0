"""Running a scenario: every order of reaction is followed, and a step is good when it works in all of them."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Literal

from safetymodel.model.formula import Formula
from safetymodel.model.state import State, initial_state
from safetymodel.model.step import can_move, choices, holds, jumped, may_strike, moved, reactions, ticked
from safetymodel.model.system import Fault, Scenario, ScenarioStep, System
from safetymodel.span import Span
from safetymodel.traces.blocked import why_blocked
from safetymodel.traces.truth import truth_lines
from safetymodel.traces.wording import counted, formula_text, move_text, state_text, ticks_text

MOST_STATES = 20_000
"""How many possible states a scenario follows at once."""

MOST_TICKS = 100_000
"""How long a wait is followed, in ticks."""

Word = Literal["ok", "failed", "not run"]


@dataclass(frozen=True, slots=True)
class StepOutcome:
    """What came of one step: ``said`` tells why it failed, in lines."""

    text: str
    span: Span
    word: Word
    said: tuple[str, ...] = ()

    @property
    def ok(self) -> bool:
        return self.word == "ok"


@dataclass(frozen=True, slots=True)
class ScenarioResult:
    """``steps`` has every step of the scenario, and ``ends_with`` as a last one where there is one."""

    scenario: Scenario
    steps: tuple[StepOutcome, ...]

    @property
    def ok(self) -> bool:
        return all(step.ok for step in self.steps)


class CannotFollow(Exception):
    """A step does not work in every possible state. Its arguments are the lines that say why."""


@dataclass(frozen=True, slots=True)
class _Here:
    """The possible settled states, in the order in which they were found, and the faults so far."""

    states: tuple[State, ...]
    faults: int = 0


def run_scenario(system: System, scenario: Scenario) -> ScenarioResult:
    """Follow the scenario through every order of reaction. After a step that fails, none is run."""
    outcomes: list[StepOutcome] = []
    steps = [(f"{step.text}", step.span, _follower(system, step)) for step in scenario.steps]
    if scenario.ends_with is not None:
        ends = scenario.ends_with
        text = f"ends with {formula_text(system, ends)}"
        steps.append((text, scenario.span, lambda here: _check(system, here, ends)))
    here: _Here | None
    try:
        here = _Here(settled_from(system, [initial_state(system)]))
    except CannotFollow as failed:
        outcomes.append(StepOutcome("the start", scenario.span, "failed", failed.args))
        here = None
    for text, span, follow in steps:
        if here is None:
            outcomes.append(StepOutcome(text, span, "not run"))
            continue
        try:
            here = follow(here)
            outcomes.append(StepOutcome(text, span, "ok"))
        except CannotFollow as failed:
            outcomes.append(StepOutcome(text, span, "failed", failed.args))
            here = None
    return ScenarioResult(scenario, tuple(outcomes))


def _follower(system: System, step: ScenarioStep) -> Callable[[_Here], _Here]:
    match step.kind:
        case "event":
            return lambda here: _event(system, here, step.number)
        case "blocked":
            return lambda here: _blocked(system, here, step.number)
        case "fault":
            return lambda here: _fault(system, here, system.faults[step.number])
        case "wait":
            return lambda here: _wait(system, here, step.number)
        case "check":
            assert step.formula is not None
            formula = step.formula
            return lambda here: _check(system, here, formula)


def _event(system: System, here: _Here, number: int) -> _Here:
    event = system.events[number]
    landed: list[State] = []
    refused: list[State] = []
    for state in here.states:
        ways = choices(system, state, event)
        landed.extend(moved(state, taken) for taken in ways)
        if not ways:
            refused.append(state)
    if refused:
        blocked = _only_in(here, refused, f"{event.name} is blocked")
        raise CannotFollow(*blocked, *why_blocked(system, refused[0], event))
    return _Here(settled_from(system, landed), here.faults)


def _blocked(system: System, here: _Here, number: int) -> _Here:
    event = system.events[number]
    movable = [state for state in here.states if choices(system, state, event)]
    if movable:
        able = next(
            system.transitions[t]
            for _, ways in event.movers
            for t in ways
            if can_move(system, movable[0], system.transitions[t])
        )
        moves = f"it moves {move_text(system, able)} ({able.span.short})"
        raise CannotFollow(*_only_in(here, movable, f"{event.name} is not blocked"), moves)
    return here


def _fault(system: System, here: _Here, fault: Fault) -> _Here:
    faults = here.faults + 1
    struck = [s for s in here.states if may_strike(system, s, fault.number, faults)]
    if len(struck) == len(here.states):
        raised = [state._replace(flags=state.flags | 1 << fault.number) for state in struck]
        return _Here(settled_from(system, raised), faults)
    if fault.kind != "jump" or not all(s.flags >> fault.number & 1 for s in here.states):
        up = all(s.flags >> fault.number & 1 for s in here.states)
        raise CannotFollow(
            f"{fault.name} is there already"
            if up
            else f"{fault.name} cannot strike: another fault holds the same signal already"
        )
    still = [s for s in here.states if s.states[fault.subject] != fault.state]
    if still:
        names = system.subsystems[fault.subject].states
        assert fault.state is not None
        why = f"{state_text(system, still[0], fault.subject)}, and it jumps from {names[fault.state]} only"
        raise CannotFollow(*_only_in(here, still, f"{fault.name} moves nothing"), why)
    return _Here(settled_from(system, [jumped(s, fault.subject, fault.target) for s in here.states]), here.faults)


def _wait(system: System, here: _Here, ticks: int) -> _Here:
    if system.tick is None:
        raise CannotFollow("the model has no durations, so time makes no difference in it")
    states = _in_windows(system, here.states)
    for passed in range(ticks):
        if passed == MOST_TICKS:
            long = f"{ticks_text(system, ticks)} are {ticks:,} ticks"
            raise CannotFollow(f"{long}, more than the {MOST_TICKS:,} followed")
        later = _in_windows(system, settled_from(system, [ticked(system, state) for state in states]))
        if later == states:
            break
        states = later
    return _Here(states, here.faults)


def _in_windows(system: System, states: tuple[State, ...]) -> tuple[State, ...]:
    """The states, and those that moves in their windows of time lead to without any time passing."""
    seen = dict.fromkeys(states)
    frontier = list(states)
    timed = [t for t in system.transitions if t.event is None and t.earliest < t.latest]
    while frontier:
        landed = [
            moved(state, (t,))
            for state in frontier
            for t in timed
            if t.earliest <= state.clocks[t.subsystem] < t.latest and can_move(system, state, t)
        ]
        frontier = [state for state in settled_from(system, landed) if state not in seen] if landed else []
        seen.update(dict.fromkeys(frontier))
        _bounded(len(seen))
    return tuple(seen)


def _check(system: System, here: _Here, formula: Formula) -> _Here:
    false = [state for state in here.states if not holds(system, state, formula)]
    if false:
        lines = truth_lines(system, false[0], formula)
        told = [f"{'  ' * line.depth}{line.text}" for line in lines]
        raise CannotFollow(*_only_in(here, false, f"{formula_text(system, formula)} is false"), *told)
    return here


def _only_in(here: _Here, some: list[State], what: str) -> tuple[str, ...]:
    """The failure, with the share of possible states that it is true of."""
    if len(some) == len(here.states):
        return (what,)
    return (
        f"{what} in {len(some):,} of {counted(len(here.states), 'possible state')}: it depends on the order of "
        "reaction or on the moment of a move in its window of time",
    )


def settled_from(system: System, states: Iterable[State]) -> tuple[State, ...]:
    """Every settled state that reactions lead to from these, in the order found.

    Raises CannotFollow where the logic can go round for ever, or where there are too many.
    """
    settled: dict[State, None] = {}
    followers: dict[State, tuple[State, ...]] = {}
    stack = list(dict.fromkeys(states))[::-1]
    while stack:
        state = stack.pop()
        if state in settled or state in followers:
            continue
        nexts = tuple(step.after for step in reactions(system, state))
        if not nexts:
            settled[state] = None
            _bounded(len(settled))
            continue
        followers[state] = nexts
        _bounded(len(followers))
        stack.extend(reversed(nexts))
    round_and_round = _never_ending(followers)
    if round_and_round is not None:
        moving = [
            state_text(system, round_and_round, t.subsystem)
            for step in reactions(system, round_and_round)
            for t in (system.transitions[step.number],)
        ]
        raise CannotFollow(f"the logic can go round automatic transitions for ever, for example where {moving[0]}")
    return tuple(settled)


def _never_ending(followers: dict[State, tuple[State, ...]]) -> State | None:
    """A transient state from which reactions need not end; None where all end."""
    waiting = {state: sum(n in followers for n in set(nexts)) for state, nexts in followers.items()}
    leading: dict[State, list[State]] = {}
    for state, nexts in followers.items():
        for following in set(nexts):
            leading.setdefault(following, []).append(state)
    done = [state for state, count in waiting.items() if not count]
    ended = 0
    while done:
        ended += 1
        for state in leading.get(done.pop(), ()):
            waiting[state] -= 1
            if not waiting[state]:
                done.append(state)
    if ended == len(waiting):
        return None
    return next(state for state, count in waiting.items() if count)


def _bounded(count: int) -> None:
    if count > MOST_STATES:
        raise CannotFollow(f"more than {MOST_STATES:,} states are possible here, too many to follow")
