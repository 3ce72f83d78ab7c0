"""`safetymodel bench`: a spec, a device and a map, driven until a difference or the end of what was asked for."""

from __future__ import annotations

import contextlib
import hashlib
import time
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from safetymodel.bench.connect import open_device
from safetymodel.bench.coverage import Coverage
from safetymodel.bench.device import Device, DeviceError, NoDevice
from safetymodel.bench.hunt import Bounds, Hunt, hunt
from safetymodel.bench.kept import Replay, Setting, read_replay, save
from safetymodel.bench.map_file import mapping_for
from safetymodel.bench.mapping import Mapping
from safetymodel.bench.reactions import CannotTrack
from safetymodel.bench.run import Record, run
from safetymodel.bench.shortest.failing import shorten_to_failure
from safetymodel.bench.shortest.shrink import Shrunk, shrink
from safetymodel.bench.stimulus import stimulus_name
from safetymodel.bench.tracking import Tracker
from safetymodel.model.system import System
from safetymodel.problems import Problem
from safetymodel.span import NOWHERE

Report = Callable[[str, int], None]
Hear = Callable[[int, int], None]

SHRINK_SECONDS = 60.0
"""How long a shortest sequence is looked for."""


@dataclass(frozen=True, slots=True)
class Call:
    """What was asked for. ``map_file`` is empty for a device that speaks the names of the spec; ``replay`` is a replay
    file to do again instead of a fuzz run; ``order`` seeds the twin's order of reaction."""

    device: str
    map_file: str = ""
    defect: str = ""
    order: int | None = None
    bounds: Bounds = field(default_factory=Bounds)
    seed: int = 0
    faults: int = 1
    timeout: float = 5.0
    shrink: bool = True
    replay: str = ""


@dataclass(frozen=True)
class Benched:
    """How it went. ``record`` is the shortest run with the difference, or how far it came; ``hunt`` is None for a
    replay. ``note`` says what the search for a shorter run left undone, ``first`` how long the run was before it."""

    system: System
    mapping: Mapping
    call: Call
    tracker: Tracker
    record: Record
    hunt: Hunt | None
    first: int
    note: str
    tried: int
    seconds: float

    @property
    def ended(self) -> str:
        """``difference``, ``device``, ``model``, ``interrupted``, ``nothing``, or ``limit``: all that was asked for was
        done."""
        if self.hunt is not None:
            return self.hunt.ended
        if self.record.error is not None:
            return "device"
        return "difference" if self.record.difference is not None else "limit"

    @property
    def exit_code(self) -> int:
        """0 no difference in what was run, 1 a difference, 3 it ended early, 130 interrupted."""
        return {"limit": 0, "difference": 1, "interrupted": 130}.get(self.ended, 3)

    @property
    def left_out(self) -> dict[str, tuple[str, ...]]:
        """The events and the faults that the map has no point for, and the subsystems that no output shows anything of:
        nothing is known of them."""
        system, mapping = self.system, self.mapping
        formulas = [formula for output in mapping.outputs for _, formula in output.means]
        shown = {number for formula in formulas for number in self.tracker.cone(formula).subsystems}
        wanted = () if self.call.replay or not self.call.faults else system.faults
        return {
            "events": tuple(e.name for e in system.events if mapping.events[e.number] is None),
            "faults": tuple(f.name for f in wanted if not mapping.can_force(system, f.number)),
            "subsystems": tuple(s.name for s in system.subsystems if s.number not in shown),
        }

    @property
    def setting(self) -> Setting:
        return Setting(self.call.device, self.call.map_file, self.call.defect, self.call.seed)


def bench(system: System, call: Call, report: Report | None = None) -> Benched | tuple[Problem, ...]:
    """Drive the device, and shorten the difference; the problems of the call where nothing was done.

    A device that cannot be reached is no problem of the call: the run ends early.
    """
    mapping, problems = mapping_for(system, call.map_file, call.device)
    if mapping is None:
        return problems
    replay = read_replay(call.replay, system) if call.replay else Replay()
    if isinstance(replay, Problem):
        return (replay,)
    tracker, started = Tracker(system), time.monotonic()
    blank = Benched(system, mapping, call, tracker, Record((), ()), None, 0, "", 0, 0.0)
    try:
        device = open_device(call.device, system, call.timeout, call.defect or None, call.order)
    except DeviceError as error:
        return replace(blank, record=Record((), (), None, error))
    if isinstance(device, Problem):
        return (device,)
    try:
        if call.replay:
            try:
                record = run(system, mapping, device, replay.stimuli, tracker)
            except CannotTrack as error:
                return (Problem("cannot-track", NOWHERE, str(error), "see what `safetymodel review` says"),)
            seconds = time.monotonic() - started
            return replace(blank, record=record, first=len(record.stimuli), note=replay.note, seconds=seconds)
        found = hunt(system, mapping, device, call.seed, call.bounds, call.faults, tracker, _told_to(report))
        done = replace(blank, record=_hinted(found.record), hunt=found, first=len(found.record.stimuli))
        if found.ended == "difference" and call.shrink:
            done = _shortened(done, device, report)
        anew = getattr(device, "can_start_again", False)
        if found.ended == "device" and call.shrink and anew and found.record.stimuli:
            _close(device)
            device = NoDevice()
            done = _shortened_to_failure(done, report)
        return replace(done, seconds=time.monotonic() - started)
    finally:
        _close(device)


