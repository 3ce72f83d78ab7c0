"""A state machine of hypothesis for a spec and a device. The one room that knows hypothesis.

    from safetymodel.bench import fuzz_machine
    from my_rig import Controller
    TestController = fuzz_machine("coach.yaml", Controller).TestCase

hypothesis chooses the stimuli, most of them towards a goal of the guide, and shortens what it finds.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from typing import Any

from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, precondition, rule

from safetymodel.bench.aims import Goal
from safetymodel.bench.coverage import Coverage
from safetymodel.bench.device import NoDevice
from safetymodel.bench.guarded import Guarded
from safetymodel.bench.guide import Guide, goals_of
from safetymodel.bench.kept import words
from safetymodel.bench.map_file import spec_and_map
from safetymodel.bench.mapping import Mapping
from safetymodel.bench.pursuit import Pursuit
from safetymodel.bench.run import Difference, Rig
from safetymodel.bench.stimulus import Stimulus
from safetymodel.bench.tracking import Tracker
from safetymodel.model.system import System

STEPS = 60
"""Rules in one example, unless the settings of the test case say otherwise."""


class DeviceDiffers(AssertionError):
    """The device shows what the model does not allow; the text tells the run."""


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

    class BenchMachine(RuleBasedStateMachine):
        def __init__(self) -> None:
            super().__init__()
            self.device = Guarded(device())
            self.rig = Rig(system, mapping, self.device, tracker)
            self.guide = Guide(system, tracker, self.rig.can_give, faults)
            self.pursuit: Pursuit | None = None

        @initialize()
        def reset(self) -> None:
            self._held(self.rig.begin())

        @rule(place=st.integers(0, max(0, len(goals) - 1)))
        @precondition(lambda self: bool(goals))
        def aim(self, place: int) -> None:
            """Choose what to go for."""
            self.pursuit = Pursuit(self.guide, goals[place], None, random.Random(place), STEPS)

        @rule(chance=st.integers(0, 7))
        @precondition(lambda self: self.pursuit is not None)
        def follow(self, chance: int) -> None:
            """A stimulus on a way to the goal."""
            assert self.pursuit is not None
            state = self.rig.possible[0]
            rng = random.Random(chance)
            self._give(self.pursuit.next(state, rng) or self.guide.anything(state, rng))

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
                self._held(self.rig.give(stimulus))

        def _held(self, difference: Difference | None) -> None:
            if difference is not None:
                raise DeviceDiffers(
                    f"the device differs from the model of {system.title}:\n"
                    + words(system, mapping, self.rig.record, tracker)
                )

        def teardown(self) -> None:
            self.device.close()

    BenchMachine.TestCase.settings = settings(
        stateful_step_count=STEPS, deadline=None, suppress_health_check=list(HealthCheck)
    )
    return BenchMachine


def _goals(system: System, mapping: Mapping, tracker: Tracker, faults: int) -> tuple[Goal, ...]:
    can_give = Rig(system, mapping, NoDevice(), tracker).can_give
    return goals_of(system, Coverage(system, tracker), Guide(system, tracker, can_give, faults))
