"""A fuzz run: a device under stimuli that the guide chooses, up to the first difference or the limits."""

from __future__ import annotations

import random
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Literal

from safetymodel.bench.aims import Goal, is_met
from safetymodel.bench.coverage import Coverage, Share
from safetymodel.bench.device import Device, DeviceError
from safetymodel.bench.guide import Guide, goals_of
from safetymodel.bench.mapping import Mapping
from safetymodel.bench.partless import Sight
from safetymodel.bench.pursuit import Pursuit
from safetymodel.bench.reactions import CannotTrack
from safetymodel.bench.run import Record, Rig
from safetymodel.bench.stimulus import Stimulus
from safetymodel.bench.tracking import Tracker
from safetymodel.model.state import State
from safetymodel.model.system import System

FIRST_TRY, LONGEST_TRY = 15, 120
"""Stimuli after which a goal is put off, at first and at most: a goal that was missed gets longer next time."""

LONGEST_EPISODE = 400
"""Stimuli between two resets of the device."""

COMPARED = 150
"""Open goals that are compared when a new one is chosen: the one that seems nearest is taken."""

DIRECT = 0.96
"""How often the way to a goal is taken; else something at random."""

RETURN = 0.6
"""How often a known way from a reset is taken to where a goal begins."""

FAULTY = 0.2
"""How often a fault that may help is used although its goal has not been missed without one."""

ALIKE = 6
"""Goals that begin in the same state of a subsystem: so many missed ones count as a try of each."""

REHEARSED = 0.7
"""Stimuli that are tried on the model alone, for goals that were missed, to one that the device is given."""

CLEARED = 0.05
"""How often, before a step, faults are cleared by a reset once nothing is open any more."""

Ended = Literal["limit", "nothing", "difference", "device", "model", "interrupted"]
"""``nothing``: no stimulus was given, so that nothing is known."""


@dataclass(frozen=True, slots=True)
class Hunt:
    """How a fuzz run ended. ``record`` is what was done since the latest reset; ``steps`` counts all stimuli,
    ``happenings`` too (each tick of a wait is one); ``why`` says in words what ended it."""

    ended: Ended
    why: str
    seed: int
    steps: int
    happenings: int
    resets: int
    seconds: float
    record: Record
    coverage: tuple[Share, ...]
    uncertain: int


@dataclass(frozen=True, slots=True)
class Bounds:
    """Where a run ends: stimuli, seconds of wall clock (None: no such bound)."""

    steps: int | None = 5_000
    seconds: float | None = None


OnStep = Callable[[int, Coverage], None]


def hunt(
    system: System,
    mapping: Mapping,
    device: Device,
    seed: int = 0,
    bounds: Bounds | None = None,
    faults: int = 1,
    tracker: Tracker | None = None,
    on_step: OnStep | None = None,
) -> Hunt:
    """Drive a device, with at most so many faults at once; faults that the map cannot force are left out.

    The same seed gives the same run of the same device. Never raises what the device does wrong; the device is not
    closed. An interruption from the keyboard ends the run with what was found so far.
    """
    return _Run(system, mapping, device, seed, bounds or Bounds(), faults, tracker or Tracker(system), on_step).go()


