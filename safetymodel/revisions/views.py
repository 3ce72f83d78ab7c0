"""The joint system seen as the old revision, as the new one, and as what both do alike.

All three are spaces of one encoding, so a set of one is a set of the others. In the third a step is one that both
revisions take from the same state to the same state: a run there is a run of both, word by word.
"""

from __future__ import annotations

import copy
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TypeAlias

from safetymodel.claims.search import Walker
from safetymodel.explore.decisions import Diagram, disjoin
from safetymodel.explore.encoding import Encoding, Operation
from safetymodel.explore.engine import EVERY_STEP
from safetymodel.explore.moves import Move
from safetymodel.explore.saturation import Saturation
from safetymodel.explore.symbolic import SymbolicSpace
from safetymodel.model.formula import Formula
from safetymodel.model.state import State
from safetymodel.model.step import Kind, Step, steps
from safetymodel.model.system import System, Transition
from safetymodel.revisions.joint import Joint, Placed

Key: TypeAlias = tuple[int, int, int, str]
"""What a transition does, in the joint numbering: subsystem, source, target, and the event's name (empty where it is
automatic). Transitions with one key are one way to move, with several conditions."""


@dataclass(frozen=True, slots=True)
class Guarded:
    """An operation that is only taken from some states."""

    operation: Operation
    guard: Diagram

    def image(self, members: Diagram) -> Diagram:
        return self.operation.image(members & self.guard)

    def source(self, members: Diagram) -> Diagram:
        return self.operation.source(members) & self.guard


@dataclass(frozen=True, slots=True)
class Ways:
    """Where one key lets its subsystem move, in one revision: ``able`` its conditions, faults and source allow it;
    ``due`` it fires of itself; ``window`` it may."""

    able: Diagram
    due: Diagram
    window: Diagram


@dataclass(slots=True)
class _Held:
    """What a space keeps of the search behind it."""

    encoding: Encoding
    memory: int


class View(SymbolicSpace):
    """The reached states of one way to look at the joint system."""

    def __init__(self, encoding: Encoding, start: Diagram, budget: int, on_work: Callable[[], None]) -> None:
        self.symbolic = _Held(encoding, 0)  # type: ignore[assignment]  # all that a finished search is asked for
        self.system = encoding.system
        self.budget = budget
        self.complete, self.shortfall = True, ""
        self.on_work = on_work
        self._false = encoding.decisions.false
        self.start = start
        self.reached = Saturation(encoding, on_work, EVERY_STEP).grow(start, encoding.decisions.true)
        self.settled = self.reached & encoding.calm
        self.transient = self.reached & encoding.transient
        self._forget()


