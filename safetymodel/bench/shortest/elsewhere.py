"""A difference that shows elsewhere too: the engine is asked for the shortest ways to where it may, by what the device
did and what the model allows, and each is tried on the device."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Sequence

from safetymodel.bench.run import Record
from safetymodel.bench.shortest.suspects import Place, Places, Suspicion, a_wrong_clock, explains, suspicions
from safetymodel.bench.shortest.tries import Tries
from safetymodel.bench.shortest.ways import Way, Ways
from safetymodel.bench.stimulus import Stimulus, happenings_of
from safetymodel.bench.told import one_way
from safetymodel.explore.engine import LimitReached
from safetymodel.model.formula import AllOf, AnyOf, FaultUp, Formula, InState, conjoin
from safetymodel.model.state import State, fault_numbers

MOST_DOUBTFUL = 10
"""Ways that are tried to where a mistake might show that does not explain all, or that something might hide."""


def look_elsewhere(tries: Tries, ways: Ways | None = None) -> tuple[str, bool]:
    """Make the best of the tries shorter. What was left undone, in words; and whether some mistake explains the best.
    ``ways`` are made unless they are given, for as many faults."""
    if not tries.best.stimuli or tries.best.difference is None:
        return "", False
    if tries.late:
        return "time ran out before shorter ways were looked for", False
    try:
        faults = sum(tries.can_give(Stimulus("fault", fault.number)) for fault in tries.system.faults)
        faults = min(tries.faults, faults)
        if ways is None or ways.faults != faults:
            ways = Ways(tries.system, faults, tries.can_give, tries.seconds)
        return _Elsewhere(tries, ways).look()
    except LimitReached as limit:
        return f"shorter ways were not looked for to the end: {limit}", False


class _Elsewhere:
    def __init__(self, tries: Tries, ways: Ways) -> None:
        self.tries, self.ways = tries, ways
        self.system, self.mapping, self.tracker = tries.system, tries.mapping, tries.tracker
        self._places = Places(ways.space)
        self._explained: Record | None = None
        """The latest run that some mistake explains."""

    @property
    def best(self) -> Record:
        return self.tries.best

    def look(self) -> tuple[str, bool]:
        while self.best.stimuli and self._suspect():
            pass
        return self._loosen(), self._explained is self.best

    def _suspect(self) -> bool:
        """Try the shortest ways to where a mistake would show that may have been made; whether one is shorter.

        First all those that explain the run, where nothing hides them; then a few to where something may, and a few of
        mistakes that explain one step only: there may be more than one. Where only time has passed, a clock that is
        wrong may show at any other timer.
        """
        doubtful: list[tuple[list[Place], Way]] = []
        for place, before, rest in self._moments():
            guessed = suspicions(self.system, self.tracker, before, self.best.stimuli[place])
            likely = [guess for guess in guessed if self._explains(place, guess)]
            self._explained = self.best if likely else self._explained
            if self._go_there([p for g in likely for p in self._places.of(g)], rest):
                return True
            doubtful.append(([p for g in likely for p in self._places.of(g, by_the_way=True)], rest))
            doubtful.append(([p for g in guessed if g not in likely for p in self._places.of(g)], rest))
        if self.best.stimuli[-1].kind == "wait":
            doubtful.append((list(self._places.of(a_wrong_clock(self.system), by_the_way=True)), ()))
        return any(self._go_there(there, rest, MOST_DOUBTFUL) for there, rest in doubtful)

    def _explains(self, place: int, guess: Suspicion) -> bool:
        return not self.tries.late and explains(self.system, self.mapping, self.tracker, self.best, place, guess)

    def _go_there(self, places: list[Place], rest: Way, most: int | None = None) -> bool:
        """Try the shortest way to one of the places, with the rest of the run after it, so many times at most; whether
        that is shorter. A way that shows nothing speaks against all that would have shown at its end."""
        at_once = _Nearest(self.ways, [p for p in places if not p.last], rest)
        tried = _Nearest(self.ways, [p for p in places if p.last and self.tries.can_give(p.last[0])], rest)
        for _ in itertools.count() if most is None else range(most):
            nearest = min(at_once, tried, key=lambda n: n.happenings)
            if self.tries.late or nearest.happenings >= self.tries.length:
                break
            if any(self.tries.better_by(way) for way in nearest.ways()):
                return True
            nearest.drop()
        return False

    def _moments(self) -> Iterator[tuple[int, tuple[State, ...], Way]]:
        """(place of a stimulus, states before it, stimuli after it) where the device may have gone wrong: the last one,
        and where some subsystem does not show its state all before it too, the latest first."""
        assert self.best.difference is not None
        stimuli = self.best.stimuli
        yield len(stimuli) - 1, self.best.difference.before, ()
        if not self._shows_all():
            states = one_way(self.system, self.mapping, self.best, self.tracker)[: len(stimuli) - 1]
            for place in reversed(range(len(states))):
                yield place, (states[place],), stimuli[place + 1 :]

    def _shows_all(self) -> bool:
        """Whether each subsystem shows which state it is in."""
        telling = {o.subsystem for o in self.mapping.outputs if all(len(states) == 1 for _, states in o.states)}
        return telling.issuperset(range(len(self.system.subsystems)))

    def _loosen(self) -> str:
        """Drop from the description of that moment what makes the way to it longer and does not matter."""
        assert self.best.difference is not None
        for target in (conjoin(tuple(self._looks())), self._apart()):
            if target is not None:
                self._try(target, again=False)
        if not self.best.stimuli:
            return ""
        before = self.best.difference.before[0]
        wanted = self._moment(before)
        if not self._try(conjoin(tuple(wanted))):
            wanted = self._all_of(before, wanted)
        for part in list(wanted):
            if self.tries.late:
                return "time ran out while shorter ways were looked for"
            rest = [other for other in wanted if other is not part]
            if self._try(conjoin(tuple(rest))):
                wanted = rest
        return ""

    def _moment(self, state: State) -> list[Formula]:
        """The states of what the last stimulus and the outputs that differ depend on, and the faults that are up."""
        assert self.best.difference is not None
        last, outputs = self.best.stimuli[-1], set(self.best.difference.outputs)
        subsystems: set[int] = {s.number for s in self.system.subsystems if s.name in outputs}
        movers = [n for n, _ in self.system.events[last.number].movers] if last.kind == "event" else []
        for number in {*subsystems, *movers}:
            for transition in self.system.subsystems[number].transitions:
                if self.system.transitions[transition].source == state.states[number]:
                    subsystems.update(self.tracker.depends_on(transition))
        subsystems.update(movers)
        found: list[Formula] = [InState(number, (state.states[number],)) for number in sorted(subsystems)]
        found += [FaultUp(number) for number in fault_numbers(state.flags)]
        return found

    def _all_of(self, state: State, wanted: list[Formula]) -> list[Formula]:
        """Something that the spec does not name in the condition matters: what is wanted, and of the states of all
        subsystems those without which nothing shows. Pieces are left out, ever smaller ones."""
        everything: list[Formula] = [InState(s.number, (state.states[s.number],)) for s in self.system.subsystems]
        others = [part for part in everything if part not in wanted]
        if not self._try(conjoin((*wanted, *others))):
            return wanted
        size = max(1, len(others) // 2)
        while size and not self.tries.late:
            place = 0
            while place < len(others) and not self.tries.late:
                rest = others[:place] + others[place + size :]
                if self._try(conjoin((*wanted, *rest))):
                    others = rest
                else:
                    place += size
            size //= 2
        return [*wanted, *others]

    def _looks(self) -> list[Formula]:
        """What the model says of the outputs that differ: reason enough where they are only read wrongly."""
        difference = self.best.difference
        assert difference is not None
        state = difference.expected[0]
        shown = (s for s in self.system.subsystems if s.name in difference.outputs)
        return [InState(s.number, (state.states[s.number],)) for s in shown]

    def _apart(self) -> Formula | None:
        """Two alike outputs that differ are in different states: were they crossed, any such states would show it."""
        assert self.best.difference is not None
        differing = [s for s in self.system.subsystems if s.name in self.best.difference.outputs]
        ways = [
            AllOf((InState(one.number, (state,)), InState(other.number, (state,), True)))
            for place, one in enumerate(differing)
            for other in differing[place + 1 :]
            if one.states == other.states
            for state in range(len(one.states))
        ]
        return AnyOf(tuple(ways)) if ways else None

    def _try(self, target: Formula, again: bool = True) -> bool:
        """Whether a shortest way to the target, with the last stimulus after it (``again``), still shows a difference
        and is no longer."""
        last = self.best.stimuli[-1:] if again else ()
        found = self.ways.shortest(self.ways.space.where(target))
        if found is None or found.happenings + happenings_of(last) > self.tries.length:
            return False
        if self.tries.differing((*found.way, *last)) is None:
            return False
        self.tries.better_by((*found.way, *last))
        return True


class _Nearest:
    """The shortest way to any of some places, with ``rest`` after it."""

    def __init__(self, ways: Ways, places: Sequence[Place], rest: Way) -> None:
        self._model, self._places, self._rest = ways, places, rest
        self._look()

    def _look(self) -> None:
        states = self._model.space.nothing()
        for place in self._places:
            states = self._model.space.union(states, place.states)
        self._found = self._model.shortest(states) if self._places else None
        self.happenings: float = math.inf
        if self._found is not None:
            self.happenings = self._found.happenings + happenings_of((*self._places[0].last, *self._rest))

    def ways(self) -> list[Way]:
        """The way, with what has to be done at its end: each of it where that differs."""
        assert self._found is not None
        lasts = dict.fromkeys(place.last for place in self._places if self._is_at(place))
        return [(*self._found.way, *last, *self._rest) for last in lasts]

    def drop(self) -> None:
        """Leave out all places at its end, and look on."""
        self._places = [place for place in self._places if not self._is_at(place)]
        self._look()

    def _is_at(self, place: Place) -> bool:
        assert self._found is not None
        return self._model.space.contains(place.states, self._found.end)
