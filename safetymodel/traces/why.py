"""Why a requirement is broken at the end of its trace: each form in its own words."""

from __future__ import annotations

from dataclasses import replace

from safetymodel.claims.verdict import Judgement, Trace
from safetymodel.claims.watch import lasting
from safetymodel.model.able import conditions_of
from safetymodel.model.formula import TRUE, Formula
from safetymodel.model.state import State, initial_state
from safetymodel.model.step import Step, due, happenings, holds, is_settled
from safetymodel.model.system import Requirement, System, Transition
from safetymodel.traces.blocked import attempt_words, enough_to_block, facts_text, what_keeps, why_blocked
from safetymodel.traces.truth import (
    Line,
    deciding_subsystems,
    false_reading_text,
    false_readings,
    signals_read,
    subsystems_read,
    truth_lines,
)
from safetymodel.traces.wording import (
    and_list,
    event_text,
    formula_text,
    move_text,
    step_text,
    ticks_text,
    transition_text,
)


def why_lines(system: System, judgement: Judgement) -> tuple[Line, ...]:
    """Why the claim is broken at the end of its trace; for a broken ``possible``, what is in the way."""
    if judgement.word != "broken":
        return ()
    trace, requirement = judgement.trace, judgement.requirement
    if trace is None:
        words = judgement.blocked or tuple(attempt_words(system, a) for a in judgement.attempts)
        if not words:
            if holds(system, initial_state(system), requirement.subject):
                return (Line("why", "it is so at the start, but only until the logic has settled"),)
            return (Line("why", "no transition into a state that it asks for is ever at hand"),)
        return (Line("why", "the nearest attempts, and what is in their way:"), *(Line("part", w, 1) for w in words))
    match requirement.form:
        case "never" | "always":
            lines = _invariant(system, requirement, trace)
        case "cause":
            lines = _cause(system, requirement, trace)
        case "permissive":
            lines = _permissive(system, requirement, trace)
        case "start":
            lines = _start(system, requirement, trace)
        case "possible" | "always_possible":
            lines = _trapped(system, requirement, trace)
    return (*lines, *_falsified(system, requirement, trace))


def _states(trace: Trace) -> list[State]:
    return [trace.start, *(step.after for step in trace.steps)]


def _happening_numbers(trace: Trace) -> list[int]:
    """For each state of the trace, the number of the latest happening."""
    numbers = [0]
    for step in trace.steps:
        numbers.append(numbers[-1] + (step.kind != "reaction"))
    return numbers


def _since(system: System, trace: Trace, formula: Formula) -> str:
    """Since when the formula has had the truth that it has at the end."""
    states, numbers = _states(trace), _happening_numbers(trace)
    value = holds(system, states[-1], formula)
    place = len(states) - 1
    while place and holds(system, states[place - 1], formula) == value:
        place -= 1
    if numbers[place]:
        return f"since happening {numbers[place]}"
    return "since the logic settled at the start" if place else "from the start"


def _claim(system: System, trace: Trace, formula: Formula) -> list[Line]:
    """The formula with the truth of its parts at the end of the trace, and since when."""
    return list(truth_lines(system, trace.end, formula, 1, lambda mention: _since(system, trace, mention)))


def _invariant(system: System, requirement: Requirement, trace: Trace) -> list[Line]:
    lines = [Line("why", f"the claim, {requirement.form}: {formula_text(system, requirement.subject)}, is broken:")]
    lines += _claim(system, trace, requirement.subject)
    if requirement.begins is not None:
        lines += _watched(system, requirement, trace)
    blamed = deciding_subsystems(system, trace.end, requirement.subject)
    turn = _turning(system, requirement.subject, trace)
    opened = _watch_opened(system, requirement, trace)
    if len(turn.steps) < opened:  # it was so before, but not watched
        turn = Trace(trace.start, trace.steps[:opened])
    return lines + _unsettled(system, trace) + _bad_step(system, turn, blamed)


def _watch_opened(system: System, requirement: Requirement, trace: Trace) -> int:
    """The place in the run of the settled state since which the requirement has been watched."""
    opened: int | None = None
    for place, state in enumerate(_states(trace)):
        if requirement.begins is None or not is_settled(system, state):
            continue
        if requirement.ends is not None and holds(system, state, requirement.ends):
            opened = None
        elif opened is None and holds(system, state, requirement.begins):
            opened = place
    return opened or 0


def _watched(system: System, requirement: Requirement, trace: Trace) -> list[Line]:
    """Since when the requirement has been watched."""
    assert requirement.begins is not None
    since = _happening_numbers(trace)[_watch_opened(system, requirement, trace)]
    begins = formula_text(system, requirement.begins)
    text = f"it is watched from the start, where {begins} is true"
    if since:
        text = f"it is watched since happening {since}, when {begins} became true"
    if requirement.ends is not None:
        text += f", until {formula_text(system, requirement.ends)}, which has not come since"
    return [Line("why", text)]


