"""Two revisions of a spec put into one numbering, so that their conditions can be compared as functions.

Names are what makes a part the same: a subsystem, state, event, signal, condition or fault that has another name is
another part. The joint system holds the transitions, events and signals of both revisions side by side, over one set
of subsystems and fault flags. It is never run as it stands: :mod:`safetymodel.revisions.views` takes each apart again.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from fractions import Fraction
from math import gcd

from safetymodel.model.formula import (
    AllOf,
    AnyOf,
    Defined,
    FaultUp,
    Formula,
    HowMany,
    InState,
    Not,
    SignalTrue,
)
from safetymodel.model.state import State
from safetymodel.model.system import Event, Fault, Signal, Subsystem, System, Transition


def at_tick(system: System, tick: Fraction | None) -> System:
    """The system with its durations counted in a finer tick, which divides its own.

    Whole ticks lose nothing for what can be reached, however fine they are (see the meaning of a model).
    """
    if tick is None or system.tick == tick:
        return system
    factor = 1 if system.tick is None else int(system.tick / tick)
    return replace(
        system,
        tick=tick,
        transitions=tuple(
            replace(t, earliest=t.earliest * factor, latest=t.latest * factor) for t in system.transitions
        ),
        subsystems=tuple(replace(s, longest=tuple(ticks * factor for ticks in s.longest)) for s in system.subsystems),
        requirements=tuple(
            r if r.within is None else replace(r, within=r.within * factor) for r in system.requirements
        ),
    )


def common_tick(one: Fraction | None, other: Fraction | None) -> Fraction | None:
    """The longest tick that divides both; None where neither has any."""
    if one is None or other is None:
        return one if other is None else other
    below = one.denominator * other.denominator // gcd(one.denominator, other.denominator)
    return Fraction(gcd(int(one * below), int(other * below)), below)


@dataclass(frozen=True, slots=True)
class Placed:
    """Where the parts of one revision are in the joint system, each from its own number."""

    system: System
    subsystems: tuple[int, ...]
    states: tuple[tuple[int, ...], ...]
    transitions: tuple[int, ...]
    events: tuple[int, ...]
    signals: tuple[int, ...]
    faults: tuple[int, ...]

    def formula(
        self,
        formula: Formula,
        signal: Callable[[int], int] | None = None,
        condition: Callable[[Defined], Formula | None] | None = None,
    ) -> Formula:
        """A formula of this revision in the joint numbering.

        ``signal`` gives another place for a signal (by its own number), ``condition`` another body for a named
        condition: what this formula says when everything that it names is as it is elsewhere.
        """

        def again(part: Formula) -> Formula:
            return self.formula(part, signal, condition)

        match formula:
            case InState(subsystem, states, negated):
                places = tuple(sorted(self.states[subsystem][s] for s in states))
                return InState(self.subsystems[subsystem], places, negated)
            case SignalTrue(number):
                return SignalTrue(self.signals[number] if signal is None else signal(number))
            case FaultUp(number):
                return FaultUp(self.faults[number])
            case Not(part):
                return Not(again(part))
            case AllOf(parts):
                return AllOf(tuple(map(again, parts)))
            case AnyOf(parts):
                return AnyOf(tuple(map(again, parts)))
            case HowMany(least, most, members, wording):
                placed = tuple(m for m in map(again, members) if isinstance(m, InState))
                return HowMany(least, most, placed, wording)
            case Defined(name, body):
                other = None if condition is None else condition(formula)
                return other if other is not None else Defined(name, again(body))
            case _:
                return formula

    def start(self, joint: System) -> State:
        """The declared start of this revision; parts that it does not have stay in their first state."""
        states = [s.initial for s in joint.subsystems]
        for place, subsystem in zip(self.subsystems, self.system.subsystems, strict=True):
            states[place] = self.states[subsystem.number][subsystem.initial]
        return State(tuple(states), (0,) * len(states), 0)

    def seen(self, state: State) -> dict[str, str]:
        """The name of each subsystem's state, from a state of this revision's own."""
        return {s.name: s.states[state.states[s.number]] for s in self.system.subsystems}


@dataclass(frozen=True, slots=True)
class Joint:
    """The joint system, and where the parts of each revision are in it."""

    system: System
    old: Placed
    new: Placed


def fault_key(system: System, fault: Fault) -> tuple[object, ...]:
    """What a fault is and does, in names: equal keys are the same fault."""
    if fault.kind == "signal":
        return (fault.name, fault.kind, system.signals[fault.subject].name, fault.value)
    subject = system.subsystems[fault.subject]
    state = None if fault.state is None else subject.states[fault.state]
    return (fault.name, fault.kind, subject.name, state, subject.states[fault.target] if fault.kind == "jump" else "")


def join(old: System, new: System) -> Joint:
    """Both revisions, counted in one tick, in one numbering: the new one's parts keep their numbers."""
    tick = common_tick(old.tick, new.tick)
    old, new = at_tick(old, tick), at_tick(new, tick)
    subsystem_of = {s.name: s.number for s in new.subsystems}
    names = [s.name for s in new.subsystems]
    for s in old.subsystems:
        if s.name not in subsystem_of:
            subsystem_of[s.name] = len(names)
            names.append(s.name)
    states_of = {s.name: list(s.states) for s in new.subsystems}
    for s in old.subsystems:
        known = states_of.setdefault(s.name, [])
        known.extend(state for state in s.states if state not in known)
    fault_of: dict[tuple[object, ...], int] = {}
    for system in (new, old):
        for fault in system.faults:
            fault_of.setdefault(fault_key(system, fault), len(fault_of))

    def placed(system: System, transitions: int, events: int, signals: int) -> Placed:
        return Placed(
            system=system,
            subsystems=tuple(subsystem_of[s.name] for s in system.subsystems),
            states=tuple(tuple(states_of[s.name].index(n) for n in s.states) for s in system.subsystems),
            transitions=tuple(range(transitions, transitions + len(system.transitions))),
            events=tuple(range(events, events + len(system.events))),
            signals=tuple(range(signals, signals + len(system.signals))),
            faults=tuple(fault_of[fault_key(system, f)] for f in system.faults),
        )

    here = placed(new, 0, 0, 0)
    there = placed(old, len(new.transitions), len(new.events), len(new.signals))
    faults = _faults(here, there, len(fault_of))
    system = replace(
        new,
        tick=tick,
        subsystems=_subsystems(here, there, names, states_of),
        transitions=(*_transitions(here), *_transitions(there)),
        events=(*_events(here), *_events(there)),
        signals=(*_signals(here, None), *_signals(there, _holding(here, there, faults))),
        signal_order=(*new.signal_order, *(there.signals[n] for n in old.signal_order)),
        faults=faults,
        conditions=(),
        requirements=(),
        scenarios=(),
        families=(),
        common_causes=(),
    )
    return Joint(system, there, here)


