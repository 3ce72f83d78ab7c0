"""What a test plan has to show of a system: the goals, section by section, in the order in which one works.

The order is common practice, no source: wiring, input read-back, each cause alone, each effect's release and reset,
single faults a channel, power lost and back, emergency stop in every mode, egress from inside, bypass check.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

from safetymodel.bench.sheets.modes import Asked, Mode, modes_of, stops_of
from safetymodel.bench.sheets.part_goals import goals_of_parts, nothing_alike
from safetymodel.bench.sheets.stages import Goal, Kind, Section, Stage
from safetymodel.bench.sights import Sight, held, moved_to, signals_of
from safetymodel.model.able import partners_able
from safetymodel.model.formula import (
    FALSE,
    TRUE,
    AnyOf,
    FaultUp,
    Formula,
    InState,
    Not,
    SignalTrue,
    conjoin,
)
from safetymodel.model.system import Fault, System, Transition
from safetymodel.traces.wording import fault_text, formula_text, transition_text


def goals_of(system: System, declared: int, asked: Asked | None = None) -> tuple[Goal, ...]:
    """Every goal. ``declared``: faults from this number on are a tester's own forces, and no goals."""
    asked = asked or Asked()
    modes = modes_of(system, asked)
    found = [
        *_readings(system),
        *_transitions(system, asked),
        *_restarts(system),
        *_latches(system),
        *(goal for fault in system.faults[:declared] for goal in _fault(system, fault)),
        *_power(system),
        *_stops(system, asked, modes),
        *_egress(system, modes),
    ]
    numbered = (replace(goal, number=number) for number, goal in enumerate(found))
    return tuple(
        goal if goal.otherwise is None else replace(goal, otherwise=replace(goal.otherwise, number=goal.number))
        for goal in numbered
    )


def _goal(
    kind: Kind, section: Section, title: str, source: str, *stages: Stage, own: frozenset[int] = frozenset()
) -> Goal:
    return Goal(0, kind, section, title, stages, source, own)


# -- input read-back and causes -------------------------------------------------------------------


def _readings(system: System) -> Iterator[Goal]:
    for signal in system.signals:
        atom = SignalTrue(signal.number)
        for value, formula in ((True, atom), (False, Not(atom))):
            title = f"{signal.name} reads {'true' if value else 'false'}"
            sight = Sight("at", formula)
            yield _goal("reads", "readback", title, signal.span.short, Stage((sight,)), own=frozenset({signal.number}))


def _transitions(system: System, asked: Asked) -> Iterator[Goal]:
    for t in system.transitions:
        text, place = transition_text(system, t), t.span.short
        yield _goal("taken", "causes", f"{text} is taken", place, Stage((Sight("fires", TRUE, t.number),)))
        if t.event is None:
            when = "when its time is up" if t.latest else "at once"
            yield _goal("prompt", "causes", f"{text} is taken {when}", place, Stage((Sight("prompt", TRUE, t.number),)))
        yield from goals_of_parts(system, t, t.interlock, interlock=True)
        if asked.mechanical:
            yield from goals_of_parts(system, t, t.physical, interlock=False)


# -- release and reset ----------------------------------------------------------------------------


def _cause_gone(t: Transition) -> Formula:
    """What called for an automatic transition does so no more; true where only time did."""
    cause = conjoin((t.interlock, t.physical))
    return TRUE if cause == TRUE else Not(cause)


def _restarts(system: System) -> Iterator[Goal]:
    """After each trip of what only certain events may start: the cause goes, and nothing starts of itself."""
    for requirement in system.requirements:
        if requirement.form != "start":
            continue
        on, without = requirement.subject, frozenset(requirement.only_by)
        for t in system.transitions:
            if t.event is not None:
                continue
            before, after = (moved_to(system, on, t.subsystem, state) for state in (t.source, t.target))
            if before in (after, FALSE) or after == TRUE:
                continue  # it cannot end it
            ends = conjoin((on, Not(after)))
            gone = conjoin((Not(on), _cause_gone(t)))
            names = ", ".join(system.events[n].name for n in requirement.only_by)
            yield _goal(
                "restart",
                "release",
                f"{requirement.name}: after {transition_text(system, t)} nothing starts of itself; {names} does",
                requirement.span.short,
                Stage((Sight("fires", ends, t.number),)),
                Stage((Sight("at", gone),), keep=Not(on), without=without),
                Stage((Sight("at", on),)),
            )


def _latches(system: System) -> Iterator[Goal]:
    """What trips by itself and is left only by an event: it stays when its cause has gone, and the event resets it."""
    for t in system.transitions:
        if t.event is not None or _cause_gone(t) == TRUE:
            continue
        ways = [system.transitions[n] for n in system.subsystems[t.subsystem].transitions]
        out = [w for w in ways if w.source == t.target and w.target != t.target]
        if not out or any(w.event is None for w in out):
            continue
        stays = InState(t.subsystem, (t.target,))
        yield _goal(
            "latch",
            "release",
            f"after {transition_text(system, t)} it stays so until it is reset",
            t.span.short,
            Stage((Sight("fires", TRUE, t.number),)),
            Stage((Sight("at", conjoin((stays, _cause_gone(t)))),), keep=stays),
            Stage(tuple(Sight("fires", TRUE, w.number) for w in out)),
        )