def _unsettled(system: System, trace: Trace) -> list[Line]:
    """Says that the trace ends while the logic is still reacting, and what it has yet to do."""
    waiting = due(system, trace.end)
    if not waiting:
        return []
    lines = [Line("why", "this is so for a moment only, while the logic is still reacting; due there:")]
    return lines + [Line("part", transition_text(system, t), 1, place=t.span.short) for t in waiting]


def _turning(system: System, formula: Formula, trace: Trace) -> Trace:
    """The run up to the step that gave the formula the truth that it has at the end; later steps are
    reactions that left it so. No steps where it has been so from the start."""
    value = holds(system, trace.end, formula)
    length = len(trace.steps)
    states = _states(trace)
    while length and holds(system, states[length - 1], formula) == value:
        length -= 1
    return Trace(trace.start, trace.steps[:length])


def _bad_step(system: System, trace: Trace, blamed: tuple[int, ...] = ()) -> list[Line]:
    """What let the last step of the run through. ``blamed`` are the subsystems that make the breach."""
    if not trace.steps:
        return []
    step = trace.steps[-1]
    before = _states(trace)[-2]
    if not step.moved:
        return [Line("why", f"no condition guards the last step: {step_text(system, step, before)}")]
    lines = []
    for number in step.moved:
        lines += _let_through(system, before, system.transitions[number], blamed)
    return lines


def _let_through(system: System, before: State, transition: Transition, blamed: tuple[int, ...]) -> list[Line]:
    """A transition that fired, with its conditions and the truth of their parts just before."""
    lines = [Line("why", f"let through: {transition_text(system, transition)}", place=transition.span.short)]
    for word, condition in (("if", transition.interlock), ("physically", transition.physical)):
        if condition != TRUE:
            first, *rest = truth_lines(system, before, condition, 1)
            lines += [replace(first, text=f"{word} {first.text}"), *rest]
    if transition.interlock == transition.physical == TRUE:
        lines.append(Line("part", "it has no condition", 1))
        return lines
    read = subsystems_read(system, transition.interlock) | subsystems_read(system, transition.physical)
    unread = [system.subsystems[n].name for n in blamed if n not in read and n != transition.subsystem]
    forcing = facts_text(system, before, conditions_of(system, transition)) if transition.event is None else ()
    if forcing:
        lines.append(
            Line("part", f"it is automatic, and these facts are enough to force it: {and_list(list(forcing))}", 1)
        )
    if unread:
        lines.append(Line("part", f"its conditions do not depend on {and_list(unread, 'or')}", 1))
    return lines


def _cause(system: System, requirement: Requirement, trace: Trace) -> list[Line]:
    assert requirement.effect is not None
    cause, effect = formula_text(system, requirement.subject), formula_text(system, requirement.effect)
    if requirement.within is None:
        lines = [Line("why", f"the cause is there and its effect is not: {cause} without {effect}:")]
        lines += _claim(system, trace, requirement.subject) + _claim(system, trace, requirement.effect)
        lines += _unsettled(system, trace) + _kept(system, trace.end, requirement.effect)
        return lines + _bad_step(system, _turning(system, lasting(requirement), trace))
    began, ticks, state = _lasting(system, requirement, trace)
    allowed = ticks_text(system, requirement.within)
    since = f"happening {began}" if began else "the start"
    lines = [
        Line(
            "why",
            f"the cause has lasted without its effect for {ticks_text(system, ticks)} since {since}, "
            f"longer than the {allowed} allowed:",
        )
    ]
    lines += truth_lines(system, state, requirement.subject, 1)
    lines += truth_lines(system, state, requirement.effect, 1)
    return lines + _kept(system, state, requirement.effect)


def _lasting(system: System, requirement: Requirement, trace: Trace) -> tuple[int, int, State]:
    """The happening since which the cause has lasted without its effect, the ticks since then, and
    the last settled state in which it was seen so."""
    assert requirement.effect is not None
    began, lasted, seen = 0, -1, trace.start
    number = 0
    for position, state in enumerate(_states(trace)):
        if position:
            step = trace.steps[position - 1]
            number += step.kind != "reaction"
            if step.kind == "tick" and lasted >= 0:
                lasted += 1
        if position == len(trace.steps) or not is_settled(system, state):
            continue
        if not holds(system, state, requirement.subject) or holds(system, state, requirement.effect):
            lasted = -1
            continue
        if lasted < 0:
            began, lasted = number, 0
        seen = state
    return began, max(lasted, 0), seen


