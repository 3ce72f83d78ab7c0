"""A device held against the model, stimulus by stimulus: the first difference, or how far it went."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from fractions import Fraction

from safetymodel.bench.device import Device, DeviceError, Value
from safetymodel.bench.mapping import Action, Output
from safetymodel.bench.mapping import Mapping as PointMap
from safetymodel.bench.stimulus import Stimulus
from safetymodel.bench.tracking import Tracker
from safetymodel.model.state import State
from safetymodel.model.system import System

Shown = Mapping[str, Value]
"""What each output (by the name of the map file) shows."""

POLL = 0.01
"""Seconds between two readings of a device that does not fit yet."""

MOST_ROUNDS = 50
"""How often the inputs that the bench plays may follow the outputs within one stimulus."""


@dataclass(frozen=True, slots=True)
class Difference:
    """The device shows what no order of reaction of the model allows.

    ``before`` are the states that were possible before the last stimulus, ``expected`` those after it. ``outputs`` are
    the names of the outputs that fit no expected state; empty where each fits one, but no one state fits all.
    ``restless`` says that the device does not come to rest, where the model does: then nothing could be read.
    """

    before: tuple[State, ...]
    expected: tuple[State, ...]
    shown: Shown
    outputs: tuple[str, ...]
    restless: str = ""


@dataclass(frozen=True, slots=True)
class Record:
    """What was done since the device's reset, in order, what it showed after each (first: after the reset), and how it
    ended: with a difference, with an error of the device, or with neither. ``drift`` has the ticks that may have passed
    by the clock besides, at the reset and with each stimulus."""

    stimuli: tuple[Stimulus, ...]
    shown: tuple[Shown, ...]
    difference: Difference | None = None
    error: DeviceError | None = None
    drift: tuple[int, ...] = ()


class Rig:
    """A device on the bench. ``possible`` are the states that the model may be in, by all that was seen.

    After a difference or an error nothing more can be given until the next :meth:`begin`.
    """

    def __init__(self, system: System, mapping: PointMap, device: Device, tracker: Tracker | None = None) -> None:
        self.system = system
        self.mapping = mapping
        self.device = device
        self.tracker = tracker or Tracker(system)
        self.possible: tuple[State, ...] = ()
        self.stimuli: list[Stimulus] = []
        self.shown: list[Shown] = []
        self.difference: Difference | None = None
        self._points = mapping.points
        self._tests = tuple(_Test(output) for output in mapping.outputs)
        self._written: dict[str, Value] = {}
        self._tick = None if mapping.tick is not None or not mapping.at_most else system.tick
        """Milliseconds of a tick where the device's time goes on by the clock, between stimuli too."""
        self._began = 0.0
        self._waited = Fraction(0)
        self._drifted = 0
        self.drift: list[int] = []

    @property
    def record(self) -> Record:
        return Record(tuple(self.stimuli), tuple(self.shown), self.difference, drift=tuple(self.drift))

    def can_give(self, stimulus: Stimulus) -> bool:
        """Whether the map has a point for it."""
        match stimulus.kind:
            case "event":
                return self.mapping.events[stimulus.number] is not None
            case "wait" | "until":
                return self.system.tick is not None
            case _:
                return self.mapping.can_force(self.system, stimulus.number)

    def begin(self) -> Difference | None:
        """Reset the device, and hold what it shows against the initial state."""
        self.stimuli, self.shown, self.difference, self.drift = [], [], None, [0]
        self._written = {}
        self._began, self._waited, self._drifted = time.monotonic(), Fraction(0), 0
        self.possible = self.tracker.start()
        try:
            if self.mapping.reset is not None:
                self._act(self.mapping.reset)
            else:
                self.device.reset()
        except DeviceError as error:
            return self._restless((), self.possible, error)
        return self._hold((), self.possible)

    def give(self, stimulus: Stimulus) -> Difference | None:
        """Do one thing to the device; None where what it shows fits some possible state.

        Raises DeviceError, and CannotTrack where the model has too many possible states.
        """
        assert self.difference is None, "the device differs already"
        if stimulus.kind == "until":
            return self._wait_until(stimulus)
        self.drift.append(self._drift())
        before = self.tracker.drifted(self.possible, self.drift[-1])
        expected = self.tracker.after(before, stimulus, self.mapping.slack)
        self.stimuli.append(stimulus)
        try:
            self._do(stimulus)
        except DeviceError as error:
            return self._restless(before, expected, error)
        if self.mapping.inputs and stimulus.kind != "wait":
            return self._play(before, stimulus, expected)
        return self._hold(before, expected)

    def _wait_until(self, stimulus: Stimulus) -> Difference | None:
        """Wait tick by tick until the device can only be where it is waited for. What is recorded are these ticks.

        Where the map does not show it, the ticks pass: the possible states are followed all the same.
        """
        assert stimulus.seen is not None
        subsystem, wanted = stimulus.seen
        for _ in range(stimulus.number + self.mapping.slack):
            if all(state.states[subsystem] == wanted for state in self.possible):
                return None
            before = self.possible
            if self.give(Stimulus("wait", 1)) is not None:
                return self.difference
        if self.mapping.slack and all(state.states[subsystem] != wanted for state in self.possible):
            # within its slack each tick alone may have been none at all; all together were enough
            names = tuple(test.name for test in self._tests if test.subsystem == subsystem)
            self.difference = Difference(before, self.possible, self.shown[-1], names)
        return self.difference

    def _drift(self) -> int:
        """How many ticks more may have passed by the device's clock than were waited for, since it was last asked."""
        if self._tick is None:
            return 0
        gone = Fraction(time.monotonic() - self._began) * 1000 - self._waited
        more = max(0, math.ceil(gone / self._tick) - self._drifted)
        self._drifted += more
        return more

    # -- towards the device -------------------------------------------------------------------

    def _act(self, action: Action) -> None:
        if action.kind == "apply":
            self.device.apply(action.point)
        else:
            self.device.write(action.point, action.value)

    def _do(self, stimulus: Stimulus) -> None:
        match stimulus.kind:
            case "event":
                action = self.mapping.events[stimulus.number]
                assert action is not None, "an event without a point"
                self._act(action)
            case "wait" if self.mapping.tick is not None:
                self.device.write(self.mapping.tick, stimulus.number)
            case "wait":
                length = stimulus.number * (self.system.tick or Fraction(0))
                self._waited += length
                self.device.wait(length)
            case _:
                action = self.mapping.faults[stimulus.number]
                if action is not None:
                    self._act(action)
                # else the fault is one of an input: the model reads it so from now on, and the bench plays it

    def _restless(self, before: tuple[State, ...], expected: tuple[State, ...], error: DeviceError) -> Difference:
        """The difference of a device that does not come to rest; any other error is raised again."""
        if error.trouble != "restless":
            raise error
        self.possible = ()
        self.difference = Difference(before, expected, {}, (), error.message)
        return self.difference

    # -- what it shows ------------------------------------------------------------------------

    def _hold(self, before: tuple[State, ...], expected: tuple[State, ...]) -> Difference | None:
        """Read until something fits, as long as the map allows."""
        if self.mapping.inputs:
            self._set_inputs(expected)
        self._let_settle()
        last = time.monotonic() + float(self.mapping.at_most - self.mapping.settle) / 1000
        while True:
            begun = time.monotonic()
            shown = self.read()
            drift = self._drift()
            if drift:
                expected = self.tracker.drifted(expected, drift)
                self.drift[-1] += drift
            fitting = tuple(state for state in expected if self.fits(state, shown))
            if fitting or begun >= last:
                break
            time.sleep(max(0.0, min(POLL, last - time.monotonic())))  # the last reading begins when time is up
        self.shown.append(shown)
        self.possible = fitting
        if not fitting:
            self.difference = Difference(before, expected, shown, self._misfits(expected, shown))
        elif self.mapping.inputs:
            self._set_inputs(fitting)
        return self.difference

    def _let_settle(self) -> None:
        if self.mapping.settle:
            time.sleep(float(self.mapping.settle) / 1000)

    def read(self) -> Shown:
        """What every output shows now; DeviceError where a point is missing or shows what the map does not know."""
        values = self.device.read(self._points)
        shown: dict[str, Value] = {}
        for test in self._tests:
            value = values.get(test.point)
            if value is None:
                raise DeviceError("garbage", f"the device says nothing of {test.point} ({test.name})")
            if value not in test.table:
                known = ", ".join(str(v) for v in test.table)
                message = f"{test.point} shows {_short(value)}, which is no value of {test.name}"
                raise DeviceError("garbage", message, f"the map knows: {known}")
            shown[test.name] = value
        return shown

    def looks_so(self, state: State) -> bool:
        """Whether a state of the model looks as the device did last."""
        return self.fits(state, self.shown[-1])

    def fits(self, state: State, shown: Shown) -> bool:
        """Whether a state of the model looks so."""
        for test in self._tests:  # noqa: SIM110 - all() with a generator takes twice as long
            if not self._fits(test, state, shown):
                return False
        return True

    def _fits(self, test: _Test, state: State, shown: Shown) -> bool:
        if test.subsystem is not None:
            return state.states[test.subsystem] in test.states[shown[test.name]]
        return self.tracker.holds(state, test.table[shown[test.name]])

    def _misfits(self, expected: tuple[State, ...], shown: Shown) -> tuple[str, ...]:
        return tuple(test.name for test in self._tests if not any(self._fits(test, state, shown) for state in expected))

    # -- inputs that the bench plays ----------------------------------------------------------

    def _play(self, before: tuple[State, ...], stimulus: Stimulus, expected: tuple[State, ...]) -> Difference | None:
        """The bench moves what is around the device: its inputs follow its outputs until the logic has settled.

        Of the states on the way those stay that look as the device does; the inputs are those of the ones that no
        reaction among them leaves.
        """
        landed = self.tracker.landed(before, stimulus)
        on_the_way = self.tracker.passed(landed)[0]
        now = tuple(dict.fromkeys(state for state, _ in landed))
        for _ in range(MOST_ROUNDS):
            changed = self._set_inputs(now)
            self._let_settle()
            shown = self.read()
            looking = [state for state in on_the_way if self.fits(state, shown)]
            settled = [state for state in looking if state in set(expected)]
            now = tuple(settled or looking or now)
            if not looking or (settled and not changed and not self._would_change(now)):
                break
        return self._hold(before, expected)

    def _values(self, states: Iterable[State]) -> dict[str, Value]:
        """What to write to each input: where the states agree, their reading; else that of the first."""
        first = next(iter(states))
        readings = {i.point: (i, self.tracker.reads(first, i.signal)) for i in self.mapping.inputs}
        return {point: value != i.inverted for point, (i, value) in readings.items()}

    def _would_change(self, states: tuple[State, ...]) -> bool:
        return any(self._written.get(point) != value for point, value in self._values(states).items())

    def _set_inputs(self, states: tuple[State, ...]) -> bool:
        changed = False
        for point, value in self._values(states).items():
            if self._written.get(point) != value:
                self.device.write(point, value)
                self._written[point] = value
                changed = True
        return changed


class _Test:
    """An output, ready to be held against states."""

    def __init__(self, output: Output) -> None:
        self.name = output.name
        self.point = output.point
        self.subsystem = output.subsystem
        self.states = dict(output.states)
        self.table = dict(output.means)


def run(
    system: System,
    mapping: PointMap,
    device: Device,
    stimuli: Iterable[Stimulus],
    tracker: Tracker | None = None,
    on_step: Callable[[int], None] | None = None,
) -> Record:
    """Reset the device and give it these stimuli, up to the first difference or error of the device.

    ``on_step`` hears how many have been given. The device is not closed. Raises CannotTrack.
    """
    rig = Rig(system, mapping, device, tracker)
    try:
        if rig.begin() is None:
            for number, stimulus in enumerate(stimuli, 1):
                if rig.give(stimulus) is not None:
                    break
                if on_step is not None:
                    on_step(number)
    except DeviceError as error:
        return replace(rig.record, error=error)
    return rig.record


def _short(value: object) -> str:
    text = repr(value)
    return text if len(text) <= 60 else f"{text[:57]}..."
