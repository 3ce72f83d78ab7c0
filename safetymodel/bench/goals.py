"""What a test plan has to show of a system: the goals, section by section, in the order in which one works.

The order is common practice, no source: wiring, input read-back, each cause alone, each effect's release and reset,
single faults a channel, power lost and back, emergency stop in every mode, egress from inside, bypass check.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from safetymodel.bench.aims import polarity
from safetymodel.bench.parts import mentions, without
from safetymodel.bench.sights import Sight, alone, moved_to, part_list, signals_of
from safetymodel.model.able import able, partners_able
from safetymodel.model.formula import (
    FALSE,
    TRUE,
    AllOf,
    AnyOf,
    Constant,
    Defined,
    FaultUp,
    Formula,
    InState,
    Not,
    SignalTrue,
    conjoin,
)
from safetymodel.model.system import Event, Fault, Requirement, System, Transition
from safetymodel.traces.wording import fault_text, formula_text, transition_text

Section = Literal["readback", "causes", "release", "faults", "power", "stops", "egress", "steps"]

SECTIONS: tuple[tuple[Section, str], ...] = (
    ("readback", "Input read-back"),
    ("causes", "Each cause alone"),
    ("release", "Release and reset"),
    ("faults", "Single faults, channel by channel"),
    ("power", "Power lost and back"),
    ("stops", "Emergency stop in every mode"),
    ("egress", "Egress from every mode"),
    ("steps", "Every sequence of steps"),
)

Kind = Literal[
    "reads", "taken", "prompt", "blocks", "decides", "restart", "latch", "fault", "told", "power", "stop", "egress"
]


@dataclass(frozen=True, slots=True)
class Stage:
    """One of ``ways`` has to be seen; on the way to it ``keep`` is true in every settled state, and none of the events
    ``without`` is used."""

    ways: tuple[Sight, ...]
    keep: Formula = TRUE
    without: frozenset[int] = frozenset()


@dataclass(frozen=True, slots=True)
class Goal:
    """Its ``stages`` have to be seen one after the other, in one walk.

    ``own`` are signals that a tester should not force for it, since it is they that are tested. ``transition``,
    ``part`` belong to ``blocks`` and ``decides``. ``source`` is where the spec says it.
    """

    number: int
    kind: Kind
    section: Section
    title: str
    stages: tuple[Stage, ...]
    source: str
    own: frozenset[int] = frozenset()
    transition: int | None = None
    part: Formula | None = None


@dataclass(frozen=True, slots=True)
class Mode:
    """A mode of operation: something runs, or a mode switch is in one of its positions."""

    name: str
    formula: Formula


@dataclass(frozen=True, slots=True)
class Asked:
    """What the user says of the machine; None: found by its words. ``modes`` are subsystems, ``stops`` events."""

    modes: tuple[int, ...] | None = None
    stops: tuple[int, ...] | None = None
    mechanical: bool = False
    """Test the ``physically`` conditions too."""


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
    return tuple(replace(goal, number=number) for number, goal in enumerate(found))


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
        yield from _parts(system, t, t.interlock, interlock=True)
        if asked.mechanical:
            yield from _parts(system, t, t.physical, interlock=False)


def _parts(system: System, t: Transition, condition: Formula, interlock: bool) -> Iterator[Goal]:
    """Each part of a condition alone blocks the transition, and alone lets it happen."""
    parts, text = part_list(condition), transition_text(system, t)
    if not parts:
        return
    base = Goal(0, "blocks", "causes", "", (), t.span.short, transition=t.number)
    blocked = [(part, alone(system, condition, part, False)) for part in parts]
    if _is_conjunction(condition, True) and len(parts) > 1:
        whole = conjoin((Not(condition), *(alone(system, condition, part, False) for part in parts)))
        stays = (Stage(_blocked_sights(system, t, interlock, whole)),)
        yield replace(base, title=f"{text} stays away while nothing calls for it", stages=stays)
    else:
        for part, formula in blocked:
            yield replace(
                base,
                title=f"{formula_text(system, part)} alone blocks {text}",
                stages=(Stage(_blocked_sights(system, t, interlock, formula)),),
                own=signals_of(system, part),
                part=part,
            )
    if not _is_conjunction(condition, False):  # of a conjunction, one passage shows all parts
        for part in parts:
            yield replace(
                base,
                kind="decides",
                title=f"{formula_text(system, part)} alone decides that {text} happens",
                stages=(Stage((Sight("fires", alone(system, condition, part, True), t.number),)),),
                own=signals_of(system, part),
                part=part,
            )

    yield from _mentions(system, t, condition, interlock, base)


def _mentions(system: System, t: Transition, condition: Formula, interlock: bool, base: Goal) -> Iterator[Goal]:
    """A part that stands in a condition more than once: each of its places decides alone, as if left out there only."""
    found = [(path, mention, _positive(mention)) for path, mention in mentions(condition)]
    for number, (path, mention, part) in enumerate(found):
        if sum(other == part for _, _, other in found) < 2:
            continue
        rest, narrows = without(condition, path), polarity(condition, path)[1]
        place = 1 + sum(other == part for _, _, other in found[:number])
        what = f"{formula_text(system, mention)} in place {place} alone"
        if narrows:
            sights = _blocked_sights(system, t, interlock, conjoin((Not(condition), rest)))
            title = f"{what} blocks {transition_text(system, t)}"
        else:
            sights = (Sight("fires", conjoin((condition, Not(rest))), t.number),)
            title = f"{what} decides that {transition_text(system, t)} happens"
        own = signals_of(system, mention)
        yield replace(base, kind="blocks" if narrows else "decides", title=title, stages=(Stage(sights),), own=own)


def _positive(part: Formula) -> Formula:
    part = part.part if isinstance(part, Not) else part
    return replace(part, negated=False) if isinstance(part, InState) else part


def _blocked_sights(system: System, t: Transition, interlock: bool, formula: Formula) -> tuple[Sight, ...]:
    """Where a transition is kept from happening by its condition and nothing else."""
    here = conjoin((able(system, t, interlock=not interlock, physical=interlock), partners_able(system, t), formula))
    if t.event is None:
        return (Sight("at", here, t.number, (t.subsystem, t.latest)),)
    twins = [
        Not(able(system, system.transitions[n]))
        for n in system.subsystems[t.subsystem].transitions
        if n != t.number and _alike(t, system.transitions[n])
    ]
    return (Sight("try", conjoin((here, *twins)), t.event),)


def _alike(a: Transition, b: Transition) -> bool:
    return a.event == b.event and a.source == b.source and a.target == b.target


def _is_conjunction(formula: Formula, negated: bool) -> bool:
    """Whether a formula (or its contrary) is a conjunction of parts, each always with the same truth."""
    found: dict[Formula, bool] = {}
    stack = [(formula, negated)]
    while stack:
        node, turned = stack.pop()
        match node:
            case Constant():
                pass
            case InState() | SignalTrue() | FaultUp():
                turned ^= isinstance(node, InState) and node.negated
                part = replace(node, negated=False) if isinstance(node, InState) else node
                if found.setdefault(part, turned) != turned:
                    return False
            case Not(part):
                stack.append((part, not turned))
            case Defined(_, body):
                stack.append((body, turned))
            case AllOf(parts) if not turned or len(parts) < 2:
                stack.extend((p, turned) for p in parts)
            case AnyOf(parts) if turned or len(parts) < 2:
                stack.extend((p, turned) for p in parts)
            case _:
                return False
    return True


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
    yield _goal("fault", "faults", f"{text}: demanded of the machine", place, Stage(_demands(system, fault)))
    if fault.indications:
        told = conjoin((up, AnyOf(fault.indications)))
        yield _goal("told", "faults", f"{text}: the machine tells of it", place, Stage((Sight("at", told),)))


def _demands(system: System, fault: Fault) -> tuple[Sight, ...]:
    """Where the fault makes a difference: the signal reads what is not so, the subsystem could move, it has jumped."""
    up = FaultUp(fault.number)
    if fault.kind == "signal":
        reads = system.signals[fault.subject].reads
        return (Sight("at", conjoin((up, Not(reads) if fault.value else reads))),)
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


def modes_of(system: System, asked: Asked) -> tuple[Mode, ...]:
    """What runs (of each `start` requirement), and each position of a mode switch; without either, each state of
    every control subsystem."""
    running = [Mode(f"while {formula_text(system, r.subject)}", r.subject) for r in _starts(system)]
    if asked.modes is None:
        chosen = [s.number for s in system.subsystems if s.role == "control" and _says(s.name, s.text, "mode")]
        if not chosen and not running:
            chosen = [s.number for s in system.subsystems if s.role == "control"]
    else:
        chosen = list(asked.modes)
    switches = [
        Mode(f"while {formula_text(system, InState(n, (state,)))}", InState(n, (state,)))
        for n in chosen
        for state in range(len(system.subsystems[n].states))
    ]
    return tuple({mode.name: mode for mode in (*running, *switches)}.values())


def _starts(system: System) -> list[Requirement]:
    return [r for r in system.requirements if r.form == "start"]


def _says(name: str, text: str, word: str) -> bool:
    return re.search(rf"(?<![a-z]){word}", f"{name.replace('_', ' ')} {text}".lower()) is not None


def stops_of(system: System, asked: Asked) -> tuple[Event, ...]:
    """The events that call an emergency stop: those named by the user, else those on which a control subsystem whose
    name or text has the word *stop* leaves its initial state."""
    if asked.stops is not None:
        return tuple(system.events[n] for n in asked.stops)
    found: dict[int, None] = {}
    for s in system.subsystems:
        if s.role == "control" and _says(s.name, s.text, "stop"):
            for n in s.transitions:
                t = system.transitions[n]
                if t.event is not None and t.source == s.initial and system.events[t.event].subsystem == s.number:
                    found[t.event] = None
    return tuple(system.events[n] for n in sorted(found))


def _stops(system: System, asked: Asked, modes: Sequence[Mode]) -> Iterator[Goal]:
    for event in stops_of(system, asked):
        ways = [system.transitions[n] for _, numbers in event.movers for n in numbers]
        for mode in modes:
            sights = tuple(Sight("fires", mode.formula, t.number) for t in ways)
            yield _goal("stop", "stops", f"{event.name} {mode.name}", event.span.short, Stage(sights))


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
                f"{requirement.name}: {requirement.text or requirement.wording}, {mode.name}",
                requirement.span.short,
                Stage((Sight("at", shut),)),
                Stage((Sight("at", out),)),
            )