def _kept(system: System, state: State, wanted: Formula) -> list[Line]:
    words = what_keeps(system, state, wanted)
    if not words:
        return []
    heading = Line("why", f"what stands between there and {formula_text(system, wanted)}:")
    return [heading, *(Line("part", text, 1) for text in words)]


def _permissive(system: System, requirement: Requirement, trace: Trace) -> list[Line]:
    assert requirement.allowed is not None
    before = _states(trace)[-2]
    subject, allowed = formula_text(system, requirement.subject), formula_text(system, requirement.allowed)
    lines = [Line("why", f"the last step makes {subject} true, and just before it {allowed} was not true:")]
    lines += truth_lines(system, before, requirement.allowed, 1)
    return lines + _bad_step(system, trace, deciding_subsystems(system, before, requirement.allowed))


def _start(system: System, requirement: Requirement, trace: Trace) -> list[Line]:
    subject = formula_text(system, requirement.subject)
    listed = and_list([system.events[n].name for n in requirement.only_by], "or")
    latest: Step | None = None
    before = state = trace.start
    for step in trace.steps:
        if step.kind != "reaction":
            latest, before = step, state
        state = step.after
    if latest is None:
        text = f"{subject} becomes true before anything has happened; only {listed} may start it"
    else:
        what = step_text(system, latest, before)
        text = f"{subject} becomes true, and the latest happening is not {listed}, but: {what}"
    return [Line("why", text), *_claim(system, trace, requirement.subject), *_bad_step(system, trace)]


MOST_EVENTS = 10


def _trapped(system: System, requirement: Requirement, trace: Trace) -> list[Line]:
    state = trace.end
    wanted = formula_text(system, requirement.subject)
    lines = [Line("why", f"from here nothing but a new fault could still bring about {wanted}:")]
    lines += truth_lines(system, state, requirement.subject, 1)
    lines += _kept(system, state, requirement.subject)
    left = [s for s in happenings(system, state, 0) if s.kind != "tick" or s.after != state]
    able = {s.number for s in left if s.kind == "event"}
    names = dict.fromkeys(step_text(system, s, state) for s in left)
    if names:
        lines.append(Line("why", "what can still happen there:"))
        lines += _cut([Line("part", name, 1) for name in names])
    else:
        lines.append(Line("why", "nothing at all can happen there any more"))
    wanted_by = deciding_subsystems(system, state, requirement.subject)
    blocked = [e for e in system.events if e.number not in able]
    blocked.sort(key=lambda e: not any(mover in wanted_by for mover, _ in e.movers))
    if blocked:
        lines.append(Line("why", "what is blocked there:"))
        told = []
        for event in blocked:
            reasons = why_blocked(system, state, event)
            enough = enough_to_block(system, state, event)
            told.append(Line("part", f"{event_text(event)}: {'; '.join(reasons)}", 1))
            if enough and (len(reasons) > 1 or any("; needs" in reason for reason in reasons)):
                told[-1] = replace(told[-1], text=f"{told[-1].text}; {enough}")
        lines += _cut(told)
    return lines


def _cut(lines: list[Line]) -> list[Line]:
    if len(lines) <= MOST_EVENTS + 1:
        return lines
    return [*lines[:MOST_EVENTS], Line("part", f"and {len(lines) - MOST_EVENTS} more", 1)]


def _falsified(system: System, requirement: Requirement, trace: Trace) -> list[Line]:
    """Readings that a fault falsified where they mattered, and moves that a fault held up."""
    lines: dict[str, Line] = {}
    states = _states(trace)
    for place in range(max(0, len(states) - 2), len(states)):
        for signal in false_readings(system, states[place]):
            text = false_reading_text(system, states[place], signal)
            lines.setdefault(text, Line("why", text))
    for place, step in enumerate(trace.steps):
        wrong = false_readings(system, states[place])
        if not wrong:
            continue
        for number in step.moved:
            transition = system.transitions[number]
            depends = signals_read(system, transition.interlock) | signals_read(system, transition.physical)
            for signal in wrong:
                if signal in depends:
                    text = false_reading_text(system, states[place], signal)
                    lines.setdefault(text, Line("why", text))
    for fault in system.faults:
        if fault.kind == "stuck" and trace.end.flags >> fault.number & 1:
            lines.update(_held_up(system, trace.end, fault.number))
    return list(lines.values())


def _held_up(system: System, state: State, fault: int) -> dict[str, Line]:
    """Automatic moves that only this stuck fault keeps from firing."""
    freed = state._replace(flags=state.flags & ~(1 << fault))
    found: dict[str, Line] = {}
    held = {t.number for t in due(system, state)}
    for transition in due(system, freed):
        if transition.number in held or transition.subsystem != system.faults[fault].subject:
            continue
        text = f"{move_text(system, transition)} is due, but held up by {system.faults[fault].name}"
        found[text] = Line("why", text, place=transition.span.short)
    return found
