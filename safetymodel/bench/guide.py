"""Where a fuzz run goes: towards what has not been exercised yet, by what the model says.

A goal is a condition on the state and an event to try there. The way is found by means and ends: which part of the
condition is missing, which subsystem would have to move for it, by which transition, what that one waits for in turn.
Choices are drawn at random, so that a way that leads nowhere is not taken for ever.
"""

from __future__ import annotations

import random
from collections import deque
from collections.abc import Callable
from dataclasses import replace
from typing import Any

from safetymodel.bench.aims import Goal, all_of, mattering
from safetymodel.bench.compiled import Question
from safetymodel.bench.coverage import Coverage
from safetymodel.bench.settable import Settable
from safetymodel.bench.stimulus import Stimulus
from safetymodel.bench.tracking import Tracker
from safetymodel.model.able import able
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
    conjoin,
)
from safetymodel.model.state import State
from safetymodel.model.step import is_stuck, may_strike
from safetymodel.model.system import Fault, System, Transition

DEEPEST = 14
"""How far back means are looked for."""

Given = Callable[[Stimulus], bool]


class Guide:
    """Chooses stimuli. ``can_give`` says which the device has points for; at most ``budget`` faults at once."""

    def __init__(self, system: System, tracker: Tracker, can_give: Given, budget: int) -> None:
        self.system = system
        self.tracker = tracker
        self.budget = budget
        self._tests: dict[Goal, tuple[tuple[Formula, Question], ...]] = {}
        self._ahead = [_distances(system, s.number) for s in system.subsystems]
        self._entered: dict[tuple[InState, bool], frozenset[int]] = {}
        self._nearest: dict[tuple[int, frozenset[int]], list[list[tuple[int, int]]]] = {}
        self._not_due = {t.number: Not(able(system, t)) for t in system.transitions if t.event is None and not t.latest}
        self._conditions = [conjoin((t.interlock, t.physical)) for t in system.transitions]
        self.events = tuple(e.number for e in system.events if can_give(Stimulus("event", e.number)))
        self.usable = frozenset(self.events)
        self.faults = tuple(f for f in system.faults if budget and can_give(Stimulus("fault", f.number)))
        self._holding: dict[tuple[int, bool], list[Fault]] = {}
        for fault in self.faults:
            if fault.kind == "signal":
                self._holding.setdefault((fault.subject, fault.value), []).append(fault)
        self._at_hand = [
            [tuple(n for n in self.events if self._leaves(n, s.number, state)) for state in range(len(s.states))]
            for s in system.subsystems
        ]

    def _leaves(self, event: int, subsystem: int, state: int) -> bool:
        movers = self.system.events[event].movers
        return any(s == subsystem and self.system.transitions[t].source == state for s, ts in movers for t in ts)

    # -- one step -----------------------------------------------------------------------------

    def anything(self, state: State, rng: random.Random) -> Stimulus:
        """A stimulus at random: mostly an event that a subsystem stands ready for, now and then time or a fault."""
        x = rng.random()
        if self.system.tick is not None and x < 0.08:
            return Stimulus("wait", rng.choice((1, 1, 1, 2, 3, 6)))
        if self.faults and x > 0.995 and state.flags.bit_count() < self.budget:
            return Stimulus("fault", rng.choice(self.faults).number)
        jumps = [f for f in self.faults if f.kind == "jump" and state.flags >> f.number & 1]
        if jumps and x > 0.9:
            return Stimulus("jump", rng.choice(jumps).number)
        if not self.events:
            return Stimulus("wait", 1)
        for _ in range(8):
            subsystem = rng.randrange(len(state.states))
            ready = self._at_hand[subsystem][state.states[subsystem]]
            if ready and x < 0.8:
                return Stimulus("event", rng.choice(ready))
        return Stimulus("event", rng.choice(self.events))

    def want(self, state: State, formula: Formula, rng: random.Random) -> Stimulus | None:
        """A first stimulus on a way to make true what is false; None where no way is seen from here."""
        return self._want(state, formula, True, frozenset(), rng)

    def reach(self, state: State, subsystem: int, wanted: int, rng: random.Random) -> Stimulus | None:
        """The same for a state of a subsystem in which it is not."""
        return self._reach(state, subsystem, frozenset((wanted,)), frozenset(), rng)

    def strike(self, state: State, fault: int) -> Stimulus | None:
        """The fault, where it can strike."""
        return Stimulus("fault", fault) if may_strike(self.system, state, fault, self.budget) else None

    def home(self, fault: int) -> tuple[int, int] | None:
        """The state of a subsystem that a fault keeps or leaves; None for one of a signal, or of any state."""
        this = self.system.faults[fault]
        return None if this.kind == "signal" or this.state is None else (this.subject, this.state)

    def lacking(self, state: State, goal: Goal) -> list[Formula]:
        """The conjuncts of a goal that are not there yet."""
        return [part for part, test in self._tests_of(goal) if not test(state)]

    def missing(self, state: State, goal: Goal) -> int:
        """How many they are."""
        return sum(not test(state) for _, test in self._tests_of(goal))

    def source(self, goal: Goal) -> Formula | None:
        """The conjunct of a goal that says where its transition begins."""
        return self._tests_of(goal)[0][0] if goal.begins is not None else None

    def _tests_of(self, goal: Goal) -> tuple[tuple[Formula, Question], ...]:
        known = self._tests.get(goal)
        if known is None:
            parts = goal.wanted.parts if isinstance(goal.wanted, AllOf) else (goal.wanted,)
            known = self._tests[goal] = tuple((part, self.tracker.asked(part)) for part in parts)
        return known

    def meets(self, goal: Goal, before: State, stimulus: Stimulus, after: State) -> bool:
        """Whether a step of the model meets a goal, as far as that can be told quickly; `Coverage` decides."""
        holds = self.tracker.holds
        if goal.passing or goal.kind in ("taken", "prompt"):
            if goal.event is not None:
                return stimulus == Stimulus("event", goal.event) and holds(before, goal.wanted)
            assert goal.begins is not None
            left = before.states[goal.begins[0]] == goal.begins[1] != after.states[goal.begins[0]]
            if stimulus.kind == "wait" or before == after:
                return left and goal.clock is not None and holds(before, goal.wanted)
            for state, number in self.tracker.way(before, stimulus, after) or ():
                if number == goal.transition and holds(state, goal.wanted):
                    return goal.kind != "prompt" or self.tracker.shows_late(state, number, after)
            return False
        if goal.event is not None:
            return stimulus == Stimulus("event", goal.event) and holds(before, goal.wanted)
        return holds(after, goal.wanted) and (goal.clock is None or after.clocks[goal.clock[0]] >= goal.clock[1])

    def at_rest(self, goal: Goal) -> tuple[Formula, ...]:
        """That none of the automatic transitions of what a goal depends on is due, those that wait for a time aside."""
        cone = self.tracker.cone(goal.wanted)
        ways = (n for s in cone.subsystems for n in self.system.subsystems[s].transitions)
        return tuple(self._not_due[n] for n in ways if n in self._not_due)

    def related(self, goal: Goal, wider: bool = False) -> tuple[int, ...]:
        """The faults that can be forced of what a goal depends on; ``wider``: of what these subsystems' own transitions
        depend on too."""
        cone = self.tracker.cone(goal.wanted)
        if wider:
            ways = (n for s in cone.subsystems for n in self.system.subsystems[s].transitions)
            cone = self.tracker.cone(AllOf((goal.wanted, *(self._conditions[n] for n in ways))))
        return tuple(
            f.number
            for f in self.faults
            if cone.mask >> f.number & 1 or (f.kind != "signal" and f.subject in cone.subsystems)
        )

    def _want(
        self, state: State, formula: Formula, value: bool, busy: frozenset[int], rng: random.Random
    ) -> Stimulus | None:
        """A first stimulus on a way to give a formula this truth, which it has not."""
        kind = type(formula)  # asked often: quicker than a match
        if kind is InState:
            return self._state(state, formula, value, busy, rng)  # type: ignore[arg-type]
        if kind is SignalTrue:
            return self._signal(state, formula.signal, value, busy, rng)  # type: ignore[union-attr]
        if kind is AllOf or kind is AnyOf:
            holds = self.tracker.holds
            lacking = [part for part in formula.parts if holds(state, part) != value]  # type: ignore[union-attr]
            if len(lacking) > 1:
                rng.shuffle(lacking)
            return self._first(state, lacking, value, busy, rng)
        match formula:
            case Not(part):
                return self._want(state, part, not value, busy, rng)
            case Defined(_, body):
                return self._want(state, body, value, busy, rng)
            case HowMany(least, most, members, _):
                true = [m for m in members if self.tracker.holds(state, m)]
                false = [m for m in members if not self.tracker.holds(state, m)]
                more = (len(true) < least) if value else not (false and len(true) >= most)
                if not value and rng.random() < 0.5:
                    more = not more
                chosen = false if more else true
                rng.shuffle(chosen)
                return self._first(state, list(chosen), more, busy, rng)
            case FaultUp(fault):
                return self._strike(state, [self.system.faults[fault]], rng) if value else None
            case _:
                return None

    def _state(
        self, state: State, wanted: InState, value: bool, busy: frozenset[int], rng: random.Random
    ) -> Stimulus | None:
        key = wanted, value
        enter = self._entered.get(key)
        if enter is None:
            enter = frozenset(wanted.states)
            if value == wanted.negated:
                enter = frozenset(range(len(self.system.subsystems[wanted.subsystem].states))) - enter
            self._entered[key] = enter
        return self._reach(state, wanted.subsystem, enter, busy, rng)

    def _first(
        self, state: State, parts: list[Formula], value: bool, busy: frozenset[int], rng: random.Random
    ) -> Stimulus | None:
        for part in parts:
            found = self._want(state, part, value, busy, rng)
            if found is not None:
                return found
        return None

    def _signal(
        self, state: State, signal: int, value: bool, busy: frozenset[int], rng: random.Random
    ) -> Stimulus | None:
        reads = self.system.signals[signal].reads
        fault = None
        if self._holding.get((signal, value)) and (rng.random() < 0.5 or self.tracker.holds(state, reads) == value):
            fault = self._strike(state, self._holding[signal, value], rng)
        if fault is not None or self.tracker.holds(state, reads) == value:
            return fault
        return self._want(state, reads, value, busy, rng)

    def _strike(self, state: State, faults: list[Fault], rng: random.Random) -> Stimulus | None:
        if state.flags.bit_count() >= self.budget:
            return None
        possible = [f for f in faults if f in self.faults and not state.flags >> f.number & 1]
        return Stimulus("fault", rng.choice(possible).number) if possible else None

    def _reach(
        self, state: State, subsystem: int, enter: frozenset[int], busy: frozenset[int], rng: random.Random
    ) -> Stimulus | None:
        """Move a subsystem into one of some states: by a first transition on a short way through its own states."""
        if subsystem in busy or len(busy) >= DEEPEST:
            return None
        near = self._near(subsystem, enter)[state.states[subsystem]]
        for _, number in sorted([(nearest + rng.random() * 1.5, number) for nearest, number in near]):
            found = self._enable(state, self.system.transitions[number], busy | {subsystem}, rng)
            if found is not None:
                return found
        return self._jump(state, subsystem, enter, rng)

    def _near(self, subsystem: int, enter: frozenset[int]) -> list[list[tuple[int, int]]]:
        """For each state of a subsystem the transitions that leave it towards some states, with how far it is then."""
        known = self._nearest.get((subsystem, enter))
        if known is None:
            this, ahead = self.system.subsystems[subsystem], self._ahead[subsystem]
            known = self._nearest[subsystem, enter] = [[] for _ in this.states]
            for t in (self.system.transitions[n] for n in this.transitions):
                distances = [ahead[t.target][goal] for goal in enter if goal in ahead[t.target]]
                if distances:
                    known[t.source].append((min(distances), t.number))
        return known

    def _enable(self, state: State, t: Transition, busy: frozenset[int], rng: random.Random) -> Stimulus | None:
        if self.tracker.can(state, t.number):
            if t.event is not None:
                return Stimulus("event", t.event) if t.event in self.usable else None
            if self.system.tick is None:
                return None
            return Stimulus("wait", max(1, t.latest - state.clocks[t.subsystem]))
        if state.flags and is_stuck(self.system, state, t.subsystem):
            return None
        if t.event is not None and t.event not in self.usable:
            return None
        return self._want(state, self._conditions[t.number], True, busy, rng)

    def _jump(self, state: State, subsystem: int, enter: frozenset[int], rng: random.Random) -> Stimulus | None:
        for fault in self.faults:
            here = fault.kind == "jump" and fault.subject == subsystem and fault.state == state.states[subsystem]
            if here and fault.target in enter:
                if state.flags >> fault.number & 1:
                    return Stimulus("jump", fault.number)
                return self._strike(state, [fault], rng)
        return None


