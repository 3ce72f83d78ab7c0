"""Why something cannot happen: the false parts of a transition's conditions, in words with their place."""

from __future__ import annotations

from collections.abc import Iterable

from safetymodel.claims.verdict import Attempt
from safetymodel.model.able import conditions_of, event_possible
from safetymodel.model.facts import deciding_facts
from safetymodel.model.formula import AllOf, AnyOf, Defined, Formula, HowMany, InState, Not, SignalTrue
from safetymodel.model.state import State
from safetymodel.model.step import can_move, evaluate, holds, is_stuck, readings
from safetymodel.model.system import Event, System, Transition
from safetymodel.traces.fold import folded
from safetymodel.traces.truth import Signals, fact_text
from safetymodel.traces.wording import and_list, formula_text, move_text, short_name, ticks_text, transition_text


def missing_parts(state: State, signals: Signals, formula: Formula, wanted: bool = True) -> tuple[Formula, ...]:
    """The smallest parts of a formula that all have to become true to give it the wanted truth; empty
    where it has it. A choice (``or``) is one part, since any branch of it would do."""
    if evaluate(formula, state, signals) == wanted:
        return ()
    match formula:
        case Not(part):
            return missing_parts(state, signals, part, not wanted)
        case AllOf(parts) if wanted:
            return tuple(p for part in parts for p in missing_parts(state, signals, part))
        case AnyOf(parts) if not wanted:
            return tuple(p for part in parts for p in missing_parts(state, signals, part, False))
        case _:
            return (formula if wanted else Not(formula),)


def needs_text(system: System, state: State, signals: Signals, formula: Formula) -> tuple[str, ...]:
    """``inner_shut, but it reads false (inner_door is open)`` for each missing part of a formula."""
    return tuple(
        f"{formula_text(system, part)}, but {_instead(system, state, signals, part)}"
        for part in dict.fromkeys(missing_parts(state, signals, formula))
    )


def _instead(system: System, state: State, signals: Signals, part: Formula) -> str:
    inner = part.part if isinstance(part, Not) else part
    if isinstance(inner, SignalTrue):
        fact = fact_text(system, state, signals, inner)
        name = system.signals[inner.signal].name
        return fact.replace(f"{name} reads", "it reads", 1)
    if isinstance(inner, Defined):
        wanted = not isinstance(part, Not)
        missing = missing_parts(state, signals, inner.body, wanted)
        return and_list(list(dict.fromkeys(fact_text(system, state, signals, m) for m in missing)))
    return fact_text(system, state, signals, inner)


def holding_fault(system: System, state: State, subsystem: int) -> str:
    """The name of the fault that keeps a subsystem in its state; empty where none does."""
    for fault in system.faults:
        if (
            fault.kind == "stuck"
            and fault.subject == subsystem
            and state.flags >> fault.number & 1
            and fault.state in (None, state.states[subsystem])
        ):
            return fault.name
    return ""


def obstacles(system: System, state: State, transition: Transition) -> tuple[str, ...]:
    """What keeps a transition from firing in this state, apart from its event; empty where nothing does."""
    this = system.subsystems[transition.subsystem]
    now = state.states[this.number]
    if now != transition.source:
        return (f"{this.name} is {this.states[now]}, not {this.states[transition.source]}",)
    found: list[str] = []
    if is_stuck(system, state, this.number):
        fault = holding_fault(system, state, this.number)
        found.append(f"is prevented: {this.name} cannot leave {this.states[now]} (held by {fault})")
    signals = readings(system, state)
    found.extend(f"needs {text}" for text in needs_text(system, state, signals, transition.interlock))
    found.extend(f"needs physically {text}" for text in needs_text(system, state, signals, transition.physical))
    clock = state.clocks[this.number]
    if transition.event is None and clock < transition.earliest:
        found.append(f"needs {ticks_text(system, transition.earliest - clock)} more in {this.states[now]}")
    return tuple(found)


def obstacle_text(system: System, state: State, transition: Transition) -> str:
    """The move, what keeps it from firing, and the place in the spec; empty where nothing does."""
    found = obstacles(system, state, transition)
    if not found:
        return ""
    return f"{move_text(system, transition)} {'; '.join(found)} ({transition.span.short})"


def why_blocked(system: System, state: State, event: Event) -> tuple[str, ...]:
    """Why an event would move nobody in a settled state, a line for each transition on it from where
    its subsystems are now; empty where it is not blocked."""
    reasons: list[str] = []
    able = False
    for number, transitions in event.movers:
        ways = [system.transitions[t] for t in transitions]
        if any(can_move(system, state, t) for t in ways):
            able = True
            continue
        here = [t for t in ways if t.source == state.states[number]]
        if here:
            reasons.extend(obstacle_text(system, state, t) for t in here)
        else:
            reasons.append(_elsewhere(system, state, number, ways))
    if able and not event.joint:
        return ()
    reasons = list(dict.fromkeys(reasons))
    if event.joint and reasons:
        reasons[-1] += f"; {event.name} is joint, so every partner has to move"
    if not event.movers:
        reasons.append(f"no transition waits for {event.name} ({event.span.short})")
    return tuple(reasons)


def facts_text(system: System, state: State, formula: Formula) -> tuple[str, ...]:
    """A smallest set of facts that gives the formula its truth in the state, each in words."""
    signals = readings(system, state)
    return tuple(fact_text(system, state, signals, fact) for fact in deciding_facts(system, state, formula))


def enough_to_block(system: System, state: State, event: Event) -> str:
    """The smallest set of facts that blocks an event in a settled state: while they last, nothing else matters. Empty
    where the event is not blocked, or never can move anything."""
    possible = event_possible(system, event)
    if holds(system, state, possible):
        return ""
    facts = facts_text(system, state, possible)
    if not facts:
        return ""
    return f"{'this alone blocks it' if len(facts) == 1 else 'together these block it'}: {and_list(list(facts))}"