def _hinted(record: Record) -> Record:
    """The run with a word on a device that cannot be given a fault."""
    error = record.error
    if error is None or error.trouble != "refused" or error.hint or not record.stimuli:
        return record
    if record.stimuli[-1].kind not in ("fault", "jump"):
        return record
    hint = "where the device cannot be given this fault: `--faults 0`, or a map without it"
    return replace(record, error=DeviceError(error.trouble, error.message, hint))


def _close(device: Device) -> None:
    with contextlib.suppress(DeviceError):  # what it showed is known by now
        device.close()


def _told_to(report: Report | None) -> Callable[[int, Coverage], None] | None:
    if report is None:
        return None

    def hear(steps: int, coverage: Coverage) -> None:
        if steps % 50 == 0:
            transitions, of = len(coverage.taken), len(coverage.system.transitions)
            matter = sum(seen.matters for seen in coverage.seen)
            parts = f"{matter} of {len(coverage.parts)} parts seen to matter"
            report(f"step {steps:,}: {transitions} of {of} transitions, {parts}", 0)

    return hear


def _shortened(done: Benched, device: Device, report: Report | None) -> Benched:
    def search(hear: Hear) -> Shrunk:
        shown = done.record, done.tracker, SHRINK_SECONDS, hear, done.call.faults
        return shrink(done.system, done.mapping, device, *shown)

    return _searched(done, search, "the difference", report)


def _shortened_to_failure(done: Benched, report: Report | None) -> Benched:
    call = done.call

    def start() -> Device:
        device = open_device(call.device, done.system, call.timeout, call.defect or None, call.order)
        if isinstance(device, Problem):
            raise DeviceError("lost", device.message, device.hint)
        return device

    def search(hear: Hear) -> Shrunk:
        return shorten_to_failure(done.system, done.mapping, start, done.record, done.tracker, SHRINK_SECONDS, hear)

    return _searched(done, search, "where the device fails", report)


def _searched(done: Benched, search: Callable[[Hear], Shrunk], where: str, report: Report | None) -> Benched:
    """The run as a search for a shorter one leaves it."""

    def hear(tried: int, length: int) -> None:
        if report is not None:
            report(f"shortening the way to {where}: {length} happenings, {tried} tries", 0)

    try:
        found = search(hear)
    except DeviceError as error:
        return replace(done, note=f"it could not be shortened: {error.message}")
    except (CannotTrack, KeyboardInterrupt):
        return replace(done, note="it was not shortened to the end")
    tried = found.tried if found.again else 0
    return replace(done, record=_hinted(found.record), note=found.note, tried=tried)


def keep(done: Benched, out: Path) -> tuple[tuple[Path, ...], tuple[Problem, ...]]:
    """Write the run into a folder: a replay file, and a pytest file of a difference. Their names have a mark of the
    device and of what was done, so that a further difference does not take their place."""
    told = [done.setting.device, done.setting.map_file, done.setting.defect]
    told += [stimulus_name(done.system, stimulus) for stimulus in done.record.stimuli]
    mark = hashlib.sha256("\n".join(told).encode("utf-8", "replace")).hexdigest()[:6]
    stem = f"bench_{Path(done.system.file).stem.replace('-', '_')}_seed{done.call.seed}_{mark}"
    return save(done.system, done.mapping, done.record, done.setting, done.tracker, out, stem)


def as_data(done: Benched) -> dict[str, Any]:
    """Everything as plain data, for `--json`."""
    system, record, found = done.system, done.record, done.hunt
    data: dict[str, Any] = {
        "format": 1,
        "spec": {"file": system.file, "title": system.title, "sha256": system.sha256},
        "device": done.call.device,
        "map": done.call.map_file,
        "ended": done.ended,
        "seconds": round(done.seconds, 3),
        "stimuli": [stimulus_name(system, stimulus) for stimulus in record.stimuli],
    }
    if found is not None:
        data.update(
            {
                "seed": found.seed,
                "why": found.why,
                "steps": found.steps,
                "happenings": found.happenings,
                "resets": found.resets,
                "steps_not_counted_as_covered": found.uncertain,
                "coverage": [
                    {
                        "what": s.what,
                        "seen": s.seen,
                        "of": s.of,
                        "missing": [{"name": m.name, "place": m.place} for m in s.missing],
                    }
                    for s in found.coverage
                ],
                "stimuli_before_shortening": done.first,
            }
        )
    if any(done.left_out.values()):
        data["left_out_by_the_map"] = {what: list(names) for what, names in done.left_out.items()}
    if record.difference is not None:
        data["outputs_that_differ"] = list(record.difference.outputs)
        data["shown"] = dict(record.difference.shown)
        if record.difference.restless:
            data["restless"] = record.difference.restless
    if record.error is not None:
        data["device_error"] = {"trouble": record.error.trouble, "message": record.error.message}
    if done.note:
        data["note"] = done.note
    return data