def goals_of(system: System, coverage: Coverage, guide: Guide) -> tuple[Goal, ...]:
    """Everything that there is to exercise, as far as some state with the faults that can be forced meets it."""
    found: list[Goal] = []
    for t in system.transitions:
        source, begins = InState(t.subsystem, (t.source,)), (t.subsystem, t.source)
        clock = (t.subsystem, t.latest) if t.event is None and t.latest else None
        wanted = all_of(source, t.interlock, t.physical)
        found.append(Goal("taken", t.number, wanted, t.event, clock, begins=begins, transition=t.number))
        if t.event is None:
            found.append(Goal("prompt", t.number, wanted, None, clock, begins=begins, transition=t.number))
        if t.number in coverage.blockable:
            blocked = all_of(source, Not(conjoin((t.interlock, t.physical))))
            found.append(Goal("blocked", t.number, blocked, t.event, begins=begins))
    for place, part in enumerate(coverage.parts):
        t = system.transitions[part.transition]
        begins = (t.subsystem, t.source)
        clock = (t.subsystem, t.latest) if t.event is None and t.latest else None
        wanted, happens = mattering(system, t, part)
        passing = happens and t.event is None and not t.latest
        more: dict[str, Any] = {"begins": begins, "passing": passing, "transition": t.number}
        found.append(Goal("matters", place, wanted, t.event, clock, **more))
    for place, (one, other) in enumerate(coverage.pairs):
        states = range(len(system.subsystems[one].states))
        apart = AnyOf(tuple(AllOf((InState(one, (n,)), InState(other, (n,), True))) for n in states))
        found.append(Goal("apart", place, apart))
    usable = (goal for goal in found if goal.event is None or goal.event in guide.usable)
    settled = (_with_faults(system, goal, guide, Settable(system)) for goal in usable)
    return tuple(goal for goal in settled if goal is not None)


