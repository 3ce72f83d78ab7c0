"""Sequences of stimuli tried on a device, one after the other: which show a difference, and the shortest of them."""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable, Iterator, Sequence

from safetymodel.bench.device import Device
from safetymodel.bench.mapping import Mapping
from safetymodel.bench.run import Record, Rig, run
from safetymodel.bench.shortest.ways import Way, joined, proper
from safetymodel.bench.stimulus import Stimulus, happenings_of
from safetymodel.bench.tracking import Tracker
from safetymodel.model.state import State
from safetymodel.model.system import System

MOST_SHORT = 200
"""Short sequences that are tried whatever the model says."""

NEARLY = 2
"""Happenings that a sequence may be longer than the shortest without everything shorter being tried: a real machine
does not get better by that."""


class Tries:
    """``best`` is the run of the shortest sequence so far that ends in a difference, ``tried`` how many sequences the
    device was given. No sequence has more than so many faults, unless the first one has. Its calls raise DeviceError
    and CannotTrack."""

    def __init__(
        self,
        system: System,
        mapping: Mapping,
        device: Device,
        tracker: Tracker,
        record: Record,
        seconds: float,
        on_step: Callable[[int, int], None] | None,
        faults: int,
    ) -> None:
        self.system, self.mapping, self.device, self.tracker = system, mapping, device, tracker
        self.best = record
        self.faults = max(faults, sum(stimulus.kind == "fault" for stimulus in record.stimuli))
        self.tried = 0
        self._until = time.monotonic() + seconds
        self._on_step = on_step
        self._known: dict[Way, Record | None] = {}
        self.can_give: Callable[[Stimulus], bool] = Rig(system, mapping, device, tracker).can_give

    @property
    def seconds(self) -> float:
        """How long it may go on."""
        return self._until - time.monotonic()

    @property
    def late(self) -> bool:
        return self.seconds <= 0

    @property
    def length(self) -> int:
        """Happenings of the best."""
        return happenings_of(self.best.stimuli)

    def differing(self, stimuli: Sequence[Stimulus]) -> Record | None:
        """The run of these stimuli up to the difference; None where there is none."""
        way = proper(self.system, stimuli)
        if way not in self._known:
            self.tried += 1
            self._known[way] = self._tried(way)
            if self._on_step is not None:
                self._on_step(self.tried, self.length)
        return self._known[way]

    def _tried(self, way: Way) -> Record | None:
        """The run of a way that was not tried yet, where it shows what is looked for."""
        record = run(self.system, self.mapping, self.device, way, self.tracker)
        if record.error is not None:
            raise record.error
        return record if record.difference is not None else None

    def better(self, stimuli: Sequence[Stimulus]) -> bool:
        """Whether these show a difference in fewer happenings than the best; they are the best then."""
        found = self.differing(stimuli)
        if found is None or happenings_of(found.stimuli) >= self.length:
            return False
        self.best = found
        return True

    def better_by(self, stimuli: Sequence[Stimulus]) -> bool:
        """As :meth:`better`; what can be left out of a better one is left out then."""
        if not self.better(stimuli):
            return False
        self.leave_out()
        return True

    # -- leaving out --------------------------------------------------------------------------

    def leave_out(self) -> None:
        """Delta reduction (after Zeller and Hildebrandt 2002): ever smaller pieces, then shorter waits."""
        size = max(1, len(self.best.stimuli) // 2)
        while not self.late:
            place, shorter = len(self.best.stimuli) - size, False
            while place > -size and not self.late:
                way, start = self.best.stimuli, max(place, 0)
                shorter |= self.better((*way[:start], *way[place + size :]))
                place = min(place, len(self.best.stimuli)) - size
            if size > 1:
                size //= 2
            elif not shorter and not self._shorter_waits():
                return

    def _shorter_waits(self) -> bool:
        shorter = False
        for place in range(len(self.best.stimuli)):
            step = 1 << 20
            while step and place < len(self.best.stimuli) and not self.late:
                way = self.best.stimuli
                stimulus = way[place]
                if stimulus.kind != "wait" or stimulus.number <= step:
                    step >>= 1
                    continue
                less = Stimulus("wait", stimulus.number - step)
                if self.better((*way[:place], less, *way[place + 1 :])):
                    shorter = True
                else:
                    step >>= 1
        return shorter

    def join_waits(self) -> None:
        """Waits that follow one another become one, where nothing was to be seen between them."""
        found = self.differing(joined(self.best.stimuli))
        if found is not None and happenings_of(found.stimuli) == self.length:
            self.best = found

    # -- all short sequences ------------------------------------------------------------------

    def all_short_ones(self, longest: int) -> bool:
        """Try everything that is shorter by more than NEARLY, the shortest first, up to so many happenings and as far
        as a number of tries goes; False where time does not allow that. What leads to states of the model that were
        tried already is left out."""
        start = self.tracker.start()
        open_ways: deque[tuple[Way, tuple[State, ...]]] = deque([((), start)])
        seen, tries = {start}, 0
        while open_ways:
            way, states = open_ways.popleft()
            if len(way) + 1 >= self.length - NEARLY or len(way) >= longest:
                return True
            for stimulus in filter(self.can_give, self._stimuli(way)):
                tries += 1
                if self.late:
                    return False
                if tries > MOST_SHORT or self.better((*way, stimulus)):
                    return True
                after = self.tracker.after(states, stimulus)
                if after not in seen:
                    seen.add(after)
                    open_ways.append(((*way, stimulus), after))
        return True

    def _stimuli(self, way: Way) -> Iterator[Stimulus]:
        """All that can be done after a way, with no more faults than are wanted."""
        struck = {stimulus.number for stimulus in way if stimulus.kind == "fault"}
        yield from (Stimulus("event", event.number) for event in self.system.events)
        if self.system.tick is not None:
            yield Stimulus("wait", 1)
        for fault in self.system.faults:
            if fault.number not in struck and len(struck) < self.faults:
                yield Stimulus("fault", fault.number)
            elif fault.number in struck and fault.kind == "jump":
                yield Stimulus("jump", fault.number)
