"""A model stepped by hand: what can happen, what is blocked, and the way so far. Nothing is printed here."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from safetymodel.claims.verdict import Trace
from safetymodel.model.formula import Formula
from safetymodel.model.state import State, initial_state
from safetymodel.model.step import Step, happenings, holds, is_settled, reactions, ticked
from safetymodel.model.system import Event, Requirement, Subsystem, System
from safetymodel.traces.blocked import enough_to_block, why_blocked, why_reacts
from safetymodel.traces.fold import folded
from safetymodel.traces.scenarios import MOST_TICKS, CannotFollow, settled_from
from safetymodel.traces.wording import change_texts, move_text, step_text


@dataclass(frozen=True, slots=True)
class Option:
    """Something that can happen now: its number from 1, the step, who does what, what it would change."""

    number: int
    step: Step
    text: str
    changes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Move:
    """What one choice of the user brought: the state before it, and the steps taken."""

    before: State
    steps: tuple[Step, ...]


@dataclass(frozen=True)
class Session:
    """The model, how many faults may strike, and the moves so far (the first is the settling at the start)."""

    system: System
    budget: int
    moves: tuple[Move, ...]
    _options: list[tuple[Option, ...]] = field(default_factory=list, compare=False, repr=False)

    @property
    def state(self) -> State:
        last = self.moves[-1]
        return last.steps[-1].after if last.steps else last.before

    @property
    def settled(self) -> bool:
        return is_settled(self.system, self.state)

    @property
    def trace(self) -> Trace:
        """The whole run so far."""
        return Trace(self.moves[0].before, tuple(step for move in self.moves for step in move.steps))

    @property
    def options(self) -> tuple[Option, ...]:
        """All that can happen now; in a state that has not settled, the reactions that are due."""
        if not self._options:
            state, system = self.state, self.system
            offered = happenings(system, state, self.budget) if self.settled else reactions(system, state)
            useful = [s for s in offered if s.kind != "tick" or s.after != state]
            self._options.append(
                tuple(
                    Option(n, step, step_text(system, step, state), change_texts(system, state, step.after))
                    for n, step in enumerate(useful, 1)
                )
            )
        return self._options[0]

    @property
    def blocked(self) -> tuple[Event, ...]:
        """The events that would move nothing now."""
        able = {option.step.number for option in self.options if option.step.kind == "event"}
        return tuple(event for event in self.system.events if event.number not in able) if self.settled else ()

    def is_at_hand(self, event: Event) -> bool:
        """Whether some subsystem is where a transition on the event begins, so that only a condition,
        a partner or a fault is in its way."""
        states = self.state.states
        ways = [self.system.transitions[t] for _, numbers in event.movers for t in numbers]
        return any(states[t.subsystem] == t.source for t in ways)

    def take(self, number: int) -> Session:
        """The session after the option of that number, which must be one of them, and its reactions."""
        step = self.options[number - 1].step
        return self._after(Move(self.state, (step, *reacted(self.system, step.after))))

    def wait(self, ticks: int) -> Session:
        """The session after so many ticks and the reactions meanwhile, as one choice; the same where
        time changes nothing. It ends early where more time changes nothing, where an order of
        reactions has to be chosen, and after ``MOST_TICKS`` ticks."""
        state = self.state
        taken: list[Step] = []
        for _ in range(min(ticks, MOST_TICKS)):
            after = ticked(self.system, state)
            if after == state or not is_settled(self.system, state):
                break
            tick = Step("tick", 0, (), after)
            reactions_then = reacted(self.system, after)
            taken += [tick, *reactions_then]
            state = taken[-1].after
        return self._after(Move(self.state, tuple(taken))) if taken else self

    def undo(self) -> Session:
        """The session before the latest choice; the same where there is none."""
        return replace(self, moves=self.moves[:-1], _options=[]) if len(self.moves) > 1 else self

    def restart(self) -> Session:
        return begin(self.system, self.budget)

    def _after(self, move: Move) -> Session:
        return replace(self, moves=(*self.moves, move), _options=[])


def begin(system: System, budget: int) -> Session:
    """A session at the initial state, settled as far as no order has to be chosen."""
    start = initial_state(system)
    return Session(system, budget, (Move(start, reacted(system, start)),))


def reacted(system: System, state: State) -> tuple[Step, ...]:
    """The reactions from a state, as far as their order makes no difference to where it settles; none
    where the logic can go round for ever."""
    try:
        ends = settled_from(system, [state])
    except CannotFollow:
        return ()
    taken: list[Step] = []
    while due := tuple(reactions(system, state)):
        if len(due) > 1 and len(ends) > 1:
            break
        taken.append(due[0])
        state = due[0].after
    return tuple(taken)


def told_of(system: System, move: Move) -> tuple[str, ...]:
    """What a move brought, in lines: the happening, what it changed, and the reactions."""
    lines: list[str] = []
    for group in folded(Trace(move.before, move.steps)):
        state = group.landed
        if group.step is not None:
            lines.append(step_text(system, group.step, group.before, group.ticks))
            lines.extend(f"    {text}" for text in change_texts(system, group.before, group.landed))
        for reaction in group.reactions:
            place = system.transitions[reaction.number].span.short
            lines.append(f"    then {step_text(system, reaction, state)}  ({place})")
            state = reaction.after
    return tuple(lines)


def why(session: Session, event: Event) -> tuple[str, ...]:
    """Why an event is blocked now; empty where it is not."""
    return why_blocked(session.system, session.state, event)


def enough(session: Session, event: Event) -> str:
    """The smallest set of facts that blocks an event now; empty where it is not blocked."""
    return enough_to_block(session.system, session.state, event)


def why_there(session: Session, subsystem: Subsystem) -> tuple[str, ...]:
    """Why a subsystem is where it is: how it came there last, and what keeps back or forces each of its automatic
    transitions; a line each."""
    system, state = session.system, session.state
    now = state.states[subsystem.number]
    lines = [f"{subsystem.name} is {subsystem.states[now]}"]
    before, latest = session.moves[0].before, None
    for step in session.trace.steps:
        if any(system.transitions[n].subsystem == subsystem.number for n in step.moved):
            latest = (before, step)
        before = step.after
    if latest is None:
        lines[0] += ", as at the start"
    elif latest[1].kind == "reaction":
        taken = system.transitions[latest[1].number]
        lines.append(f"{move_text(system, taken)} {_was(why_reacts(system, latest[0], taken))} ({taken.span.short})")
    else:
        lines.append(f"it came there when {step_text(system, latest[1], latest[0])}")
    for number in subsystem.transitions:
        t = system.transitions[number]
        if t.source == now and t.event is None:
            lines.append(f"{move_text(system, t)} {why_reacts(system, state, t)} ({t.span.short})")
    return tuple(lines)


def _was(text: str) -> str:
    return text.replace("is forced by", "was forced by", 1)


def breaches(session: Session) -> tuple[Requirement, ...]:
    """The ``never``, ``always`` and ``within: reaction`` requirements that are broken in this settled
    state, as far as one state can tell (those that are watched only at times are left out)."""
    if not session.settled:
        return ()
    found = []
    for requirement in session.system.requirements:
        if requirement.begins is None and _breaks(session, requirement):
            found.append(requirement)
    return tuple(found)


def _breaks(session: Session, requirement: Requirement) -> bool:
    def true(formula: Formula) -> bool:
        return holds(session.system, session.state, formula)

    match requirement.form:
        case "never":
            return true(requirement.subject)
        case "always":
            return not true(requirement.subject)
        case "cause" if requirement.within is None and requirement.effect is not None:
            return true(requirement.subject) and not true(requirement.effect)
        case _:
            return False
