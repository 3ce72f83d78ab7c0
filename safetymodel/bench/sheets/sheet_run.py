"""A commissioning sheet worked by the bench: every walk from the device's reset, every row held against the model."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any, Literal

from safetymodel.bench.device import Device, DeviceError
from safetymodel.bench.mapping import Action, Mapping
from safetymodel.bench.reactions import CannotTrack
from safetymodel.bench.run import Difference, Record, Rig
from safetymodel.bench.sheets.forcing import Forced
from safetymodel.bench.sheets.sheets import Sheet
from safetymodel.bench.sheets.stages import SECTIONS
from safetymodel.bench.sheets.walks import Plan, Walk
from safetymodel.bench.stimulus import Stimulus, stimulus_name
from safetymodel.bench.tracking import Tracker

Word = Literal["pass", "fail", "not run", "ended"]


@dataclass(frozen=True, slots=True)
class Worked:
    """How one walk went. ``rows`` were done; at ``fail`` the last of them differs, at ``ended`` it ended there.
    ``reason`` says why one was not run to its end."""

    walk: Walk
    word: Word
    rows: int
    difference: Difference | None = None
    record: Record | None = None
    reason: str = ""


@dataclass(frozen=True, slots=True)
class SheetRun:
    """``error`` is what ended it early: then nothing after it was run, and it is no pass."""

    plan: Plan
    worked: tuple[Worked, ...]
    error: DeviceError | None = None

    @property
    def passed(self) -> bool:
        """Every walk was run to its end without a difference."""
        return (
            self.error is None
            and len(self.worked) == len(self.plan.walks)
            and all(one.word == "pass" for one in self.worked)
        )

    @property
    def failed(self) -> tuple[Worked, ...]:
        return tuple(one for one in self.worked if one.word == "fail")


def mapping_with_forces(forced: Forced, mapping: Mapping, by_names: bool) -> Mapping:
    """The mapping with an entry for each force. ``by_names``: the device takes ``fault NAME`` of each; else only those
    signals can be forced that the bench plays itself."""
    own = forced.system.faults[forced.declared :]
    more = tuple(Action("apply", f"fault {fault.name}") if by_names else None for fault in own)
    return replace(mapping, faults=(*mapping.faults[: forced.declared], *more))


def run_sheet(
    plan: Plan,
    mapping: Mapping,
    device: Device,
    on_walk: Callable[[int], None] | None = None,
    first_only: bool = False,
) -> SheetRun:
    """Work every walk of the plan on the device; after a difference the next walk begins with a reset.

    The mapping has an entry for every fault and force of ``plan.forced``. ``first_only``: end at the first difference.
    A row that the mapping has no point for leaves its walk not run, which is no pass.
    """
    system = plan.forced.system
    rig = Rig(system, mapping, device, Tracker(system))
    worked: list[Worked] = []
    for number, walk in enumerate(plan.walks, 1):
        if on_walk is not None:
            on_walk(number)
        one, error = _work(rig, walk, plan.forced)
        worked.append(one)
        if error is not None:
            return SheetRun(plan, tuple(worked), error)
        if first_only and one.word == "fail":
            break
    return SheetRun(plan, tuple(worked))


def _work(rig: Rig, walk: Walk, forced: Forced) -> tuple[Worked, DeviceError | None]:
    missing = next((row for row in walk.rows if not rig.can_give(row)), None)
    if missing is not None:
        return Worked(walk, "not run", 0, reason=_no_point(forced, missing)), None
    place = 0
    try:
        if rig.begin() is not None:
            return Worked(walk, "fail", 0, rig.difference, rig.record), None
        for place, row in enumerate(walk.rows, 1):
            if rig.give(row) is not None:
                return Worked(walk, "fail", place, rig.difference, rig.record), None
    except CannotTrack as error:
        return Worked(walk, "not run", place, record=rig.record, reason=str(error)), None
    except DeviceError as error:
        return Worked(walk, "ended", place, record=rig.record, reason=error.message), error
    return Worked(walk, "pass", len(walk.rows)), None


def _no_point(forced: Forced, row: Stimulus) -> str:
    """Why a row cannot be given; of a signal that only a tester forces, what helps."""
    system = forced.system
    if row.kind == "fault" and forced.is_own(row.number):
        fault = system.faults[row.number]
        name, word = system.signals[fault.subject].name, "true" if fault.value else "false"
        return (
            f"{name} has to be forced {word}: name the point where the bench can play it under `inputs` of the map file"
        )
    return f"the map has no point for {stimulus_name(system, row)}"


def by_number(done: SheetRun, sheet: Sheet) -> dict[str, Worked]:
    """How the walks went, by their numbers on the sheet."""
    numbers = [part.number for chapter in sheet.chapters for part in chapter.parts]
    in_order = [walk for section, _ in SECTIONS for walk in done.plan.walks if walk.section == section]
    parts = {id(walk): number for walk, number in zip(in_order, numbers, strict=True)}
    return {parts[id(one.walk)]: one for one in done.worked}


def worked_data(done: SheetRun, sheet: Sheet) -> dict[str, Any]:
    """How each walk went, for `--json`."""
    system = done.plan.forced.system
    walks = []
    for number, one in by_number(done, sheet).items():
        entry: dict[str, Any] = {"walk": number, "outcome": one.word, "rows": one.rows}
        if one.reason:
            entry["reason"] = one.reason
        if one.difference is not None:
            entry["step"] = f"{number}.{one.rows}"
            entry["stimulus"] = stimulus_name(system, one.walk.rows[one.rows - 1]) if one.rows else "reset"
            entry["outputs_that_differ"] = list(one.difference.outputs)
            if one.difference.restless:
                entry["restless"] = one.difference.restless
            entry["shown"] = {name: one.difference.shown[name] for name in one.difference.outputs}
        walks.append(entry)
    return {
        "format": 1,
        "spec": {"file": system.file, "title": system.title, "sha256": system.sha256},
        "passed": done.passed,
        "error": done.error.message if done.error is not None else "",
        "walks_planned": len(done.plan.walks),
        "walks_not_begun": len(done.plan.walks) - len(done.worked),
        "goals_not_tested": sum(outcome != "shown" for outcome in done.plan.outcomes),
        "walks": walks,
    }
