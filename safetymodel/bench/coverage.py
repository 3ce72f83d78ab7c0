"""What a run has exercised of a model: states, transitions, blocked attempts, the parts of conditions."""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import islice

from safetymodel.bench.parts import Part, parts_of_transition, without
from safetymodel.bench.stimulus import Stimulus
from safetymodel.bench.tracking import Tracker
from safetymodel.model.formula import TRUE, Formula
from safetymodel.model.state import State
from safetymodel.model.system import System, Transition


@dataclass(frozen=True, slots=True)
class Share:
    """So many of so many, and which are missing, in words of the spec."""

    what: str
    seen: int
    of: int
    missing: tuple[int, ...] = ()


@dataclass(slots=True)
class Seen:
    """What was seen of one part of a condition. ``matters``: a moment in which the transition would have gone, or
    stayed, otherwise if the part had been left out."""

    true: bool = False
    false: bool = False
    matters: bool = False


@dataclass(slots=True)
class _Watched:
    """A transition with its parts, and the readings in which they have been looked at already."""

    transition: Transition
    parts: tuple[tuple[int, Part, Formula], ...]
    looked: set[object] = field(default_factory=set)


class Coverage:
    """Filled step by step. Only what is certain counts: steps between moments with one possible state each, clocks
    aside."""

    def __init__(self, system: System, tracker: Tracker) -> None:
        self.system = system
        self.tracker = tracker
        self.parts: tuple[Part, ...] = tuple(p for t in system.transitions for p in parts_of_transition(t))
        self.seen: tuple[Seen, ...] = tuple(Seen() for _ in self.parts)
        self.states: set[tuple[int, int]] = set()
        self.taken: set[int] = set()
        self.blocked: set[int] = set()
        self.blockable = tuple(
            t.number for t in system.transitions if t.event is not None and (t.interlock != TRUE or t.physical != TRUE)
        )
        self.pairs = _alike(system)
        self.apart: set[int] = set()
        self.automatic = tuple(t.number for t in system.transitions if t.event is None)
        self.prompt: set[int] = set()
        self._late_looks: dict[int, int] = {}
        self.steps = 0
        self.uncertain = 0
        self._watched = self._watch()

    def start(self, possible: tuple[State, ...]) -> None:
        """A device after its reset."""
        state = _certain(possible)
        if state is not None:
            self._enter(state)
            self._look_at_automatic(state, (1 << len(self.system.subsystems)) - 1)

    def step(self, before: tuple[State, ...], stimulus: Stimulus, after: tuple[State, ...]) -> None:
        """One stimulus, and the states that were possible before and after it."""
        self.steps += 1
        old, new = _certain(before), _certain(after)
        if old is None or new is None:
            self.uncertain += 1
            return
        if stimulus.kind == "event":
            self._attempt(old, stimulus.number)
        if old == new and stimulus.kind != "event":
            return
        way, last = self._ways(old, stimulus, new)
        for place, (state, number) in enumerate(way):
            self.taken.add(number)
            self._look(state, number)
            if place >= last and number not in self.prompt:
                self._look_for_late(state, number, new)
        if old.states != new.states or old.flags != new.flags:
            self._enter(new)
            self._look_at_automatic(new, self.tracker.affected(old, new))
        if stimulus.kind == "wait" and old.clocks != new.clocks:
            clocks = enumerate(zip(old.clocks, new.clocks, strict=True))
            self._look_at_automatic(new, sum(1 << number for number, (a, b) in clocks if a != b))

    def _ways(self, old: State, stimulus: Stimulus, new: State) -> tuple[tuple[tuple[State, int], ...], int]:
        """(state, transition taken in it) of each move; and the place of the first one after the last tick."""
        if stimulus.kind != "wait":
            return self.tracker.way(old, stimulus, new) or (), 0
        found: list[tuple[State, int]] = []
        state, last = old, 0
        for _ in range(stimulus.number):
            later, suspects = self.tracker.one_tick(state)
            ends = self.tracker.passed([(later, suspects)])[1]
            if len(ends) != 1:
                return tuple(found), len(found)
            last = len(found)
            found.extend(self.tracker.reaction(later, suspects, ends[0]))
            if ends[0] == state:
                break
            state = ends[0]
        return tuple(found), last

    def _look_for_late(self, state: State, number: int, rest: State) -> None:
        """Whether it would show were an automatic transition not taken yet."""
        looks = self._late_looks.get(number, 0)
        if self.system.transitions[number].event is None and looks < MOST_LATE_LOOKS:
            self._late_looks[number] = looks + 1
            if self.tracker.shows_late(state, number, rest):
                self.prompt.add(number)

    def _enter(self, state: State) -> None:
        states = state.states
        self.states.update(enumerate(states))
        if len(self.apart) < len(self.pairs):
            self.apart.update(n for n, (one, other) in enumerate(self.pairs) if states[one] != states[other])

    def _attempt(self, state: State, event: int) -> None:
        for subsystem, transitions in self.system.events[event].movers:
            for number in transitions:
                if state.states[subsystem] == self.system.transitions[number].source:
                    self._look(state, number)
                    if not self.tracker.can(state, number):
                        self.blocked.add(number)

    def _look_at_automatic(self, state: State, subsystems: int) -> None:
        while subsystems:
            low = subsystems & -subsystems
            subsystems ^= low
            number = low.bit_length() - 1
            for t in self.tracker.automatic(number, state.states[number]):
                if state.clocks[number] >= t.latest:
                    self._look(state, t.number)

    def _look(self, state: State, number: int) -> None:
        """What the parts of a transition's conditions read in a state in which it could go or is kept."""
        watched = self._watched[number]
        if not watched.parts:
            return
        key = self.tracker.key(state, number)
        if key in watched.looked:
            return
        watched.looked.add(key)
        holds, this = self.tracker.holds, watched.transition
        interlock, physical = holds(state, this.interlock), holds(state, this.physical)
        for place, part, rest in watched.parts:
            seen = self.seen[place]
            if holds(state, part.formula):
                seen.true = True
            else:
                seen.false = True
            now, other = (interlock, physical) if part.interlock else (physical, interlock)
            if not seen.matters and other and now != holds(state, rest):
                seen.matters = True

    def _watch(self) -> list[_Watched]:
        found: list[_Watched] = [_Watched(t, ()) for t in self.system.transitions]
        for place, part in enumerate(self.parts):
            watched = found[part.transition]
            watched.parts = (*watched.parts, (place, part, without(part.of(self.system), part.path)))
        return found

    # -- the sum of it ------------------------------------------------------------------------

    def shares(self) -> tuple[Share, ...]:
        """How much of everything that there is; ``missing`` are transitions (or places among the parts)."""
        total = sum(len(s.states) for s in self.system.subsystems)
        transitions = range(len(self.system.transitions))
        places = range(len(self.parts))
        return (
            Share("states entered", len(self.states), total),
            Share(
                "transitions taken",
                len(self.taken),
                len(transitions),
                tuple(t for t in transitions if t not in self.taken),
            ),
            Share(
                "transitions on events seen blocked",
                len(self.blocked),
                len(self.blockable),
                tuple(t for t in self.blockable if t not in self.blocked),
            ),
            Share(
                "automatic transitions seen to be in time",
                len(self.prompt),
                len(self.automatic),
                tuple(t for t in self.automatic if t not in self.prompt),
            ),
            Share("alike outputs seen apart", len(self.apart), len(self.pairs)),
            self._share("parts of conditions seen true", tuple(p for p in places if self.seen[p].true)),
            self._share("parts of conditions seen false", tuple(p for p in places if self.seen[p].false)),
            self._share("parts seen to make the difference", tuple(p for p in places if self.seen[p].matters)),
        )

    def _share(self, what: str, found: tuple[int, ...]) -> Share:
        seen = set(found)
        return Share(what, len(found), len(self.parts), tuple(p for p in range(len(self.parts)) if p not in seen))


def _certain(possible: tuple[State, ...]) -> State | None:
    """The state that it is; of several that differ in their clocks alone, as in real time, that of the least time."""
    if len(possible) == 1:
        return possible[0]
    first = possible[0] if possible else None
    if first is None or any(s.states != first.states or s.flags != first.flags for s in possible):
        return None
    return min(possible, key=lambda state: sum(state.clocks))


MOST_PAIRS = 400

MOST_LATE_LOOKS = 60
"""How often it is looked whether one transition would be seen to be late."""


def _alike(system: System) -> tuple[tuple[int, int], ...]:
    """Pairs of subsystems with the same states: their outputs could be crossed, which shows only where they differ."""
    pairs = (
        (one.number, other.number)
        for one in system.subsystems
        for other in system.subsystems[one.number + 1 :]
        if one.states == other.states
    )
    return tuple(islice(pairs, MOST_PAIRS))
