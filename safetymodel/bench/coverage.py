"""What a run has exercised of a model: states, transitions, blocked attempts, the parts of conditions."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import islice

from safetymodel.bench.partless import Partless, Sight
from safetymodel.bench.parts import Part, part_text, parts_of_transition, without
from safetymodel.bench.stimulus import Stimulus
from safetymodel.bench.tracking import Tracker
from safetymodel.model.formula import TRUE, Formula
from safetymodel.model.state import State
from safetymodel.model.system import System, Transition
from safetymodel.traces.wording import transition_text


@dataclass(frozen=True, slots=True)
class Missing:
    """One thing that was not exercised, in words of the spec, and its place there."""

    name: str
    place: str


@dataclass(frozen=True, slots=True)
class Share:
    """So many of so many, and which are missing, in the order of the spec."""

    what: str
    seen: int
    of: int
    missing: tuple[Missing, ...] = ()


@dataclass(slots=True)
class Seen:
    """What was seen of one part of a condition. ``matters``: a machine without the part would have shown something
    else than the device did. ``decides``: it decided about the transition, whether anything showed it or not."""

    true: bool = False
    false: bool = False
    matters: bool = False
    decides: bool = False


@dataclass(slots=True)
class _Watched:
    """A transition with its parts; for the readings in which they have been looked at, the parts without which it
    would have gone, or stayed, otherwise."""

    transition: Transition
    parts: tuple[tuple[int, Part, Formula], ...]
    looked: dict[object, tuple[int, ...]] = field(default_factory=dict)


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
        self._blockable = frozenset(self.blockable)
        self.pairs = _alike(system)
        self.apart: set[int] = set()
        self.automatic = tuple(t.number for t in system.transitions if t.event is None)
        self.prompt: set[int] = set()
        self._late_looks: dict[int, int] = {}
        self.steps = 0
        self.uncertain = 0
        self._watched = self._watch()
        self._partless = Partless(tracker, self.parts)
        self._asked: dict[int, None] = {}
        """The parts that would have made a difference to a transition within this step."""

    def start(self, possible: tuple[State, ...], sight: Sight) -> None:
        """A device after its reset."""
        self._asked.clear()
        state = _certain(possible)
        if state is not None:
            self._enter(state)
            self._look_at_automatic(state, (1 << len(self.system.subsystems)) - 1)
        self._shown(self._partless.start(self._asked, possible, sight))

    def step(self, before: tuple[State, ...], stimulus: Stimulus, after: tuple[State, ...], sight: Sight) -> None:
        """One stimulus, the states that were possible before and after it, and what the device showed."""
        self.steps += 1
        self._asked.clear()
        old, new = _certain(before), _certain(after)
        if old is None or new is None:
            self.uncertain += 1
        else:
            self._certain_step(old, stimulus, new)
        if self._asked or self._partless.apart:
            self._shown(self._partless.step(self._asked, before, stimulus, after, sight))

    def _shown(self, places: list[int]) -> None:
        for place in places:
            self.seen[place].matters = True
        for place in self._asked:
            self.seen[place].decides = True

    def _certain_step(self, old: State, stimulus: Stimulus, new: State) -> None:
        if stimulus.kind == "event":
            self._attempt(old, stimulus.number)
        if old == new and stimulus.kind != "event":
            return
        way, last = self.tracker.moves(old, stimulus, new)
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
                    if number in self._blockable and number not in self.blocked and not self._may(state, number):
                        self.blocked.add(number)

    def _may(self, state: State, number: int) -> bool:
        """Whether the conditions of a transition are met; a fault may keep it all the same."""
        this = self.system.transitions[number]
        return self.tracker.holds(state, this.interlock) and self.tracker.holds(state, this.physical)

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
        if key not in watched.looked:
            watched.looked[key] = self._deciding(watched, state)
        for place in watched.looked[key]:
            if not self.seen[place].matters:
                self._asked[place] = None

    def _deciding(self, watched: _Watched, state: State) -> tuple[int, ...]:
        """The parts without which the transition would go where it stays, or stay where it goes."""
        holds, this = self.tracker.holds, watched.transition
        interlock, physical = holds(state, this.interlock), holds(state, this.physical)
        found: list[int] = []
        for place, part, rest in watched.parts:
            seen = self.seen[place]
            if holds(state, part.formula):
                seen.true = True
            else:
                seen.false = True
            now, other = (interlock, physical) if part.interlock else (physical, interlock)
            if other and now != holds(state, rest):
                found.append(place)
        return tuple(found)

    def _watch(self) -> list[_Watched]:
        found: list[_Watched] = [_Watched(t, ()) for t in self.system.transitions]
        for place, part in enumerate(self.parts):
            watched = found[part.transition]
            watched.parts = (*watched.parts, (place, part, without(part.of(self.system), part.path)))
        return found

    # -- the sum of it ------------------------------------------------------------------------

    def shares(self) -> tuple[Share, ...]:
        """How much of everything that there is."""
        parts = range(len(self.parts))
        return (
            self._states(),
            self._transitions("transitions taken", range(len(self.system.transitions)), self.taken),
            self._transitions("transitions on events seen blocked", self.blockable, self.blocked),
            self._transitions("automatic transitions seen to be in time", self.automatic, self.prompt),
            self._pairs(),
            self._parts("parts of conditions seen true", {p for p in parts if self.seen[p].true}),
            self._parts("parts of conditions seen false", {p for p in parts if self.seen[p].false}),
            self._parts("parts seen to make the difference", {p for p in parts if self.seen[p].matters}),
        )

    def _states(self) -> Share:
        every = [(s, place) for s in self.system.subsystems for place in range(len(s.states))]
        left = ((s, place) for s, place in every if (s.number, place) not in self.states)
        missing = tuple(Missing(f"{s.name} is {s.states[place]}", s.span.short) for s, place in left)
        return Share("states entered", len(self.states), len(every), missing)

    def _transitions(self, what: str, every: Sequence[int], seen: set[int]) -> Share:
        left = (self.system.transitions[number] for number in every if number not in seen)
        missing = tuple(Missing(transition_text(self.system, t), t.span.short) for t in left)
        return Share(what, len(seen), len(every), missing)

    def _pairs(self) -> Share:
        subsystems = self.system.subsystems
        left = (pair for place, pair in enumerate(self.pairs) if place not in self.apart)
        named = ((subsystems[one], subsystems[other]) for one, other in left)
        missing = tuple(Missing(f"{one.name} and {other.name}", one.span.short) for one, other in named)
        return Share("alike outputs seen apart", len(self.apart), len(self.pairs), missing)

    def _parts(self, what: str, seen: set[int]) -> Share:
        left = (part for place, part in enumerate(self.parts) if place not in seen)
        spans = ((part, self.system.transitions[part.transition].span) for part in left)
        missing = tuple(Missing(part_text(self.system, part), span.short) for part, span in spans)
        return Share(what, len(seen), len(self.parts), missing)


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