def why_reacts(system: System, state: State, transition: Transition) -> str:
    """The smallest set of facts that keeps an automatic transition from firing, or that forces it; time apart."""
    formula = conditions_of(system, transition)
    facts = and_list(list(facts_text(system, state, formula))) or "nothing, it has no condition"
    forced = holds(system, state, formula)
    now = state.clocks[transition.subsystem]
    if forced and now < transition.latest:
        left = ticks_text(system, transition.latest - now)
        sooner = "at the latest " if transition.earliest < transition.latest else ""
        return f"will be forced {sooner}in {left}; till then it depends on: {facts}"
    return f"is forced by: {facts}" if forced else f"is kept back by: {facts}"


def _elsewhere(system: System, state: State, number: int, ways: Iterable[Transition]) -> str:
    """``outer_door is open, not closed``."""
    this = system.subsystems[number]
    listed = list(ways)
    sources = list(dict.fromkeys(this.states[t.source] for t in listed))
    places = list(dict.fromkeys(t.span.short for t in listed))
    more = f" and {len(places) - 1} more" if len(places) > 1 else ""
    return f"{this.name} is {this.states[state.states[number]]}, not {and_list(sources, 'or')} ({places[0]}{more})"


MOST_WAYS = 8


def what_keeps(system: System, state: State, formula: Formula) -> tuple[str, ...]:
    """What stands between a state and a formula that is false in it: for each mention of a state that
    is missing, the transitions into it from where its subsystem is, and what keeps them."""
    signals = readings(system, state)
    lines: list[str] = []
    for mention in _wanted_states(system, state, signals, formula):
        if evaluate(mention, state, signals):
            continue
        this = system.subsystems[mention.subsystem]
        now = state.states[this.number]
        wanted = [
            system.transitions[n]
            for n in this.transitions
            if (system.transitions[n].target in mention.states) != mention.negated
        ]
        here = [t for t in wanted if t.source == now]
        for t in here:
            blocked = obstacle_text(system, state, t)
            waits = f" on {system.events[t.event].name}" if t.event is not None else ""
            lines.append(blocked or f"{move_text(system, t)}{waits} is not blocked itself ({t.span.short})")
        if not here:
            lines.append(_far_away(system, state, mention))
    shown = list(dict.fromkeys(lines))
    if len(shown) > MOST_WAYS:
        shown = [*shown[:MOST_WAYS], f"and {len(shown) - MOST_WAYS} more"]
    return tuple(shown)


def _far_away(system: System, state: State, mention: InState) -> str:
    """That no single transition leads to what is wanted, which way does, and where a fault ends it."""
    this = system.subsystems[mention.subsystem]
    now = this.states[state.states[this.number]]
    wanted = formula_text(system, mention).split(" is ", 1)[1]
    text = f"{this.name} is {now}: no transition leads from there to {wanted}"
    way = _way(system, state.states[this.number], mention)
    if not way:
        return text
    text += f" in one step; the way is {' -> '.join(this.states[s] for s in way)}"
    for source in way[:-1]:
        there = (*state.states[: this.number], source, *state.states[this.number + 1 :])
        fault = holding_fault(system, state._replace(states=there), this.number)
        if fault:
            return f"{text}, and it cannot leave {this.states[source]} (held by {fault})"
    return text


def _way(system: System, start: int, mention: InState) -> tuple[int, ...]:
    """The fewest states of a subsystem from one to a wanted one; empty where no transitions lead there."""
    ways: dict[int, tuple[int, ...]] = {start: (start,)}
    frontier = [start]
    for source in frontier:
        for number in system.subsystems[mention.subsystem].transitions:
            transition = system.transitions[number]
            if transition.source == source and transition.target not in ways:
                ways[transition.target] = (*ways[source], transition.target)
                if (transition.target in mention.states) != mention.negated:
                    return ways[transition.target]
                frontier.append(transition.target)
    return ()


def _wanted_states(system: System, state: State, signals: Signals, formula: Formula) -> tuple[InState, ...]:
    """The state mentions of the missing parts, as they have to become true; signals by what they read."""
    found: list[InState] = []
    stack: list[tuple[Formula, bool]] = [(part, True) for part in reversed(missing_parts(state, signals, formula))]
    while stack:
        node, wanted = stack.pop()
        if evaluate(node, state, signals) == wanted:
            continue
        match node:
            case InState(subsystem, states, negated):
                found.append(InState(subsystem, states, negated == wanted))
            case SignalTrue(signal):
                stack.append((system.signals[signal].reads, wanted))
            case Not(part):
                stack.append((part, not wanted))
            case Defined(_, body):
                stack.append((body, wanted))
            case AllOf(parts) | AnyOf(parts):
                stack.extend((part, wanted) for part in reversed(parts))
            case HowMany(least, _, members, _):
                short = (sum(evaluate(m, state, signals) for m in members) < least) == wanted
                stack.extend((member, short) for member in reversed(members))
            case _:
                pass
    return tuple(dict.fromkeys(found))


def attempt_words(system: System, attempt: Attempt) -> str:
    """Where one gets nearest to what should be possible, and what is false there."""
    transition = system.transitions[attempt.transition]
    state = attempt.trace.end
    names = [short_name(system, group.step, group.ticks) for group in folded(attempt.trace) if group.step]
    way = f"after {', '.join(names)}" if names else "at the start"
    text = f"{way}: {transition_text(system, transition)}"
    found = obstacles(system, state, transition)
    if found:
        return f"{text} {'; '.join(found)} ({transition.span.short})"
    return f"{text} can fire there, but not all of what should be possible is true after it ({transition.span.short})"
