"""A shortest sequence that shows a difference: pieces left out as long as it shows, then shorter ways by the model."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from safetymodel.bench.device import Device
from safetymodel.bench.mapping import Mapping
from safetymodel.bench.run import Record, Rig, run
from safetymodel.bench.stimulus import Stimulus, happenings_of
from safetymodel.bench.tracking import Tracker
from safetymodel.claims.search import Walker
from safetymodel.claims.verdict import Trace
from safetymodel.explore.choice import explore
from safetymodel.explore.engine import LimitReached, Limits
from safetymodel.model.formula import AllOf, AnyOf, FaultUp, Formula, InState, conjoin
from safetymodel.model.state import State, fault_numbers
from safetymodel.model.system import System

Way = tuple[Stimulus, ...]


@dataclass(frozen=True, slots=True)
class Shrunk:
    """``record`` is the run of the shortest sequence found; ``tried`` how many sequences the device was given for it.

    ``note`` says what the search left undone; empty where it came to its end.
    """

    record: Record
    tried: int
    note: str = ""


def shrink(
    system: System,
    mapping: Mapping,
    device: Device,
    record: Record,
    tracker: Tracker | None = None,
    seconds: float = 60.0,
    on_step: Callable[[int, int], None] | None = None,
    faults: int = 1,
) -> Shrunk:
    """Look for the shortest sequence, in happenings, that ends in a difference; at most so long, and with at most so
    many faults (or as many as the run has).

    ``on_step`` hears how many sequences were tried, and how long the shortest is. Raises DeviceError, CannotTrack.
    """
    work = _Shrinking(system, mapping, device, tracker or Tracker(system), seconds, on_step, faults)
    found = work.differing(record.stimuli)
    if found is None:
        return Shrunk(record, work.tried, "the device did not differ again when the same was done after a reset")
    work.best = found
    work.leave_out()
    note = work.by_the_model()
    return Shrunk(work.best, work.tried, note)


class _Shrinking:
    best: Record

    def __init__(
        self,
        system: System,
        mapping: Mapping,
        device: Device,
        tracker: Tracker,
        seconds: float,
        on_step: Callable[[int, int], None] | None,
        faults: int,
    ) -> None:
        self.faults = faults
        self.system = system
        self.mapping = mapping
        self.device = device
        self.tracker = tracker
        self.until = time.monotonic() + seconds
        self.on_step = on_step
        self.tried = 0
        self.known: dict[Way, Record | None] = {}

    @property
    def late(self) -> bool:
        return time.monotonic() >= self.until

    def differing(self, stimuli: Sequence[Stimulus]) -> Record | None:
        """The run of these stimuli up to the difference; None where there is none."""
        way = tuple(stimuli)
        if way not in self.known:
            self.tried += 1
            record = run(self.system, self.mapping, self.device, way, self.tracker)
            if record.error is not None:
                raise record.error
            self.known[way] = record if record.difference is not None else None
            if self.on_step is not None:
                self.on_step(self.tried, happenings_of(list(self.best.stimuli)) if hasattr(self, "best") else len(way))
        return self.known[way]

    def better(self, stimuli: Sequence[Stimulus]) -> bool:
        """Whether these show a difference in fewer happenings than the best; they are the best then."""
        found = self.differing(stimuli)
        if found is None or happenings_of(found.stimuli) >= happenings_of(self.best.stimuli):
            return False
        self.best = found
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

    # -- shorter ways by the model ------------------------------------------------------------

    def by_the_model(self) -> str:
        """Ask the engine for the shortest way to a moment like the one before the difference; what was left undone."""
        if not self.best.stimuli or self.best.difference is None:
            return ""
        if self.late:
            return "time ran out before shorter ways were looked for"
        forced = [f.number for f in self.system.faults if self._can_give(Stimulus("fault", f.number))]
        budget = max(sum(s.kind == "fault" for s in self.best.stimuli), min(self.faults, len(forced)))
        try:
            explored = explore(self.system, [budget], limits=Limits(seconds=max(1.0, self.until - time.monotonic())))
            space = explored.spaces[budget]
            if not space.complete:
                return f"shorter ways were not looked for: {space.shortfall}"
            walker = Walker(space)
            return self._loosen(lambda target: walker.shortest({0: space.where(target)}))
        except LimitReached as limit:
            return f"shorter ways were not looked for to the end: {limit}"

    def _loosen(self, shortest: Callable[[Formula], Trace | None]) -> str:
        """Drop from the description of that moment what makes the way to it longer and does not matter."""
        assert self.best.difference is not None
        for target in (conjoin(tuple(self._looks())), self._apart()):
            if target is not None:
                self._try(shortest(target), again=False)
        wanted = self._moment(self.best.difference.before[0])
        self._try(shortest(conjoin(tuple(wanted))))
        for part in list(wanted):
            if self.late:
                return "time ran out while shorter ways were looked for"
            rest = [other for other in wanted if other is not part]
            if self._try(shortest(conjoin(tuple(rest)))):
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

    def _try(self, trace: Trace | None, again: bool = True) -> bool:
        """Whether the way of a run, with the last stimulus after it (``again``), still shows a difference and is no
        longer."""
        way = stimuli_of(trace) if trace is not None else None
        if way is None:
            return False
        longest = happenings_of(self.best.stimuli)
        whole = joined((*way, self.best.stimuli[-1]) if again else way)
        if happenings_of(whole) > longest or not all(self._can_give(s) for s in whole):
            return False
        if self.differing(whole) is None:
            return False
        if self.better(whole):
            self.leave_out()
        return True

    def _can_give(self, stimulus: Stimulus) -> bool:
        return Rig(self.system, self.mapping, self.device, self.tracker).can_give(stimulus)


def stimuli_of(trace: Trace) -> Way | None:
    """What to do to a device for a run of the model; None where a part of it cannot be brought about by hand."""
    found: list[Stimulus] = []
    for step in trace.steps:
        match step.kind:
            case "event" | "fault" | "jump":
                found.append(Stimulus(step.kind, step.number))
            case "tick":
                found.append(Stimulus("wait", 1))
            case "time":
                return None
    return joined(found)


def joined(stimuli: Sequence[Stimulus]) -> Way:
    """Waits that follow one another as one."""
    found: list[Stimulus] = []
    for stimulus in stimuli:
        if stimulus.kind == "wait" and found and found[-1].kind == "wait":
            found[-1] = Stimulus("wait", found[-1].number + stimulus.number)
        else:
            found.append(stimulus)
    return tuple(found)
