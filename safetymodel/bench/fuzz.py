"""A state machine of hypothesis for a spec and a device. The one room that knows hypothesis.

    from safetymodel.bench import fuzz_machine
    from my_rig import Controller
    TestController = fuzz_machine("coach.yaml", Controller).TestCase

hypothesis chooses what to go for and how; the guide leads there, and what is found is shortened as `bench` does. What a
test that passes has exercised is printed (pytest shows it with `-rP`): what is missing there, it says nothing of.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from typing import Any

from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, precondition, rule

from safetymodel.bench.aims import Goal
from safetymodel.bench.coverage import Coverage
from safetymodel.bench.device import DeviceError, NoDevice
from safetymodel.bench.guarded import Guarded
from safetymodel.bench.guide import Guide, goals_of
from safetymodel.bench.kept import words
from safetymodel.bench.map_file import spec_and_map
from safetymodel.bench.mapping import Mapping
from safetymodel.bench.partless import Sight
from safetymodel.bench.pursuit import Pursuit
from safetymodel.bench.reactions import CannotTrack
from safetymodel.bench.run import Difference, Record, Rig
from safetymodel.bench.shortest.shrink import shrink
from safetymodel.bench.stimulus import Stimulus
from safetymodel.bench.tracking import Tracker
from safetymodel.model.system import System

STEPS = 50
"""Rules in one example, unless the settings of the test case say otherwise."""

FURTHEST = 20
"""Stimuli on the way to one goal."""

RELATED = 0.2
"""How often a fault strikes on the way to a goal that needs none."""

SHRINK_SECONDS = 20.0


class DeviceDiffers(AssertionError):
    """The device shows what the model does not allow; the text tells the run, ``record`` is it."""

    def __init__(self, text: str, record: Record) -> None:
        super().__init__(text)
        self.record = record


def fuzz_machine(
    spec: str | System, device: Callable[[], Any], map_file: str = "", faults: int = 1
) -> type[RuleBasedStateMachine]:
    """A ``RuleBasedStateMachine`` that drives ``device()`` and holds it against the spec.

    ``device`` is called once for each example; what it makes needs ``reset``, ``apply``, ``wait`` and ``read`` (see
    :class:`safetymodel.bench.device.Device`), and is closed after it where it can be. ``faults`` is how many faults may
    be forced at once. Raises ValueError where the spec or the map has problems.
    """
    system, mapping = spec_and_map(spec, map_file)
    tracker = Tracker(system)
    goals = _goals(system, mapping, tracker, faults)

    exercised = Coverage(system, tracker)

    class BenchMachine(RuleBasedStateMachine):
        def __init__(self) -> None:
            super().__init__()
            self.device = Guarded(device())
            self.rig = Rig(system, mapping, self.device, tracker)
            self.guide = Guide(system, tracker, self.rig.can_give, faults)

        @initialize()
        def reset(self) -> None:
            self._held(self.rig.begin())
            exercised.start(self.rig.possible, self._sight())

        @rule(
            place=st.integers(0, max(0, len(goals) - 1)),
            chance=st.integers(0, 1 << 16),
            most=st.integers(1, FURTHEST),
        )
        @precondition(lambda self: bool(goals))
        def go_for(self, place: int, chance: int, most: int) -> None:
            """What may lead to one goal, up to so many stimuli."""
            goal, rng = goals[place], random.Random(chance)
            may = goal.faults or (self.guide.related(goal) if rng.random() < RELATED else ())
            pursuit = Pursuit(self.guide, goal, rng.choice(may) if may else None, rng, most)
            for _ in range(most):
                before = self.rig.possible[0]
                stimulus = pursuit.next(before, rng)
                if stimulus is None:
                    break
                self._give(stimulus)
                if pursuit.left <= 0 or self.guide.meets(goal, before, stimulus, self.rig.possible[0]):
                    break

        @rule(event=st.sampled_from([e.name for e in system.events] or [""]))
        def event(self, event: str) -> None:
            """Any event, blocked or not."""
            self._give(Stimulus("event", next((e.number for e in system.events if e.name == event), -1)))

        @rule(ticks=st.integers(1, 8))
        @precondition(lambda self: system.tick is not None)
        def wait(self, ticks: int) -> None:
            self._give(Stimulus("wait", ticks))

        def _give(self, stimulus: Stimulus) -> None:
            if stimulus.number >= 0 and self.rig.can_give(stimulus):
                before = self.rig.possible
                self._held(self.rig.give(stimulus))
                exercised.step(before, stimulus, self.rig.possible, self._sight())

        def _sight(self) -> Sight:
            return Sight(self.rig.looks_so, mapping.slack, self.rig.drift[-1])

        def _held(self, difference: Difference | None) -> None:
            if difference is not None:
                raise _differs(system, mapping, self.rig.record, tracker)

        def teardown(self) -> None:
            self.device.close()

    case: Any = BenchMachine.TestCase

    class BenchCase(case):  # type: ignore[misc]
        settings = settings(
            stateful_step_count=STEPS, deadline=None, suppress_health_check=list(HealthCheck),
            phases=(Phase.explicit, Phase.reuse, Phase.generate),
        )  # fmt: skip

        def runTest(self) -> None:  # noqa: N802 - the name that unittest asks for
            try:
                super().runTest()
            except DeviceDiffers as found:
                raise _differs(system, mapping, _shortened(found.record), tracker) from None
            for share in exercised.shares():
                print(f"{share.what}: {share.seen:,} of {share.of:,}")

    def _shortened(record: Record) -> Record:
        anew = Guarded(device())
        try:
            return shrink(system, mapping, anew, record, tracker, SHRINK_SECONDS, faults=faults).record
        except (DeviceError, CannotTrack):
            return record
        finally:
            anew.close()

    BenchMachine.TestCase = BenchCase  # type: ignore[assignment]
    return BenchMachine


def _differs(system: System, mapping: Mapping, record: Record, tracker: Tracker) -> DeviceDiffers:
    told = words(system, mapping, record, tracker)
    return DeviceDiffers(f"the device differs from the model of {system.title}:\n{told}", record)


def _goals(system: System, mapping: Mapping, tracker: Tracker, faults: int) -> tuple[Goal, ...]:
    can_give = Rig(system, mapping, NoDevice(), tracker).can_give
    return goals_of(system, Coverage(system, tracker), Guide(system, tracker, can_give, faults))
