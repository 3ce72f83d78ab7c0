"""Machines that lack one part of a condition each, followed beside the device: which of them would look otherwise.

A part makes the difference where a machine without it would have shown something else than the device did. Most do at
once; where no output shows what went otherwise, the machine is followed until something does.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

from safetymodel.bench.parts import Part, without
from safetymodel.bench.reactions import CannotTrack, NeverRests
from safetymodel.bench.stimulus import Stimulus
from safetymodel.bench.tracking import Tracker
from safetymodel.model.state import State

MOST_FOLLOWED = 200
"""States that one of these machines may be in; with more it is followed no further."""


@dataclass(frozen=True, slots=True)
class Sight:
    """What the device showed: whether a state looks so; by how many ticks a wait may be longer or shorter, and how many
    may have passed by the clock besides."""

    fits: Callable[[State], bool]
    slack: int = 0
    drift: int = 0


class Partless:
    """``apart`` has the machines (places among the parts) that are not where the model is, and where they may be."""

    def __init__(self, tracker: Tracker, parts: tuple[Part, ...]) -> None:
        self.tracker = tracker
        self.parts = parts
        self.apart: dict[int, tuple[State, ...]] = {}
        self._trackers: dict[int, Tracker] = {}

    def start(self, asked: Iterable[int], possible: tuple[State, ...], sight: Sight) -> list[int]:
        """After a reset: which of the parts that a condition was asked for would have shown to be left out."""
        self.apart.clear()
        return [place for place in asked if self._shows(place, None, None, possible, sight)]

    def step(
        self,
        asked: Iterable[int],
        before: tuple[State, ...],
        stimulus: Stimulus,
        possible: tuple[State, ...],
        sight: Sight,
    ) -> list[int]:
        """The same after a stimulus to a device that may have been in the states ``before``."""
        places = dict.fromkeys((*self.apart, *asked))
        return [p for p in places if self._shows(p, self.apart.pop(p, before), stimulus, possible, sight)]

    def _shows(
        self,
        place: int,
        before: tuple[State, ...] | None,
        stimulus: Stimulus | None,
        possible: tuple[State, ...],
        sight: Sight,
    ) -> bool:
        """Whether a machine without this part would look otherwise now; it is followed on where it is elsewhere."""
        machine = self._tracker(place)
        try:
            if before is None or stimulus is None:
                states = machine.start()
            else:
                states = machine.after(machine.drifted(before, sight.drift), stimulus, sight.slack)
            states = machine.drifted(states, sight.drift)
        except NeverRests:
            return True
        except CannotTrack:
            return False
        states = tuple(state for state in states if sight.fits(state))
        if states and len(states) <= MOST_FOLLOWED and set(states) != set(possible):
            self.apart[place] = states
        return not states

    def _tracker(self, place: int) -> Tracker:
        if place not in self._trackers:
            part = self.parts[place]
            rest = {part.transition: without(part.of(self.tracker.system), part.path)}
            changed = self.tracker.altered(rest) if part.interlock else self.tracker.altered({}, rest)
            self._trackers[place] = changed
        return self._trackers[place]