class Views:
    """Both revisions over one encoding, under a budget of faults.

    Raises OutOfNodes where ``memory`` (bytes) does not suffice, and what ``on_work`` raises.
    """

    def __init__(self, joint: Joint, budget: int, memory: int, on_work: Callable[[], None]) -> None:
        self.joint = joint
        self.budget = budget
        self.on_work = on_work
        self.encoding = Encoding(joint.system, budget, memory)
        self.decisions = self.encoding.decisions
        self._false = self.decisions.false

    # -- conditions ---------------------------------------------------------------------------

    def key(self, transition: Transition) -> Key:
        event = transition.event
        return (
            transition.subsystem,
            transition.source,
            transition.target,
            "" if event is None else self.joint.system.events[event].name,
        )

    @cached_property
    def keys(self) -> dict[Key, tuple[list[Transition], list[Transition]]]:
        """Every key, with the transitions (of the joint system) that the old and the new revision have for it."""
        found: dict[Key, tuple[list[Transition], list[Transition]]] = {}
        for which, placed in ((1, self.joint.new), (0, self.joint.old)):
            for number in placed.transitions:
                transition = self.joint.system.transitions[number]
                found.setdefault(self.key(transition), ([], []))[which].append(transition)
        return found

    def ways(self, transitions: Iterable[Transition], conditions: Iterable[Diagram] | None = None) -> Ways:
        """Where these transitions of the joint system let their subsystem move; ``conditions`` in place of theirs."""
        able, due, window = [], [], []
        listed = list(transitions)
        places = conditions or (self.encoding.can[t.number] for t in listed)
        for t, where in zip(listed, places, strict=True):
            can = where if conditions is None else where & self._free(t)
            able.append(can)
            if t.event is None:
                from_first = self.encoding.clock_from(t.subsystem, t.earliest)
                from_last = self.encoding.clock_from(t.subsystem, t.latest)
                due.append(can & from_last)
                window.append(can & from_first & ~from_last)
        return Ways(*(disjoin(parts, self._false) & self.valid for parts in (able, due, window)))

    @cached_property
    def valid(self) -> Diagram:
        """Bits that spell a state of every subsystem: of three states in two bits, one value means nothing."""
        found = self.decisions.true
        for s in self.joint.system.subsystems:
            found = found & disjoin((self.encoding.in_state(s.number, n) for n in range(len(s.states))), self._false)
        return found

    def meaning(self, formula: Formula) -> Diagram:
        """The states in which a formula is true."""
        return self.encoding.formula(formula) & self.valid

    def _free(self, transition: Transition) -> Diagram:
        """Where the subsystem is in the source, and no fault keeps it there."""
        found = self.encoding.in_state(transition.subsystem, transition.source)
        for fault in self.joint.system.faults:
            stuck = fault.kind == "stuck" and fault.subject == transition.subsystem
            if stuck and fault.state in (None, transition.source):
                found = found & ~self.encoding.flag(fault.number)
        return found

    @cached_property
    def both(self) -> dict[Key, tuple[Ways, Ways]]:
        """For each key where the old and where the new revision moves by it."""
        return {key: (self.ways(old), self.ways(new)) for key, (old, new) in self.keys.items()}

    def differs(self, key: Key, old: Ways | None = None) -> Diagram:
        """Where only one of the revisions has a step by this key, over all states that can be written down; with
        ``old`` ways in place of those of the old revision."""
        known, new = self.both[key]
        old = old or known
        if key[3]:
            return (old.able ^ new.able) & self.calm
        return (old.due ^ new.due) | ((old.window ^ new.window) & self.calm)

    @cached_property
    def calm(self) -> Diagram:
        """Settled in both revisions."""
        return self._calm(self.joint.old) & self._calm(self.joint.new)

    def _calm(self, placed: Placed) -> Diagram:
        return ~disjoin((self.encoding.due[t] for t in placed.transitions), self._false)

    # -- spaces -------------------------------------------------------------------------------

    def _space(self, placed: Placed, calm: Diagram, moves: Iterator[tuple[Move, Operation | Guarded]]) -> View:
        narrow = copy.copy(self.encoding)
        narrow.calm, narrow.transient = calm, ~calm
        narrow.moves = tuple(moves)  # type: ignore[arg-type]  # a guarded operation has the same two sides
        start = self.encoding.single(placed.start(self.joint.system))
        return View(narrow, start, self.budget, self.on_work)

    @cached_property
    def old(self) -> View:
        return self._space(self.joint.old, self._calm(self.joint.old), self._own(self.joint.old))

    @cached_property
    def new(self) -> View:
        return self._space(self.joint.new, self._calm(self.joint.new), self._own(self.joint.new))

    @cached_property
    def common(self) -> View:
        """Runs of both. (Where the declared starts differ there is none: then only the start itself is in it.)"""
        return self._space(self.joint.new, self.calm, self._shared())

    @property
    def same_start(self) -> bool:
        system = self.joint.system
        return self.joint.old.start(system) == self.joint.new.start(system)

    def _own(self, placed: Placed) -> Iterator[tuple[Move, Operation]]:
        own: dict[Kind, frozenset[int]] = {
            "reaction": frozenset(placed.transitions),
            "time": frozenset(placed.transitions),
            "event": frozenset(placed.events),
            "fault": frozenset(placed.faults),
            "jump": frozenset(placed.faults),
            "tick": frozenset([0]),
        }
        for move, operation in self.encoding.moves:
            if move.number in own[move.kind]:
                yield move, operation

    def _shared(self) -> Iterator[tuple[Move, Operation | Guarded]]:
        system = self.joint.system
        known = {(move.kind, move.number): operation for move, operation in self.encoding.moves}
        for key, (old, new) in self.both.items():
            transitions = [t.number for ways in self.keys[key] for t in ways if t.event is None]
            if old.due & new.due != self._false:
                operation = self.encoding.enter(key[0], key[2], old.due & new.due)
                # Once under each number: whatever either revision reads makes it worth a try.
                yield from ((Move("reaction", number), operation) for number in transitions)
            if old.window & new.window != self._false:
                yield Move("time", transitions[0]), self.encoding.enter(key[0], key[2], old.window & new.window)
        for event, guard in self._alike_events():
            if ("event", event) in known:
                yield Move("event", event), Guarded(known["event", event], guard)
        alike = set(self.joint.old.faults) & set(self.joint.new.faults)
        for (kind, number), every in known.items():
            if (kind in ("fault", "jump") and number in alike) or (kind == "tick" and system.tick is not None):
                yield Move(kind, number), every

    def _alike_events(self) -> Iterator[tuple[int, Diagram]]:
        """Each event of both, by its number in the new revision, and where it makes the same moves in both."""
        for name, guard in self.alike.items():
            yield next(e for e in self.joint.new.events if self.joint.system.events[e].name == name), guard

    @cached_property
    def alike(self) -> dict[str, Diagram]:
        """For each event that both have, the states in which it does the same in both."""
        old = {self.joint.system.events[e].name: e for e in self.joint.old.events}
        new = {self.joint.system.events[e].name: e for e in self.joint.new.events}
        apart: dict[str, list[Diagram]] = defaultdict(list)
        for key, (there, here) in self.both.items():
            apart[key[3]].append(there.able ^ here.able)
        found = {}
        for name in old.keys() & new.keys():
            events = [self.joint.system.events[n] for n in (old[name], new[name])]
            guard = ~disjoin(apart[name], self._false)
            if any(e.joint for e in events):
                possible = [self._possible(e.number) for e in events]
                guard = guard & ~(possible[0] ^ possible[1])
            found[name] = guard
        return found

    def _possible(self, event: int) -> Diagram:
        """Where a happening of this event moves somebody."""
        this = self.joint.system.events[event]
        able = [disjoin((self.encoding.can[t] for t in ways), self._false) for _, ways in this.movers]
        if this.joint:
            return ~disjoin((~a for a in able), self._false) if able else self._false
        return disjoin(able, self._false)