def _subsystems(
    new: Placed, old: Placed, names: list[str], states_of: Mapping[str, list[str]]
) -> tuple[Subsystem, ...]:
    found: list[Subsystem] = []
    for number, name in enumerate(names):
        longest = [0] * len(states_of[name])
        transitions: list[int] = []
        first: Subsystem | None = None
        initial = 0
        for placed in (new, old):
            own = placed.system.subsystem_named(name)
            if own is None:
                continue
            if first is None:
                first, initial = own, placed.states[own.number][own.initial]
            for state, ticks in enumerate(own.longest):
                place = placed.states[own.number][state]
                longest[place] = max(longest[place], ticks)
            transitions.extend(placed.transitions[t] for t in own.transitions)
        assert first is not None
        found.append(
            replace(
                first,
                number=number,
                states=tuple(states_of[name]),
                initial=initial,
                longest=tuple(longest),
                transitions=tuple(transitions),
            )
        )
    return tuple(found)


def _transitions(placed: Placed) -> tuple[Transition, ...]:
    return tuple(
        replace(
            t,
            number=placed.transitions[t.number],
            subsystem=placed.subsystems[t.subsystem],
            source=placed.states[t.subsystem][t.source],
            target=placed.states[t.subsystem][t.target],
            event=None if t.event is None else placed.events[t.event],
            interlock=placed.formula(t.interlock),
            physical=placed.formula(t.physical),
        )
        for t in placed.system.transitions
    )


def _events(placed: Placed) -> tuple[Event, ...]:
    return tuple(
        replace(
            e,
            number=placed.events[e.number],
            subsystem=placed.subsystems[e.subsystem],
            movers=tuple((placed.subsystems[s], tuple(placed.transitions[t] for t in ways)) for s, ways in e.movers),
        )
        for e in placed.system.events
    )


def _faults(new: Placed, old: Placed, count: int) -> tuple[Fault, ...]:
    """The faults of both. A signal's fault is at the new revision's signal where that has one of its name."""
    signal_of = {s.name: new.signals[s.number] for s in new.system.signals}
    found: dict[int, Fault] = {}
    for placed in (new, old):
        for fault in placed.system.faults:
            number = placed.faults[fault.number]
            if number in found:
                continue
            if fault.kind == "signal":
                own = placed.signals[fault.subject]
                subject = signal_of.get(placed.system.signals[fault.subject].name, own)
                found[number] = replace(fault, number=number, subject=subject, indications=())
                continue
            states = placed.states[fault.subject]
            found[number] = replace(
                fault,
                number=number,
                subject=placed.subsystems[fault.subject],
                state=None if fault.state is None else states[fault.state],
                target=states[fault.target] if fault.kind == "jump" else 0,
                indications=(),
            )
    return tuple(found[number] for number in range(count))


def _holding(new: Placed, old: Placed, faults: tuple[Fault, ...]) -> dict[int, list[Fault]]:
    """For each signal of the old revision that the new one has too, the faults at it, in the order of the flags."""
    signal_of = {s.name: new.signals[s.number] for s in new.system.signals}
    return {
        s.number: [f for f in faults if f.kind == "signal" and f.subject == signal_of[s.name]]
        for s in old.system.signals
        if s.name in signal_of
    }


def _signals(placed: Placed, holding: Mapping[int, list[Fault]] | None) -> tuple[Signal, ...]:
    """The signals of one revision; with ``holding`` faults that have another signal as subject are written in."""
    found = []
    for s in placed.system.signals:
        reads = placed.formula(s.reads)
        for fault in (holding or {}).get(s.number, ()):
            up = FaultUp(fault.number)
            reads = AnyOf((reads, up)) if fault.value else AllOf((reads, Not(up)))
        found.append(replace(s, number=placed.signals[s.number], reads=reads, indicates=()))
    return tuple(found)
