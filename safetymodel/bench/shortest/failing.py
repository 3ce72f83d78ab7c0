"""A short sequence after which a device fails: each is tried on a device that was started afresh."""

from __future__ import annotations

import contextlib
from collections.abc import Callable

from safetymodel.bench.device import Device, DeviceError, NoDevice
from safetymodel.bench.mapping import Mapping
from safetymodel.bench.run import Record, run
from safetymodel.bench.shortest.shrink import Shrunk
from safetymodel.bench.shortest.tries import Tries
from safetymodel.bench.shortest.ways import Way
from safetymodel.bench.tracking import Tracker
from safetymodel.model.system import System


class _Failing(Tries):
    """What is looked for is that a new device, by ``start``, fails in the same manner."""

    start: Callable[[], Device]

    def _tried(self, way: Way) -> Record | None:
        device = self.start()
        try:
            record = run(self.system, self.mapping, device, way, self.tracker)
        finally:
            with contextlib.suppress(DeviceError):
                device.close()
        if record.error is None or self.best.error is None or not record.stimuli:
            return None
        return record if record.error.trouble == self.best.error.trouble else None


def shorten_to_failure(
    system: System,
    mapping: Mapping,
    start: Callable[[], Device],
    record: Record,
    tracker: Tracker,
    seconds: float,
    on_step: Callable[[int, int], None] | None,
) -> Shrunk:
    """Leave out of a run in which the device failed what is not needed for that; at most so long. The device of the run
    is closed by then. Raises DeviceError where it cannot be started again, CannotTrack."""
    tries = _Failing(system, mapping, NoDevice(), tracker, record, seconds, on_step, 0)
    tries.start = start
    found = tries.differing(record.stimuli)
    if found is None:
        return Shrunk(record, tries.tried, "the device did not fail again when it was started anew", again=False)
    tries.best = found
    tries.leave_out()
    tries.join_waits()
    return Shrunk(tries.best, tries.tried, "time ran out while the way was shortened" if tries.late else "")