class _Run:
    def __init__(
        self,
        system: System,
        mapping: Mapping,
        device: Device,
        seed: int,
        bounds: Bounds,
        faults: int,
        tracker: Tracker,
        on_step: OnStep | None,
    ) -> None:
        self.seed = seed
        self.bounds = bounds
        self.on_step = on_step
        self.rng = random.Random(seed)
        self.rig = Rig(system, mapping, device, tracker)
        self.coverage = Coverage(system, tracker)
        self.guide = Guide(system, tracker, self.rig.can_give, faults)
        self.open = list(goals_of(system, self.coverage, self.guide))
        self.tries: dict[Goal, int] = {}
        self.missed: dict[tuple[int, int] | None, int] = {}
        self.ways: dict[tuple[tuple[int, int], int], tuple[tuple[Stimulus, ...], State]] = {}
        self.plan: deque[Stimulus] = deque()
        self.pursuit: Pursuit | None = None
        self.rehearsed = 0
        self.steps = self.happenings = self.resets = 0
        self.started = time.monotonic()

    def go(self) -> Hunt:
        record: Record | None = None
        try:
            ended, why = self._drive()
        except DeviceError as error:
            ended, why = "device", error.message
            record = replace(self.rig.record, error=error)
        except CannotTrack as error:
            ended, why = "model", str(error)
        except KeyboardInterrupt:
            ended, why = "interrupted", "interrupted"
        return Hunt(
            ended,
            why,
            self.seed,
            self.steps,
            self.happenings,
            self.resets,
            time.monotonic() - self.started,
            record or self.rig.record,
            self.coverage.shares(),
            self.coverage.uncertain,
        )

    def _drive(self) -> tuple[Ended, str]:
        if self._reset():
            return "difference", "the device differs after its reset"
        while True:
            over = self._over()
            if over:
                return ("limit", over) if self.steps else ("nothing", f"no stimulus was given: {over}")
            if not (self.guide.events or self.guide.faults or self.rig.system.tick is not None):
                return "nothing", "no stimulus was given: the map has no point for any event"
            if len(self.rig.stimuli) >= LONGEST_EPISODE and self._reset():
                return "difference", "the device differs after its reset"
            if self.pursuit is None and self._choose():
                return "difference", "the device differs after its reset"
            if self._give(self._next()):
                return "difference", "the device differs from the model"

    def _over(self) -> str:
        if self.bounds.steps is not None and self.steps >= self.bounds.steps:
            return f"{self.steps:,} steps were asked for"
        if self.bounds.seconds is not None and time.monotonic() - self.started >= self.bounds.seconds:
            return f"{self.bounds.seconds:g} seconds were asked for"
        return ""

    def _reset(self) -> bool:
        """Whether the device differs right after a reset."""
        self.resets += 1
        self.plan.clear()
        if self.rig.begin() is not None:
            return True
        self.coverage.start(self.rig.possible, self._sight())
        return False

    def _sight(self) -> Sight:
        return Sight(self.rig.looks_so, self.rig.mapping.slack, self.rig.drift[-1])

    def _next(self) -> Stimulus:
        if self.plan:
            return self.plan.popleft()
        state = self.rig.possible[0]
        stimulus: Stimulus | None = None
        pursuit = self.pursuit
        if pursuit is not None:
            if self.rng.random() < DIRECT:
                stimulus = pursuit.next(state, self.rng)
            pursuit.left -= 1 if stimulus is not None and pursuit.left > 0 else 11
            # where no way is seen, somewhere else there may be one
        if stimulus is None or not self.rig.can_give(stimulus):
            return self.guide.anything(state, self.rng)
        return stimulus

    def _give(self, stimulus: Stimulus) -> bool:
        before = self.rig.possible
        self.steps += 1
        self.happenings += stimulus.happenings
        if self.rig.give(stimulus) is not None:
            return True
        self.coverage.step(before, stimulus, self.rig.possible, self._sight())
        self._remember(before[0], self.rig.possible[0])
        if self.on_step is not None:
            self.on_step(self.steps, self.coverage)
        if self.pursuit is not None and not self.plan:
            goal = self.pursuit.goal
            met = is_met(goal, self.coverage)
            if met or self.pursuit.left <= 0:
                self._done_with(goal, met)
                self.pursuit = None
        return False

    def _done_with(self, goal: Goal, met: bool) -> None:
        self.missed[goal.begins] = max(0, self.missed.get(goal.begins, 0) + (-1 if met else 1))

    # -- the next goal ------------------------------------------------------------------------

    def _choose(self) -> bool:
        """The next goal, and how it is gone for. Whether the device differs, where a reset goes before: a fault that
        has struck is in the way of most goals."""
        while True:
            self.open = [goal for goal in self.open if not is_met(goal, self.coverage)]
            if not self.open:
                return bool(self.rig.possible[0].flags) and self.rng.random() < CLEARED and self._reset()
            goal, fewest = self._nearest()
            tries = self.tries.get(goal, 0)
            self.tries[goal] = tries + 1
            state = self.rig.possible[0]
            fault = self._fault_for(goal, state.flags, tries)
            pursuit = Pursuit(self.guide, goal, fault, self.rng, min(FIRST_TRY << fewest, LONGEST_TRY))
            way, begin = self._way_to(state, pursuit)
            afresh = begin is not None or self._in_the_way(state.flags, fault)
            if not tries or self.rehearsed > self.steps * REHEARSED:
                break
            rows, count = pursuit.rehearse(begin or (self.rig.tracker.start()[0] if afresh else state), self.rng)
            self.rehearsed += count + 1
            if rows is not None:
                way = (*way, *rows)
                pursuit.left = 0
                break
            self._done_with(goal, False)
        if afresh and self._reset():
            return True
        self.plan.extend(way)
        self.pursuit = pursuit
        return False

    def _nearest(self) -> tuple[Goal, int]:
        """Of some goals that were tried least, the nearest; and how often they were tried."""
        state = self.rig.possible[0]
        ranks = [self._rank(goal) for goal in self.open]
        fewest = min(ranks)
        least = [goal for goal, rank in zip(self.open, ranks, strict=True) if rank <= fewest]
        if state.flags:  # what this fault is good for, as long as there is any of it
            least = [goal for goal in least if any(state.flags >> fault & 1 for fault in goal.faults)] or least
        some = self.rng.sample(least, min(COMPARED, len(least)))
        return min(some, key=lambda goal: self.guide.missing(state, goal)), fewest

    def _in_the_way(self, up: int, fault: int | None) -> bool:
        """Whether the faults that are up are none that the next goal is for, and a reset has to clear them; where more
        may be there at once, only now and then."""
        if not up or (fault is not None and up >> fault & 1):
            return False
        return up.bit_count() >= self.guide.budget or self.rng.random() < 0.5

    def _rank(self, goal: Goal) -> int:
        """How often it was tried; goals of which several alike were missed come later."""
        return self.tries.get(goal, 0) + (self.missed.get(goal.begins, 0) // ALIKE if goal.begins else 0)

    def _fault_for(self, goal: Goal, up: int, tries: int) -> int | None:
        """A fault for the way to a goal: one that it needs; where it was missed without, any that has to do with it."""
        if goal.faults:
            return self.rng.choice([f for f in goal.faults if up >> f & 1] or goal.faults)
        if self.rng.random() < (0.5 if tries else FAULTY):
            related = self.guide.related(goal, wider=tries > 1 and self.rng.random() < 0.5)
            return self.rng.choice(related) if related else None
        return None

    def _remember(self, before: State, after: State) -> None:
        """The shortest way from a reset that was seen to each state of each subsystem, without faults and with one."""
        if after.flags & (after.flags - 1):
            return
        length = len(self.rig.stimuli)
        for place in enumerate(after.states):
            if before.states[place[0]] != place[1]:
                known = self.ways.get((place, after.flags))
                if known is None or length < len(known[0]):
                    self.ways[place, after.flags] = tuple(self.rig.stimuli), after

    def _way_to(self, state: State, pursuit: Pursuit) -> tuple[tuple[Stimulus, ...], State | None]:
        """A way from a reset to where a try begins, and the state that it leads to; (), None for going on from here."""
        begins, fault = pursuit.goal.begins, pursuit.fault
        if begins is None or state.states[begins[0]] == begins[1] or self.rng.random() > RETURN:
            return (), None
        places = [(begins, 0)]
        if fault is not None:
            home = self.guide.home(fault)
            at_home = [(home, 0)] if home is not None and pursuit.strike == "at home" else []
            places = [(begins, 1 << fault), *at_home, *places]
        return next((self.ways[place] for place in places if place in self.ways), ((), None))
