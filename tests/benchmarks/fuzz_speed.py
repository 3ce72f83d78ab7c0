"""How fast the bench is in process: the coach and its twin, steps a second of processor time.

    python tests/benchmarks/fuzz_speed.py

`guided` is a whole fuzz run, the choice of goals and its preparation included; `tracking` is the model alone, under
events drawn at random; `rig` the same with the twin and every output compared.
"""

from __future__ import annotations

import platform
import random
import time
from pathlib import Path

from safetymodel.bench.hunt import Bounds, hunt
from safetymodel.bench.mapping import mapping_by_names
from safetymodel.bench.run import Rig
from safetymodel.bench.stimulus import Stimulus
from safetymodel.bench.tracking import Tracker
from safetymodel.bench.twin import Twin
from safetymodel.model.build import load

SPEC = Path(__file__).parent.parent.parent / "specs" / "whimbrel.yaml"


def main() -> None:
    system, _ = load(str(SPEC))
    assert system is not None
    mapping, rng = mapping_by_names(system), random.Random(1)
    events = [Stimulus("event", rng.randrange(len(system.events))) for _ in range(20_000)]

    tracker = Tracker(system)
    states, started = tracker.start(), time.process_time()
    for stimulus in events:
        states = tracker.after(states, stimulus)
    print(f"tracking  {len(events) / (time.process_time() - started):>10,.0f} steps a second")

    rig = Rig(system, mapping, Twin(system))
    assert rig.begin() is None
    started = time.process_time()
    for stimulus in events:
        assert rig.give(stimulus) is None
    print(f"rig       {len(events) / (time.process_time() - started):>10,.0f} steps a second")

    for steps in (5_000, 20_000):
        started = time.process_time()
        found = hunt(system, mapping, Twin(system), 1, Bounds(steps=steps))
        seconds = time.process_time() - started
        assert found.ended == "limit"
        shares = ", ".join(f"{s.what} {s.seen} of {s.of}" for s in found.coverage)
        print(f"guided    {steps / seconds:>10,.0f} steps a second, {steps:,} steps: {shares}")
    print(f"{platform.machine()}, Python {platform.python_version()}, processor time")


if __name__ == "__main__":
    main()
