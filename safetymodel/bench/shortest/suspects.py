"""What may be wrong with a device that differs: the mistakes that would show in one step of a run, and where else
in the model each of them would show.

They are mistakes that people make: a condition without one of its parts, one that reads a part wrongly or is not asked
at all, a signal that always reads alike, a reaction that comes too late. Each is a guess: only the device can tell.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from safetymodel.bench.device import NoDevice
from safetymodel.bench.due import Due
from safetymodel.bench.mapping import Mapping
from safetymodel.bench.parts import parts_of_transition, without
from safetymodel.bench.reactions import CannotTrack
from safetymodel.bench.run import Record, Rig
from safetymodel.bench.sights import assigned, held, part_list, signals_of
from safetymodel.bench.stimulus import Stimulus
from safetymodel.bench.tracking import Tracker
from safetymodel.explore.engine import Space
from safetymodel.model.able import free_to_leave, partners_able
from safetymodel.model.formula import FALSE, Constant, Formula, InState, Not, SignalTrue, conjoin
from safetymodel.model.state import State
from safetymodel.model.step import holds
from safetymodel.model.system import System, Transition

MOST_LOOKED_AT = 500
"""States of one step that are looked at."""


@dataclass(frozen=True, slots=True)
class Suspicion:
    """One mistake: of each of these transitions (by number) the `if` that the device would have instead, or None where
    it would take the transition too late."""

    instead: tuple[tuple[int, Formula | None], ...]


def suspicions(
    system: System, tracker: Tracker, before: tuple[State, ...], stimulus: Stimulus
) -> tuple[Suspicion, ...]:
    """The mistakes that would make a difference to a stimulus in one of these states, each once."""
    found: dict[Suspicion, None] = {}
    wired: dict[tuple[int, bool], None] = {}
    for state, t in _asked(system, tracker, before, stimulus):
        if not holds(system, state, conjoin((free_to_leave(system, t), t.physical))):
            continue
        now = holds(system, state, t.interlock)
        if now and t.event is None:
            found[Suspicion(((t.number, None),))] = None
        for other in _misread(system, state, t, now):
            if holds(system, state, other) != now:
                found[Suspicion(((t.number, other),))] = None
        for signal in signals_of(system, t.interlock):
            value = not holds(system, state, SignalTrue(signal))
            if (signal, value) not in wired and holds(system, state, held(system, t.interlock, signal, value)) != now:
                wired[signal, value] = None
    return (*found, *(_wired(system, signal, value) for signal, value in wired))


def a_wrong_clock(system: System) -> Suspicion:
    """Every transition that waits for a time comes too late."""
    return Suspicion(tuple((t.number, None) for t in system.transitions if t.event is None and t.latest))


def explains(
    system: System, mapping: Mapping, tracker: Tracker, record: Record, place: int, suspicion: Suspicion
) -> bool:
    """Whether a device with this mistake could have shown all that a run shows up to its difference; one that reacts
    too late, what it shows after the stimulus at this place."""
    late = any(instead is None for _, instead in suspicion.instead)
    wrong = tracker.altered({number: FALSE if instead is None else instead for number, instead in suspicion.instead})
    fits = Rig(system, mapping, NoDevice(), tracker).fits
    last = len(record.stimuli) - 1
    try:
        states = wrong.start() if not late else tracker.start()
        for step, shown in enumerate(record.shown):
            if step:
                follower = wrong if not late or step - 1 == place else tracker
                before = follower.drifted(states, record.drift[step])
                states = follower.after(before, record.stimuli[step - 1], mapping.slack)
                states = follower.drifted(states, record.drift[step])
            states = tuple(state for state in states if fits(state, shown))
            if not states:
                return False
        if record.difference is not None and record.difference.restless:
            wrong.after(states, record.stimuli[last])
            return False
    except CannotTrack:
        return record.difference is not None and bool(record.difference.restless)
    return True


def _misread(system: System, state: State, t: Transition, now: bool) -> Iterator[Formula]:
    """What the device may have instead of the `if` of a transition."""
    for part in parts_of_transition(t):
        if part.interlock:
            yield without(t.interlock, part.path)
    for atom in part_list(t.interlock):
        yield assigned(system, t.interlock, atom, not holds(system, state, atom))
    yield Constant(not now)


def _wired(system: System, signal: int, value: bool) -> Suspicion:
    """A signal that always reads so."""
    read = ((t.number, t.interlock, held(system, t.interlock, signal, value)) for t in system.transitions)
    return Suspicion(tuple((number, instead) for number, interlock, instead in read if instead != interlock))


def _asked(
    system: System, tracker: Tracker, before: tuple[State, ...], stimulus: Stimulus
) -> Iterator[tuple[State, Transition]]:
    """(state, transition) of each time that a condition is asked."""
    if stimulus.kind == "event":
        for state in before:
            for subsystem, numbers in system.events[stimulus.number].movers:
                for t in (system.transitions[n] for n in numbers):
                    if t.source == state.states[subsystem]:
                        yield state, t
    for state in _passed(tracker, before, stimulus):
        for s in system.subsystems:
            for t in tracker.automatic(s.number, state.states[s.number]):
                if state.clocks[s.number] >= t.latest:
                    yield state, t


def _passed(tracker: Tracker, before: tuple[State, ...], stimulus: Stimulus) -> tuple[State, ...]:
    """The states on the way of a stimulus, settled ones too: the latest, where there are too many."""
    found: dict[State, None] = {}
    ticks = stimulus.number if stimulus.kind == "wait" else 0
    for _ in range(ticks):
        found.update(tracker.passed([tracker.one_tick(state) for state in before])[0])
        before = tracker.after(before, Stimulus("wait", 1))
    if not ticks:
        found.update(tracker.passed(tracker.landed(before, stimulus))[0])
    return tuple(found)[-MOST_LOOKED_AT:]


@dataclass(frozen=True, slots=True)
class Place:
    """Where a mistake would show: at once in one of these states, or where one event, ``last``, happens in them."""

    states: Any
    last: tuple[Stimulus, ...] = ()


class Places:
    """Where suspicions would show in a space."""

    def __init__(self, space: Space[Any]) -> None:
        self.space = space
        self._due = Due(space)

    def of(self, suspicion: Suspicion, by_the_way: bool = False) -> Iterator[Place]:
        """Each place, those that hold no state left out.

        A device that does not react comes to rest there, where the model goes on; one that reacts goes on where the
        model has come to rest. ``by_the_way``: also where something else may happen first, and hide it.
        """
        for number, instead in suspicion.instead:
            t = self.space.system.transitions[number]
            for place in self._late(t, by_the_way) if instead is None else self._wrong(t, instead, by_the_way):
                if not self.space.is_empty(place.states):
                    yield place

    def _late(self, t: Transition, by_the_way: bool) -> Iterator[Place]:
        due = self._due.due(t.number)
        yield Place(due if by_the_way else self.space.common(due, self._due.only(t.number)))

    def _wrong(self, t: Transition, instead: Formula, by_the_way: bool) -> Iterator[Place]:
        space, system = self.space, self.space.system
        there = (InState(t.subsystem, (t.source,)), free_to_leave(system, t), t.physical)
        goes = self._due.ripe(t, space.where(conjoin((*there, instead, Not(t.interlock)))))
        stays = self._due.ripe(t, space.where(conjoin((*there, t.interlock, Not(instead)))))
        if t.event is not None:
            both = space.common(space.union(goes, stays), space.settled)
            yield Place(space.common(both, space.where(partners_able(system, t))), (Stimulus("event", t.event),))
        elif by_the_way:
            yield Place(goes)
            yield Place(stays)
        else:
            yield Place(space.common(goes, space.settled))
            yield Place(space.common(stays, self._due.only(t.number)))
