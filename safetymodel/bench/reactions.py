"""The logic of a system, made quick: conditions are compiled (`compiled`), and after a step only those transitions are
looked at that depend on what moved (`cones`). Every order of reaction counts."""

from __future__ import annotations

import copy
from collections.abc import Mapping
from dataclasses import replace
from typing import Self

from safetymodel.bench.compiled import Compiler, Question
from safetymodel.bench.cones import Cone, bits_of
from safetymodel.model.formula import Formula, SignalTrue
from safetymodel.model.state import State
from safetymodel.model.step import ticked
from safetymodel.model.system import System, Transition

MOST_POSSIBLE = 20_000
"""How many possible states are followed at once, transient ones included."""


class CannotTrack(Exception):
    """The possible states are too many, or the logic goes round for ever; its text says which."""


class NeverRests(CannotTrack):
    """The logic goes round for ever, in whatever order it reacts."""


class Reactions:
    """Conditions of single states, and where reactions lead. Sets are tuples without repeats, in the order found."""

    def __init__(self, system: System) -> None:
        self.system = system
        self._cones = [Cone(system, t.interlock, t.physical, own=t.subsystem) for t in system.transitions]
        self._compiler = Compiler(system)
        self._can = [self._compiler.can_move(t) for t in system.transitions]
        self._readers = self._who_reads()
        self._by_flag = [
            bits_of(t.subsystem for t in system.transitions if self._cones[t.number].mask >> f.number & 1)
            for f in system.faults
        ]
        self._everybody = (1 << len(system.subsystems)) - 1
        self._truths: dict[int, tuple[Formula, Question]] = {}
        self._prepare()
        self._signals = tuple(SignalTrue(s.number) for s in system.signals)

    def altered(self, interlocks: Mapping[int, Formula], physically: Mapping[int, Formula] | None = None) -> Self:
        """A tracker of the system in which these transitions (by number) have another `if`, or another `physically`,
        which reads nothing that theirs does not read."""
        other = copy.copy(self)
        transitions, other._can = list(self.system.transitions), list(self._can)
        for number, interlock in interlocks.items():
            transitions[number] = replace(transitions[number], interlock=interlock)
        for number, physical in (physically or {}).items():
            transitions[number] = replace(transitions[number], physical=physical)
        for number in {*interlocks, *(physically or {})}:
            other._can[number] = self._compiler.can_move(transitions[number])
        other.system = replace(self.system, transitions=tuple(transitions))
        other._prepare()
        return other

    def _prepare(self) -> None:
        """What hangs on the conditions of the transitions."""
        transitions = self.system.transitions
        self._automatic: list[list[tuple[Transition, ...]]] = [
            [
                tuple(transitions[n] for n in s.transitions if _leaves(transitions[n], state))
                for state in range(len(s.states))
            ]
            for s in self.system.subsystems
        ]
        self._leaving = [[tuple((t, self._can[t.number]) for t in ts) for ts in states] for states in self._automatic]
        self._timed = tuple(t for t in transitions if t.event is None and t.earliest < t.latest)

    def can(self, state: State, transition: int) -> bool:
        """As :func:`safetymodel.model.step.can_move`."""
        return self._can[transition](state)

    def holds(self, state: State, formula: Formula) -> bool:
        """As :func:`safetymodel.model.step.holds`; compiled for formulas that live as long as the tracker."""
        return self.asked(formula)(state)

    def asked(self, formula: Formula) -> Question:
        """The formula as a question to states."""
        known = self._truths.get(id(formula))
        if known is None or known[0] is not formula:
            known = formula, self._compiler.question(formula)
            self._truths[id(formula)] = known
        return known[1]

    def cone(self, formula: Formula) -> Cone:
        """What the formula depends on."""
        return Cone(self.system, formula)

    def depends_on(self, transition: int) -> tuple[int, ...]:
        """The subsystems whose states decide whether a transition can move, its own included."""
        return self._cones[transition].subsystems

    def reads(self, state: State, signal: int) -> bool:
        """What the logic reads of a signal, faults included."""
        return self.holds(state, self._signals[signal])

    def choices(self, state: State, event: int) -> list[tuple[Transition, ...]]:
        """As :func:`safetymodel.model.step.choices`: each way to take the event; empty where it is blocked."""
        ways: list[tuple[Transition, ...]] = [()]
        this = self.system.events[event]
        for _, numbers in this.movers:
            enabled = [self.system.transitions[n] for n in numbers if self._can[n](state)]
            if enabled:
                ways = [(*way, t) for way in ways for t in enabled]
            elif this.joint:
                return []
        return ways if ways[0] else []

    def affected(self, before: State, after: State) -> int:
        """The subsystems (bits) whose automatic transitions depend on what differs between two states."""
        affected = 0
        for number, (old, new) in enumerate(zip(before.states, after.states, strict=True)):
            if old != new:
                affected |= self._readers[number]
        flags = before.flags ^ after.flags
        for number in range(flags.bit_length()):
            if flags >> number & 1:
                affected |= self._by_flag[number]
        return affected

    def automatic(self, subsystem: int, state: int) -> tuple[Transition, ...]:
        """The automatic transitions that leave a state of a subsystem."""
        return self._automatic[subsystem][state]

    def key(self, state: State, transition: int) -> object:
        """Everything in a state that the transition depends on: equal keys, equal answers."""
        cone = self._cones[transition]
        return cone.key(state.states), state.flags & cone.mask

    def passed(self, landed: list[tuple[State, int]]) -> tuple[dict[State, None], tuple[State, ...]]:
        """(every state on the way, transient and settled; the settled ones), from what :meth:`landed` gives."""
        return self._react(landed)

    def _affected(self, way: tuple[Transition, ...]) -> int:
        affected = 0
        for transition in way:
            affected |= self._readers[transition.subsystem]
        return affected

    def due(self, state: State, suspects: int) -> list[Transition]:
        """The due transitions of those subsystems (bits) of which any may have one."""
        found = []
        states, clocks = state.states, state.clocks
        while suspects:
            low = suspects & -suspects
            suspects ^= low
            number = low.bit_length() - 1
            for t, can in self._leaving[number][states[number]]:
                if clocks[number] >= t.latest and can(state):
                    found.append(t)
        return found

    def _settled(self, landed: list[tuple[State, int]]) -> tuple[State, ...]:
        if len(landed) == 1 and not self._timed:
            state, suspects = landed[0]
            # Most reactions have one order only: follow it without a table.
            for _ in range(MOST_POSSIBLE):
                due = self.due(state, suspects)
                if not due:
                    return (state,)
                if len(due) > 1:
                    break
                (t,) = due
                state = taken(state, t)
                suspects = self._readers[t.subsystem]
            landed = [(state, self._everybody)]
        settled = self._react(landed)[1]
        return self._in_windows(settled) if self._timed else settled

    def _react(self, landed: list[tuple[State, int]]) -> tuple[dict[State, None], tuple[State, ...]]:
        settled: dict[State, None] = {}
        seen: dict[State, None] = {}
        stack = landed[::-1]
        while stack:
            state, suspects = stack.pop()
            if state in seen:
                continue
            seen[state] = None
            if len(seen) > MOST_POSSIBLE:
                raise CannotTrack(f"more than {MOST_POSSIBLE:,} states are possible here, too many to follow")
            due = self.due(state, suspects)
            if not due:
                settled[state] = None
                continue
            left = 0
            for t in due:
                left |= 1 << t.subsystem
            for t in reversed(due):
                after = taken(state, t)
                if after not in seen:
                    stack.append((after, left | self._readers[t.subsystem]))
        if not settled:
            raise NeverRests("the logic of the model goes round automatic transitions for ever here")
        return seen, tuple(settled)

    def one_tick(self, state: State) -> tuple[State, int]:
        """(the state a tick later, before the logic reacts; the subsystems that may now be due)."""
        later = ticked(self.system, state)
        running = (n for n, (a, b) in enumerate(zip(state.clocks, later.clocks, strict=True)) if a != b)
        return later, bits_of(running)

    def _in_windows(self, states: tuple[State, ...]) -> tuple[State, ...]:
        """The states, and those that moves in their windows of time lead to without any time passing."""
        seen = dict.fromkeys(states)
        frontier = list(states)
        while frontier:
            landed = [
                (taken(state, t), self._readers[t.subsystem])
                for state in frontier
                for t in self._timed
                if t.earliest <= state.clocks[t.subsystem] < t.latest and self._can[t.number](state)
            ]
            frontier = [state for state in self._react(landed)[1] if state not in seen] if landed else []
            seen.update(dict.fromkeys(frontier))
            if len(seen) > MOST_POSSIBLE:
                raise CannotTrack(f"more than {MOST_POSSIBLE:,} states are possible here, too many to follow")
        return tuple(seen)

    def _who_reads(self) -> list[int]:
        """For each subsystem the bits of those whose automatic transitions depend on it, itself included."""
        readers = [1 << s.number for s in self.system.subsystems]
        for t in self.system.transitions:
            if t.event is None:
                for subsystem in self._cones[t.number].subsystems:
                    readers[subsystem] |= 1 << t.subsystem
        return readers


def taken(state: State, t: Transition) -> State:
    """As :func:`safetymodel.model.step.moved` for one transition; most of these have no clock to reset."""
    states, clocks, flags = state
    at = t.subsystem
    if clocks[at]:
        clocks = (*clocks[:at], 0, *clocks[at + 1 :])
    return State((*states[:at], t.target, *states[at + 1 :]), clocks, flags)


def _leaves(transition: Transition, state: int) -> bool:
    return transition.event is None and transition.source == state
