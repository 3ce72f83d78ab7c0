"""The model along the rows of a test: each row with all that the logic may make of it, in every order of reaction."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import Literal

from safetymodel.bench.reactions import MOST_POSSIBLE, CannotTrack
from safetymodel.bench.stimulus import Stimulus
from safetymodel.bench.tracking import Tracker
from safetymodel.model.state import State
from safetymodel.model.step import moved, ticked
from safetymodel.model.system import System, Transition

MOST_KEPT = 300_000
"""States in the rows that are remembered: the same ones are asked for by many goals."""

Showing = Literal["always", "by order", "never"]

Edges = Mapping[State, tuple[tuple[int, State], ...]]
"""From each state the transitions that may be taken of themselves, with where they lead."""


@dataclass(frozen=True, slots=True)
class Phase:
    """A happening, or one tick of a wait: where each state lands, what may be taken of itself after it, and the settled
    states in which it can end."""

    landed: Mapping[State, tuple[State, ...]]
    edges: Edges
    settled: tuple[State, ...]
    takers: Mapping[int, list[State]]
    """The states in which each transition may be taken of itself."""
    _numbered: list[tuple[dict[State, int], list[list[tuple[int, int]]]]] = field(default_factory=list, repr=False)

    def ends_without(self, before: Iterable[State], transition: int, here: Iterable[State]) -> tuple[State, ...]:
        """The settled states in which it can end where a transition is never taken from some states."""
        if not self._numbered:  # comparing numbers takes far less time than comparing states
            place = {state: number for number, state in enumerate(self.edges)}
            self._numbered.append((place, [[(t, place[after]) for t, after in ways] for ways in self.edges.values()]))
        place, onward = self._numbered[0]
        barred = {place[state] for state in here}
        stack = [place[state] for start in before for state in self.landed[start]]
        seen = set(stack)
        while stack:
            number = stack.pop()
            for t, after in onward[number]:
                if after not in seen and (t != transition or number not in barred):
                    seen.add(after)
                    stack.append(after)
        return tuple(state for state in self.settled if place[state] in seen)


@dataclass(frozen=True, slots=True)
class Done:
    """What a row did: the possible states before and after it, and how it came about. ``stimulus`` is None for the
    settling of the initial state."""

    stimulus: Stimulus | None
    before: tuple[State, ...]
    after: tuple[State, ...]
    phases: tuple[Phase, ...] = ()

    @property
    def fired(self) -> frozenset[int]:
        """The transitions that some order of reaction takes."""
        return frozenset(t for phase in self.phases for t in phase.takers)


class Follower:
    """The possible states along a walk, step by step as `model/step` has it."""

    def __init__(self, system: System, tracker: Tracker | None = None) -> None:
        self.system = system
        self.tracker = tracker or Tracker(system)
        self._rows: dict[tuple[State, Stimulus], Done] = {}
        self._weight = 0
        self._everybody = (1 << len(system.subsystems)) - 1
        self._windows = tuple(t for t in system.transitions if t.event is None and t.earliest < t.latest)
        timed = [t for t in system.transitions if t.event is None and t.latest]
        loose = {t.subsystem for t in self._windows}
        self._awaited = tuple(dict.fromkeys((t.subsystem, t.target) for t in timed if t.subsystem in loose))
        self._longest = sum(t.latest for t in timed)
        """Ticks within which something is waited for: as if all that takes time came one after the other."""

    def start(self) -> Done:
        states = self.tracker.start()
        return Done(None, states, states)

    def row(self, states: tuple[State, ...], stimulus: Stimulus) -> Done:
        """One stimulus, with all that the logic makes of it. Raises CannotTrack."""
        if len(states) != 1:
            return self._row(states, stimulus)
        key = states[0], stimulus
        known = self._rows.get(key)
        if known is None:
            known = self._row(states, stimulus)
            self._weight += sum(len(phase.edges) for phase in known.phases)
            if self._weight > MOST_KEPT:
                self._rows.clear()
                self._weight = 0
            self._rows[key] = known
        return known

    def _row(self, states: tuple[State, ...], stimulus: Stimulus) -> Done:
        if stimulus.kind not in ("wait", "until"):
            phase = self._phase({state: self.tracker.landed((state,), stimulus) for state in states})
            return Done(stimulus, states, phase.settled, (phase,))
        seen: dict[State, None] = {}
        here, phases = self._go_on(stimulus, states, seen), []
        for _ in range(stimulus.number):
            if not here:
                break
            phase = self._phase({state: [self._tick(state)] for state in here})
            phases.append(phase)
            if phase.settled == here and not any(phase.edges.values()):
                break  # nothing will ever come of more time
            here = self._go_on(stimulus, phase.settled, seen)
        return Done(stimulus, states, (*seen, *(state for state in here if state not in seen)), tuple(phases))

    def _go_on(self, stimulus: Stimulus, states: tuple[State, ...], seen: dict[State, None]) -> tuple[State, ...]:
        """The states in which a wait goes on; those with what it waits for are noted."""
        if stimulus.seen is None:
            return states
        subsystem, wanted = stimulus.seen
        seen.update(dict.fromkeys(state for state in states if state.states[subsystem] == wanted))
        return tuple(state for state in states if state.states[subsystem] != wanted)

    def let_go(self, state: State) -> Done:
        """What the logic makes of it when every fault and force is taken back. Raises CannotTrack."""
        if not state.flags:
            return Done(None, (state,), (state,))
        phase = self._phase({state: [(state._replace(flags=0), self._everybody)]})
        return Done(None, (state,), phase.settled, (phase,))

    def untils(self, states: tuple[State, ...]) -> Iterator[Done]:
        """Waits that end when a subsystem with a window of time is seen where time brings it for sure, each in one
        state only, whatever the moment of the move; none in a system without such windows."""
        for seen in self._awaited:
            done = self._until(states, seen)
            if done is not None and len(done.after) == 1 and done.stimulus is not None and done.stimulus.number:
                yield done

    def _until(self, states: tuple[State, ...], seen: tuple[int, int]) -> Done | None:
        """The shortest wait within which it is seen for sure."""
        longest = Stimulus("until", self._longest, seen)
        if all(state.states[seen[0]] == seen[1] for state in states):
            return None
        try:
            done = self.row(states, longest)
        except CannotTrack:
            return None
        if any(state.states[seen[0]] != seen[1] for state in done.after):
            return None
        return replace(done, stimulus=replace(longest, number=len(done.phases)))

    def _tick(self, state: State) -> tuple[State, int]:
        later = ticked(self.system, state)
        return later, 0 if later == state else self._everybody

    def _phase(self, landed: Mapping[State, list[tuple[State, int]]]) -> Phase:
        edges: dict[State, tuple[tuple[int, State], ...]] = {}
        settled: dict[State, None] = {}
        stack = [pair for pairs in landed.values() for pair in pairs][::-1]
        while stack:
            state, suspects = stack.pop()
            if state in edges:
                continue
            moves: Iterable[Transition] = self.tracker.due(state, suspects)
            if not moves:
                settled[state] = None
                moves = self._in_window(state)
            edges[state] = tuple((t.number, moved(state, (t,))) for t in moves)
            if len(edges) > MOST_POSSIBLE:
                raise CannotTrack(f"more than {MOST_POSSIBLE:,} states are possible here, too many to follow")
            stack.extend((after, self._everybody) for _, after in reversed(edges[state]))
        if not settled:
            raise CannotTrack("the logic of the model goes round automatic transitions for ever here")
        takers: dict[int, list[State]] = {}
        for state, onward in edges.items():
            for number, _ in onward:
                takers.setdefault(number, []).append(state)
        where = {before: tuple(state for state, _ in pairs) for before, pairs in landed.items()}
        return Phase(where, edges, tuple(settled), takers)

    def would_show(self, states: Iterable[State], transition: Transition, event: int) -> Showing:
        """Whether a machine that takes a transition where the model blocks it comes to rest looking otherwise than the
        model does: else nobody sees that it was taken."""
        found: set[Showing] = set()
        for state in states:
            for way in self.tracker.choices(state, event) or [()]:
                right = self._rest(state, moved(state, way))
                wrong = self._rest(state, moved(state, (*way, transition)))
                same = right & wrong
                found.add("always" if not same else "never" if wrong <= right else "by order")
        return found.pop() if len(found) == 1 else "by order" if found else "always"

    def may_be_late(self, done: Done, transition: Transition) -> bool:
        """Whether a machine that does not take an automatic transition in the last phase of a row can come to rest
        looking as the model does: then nobody sees that it is late."""
        if not done.phases:
            return True
        looks = {state.states for state in done.after}
        stack = [state for landed in done.phases[-1].landed.values() for state in landed]
        seen: set[State] = set()
        while stack:
            state = stack.pop()
            if state in seen:
                continue
            seen.add(state)
            due = self.tracker.due(state, self._everybody)
            others = [t for t in due if t.number != transition.number]
            if not others:
                if state.states in looks:
                    return True
                others = [t for t in self._in_window(state) if t.number != transition.number]
            stack.extend(moved(state, (t,)) for t in others)
        return False

    def _rest(self, before: State, landed: State) -> frozenset[tuple[int, ...]]:
        """The combinations of states in which the logic can come to rest; none where it goes round for ever."""
        try:
            return frozenset(s.states for s in self._phase({before: [(landed, self._everybody)]}).settled)
        except CannotTrack:
            return frozenset()

    def _in_window(self, state: State) -> Iterator[Transition]:
        for t in self._windows:
            if t.earliest <= state.clocks[t.subsystem] < t.latest and self.tracker.can(state, t.number):
                yield t
