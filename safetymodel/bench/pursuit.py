"""One try at a goal: the stimulus that comes next, wherever the machine is; on a device, or rehearsed on the model.

Of what a goal still lacks one thing is pursued until it is there, since the way to it may undo another for a while.
"""

from __future__ import annotations

import random
from typing import Literal

from safetymodel.bench.aims import Goal
from safetymodel.bench.guide import Guide
from safetymodel.bench.stimulus import Stimulus
from safetymodel.model.formula import Formula
from safetymodel.model.state import State

LOOKS = 4
"""How many ways on are compared before a stimulus is given."""

LONGEST_FOCUS = 16
"""Stimuli after which something else that a goal lacks is pursued."""

SOURCE_FIRST = 0.7
"""In how many tries the state from which a transition leads is sought before the rest of its goal."""

STRIKES = 0.12
"""How often, before a stimulus, a fault strikes that may strike at any moment."""

MOST_GIVEN = 2
"""How often the event of a goal is tried where the goal should be met by it."""

SPLIT = 0.5
"""How often the last tick of a time is waited for by itself."""

Strike = Literal["at home", "any time", "last"]
"""When the fault of a try strikes: where its subject is in the state that it keeps or leaves; at any moment; once the
rest is there."""


class Pursuit:
    """``fault`` is one to be struck for it, ``left`` how many stimuli the try may still take."""

    def __init__(self, guide: Guide, goal: Goal, fault: int | None, rng: random.Random, left: int) -> None:
        self.guide, self.goal, self.fault, self.left = guide, goal, fault, left
        self.strike: Strike = rng.choice(("at home", "any time", "last")) if fault is not None else "last"
        self._begin = guide.source(goal) if rng.random() < SOURCE_FIRST else None
        self._focus: Formula | None = None
        self._focus_left = 0
        self._given = 0
        self._been: set[tuple[int, ...]] = set()

    def next(self, state: State, rng: random.Random) -> Stimulus | None:
        """A stimulus that may lead towards the goal; None where no way is seen from here."""
        if self.fault is not None and not state.flags >> self.fault & 1:
            stimulus = self._toward_fault(state, rng)
            if stimulus is not None:
                return stimulus
        lacking = self.guide.lacking(state, self.goal)
        if not lacking:
            return self._there(state, rng)
        return self._look_around(state, lacking, rng)

    def _toward_fault(self, state: State, rng: random.Random) -> Stimulus | None:
        assert self.fault is not None
        home = self.guide.home(self.fault)
        if self.strike == "at home" and home is not None and state.states[home[0]] != home[1]:
            return self.guide.reach(state, *home, rng)
        if self.strike == "at home" or (self.strike == "any time" and rng.random() < STRIKES):
            return self.guide.strike(state, self.fault)
        if not self.guide.lacking(state, self.goal):
            return self.guide.strike(state, self.fault)
        return None

    def _there(self, state: State, rng: random.Random) -> Stimulus | None:
        """What is wanted is so: the event, or the rest of the time; the last tick by itself, so that what comes too
        early shows too."""
        if self.goal.event is not None:
            self._given += 1
            if self._given >= MOST_GIVEN:
                self.left = 0
            return Stimulus("event", self.goal.event)
        if self.goal.clock is None:
            return None
        ticks = self.goal.clock[1] - state.clocks[self.goal.clock[0]]
        if ticks <= 0:
            return None
        return Stimulus("wait", ticks - 1 if ticks > 1 and rng.random() < SPLIT else ticks)

    def _look_around(self, state: State, lacking: list[Formula], rng: random.Random) -> Stimulus | None:
        """Of a few stimuli the one that undoes least of the goal and leads to something new."""
        self._been.add(state.states)
        best: tuple[int, Stimulus] | None = None
        for _ in range(LOOKS):
            stimulus = self._towards(state, lacking, rng)
            if stimulus is None or (best is not None and stimulus == best[1]):
                continue
            after = self.guide.tracker.likely(state, stimulus)
            cost = max(0, len(self.guide.lacking(after, self.goal)) - len(lacking)) + 2 * (after.states in self._been)
            if best is None or cost < best[0]:
                best = cost, stimulus
            if not cost:
                break
        return best[1] if best is not None else None

    def _towards(self, state: State, lacking: list[Formula], rng: random.Random) -> Stimulus | None:
        self._focus_left -= 1
        if self._focus_left <= 0 or self._focus not in lacking:
            first = self._begin if self._begin in lacking else None
            self._focus, self._begin = first or rng.choice(lacking), None
            self._focus_left = LONGEST_FOCUS * LOOKS
        assert self._focus is not None
        found = self.guide.want(state, self._focus, rng)
        if found is not None:
            return found
        for part in rng.sample(lacking, len(lacking)):
            if part is not self._focus:
                found = self.guide.want(state, part, rng)
                if found is not None:
                    self._focus = part
                    return found
        return None

    # -- on the model alone -------------------------------------------------------------------

    def rehearse(self, state: State, rng: random.Random) -> tuple[tuple[Stimulus, ...] | None, int]:
        """(the stimuli that meet the goal on the model, None where the try ends before; how many were tried)."""
        rows: list[Stimulus] = []
        while self.left > 0:
            self.left -= 1
            stimulus = self.next(state, rng)
            if stimulus is None:
                return None, len(rows)
            after = self.guide.tracker.likely(state, stimulus)
            rows.append(stimulus)
            if self.guide.meets(self.goal, state, stimulus, after):
                return tuple(rows), len(rows)
            state = after
        return None, len(rows)
