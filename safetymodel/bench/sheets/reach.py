"""The nearest of many goals from where a walk has come to: row by row, in sets of states.

A row is an event, a fault that strikes, a jump, or a wait of any length. The moment of a move in a window of time is
nothing that a tester can choose: such a wait ends when the move is seen.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import reduce
from typing import Generic, TypeAlias, TypeVar

from safetymodel.bench.due import Due
from safetymodel.bench.sheets.follow import Follower
from safetymodel.bench.sights import Sight
from safetymodel.bench.stimulus import Stimulus
from safetymodel.claims.breach_states import AN_EVENT, NEW_FAULT, TICK, breach_of
from safetymodel.explore.engine import REACTION, Space
from safetymodel.explore.moves import Move
from safetymodel.explore.single import single_moves
from safetymodel.model.able import able
from safetymodel.model.formula import TRUE, AnyOf, FaultUp, Formula, InState, conjoin
from safetymodel.model.state import State
from safetymodel.model.step import Kind, may_strike
from safetymodel.model.system import Requirement, System

S = TypeVar("S")

WAITING: tuple[Kind, ...] = (*TICK, *REACTION, "time")
"""What a wait is made of."""

Rows: TypeAlias = tuple[Stimulus, ...]


@dataclass(frozen=True, slots=True)
class Layer(Generic[S]):
    """After so many rows: every new state on the way, transient ones too, and the settled ones among them."""

    passed: S
    settled: S


def forbidden_states(system: System) -> Iterator[tuple[Requirement, Formula]]:
    """The requirements that forbid a hazard, each with the states in which it is broken."""
    for requirement in system.requirements:
        if requirement.form in ("never", "always") and requirement.begins is None and requirement.ends is None:
            yield requirement, breach_of(requirement)


class Reach(Generic[S]):
    """Searches in one space, within a room."""

    def __init__(self, space: Space[S], follower: Follower, on_work: Callable[[], None]) -> None:
        self.space = space
        self.system = space.system
        self.follower = follower
        self.on_work = on_work
        self._single = single_moves(space)
        loose = any(t.event is None and t.earliest < t.latest for t in self.system.transitions)
        self.after_hand: tuple[Kind, ...] = ("reaction", "time") if loose else REACTION
        """What may come of an event by itself, before any time passes."""
        self.due = Due(space)
        self._only: dict[State, S] = {}

    # -- sights as sets -----------------------------------------------------------------------

    def place(self, sight: Sight) -> S:
        """The states from which (`at`: in which) a sight is had: settled ones; of a reaction, transient ones."""
        space = self.space
        found = space.where(sight.formula)
        if sight.clock is not None:
            found = space.common(found, self._single.lasted(*sight.clock))
        if sight.kind == "jumps":
            fault = self.system.faults[sight.number]
            assert fault.state is not None
            there = conjoin((FaultUp(fault.number), InState(fault.subject, (fault.state,))))
            found = space.common(found, space.where(there))
        elif sight.kind in ("fires", "prompt"):
            t = self.system.transitions[sight.number]
            if t.event is None:
                found = space.common(found, self.due.only(t.number) if sight.kind == "prompt" else space.transient)
                return space.common(found, self.due.due(t.number))
            found = space.common(found, space.where(able(self.system, t)))
            if self.system.events[t.event].joint:
                found = space.common(found, self._single.possible(Move("event", t.event)))
        return space.common(found, space.settled)

    def only(self, state: State) -> S:
        """The set of one state, remembered."""
        if state not in self._only:
            self._only[state] = self.space.only(state)
        return self._only[state]

    def waiting(self, sights: Iterable[Sight]) -> S:
        """The settled states in which what the sights see taken already stands where it is taken from."""
        found = [self.system.transitions[s.number] for s in sights if s.kind in ("fires", "prompt")]
        here = AnyOf(tuple(InState(t.subsystem, (t.source,)) for t in found)) if found else TRUE
        return self.space.common(self.space.settled, self.space.where(here))

    def forbidden(self) -> S:
        """The settled states that a requirement of a hazard forbids: no walk leads people and machine through them."""
        space, found = self.space, self.space.nothing()
        for _, breach in forbidden_states(self.system):
            found = space.union(found, space.common(space.settled, space.where(breach)))
        return found

    # -- the search ---------------------------------------------------------------------------

    def by_hand(
        self, members: S, fault: int | None, events: Collection[int] | None, kinds: Collection[Kind] = AN_EVENT
    ) -> S:
        """What one event (or another of these kinds), or the fault or its jump, makes of the members."""
        found = self.space.after(members, kinds, events)
        for move in self._moves(fault):
            found = self.space.union(found, self._single.after(members, move))
        return found

    def before_by_hand(self, members: S, fault: int | None, events: Collection[int] | None) -> S:
        """The states of which :meth:`by_hand` makes members."""
        found = self.space.before(members, AN_EVENT, events)
        for move in self._moves(fault):
            found = self.space.union(found, self._single.before(members, move))
        return found

    def _moves(self, fault: int | None) -> list[Move]:
        if fault is None:
            return []
        jump = [Move("jump", fault)] if self.system.faults[fault].kind == "jump" else []
        return [Move("fault", fault), *jump]

    def path(self, layers: Layers[S], depth: int, goal: S, cost: Mapping[State, int]) -> tuple[State, Rows]:
        """The cheapest of the states that the layers begin with from which so many rows lead to the goal (a part of
        the layer at this depth), and the rows, the first way in the order of the spec."""
        guides = [goal]
        chains: list[tuple[S, S]] = []
        timed = self.system.tick is not None
        for above in range(depth, 0, -1):
            inside, before = layers.found[above].passed, layers.found[above - 1].settled
            hand = self.back(guides[-1], REACTION, inside)
            wait = self.back(guides[-1], WAITING, inside) if timed else self.space.nothing()
            chains.append((hand, wait))
            found = self.before_by_hand(hand, layers.fault, layers.events)
            if timed:
                found = self.space.union(found, self.space.before(wait, TICK))
            guides.append(self.space.common(found, before))
        guides.reverse()
        here = start = min(
            (state for state in layers.states if self.space.contains(guides[0], state)), key=lambda s: cost.get(s, 0)
        )
        rows = []
        for place, (hand, wait) in enumerate(reversed(chains), 1):
            stimulus, here = self._onward(here, guides[place], hand, wait, place == depth, layers)
            rows.append(stimulus)
        return start, tuple(rows)

    def back(self, members: S, kinds: Collection[Kind], inside: S) -> S:
        """The members and what leads to them by such steps inside a set."""
        space, found, frontier = self.space, members, members
        while not space.is_empty(frontier):
            self.on_work()
            frontier = space.minus(space.common(space.before(frontier, kinds), inside), found)
            found = space.union(found, frontier)
        return found

    def _onward(
        self, state: State, guide: S, hand: S, wait: S, last: bool, layers: Layers[S]
    ) -> tuple[Stimulus, State]:
        """A row from a concrete state towards the guide, and a settled state (or the goal) that it can lead to."""
        for stimulus in self.hands(state, layers.events, layers.fault):
            landed = self.follower.tracker.landed((state,), stimulus)
            if any(self.space.contains(hand, after) for after, _ in landed):
                done = self.follower.row((state,), stimulus)
                found = [s for phase in done.phases for s in phase.edges] if last else done.after
                arrived = next((s for s in found if self.space.contains(guide, s)), None)
                if arrived is not None:
                    return stimulus, arrived
        waiting: tuple[State, ...] = (state,)
        ticks = 0
        while waiting:
            ticks += 1
            done = self.follower.row(waiting, Stimulus("wait", 1))
            found = [s for phase in done.phases for s in phase.edges] if last else done.after
            for after in found:
                if self.space.contains(guide, after):
                    sure = self._awaited(state, guide, last) if len(done.after) > 1 else None
                    return sure or (Stimulus("wait", ticks), after)
            waiting = tuple(s for s in done.after if self.space.contains(wait, s))
        raise AssertionError("the engine's walk is not one of the model's")

    def _awaited(self, state: State, guide: S, last: bool) -> tuple[Stimulus, State] | None:
        """A wait for what is seen in a window of time that leads towards the guide for sure."""
        for done in self.follower.untils((state,)):
            assert done.stimulus is not None
            passed = [s for phase in done.phases for s in phase.edges] if last else list(done.after)
            arrived = next((s for s in passed if self.space.contains(guide, s)), None)
            if arrived is not None:
                return done.stimulus, arrived
        return None

    def hands(self, state: State, events: Collection[int] | None, fault: int | None) -> list[Stimulus]:
        """What a tester can do in a settled state that is no blocked attempt."""
        system, tracker = self.system, self.follower.tracker
        found = [
            Stimulus("event", e.number)
            for e in system.events
            if (events is None or e.number in events) and tracker.choices(state, e.number)
        ]
        if fault is not None and may_strike(system, state, fault, self.space.budget):
            found.append(Stimulus("fault", fault))
        if fault is not None and state.flags >> fault & 1 and system.faults[fault].kind == "jump":
            found.append(Stimulus("jump", fault))
        return found


class Layers(Generic[S]):
    """The states by the fewest rows that lead to them from some states, made as they are asked for.

    ``fault`` is the one that may strike (``every_fault``: any), ``events`` those that may be used (None: all).
    """

    def __init__(
        self,
        reach: Reach[S],
        states: Collection[State],
        room: S,
        fault: int | None = None,
        events: frozenset[int] | None = None,
        every_fault: bool = False,
    ) -> None:
        self.reach = reach
        self.kinds: tuple[Kind, ...] = (*AN_EVENT, *NEW_FAULT, "jump") if every_fault else AN_EVENT
        self.states = states
        self.room = room
        self.fault = fault
        self.events = events
        here = reduce(reach.space.union, (reach.only(state) for state in states))
        self.found: list[Layer[S]] = [Layer(here, here)]
        self._seen = here

    def deeper(self) -> bool:
        """One layer more; False where there is none."""
        space = self.reach.space
        self.reach.on_work()
        front = self.found[-1].settled
        landed = space.common(self.reach.by_hand(front, self.fault, self.events, self.kinds), self.room)
        passed = space.spread(landed, REACTION, None, self.room)
        if self.reach.system.tick is not None:
            waited = space.common(space.after(front, TICK), self.room)
            passed = space.union(passed, space.spread(waited, WAITING, None, self.room))
        new = space.minus(passed, self._seen)
        if space.is_empty(new):
            return False
        self._seen = space.union(self._seen, new)
        self.found.append(Layer(passed, space.common(new, space.settled)))
        return True
