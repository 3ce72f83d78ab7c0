"""A shortest sequence that shows a difference: pieces left out as long as it shows, shorter ways by the model, and all
that is short."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from safetymodel.bench.device import Device
from safetymodel.bench.mapping import Mapping
from safetymodel.bench.run import Record
from safetymodel.bench.shortest.elsewhere import look_elsewhere
from safetymodel.bench.shortest.tries import MOST_SHORT, Tries
from safetymodel.bench.shortest.ways import Ways
from safetymodel.bench.tracking import Tracker
from safetymodel.model.system import System


@dataclass(frozen=True, slots=True)
class Shrunk:
    """``record`` is the run of the shortest sequence found; ``tried`` how many sequences the device was given for it.

    ``note`` says what the search left undone; empty where it came to its end. ``again`` is False where the device did
    not differ again: then nothing was shortened.
    """

    record: Record
    tried: int
    note: str = ""
    again: bool = True


def shrink(
    system: System,
    mapping: Mapping,
    device: Device,
    record: Record,
    tracker: Tracker | None = None,
    seconds: float = 60.0,
    on_step: Callable[[int, int], None] | None = None,
    faults: int = 1,
    ways: Ways | None = None,
) -> Shrunk:
    """Look for the shortest sequence, in happenings, that ends in a difference; at most so long, and with at most so
    many faults (or as many as the run has).

    ``on_step`` hears how many sequences were tried, and how long the shortest is. Raises DeviceError, CannotTrack.
    """
    tries = Tries(system, mapping, device, tracker or Tracker(system), record, seconds, on_step, faults)
    found = tries.differing(record.stimuli)
    if found is None:
        note = "the device did not differ again when the same was done after a reset"
        return Shrunk(record, tries.tried, note, again=False)
    tries.best = found
    tries.leave_out()
    note, explained = look_elsewhere(tries, ways)
    if not note and not tries.all_short_ones(longest=1 if explained else MOST_SHORT):
        note = "time ran out before all short sequences were tried"
    tries.join_waits()
    return Shrunk(tries.best, tries.tried, note)