# -- faults ---------------------------------------------------------------------------------------


def _fault(system: System, fault: Fault) -> Iterator[Goal]:
    up, text, place = FaultUp(fault.number), fault_text(fault), fault.span.short
    if fault.kind == "signal":
        yield from _misread(system, fault)
    else:
        yield _goal("fault", "faults", f"{text}: demanded of the machine", place, Stage(_demands(system, fault)))
    if fault.indications:
        told = conjoin((up, AnyOf(fault.indications)))
        yield _goal("told", "faults", f"{text}: the machine tells of it", place, Stage((Sight("at", told),)))


def _demands(system: System, fault: Fault) -> tuple[Sight, ...]:
    """Where the fault makes a difference: the subsystem could move, it has jumped."""
    up = FaultUp(fault.number)
    if fault.kind == "jump":
        return (Sight("jumps", up, fault.number),)
    found = []
    for number in system.subsystems[fault.subject].transitions:
        t = system.transitions[number]
        if fault.state not in (None, t.source) or t.target == t.source:
            continue
        could = conjoin((up, InState(t.subsystem, (t.source,)), t.interlock, t.physical))
        if t.event is None:
            found.append(Sight("at", could, number, (t.subsystem, t.latest)))
        else:
            found.append(Sight("try", conjoin((could, partners_able(system, t))), t.event))
    return tuple(found)


def _misread(system: System, fault: Fault) -> Iterator[Goal]:
    """A signal that reads what is not so: where a condition asks for it, and where one turns by it alone."""
    signal, reads = fault.subject, system.signals[fault.subject].reads
    wrong = conjoin((FaultUp(fault.number), Not(reads) if fault.value else reads))
    text, place = fault_text(fault), fault.span.short
    readers = [t for t in system.transitions if signal in signals_of(system, conjoin((t.interlock, t.physical)))]
    unread = _goal(
        "fault", "faults", f"{text}: present, though no condition asks for it", place, Stage((Sight("at", wrong),))
    )
    if not readers:
        yield unread
        return
    present, turning = list[Sight](), list[Sight]()
    for t in readers:
        condition = conjoin((t.interlock, t.physical))
        right = held(system, condition, signal, not fault.value)
        here = conjoin((wrong, InState(t.subsystem, (t.source,)), partners_able(system, t)))
        kept = conjoin((here, right, Not(condition), nothing_alike(system, t)))
        for sights, taken, stays in ((present, TRUE, here), (turning, Not(right), kept)):
            sights.append(Sight("fires", conjoin((wrong, taken)), t.number))
            if t.event is None:
                sights.append(Sight("at", stays, t.number, (t.subsystem, t.latest)))
            else:
                sights.append(Sight("try", stays, t.event))
    asked = _goal("fault", "faults", f"{text}: present where a condition asks for it", place, Stage(tuple(present)))
    yield replace(asked, otherwise=unread)
    yield _goal("turns", "faults", f"{text}: a condition turns by it alone", place, Stage(tuple(turning)))


# -- power, stops, egress -------------------------------------------------------------------------


def _power(system: System) -> Iterator[Goal]:
    """Each supply lost while something runs, and back."""
    for supply in (s for s in system.subsystems if s.role == "supply"):
        there = InState(supply.number, (supply.initial,))
        for n in supply.transitions:
            t = system.transitions[n]
            if t.event is None or t.source != supply.initial:
                continue
            for requirement in system.requirements:
                if requirement.form == "start":
                    yield _goal(
                        "power",
                        "power",
                        f"{supply.label} lost while {formula_text(system, requirement.subject)}, and back",
                        requirement.span.short,
                        Stage((Sight("fires", requirement.subject, n),)),
                        Stage((Sight("at", there),), without=frozenset(requirement.only_by)),
                    )


def _stops(system: System, asked: Asked, modes: Sequence[Mode]) -> Iterator[Goal]:
    for event in stops_of(system, asked):
        ways = [system.transitions[n] for _, numbers in event.movers for n in numbers]
        for mode in modes:
            if all(_elsewhere(mode.formula, t) for t in ways):
                continue  # the stop's own state after it was called
            sights = tuple(Sight("fires", mode.formula, t.number) for t in ways)
            yield _goal("stop", "stops", f"{event.name} {mode.name}", event.span.short, Stage(sights))


def _elsewhere(formula: Formula, t: Transition) -> bool:
    """Whether a mode is a state of the transition's own subsystem from which it does not go."""
    return isinstance(formula, InState) and formula.subsystem == t.subsystem and t.source not in formula.states


def _egress(system: System, modes: Sequence[Mode]) -> Iterator[Goal]:
    for requirement in system.requirements:
        if requirement.form != "always_possible":
            continue
        out = requirement.subject
        for mode in modes:
            shut = conjoin((mode.formula, Not(out)))
            yield _goal(
                "egress",
                "egress",
                f"{requirement.name}: {requirement.text or requirement.wording}, beginning {mode.name}",
                requirement.span.short,
                Stage((Sight("at", shut),)),
                Stage((Sight("at", out),)),
            )
