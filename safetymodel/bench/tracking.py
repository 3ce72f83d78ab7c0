"""Which states the model can be in after what was done: any order of reaction is right.

Conditions are compiled (`compiled`), steps from single states remembered. `tests/test_tracking.py` compares all of it
with `model/step`.
"""

from __future__ import annotations

from safetymodel.bench.cones import bits_of
from safetymodel.bench.reactions import MOST_POSSIBLE, CannotTrack, Reactions, taken
from safetymodel.bench.stimulus import Stimulus
from safetymodel.model.state import State, initial_state
from safetymodel.model.step import jumped, may_strike, moved

MOST_REMEMBERED = 50_000
"""Steps that are remembered."""

MOST_GUESSED = 1_000
"""Reactions that are followed in one order."""

MOST_LATE = 200
"""States that are looked at to tell whether a late transition shows."""


class Tracker(Reactions):
    """The possible settled states of a system under stimuli. Sets are tuples without repeats, in the order found."""

    def _prepare(self) -> None:
        super()._prepare()
        self._guesses: dict[tuple[State, Stimulus], State] = {}
        self._steps: dict[tuple[State, Stimulus, int], tuple[State, ...]] = {}

    # -- single ways --------------------------------------------------------------------------

    def way(self, before: State, stimulus: Stimulus, after: State) -> tuple[tuple[State, int], ...] | None:
        """(state, transition taken in it) of each move of one way from a settled state to another by an event, a
        fault or a jump, the event's own first; None where no way leads there."""
        for choice in self.choices(before, stimulus.number) if stimulus.kind == "event" else [()]:
            own = tuple((before, t.number) for t in choice)
            landed = moved(before, choice) if choice else self.landed((before,), stimulus)[0][0]
            reactions = self._way(landed, self.affected(before, landed) | self._affected(choice), after)
            if reactions is not None:
                return own + reactions
        return None

    def moves(self, before: State, stimulus: Stimulus, after: State) -> tuple[tuple[tuple[State, int], ...], int]:
        """(state, transition taken in it) of each move from a settled state to another, by a wait too, as far as one
        order leads there; and the place of the first one after the last tick."""
        if stimulus.kind != "wait":
            return self.way(before, stimulus, after) or (), 0
        found: list[tuple[State, int]] = []
        state, last = before, 0
        for _ in range(stimulus.number):
            later, suspects = self.one_tick(state)
            ends = self.passed([(later, suspects)])[1]
            if len(ends) != 1:
                return tuple(found), len(found)
            last = len(found)
            found.extend(self.reaction(later, suspects, ends[0]))
            if ends[0] == state:
                break
            state = ends[0]
        return tuple(found), last

    def reaction(self, start: State, suspects: int, end: State) -> tuple[tuple[State, int], ...]:
        """(state, transition taken in it) of each reaction of one order that leads from one state to another."""
        return self._way(start, suspects, end) or ()

    def _way(self, start: State, suspects: int, end: State) -> tuple[tuple[State, int], ...] | None:
        came: dict[State, tuple[State, int] | None] = {start: None}
        stack = [(start, suspects)]
        while stack:
            state, suspects = stack.pop()
            if state == end:
                found: list[tuple[State, int]] = []
                step = came[state]
                while step is not None:
                    found.append(step)
                    step = came[step[0]]
                return tuple(reversed(found))
            due = self.due(state, suspects)
            left = bits_of(t.subsystem for t in due)
            for t in reversed(due):
                after = taken(state, t)
                if after not in came and len(came) < MOST_POSSIBLE:
                    came[after] = state, t.number
                    stack.append((after, left | self._readers[t.subsystem]))
        return None

    def shows_late(self, state: State, transition: int, rest: State) -> bool:
        """Whether a machine that does not take a due automatic transition yet comes to rest looking otherwise than the
        model, which comes to rest so; False too where that takes long to tell."""
        stack, seen = [state], {state}
        while stack:
            here = stack.pop()
            others = [t for t in self.due(here, self._everybody) if t.number != transition]
            if not others and here.states == rest.states:
                return False
            for t in others:
                after = taken(here, t)
                if after not in seen:
                    if len(seen) >= MOST_LATE:
                        return False
                    seen.add(after)
                    stack.append(after)
        return True

    # -- sets of states -----------------------------------------------------------------------

    def start(self) -> tuple[State, ...]:
        """The settled states in which a device can be after its reset."""
        return self._settled([(initial_state(self.system), self._everybody)])

    def after(self, states: tuple[State, ...], stimulus: Stimulus, slack: int = 0) -> tuple[State, ...]:
        """The settled states that are possible after a stimulus to a device in one of these.

        ``slack`` is by how many ticks a wait of the device may be shorter or longer. A blocked event, or a fault
        that is there already, leaves a state as it is. Raises CannotTrack.
        """
        if len(states) != 1:
            return self._after(states, stimulus, slack)
        key = states[0], stimulus, slack
        known = self._steps.get(key)
        if known is None:
            known = self._after(states, stimulus, slack)
            if len(self._steps) >= MOST_REMEMBERED:
                self._steps.clear()
            self._steps[key] = known
        return known

    def likely(self, state: State, stimulus: Stimulus) -> State:
        """One of the states that :meth:`after` gives, by the order of the spec file; where the logic goes round for
        ever, one on the way. For plans: it costs far less than all orders."""
        key = state, stimulus, 0
        known = self._steps.get(key)
        if known is not None:
            return known[0]
        found = self._guesses.get((state, stimulus))
        if found is None:
            found = self._likely(state, stimulus)
            if len(self._guesses) >= MOST_REMEMBERED:
                self._guesses.clear()
            self._guesses[state, stimulus] = found
        return found

    def _likely(self, state: State, stimulus: Stimulus) -> State:
        if stimulus.kind != "wait":
            return self._first_rest(*self.landed((state,), stimulus)[0])
        for _ in range(stimulus.number):
            later = self._first_rest(*self.one_tick(state))
            if later == state:
                break
            state = later
        return state

    def _first_rest(self, state: State, suspects: int) -> State:
        """Where the first due transition of the spec file goes first."""
        for _ in range(MOST_GUESSED):
            due = self.due(state, suspects)
            if not due:
                break
            suspects = self._readers[due[0].subsystem]
            for t in due[1:]:
                suspects |= 1 << t.subsystem
            state = taken(state, due[0])
        return state

    def _after(self, states: tuple[State, ...], stimulus: Stimulus, slack: int) -> tuple[State, ...]:
        if stimulus.kind == "wait":
            return self._waited(states, stimulus.number - slack, stimulus.number + slack)
        return self._settled(self.landed(states, stimulus))

    def landed(self, states: tuple[State, ...], stimulus: Stimulus) -> list[tuple[State, int]]:
        """(state right after an event, fault or jump, before the logic reacts; the subsystems that may now be due)."""
        found: list[tuple[State, int]] = []
        for state in states:
            if stimulus.kind == "event":
                ways = self.choices(state, stimulus.number)
                found.extend((moved(state, way), self._affected(way)) for way in ways)
                if not ways:
                    found.append((state, 0))
                continue
            number = stimulus.number
            fault = self.system.faults[number]
            if stimulus.kind == "jump":
                able = state.flags >> number & 1 and state.states[fault.subject] == fault.state
                here = jumped(state, fault.subject, fault.target) if able else state
                found.append((here, self._readers[fault.subject] if able else 0))
            elif may_strike(self.system, state, number, len(self.system.faults)):
                found.append((state._replace(flags=state.flags | 1 << number), self._by_flag[number]))
            else:
                found.append((state, 0))
        return found

    def drifted(self, states: tuple[State, ...], ticks: int) -> tuple[State, ...]:
        """The states that are possible where up to so many ticks may have passed besides."""
        return self._waited(states, 0, ticks) if ticks and self.system.tick is not None else states

    def _waited(self, states: tuple[State, ...], least: int, most: int) -> tuple[State, ...]:
        found: dict[State, None] = {}
        for passed in range(most + 1):
            if passed >= least:
                found.update(dict.fromkeys(states))
            if passed == most:
                break
            later = self._settled([self.one_tick(state) for state in states])
            if later == states:
                found.update(dict.fromkeys(states))
                break
            states = later
        if len(found) > MOST_POSSIBLE:
            raise CannotTrack(f"more than {MOST_POSSIBLE:,} states are possible here, too many to follow")
        return tuple(found)
