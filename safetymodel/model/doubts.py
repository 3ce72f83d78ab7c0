"""Warnings: what a spec may say, and its writer probably did not mean."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from itertools import combinations

from safetymodel.model.formula import (
    TRUE,
    AllOf,
    Defined,
    Formula,
    HowMany,
    InState,
    Not,
    SignalTrue,
    parts_of,
)
from safetymodel.model.system import Subsystem, System, Transition
from safetymodel.problems import Problem
from safetymodel.span import Span
from safetymodel.spec.description import Description, SubsystemText

MOST_DEMANDS = 60

Doubt = Callable[[System, Description], Iterator[Problem]]


def doubts(system: System, description: Description) -> tuple[Problem, ...]:
    """Every warning about a system that has no errors."""
    return tuple(problem for rule in DOUBTS for problem in rule(system, description))


def _warning(description: Description, slug: str, span: Span, message: str, hint: str = "", *others: Span) -> Problem:
    return description.source.problem(slug, span, message, hint, severity="warning", others=others)


def _nodes(formulas: Iterable[Formula]) -> Iterator[Formula]:
    """Every node in some formulas of a system; one that several of them share comes once."""
    stack = list(formulas)
    seen = set()
    while stack:
        node = stack.pop()
        if id(node) not in seen:  # the system keeps it alive
            seen.add(id(node))
            yield node
            stack.extend(parts_of(node))


def _conditions(transition: Transition) -> tuple[Formula, Formula]:
    return transition.interlock, transition.physical


def ambiguous(system: System, description: Description) -> Iterator[Problem]:
    """Two transitions of one subsystem on the same event from the same state."""
    for _, subsystem in _first_of_each(system, description):
        by_start: dict[tuple[int, int], list[Transition]] = {}
        for number in subsystem.transitions:
            t = system.transitions[number]
            if t.event is not None:
                by_start.setdefault((t.source, t.event), []).append(t)
        for (state, event), found in by_start.items():
            for one, other in combinations(found[:20], 2):
                if exclusive(one, other):
                    continue
                message = (
                    f"{subsystem.name} has two transitions from {subsystem.states[state]} on "
                    f"{system.events[event].name} that may both be possible: either is taken"
                )
                hint = "give them conditions that cannot both be true, or leave one out"
                yield _warning(description, "ambiguous", other.span, message, hint, one.span)


def exclusive(one: Transition, other: Transition) -> bool:
    """Whether the conditions visibly contradict each other: a part of one denies a part of the other."""
    mine, theirs = list(_demands(one)), list(_demands(other))
    return any(_deny(a, b) for a in mine for b in theirs)


def _demands(transition: Transition) -> Iterator[Formula]:
    """What a transition needs to be true, each on its own; only the first of very many."""
    waiting = list(_conditions(transition))
    seen: set[int] = set()
    for node in waiting:  # grows while it is read
        if id(node) in seen or len(seen) >= MOST_DEMANDS:
            continue
        seen.add(id(node))
        if isinstance(node, AllOf):
            waiting.extend(node.parts)
            continue
        yield node
        if isinstance(node, Defined):
            waiting.append(node.body)


def _deny(a: Formula, b: Formula) -> bool:
    if Not(a) == b or Not(b) == a:
        return True
    if isinstance(a, InState) and isinstance(b, InState) and a.subsystem == b.subsystem:
        if a.negated and b.negated:
            return False
        if a.negated or b.negated:
            here, out = (b, a) if a.negated else (a, b)
            return set(here.states) <= set(out.states)
        return not set(a.states) & set(b.states)
    return False


def reads_directly(system: System, description: Description) -> Iterator[Problem]:
    """An `if` that reads a physical subsystem without a signal between: no switch can fail there."""
    places: dict[tuple[str, str], dict[Span, None]] = {}
    roles: dict[str, str | None] = {}
    logic = [system.transitions[n] for _, first in _first_of_each(system, description) for n in first.transitions]
    for t in logic:
        owner = system.subsystems[t.subsystem]
        for node in _nodes([t.interlock]):
            members = node.members if isinstance(node, HowMany) else (node,)
            for member in members:
                if not isinstance(member, InState) or member.subsystem == t.subsystem:
                    continue
                read = system.subsystems[member.subsystem]
                if read.role != "control":
                    names = owner.family or owner.name, read.family or read.name
                    places.setdefault(names, {})[t.span] = None
                    roles[names[1]] = read.role
    for (reader, read_name), spans in places.items():
        first, *others = spans
        hint = "no switch can fail there: declare a signal that reads it, or `role: control`"
        if roles[read_name] == "actuator":
            hint += f"; if {read_name} drives {reader} (a contactor its motor), write it as `physically`"
        message = f"the logic of {reader} reads {read_name} directly"
        yield _warning(description, "reads-directly", first, message, hint, *others)


def _all_formulas(system: System) -> Iterator[Formula]:
    for t in system.transitions:
        yield from _conditions(t)
    for r in system.requirements:
        yield from r.formulas
    yield from (function.active for function in system.functions)
    for scenario in system.scenarios:
        yield from (step.formula for step in scenario.steps if step.formula is not None)
        if scenario.ends_with is not None:
            yield scenario.ends_with


def unused(system: System, description: Description) -> Iterator[Problem]:
    """Declared and never mentioned: signals, conditions, events, hazards."""
    shown = (indication for fault in system.faults for indication in fault.indications)
    formulas = [*_all_formulas(system), *(s.reads for s in system.signals), *shown]
    used_signals, used_conditions = set(), set()
    for node in _nodes(formulas):
        if isinstance(node, SignalTrue):
            used_signals.add(node.signal)
        elif isinstance(node, Defined):
            used_conditions.add(node.name)
    faulty = {f.subject for f in system.faults if f.kind == "signal"}
    for signal in system.signals:
        if signal.number not in used_signals:
            more = ", and its faults do nothing" if signal.number in faulty else ""
            message = f"nothing reads the signal {signal.name}{more}"
            yield _warning(description, "unused-signal", signal.span, message, "use it or remove it")
    for condition in description.conditions:
        if condition.name.text not in used_conditions:
            message = f"nothing uses the condition {condition.name.text}"
            yield _warning(description, "unused-condition", condition.name.span, message, "use it or remove it")
    seen = set()
    for event in system.events:
        if not event.movers and event.span not in seen:
            seen.add(event.span)
            message = f"no transition is on the event {event.name}"
            yield _warning(description, "unused-event", event.span, message, "use it or remove it")
    named = {hazard for requirement in system.requirements for hazard in requirement.hazards}
    for hazard in system.hazards:
        if hazard.name not in named:
            message = f"no requirement names the hazard {hazard.name}"
            yield _warning(description, "unused-hazard", hazard.span, message, "write a requirement against it")


def unentered(system: System, description: Description) -> Iterator[Problem]:
    """A state that nothing leads to."""
    for text, subsystem in _first_of_each(system, description):
        entered = {system.transitions[n].target for n in subsystem.transitions} | {subsystem.initial}
        names = {s.number for s in system.subsystems if (s.family or s.name) == (subsystem.family or subsystem.name)}
        entered |= {f.target for f in system.faults if f.kind == "jump" and f.subject in names}
        for number, state in enumerate(text.states):
            if number not in entered:
                message = f"nothing leads to the state {state.text} of {text.name.text}"
                hint = "add a transition to it, or remove it"
                yield _warning(description, "unentered-state", state.span, message, hint)


def _first_of_each(system: System, description: Description) -> Iterator[tuple[SubsystemText, Subsystem]]:
    first: dict[str, Subsystem] = {}
    for subsystem in system.subsystems:
        first.setdefault(subsystem.family or subsystem.name, subsystem)
    for text in description.subsystems:
        yield text, first[text.name.text]


def few_faults(system: System, description: Description) -> Iterator[Problem]:
    """A requirement that withstands more faults than there are."""
    for requirement in system.requirements:
        if requirement.withstand > len(system.faults):
            count = len(system.faults)
            declared = "none is" if not count else "only 1 is" if count == 1 else f"only {count} are"
            asked = f"{requirement.withstand} fault" + ("s" if requirement.withstand > 1 else "")
            message = f"{requirement.name} is to withstand {asked}, and {declared} declared"
            hint = "declare the faults that it must survive"
            yield _warning(description, "few-faults", requirement.span, message, hint)


def joint_alone(system: System, description: Description) -> Iterator[Problem]:
    """A joint event that one subsystem names: there is nobody to wait for."""
    seen = set()
    for event in system.events:
        if event.joint and len(event.movers) == 1 and event.span not in seen:
            seen.add(event.span)
            (mover, _), *_ = event.movers
            message = f"{event.name} is joint, and only {system.subsystems[mover].name} names it"
            hint = "name it in another subsystem, or leave out `joint`"
            yield _warning(description, "joint-alone", event.span, message, hint)


def time_already_over(system: System, description: Description) -> Iterator[Problem]:
    """A movement that takes time from a state in which the subsystem may rest: the rest counts as time of it."""
    for _, subsystem in _first_of_each(system, description):
        own = [system.transitions[number] for number in subsystem.transitions]
        # left of itself when it does not move, or entered again as it begins to
        begins_anew = {t.source for t in own if (t.event is None and not t.latest) or t.source == t.target}
        for t in own:
            if t.event is not None or not t.latest or t.source in begins_anew or t.physical == TRUE:
                continue
            state = subsystem.states[t.source]
            message = (
                f"the time of {subsystem.name}: {state} -> {subsystem.states[t.target]} counts from when {state} is "
                "entered, also while `physically` is false: it may be over before that becomes true"
            )
            hint = f"give what takes the time a state of its own, entered from {state} when it begins"
            yield _warning(description, "time-already-over", t.span, message, hint)


def idle_tick(system: System, description: Description) -> Iterator[Problem]:
    """A tick where nothing takes time."""
    if description.tick is not None and system.tick is None:
        message = "the tick has no effect: the spec has no duration"
        yield _warning(description, "unused-tick", description.tick.span, message, "remove it, or give durations")


DOUBTS: tuple[Doubt, ...] = (
    ambiguous,
    reads_directly,
    unused,
    unentered,
    few_faults,
    joint_alone,
    time_already_over,
    idle_tick,
)
