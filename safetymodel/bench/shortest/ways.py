"""The shortest ways of the model, as what a bench does to a device: only with what its map can bring about."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

from safetymodel.bench.stimulus import Stimulus
from safetymodel.claims.search import Walker
from safetymodel.claims.verdict import Trace
from safetymodel.explore.choice import explore
from safetymodel.explore.engine import LimitReached, Limits, Space
from safetymodel.model.formula import FALSE, FaultUp, Not, conjoin
from safetymodel.model.state import State
from safetymodel.model.system import System

Way = tuple[Stimulus, ...]


@dataclass(frozen=True, slots=True)
class Found:
    """A way, how many happenings it takes in the model, and the state in which it ends there. On a device it takes more
    where that waits longer in a window of time."""

    way: Way
    happenings: int
    end: State


class Ways:
    """Shortest ways under so many faults. Events and faults that cannot be brought about (``can_give``) are on none."""

    def __init__(
        self, system: System, faults: int, can_give: Callable[[Stimulus], bool], seconds: float | None = None
    ) -> None:
        """Raises LimitReached where the time, or any other limit, is not enough to explore the model."""
        self.system = _with_events(system, [e.number for e in system.events if can_give(Stimulus("event", e.number))])
        self.faults = faults
        self.space: Space[Any] = explore(self.system, [faults], limits=Limits(seconds=seconds)).spaces[faults]
        if not self.space.complete:
            raise LimitReached(self.space.shortfall)
        self._walker = Walker(self.space)
        missing = (f.number for f in system.faults if not can_give(Stimulus("fault", f.number)))
        self._without = self.space.where(conjoin(tuple(Not(FaultUp(number)) for number in missing)))

    def shortest(self, states: Any) -> Found | None:
        """A way to one of these states; None where there is none."""
        trace = self._walker.shortest({0: self.space.common(states, self._without)})
        return Found(stimuli_of(self.system, trace), trace.happenings, trace.end) if trace is not None else None


def _with_events(system: System, events: Sequence[int]) -> System:
    """The system in which only these events move anything."""
    possible = (None, *events)
    transitions = tuple(t if t.event in possible else replace(t, interlock=FALSE) for t in system.transitions)
    return system if transitions == system.transitions else replace(system, transitions=transitions)


def stimuli_of(system: System, trace: Trace) -> Way:
    """What to do to a device for a run of the model; where that moves in a window of time, wait until it is seen."""
    found: list[Stimulus] = []
    state = trace.start
    for step in trace.steps:
        match step.kind:
            case "event" | "fault" | "jump":
                found.append(Stimulus(step.kind, step.number))
            case "tick":
                found.append(Stimulus("wait", 1))
            case "time":
                t = system.transitions[step.number]
                found.append(Stimulus("until", t.latest - state.clocks[t.subsystem], (t.subsystem, t.target)))
        state = step.after
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


def proper(system: System, stimuli: Sequence[Stimulus]) -> Way:
    """Each fault strikes once, where it is first named; a jump fault jumps where it is named again."""
    struck: set[int] = set()
    found: list[Stimulus] = []
    for stimulus in stimuli:
        if stimulus.kind not in ("fault", "jump"):
            found.append(stimulus)
        elif stimulus.number not in struck:
            struck.add(stimulus.number)
            found.append(Stimulus("fault", stimulus.number))
        elif system.faults[stimulus.number].kind == "jump":
            found.append(Stimulus("jump", stimulus.number))
    return tuple(found)