class JointWalker(Walker[Diagram]):
    """Shortest runs in a view, stepped by the reference step function of the revisions that it is of."""

    def __init__(self, space: View, joint: Joint, revisions: tuple[Placed, ...]) -> None:
        super().__init__(space)
        self.joint = joint
        self.revisions = revisions

    def first(self) -> State:
        return self.revisions[0].start(self.joint.system)

    def offered(self, state: State) -> Iterator[Step]:
        """The steps that all of the revisions have, to the same state, in the order of the first of them."""
        first, *others = (
            dict(joint_steps(self.joint.system, placed, state, self.space.budget)) for placed in self.revisions
        )
        for label, step in first.items():
            if all(label in other for other in others):
                yield step


StepLabel: TypeAlias = tuple[Kind, str, State]


def joint_steps(system: System, placed: Placed, state: State, budget: int) -> Iterator[tuple[StepLabel, Step]]:
    """The steps of one revision from a state of the joint system, by the reference step function.

    A label says the kind, the name (of the event, the fault or the moved subsystem) and the state after it.
    """
    own = placed.system
    inside = {place: number for number, place in enumerate(placed.faults)}
    flags = sum(1 << inside[f] for f in range(state.flags.bit_length()) if state.flags >> f & 1 and f in inside)
    states = tuple(
        placed.states[s.number].index(state.states[place])
        for s, place in zip(own.subsystems, placed.subsystems, strict=True)
    )
    clocks = tuple(
        min(state.clocks[place], s.longest[here])
        for s, place, here in zip(own.subsystems, placed.subsystems, states, strict=True)
    )
    for step in steps(own, State(states, clocks, flags), budget):
        yield _in_joint(system, placed, state, step)


def _in_joint(system: System, placed: Placed, before: State, step: Step) -> tuple[StepLabel, Step]:
    states, clocks, flags = list(before.states), list(before.clocks), before.flags
    moved = tuple(placed.transitions[t] for t in step.moved)
    number, name = 0, ""
    match step.kind:
        case "event" | "reaction" | "time":
            for n in moved:
                states[system.transitions[n].subsystem] = system.transitions[n].target
                clocks[system.transitions[n].subsystem] = 0
            if step.kind == "event":
                number = placed.events[step.number]
                name = system.events[number].name
            else:
                number = moved[0]
                name = system.subsystems[system.transitions[number].subsystem].name
        case "fault":
            number = placed.faults[step.number]
            name, flags = system.faults[number].name, flags | 1 << number
        case "jump":
            number = placed.faults[step.number]
            fault = system.faults[number]
            name = fault.name
            states[fault.subject], clocks[fault.subject] = fault.target, 0
        case "tick":
            clocks = [
                min(clock + 1, s.longest[here])
                for clock, s, here in zip(clocks, system.subsystems, states, strict=True)
            ]
    after = State(tuple(states), tuple(clocks), flags)
    return (step.kind, name, after), replace(step, number=number, moved=moved, after=after)