def _with_faults(system: System, goal: Goal, guide: Guide, settable: Settable) -> Goal | None:
    """The goal with the faults of which it needs one; None where no settled state meets it."""
    wanted = goal.wanted
    if goal.kind not in ("taken", "prompt") and not goal.passing:
        wanted = conjoin((wanted, *guide.at_rest(goal)))
    if settable.can_be(wanted):
        return goal
    flags = guide.tracker.cone(wanted).mask
    telling = (f.number for f in guide.faults if flags >> f.number & 1)
    needed = tuple(fault for fault in telling if settable.can_be(wanted, 1 << fault))
    return replace(goal, faults=needed) if needed else None


def _distances(system: System, subsystem: int) -> list[dict[int, int]]:
    """For each state of a subsystem, how many of its own transitions each other state is away at the least."""
    this = system.subsystems[subsystem]
    leads: dict[int, set[int]] = {}
    for number in this.transitions:
        leads.setdefault(system.transitions[number].source, set()).add(system.transitions[number].target)
    found = []
    for start in range(len(this.states)):
        away = {start: 0}
        queue = deque([start])
        while queue:
            here = queue.popleft()
            for target in sorted(leads.get(here, ())):
                if target not in away:
                    away[target] = away[here] + 1
                    queue.append(target)
        found.append(away)
    return found
