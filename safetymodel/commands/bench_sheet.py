"""`safetymodel bench SPEC --device ... --sheet`: the commissioning sheet worked by the bench."""

from __future__ import annotations

import contextlib
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from safetymodel.commands.shared import after_writing

if TYPE_CHECKING:
    from safetymodel.bench.sheet_run import SheetRun


def work_sheet(
    spec: str,
    device_name: str,
    map_file: str,
    defect: str,
    order: int | None,
    timeout: float,
    json_file: str | None,
    quiet: bool,
    named: tuple[Sequence[str] | None, Sequence[str] | None] = (None, None),
) -> int:
    """Plan the sheet, work it on the device, print and write how each walk went; the exit code of `bench`.

    ``named`` are the subsystems of modes and the events of emergency stops (None: found by their words).
    """
    from safetymodel.bench.commission import Commissioning, commission
    from safetymodel.bench.connect import open_device
    from safetymodel.bench.device import DeviceError
    from safetymodel.bench.mapping import mapping_for
    from safetymodel.bench.sheet_run import mapping_with_forces, run_sheet
    from safetymodel.explore.engine import LimitReached
    from safetymodel.pipeline import save_text
    from safetymodel.problems import Problem
    from safetymodel.report import machine, terminal

    try:
        with terminal.progress() as progress:
            found = commission(spec, *named, progress=progress)
    except LimitReached as limit:
        print(f"undecided: {limit}", file=sys.stderr)
        return 3
    if not isinstance(found, Commissioning):
        terminal.print_problems(found)
        return 2
    mapping, problems = mapping_for(found.system, map_file)
    terminal.print_problems((*found.problems, *problems))
    if mapping is None:
        return 2
    forced = found.plan.forced
    whole = mapping_with_forces(forced, mapping, by_names=device_name == "twin" and not map_file)
    try:
        device = open_device(device_name, forced.system, timeout, defect or None, order)
    except DeviceError as error:
        print(f"ended early, which is never a pass: {error.message}", file=sys.stderr)
        return 3
    if isinstance(device, Problem):
        terminal.print_problems((device,))
        return 2
    try:
        with terminal.progress() as progress:
            walks = len(found.plan.walks)
            done = run_sheet(found.plan, whole, device, lambda number: progress(f"walk {number} of {walks}", 0))
    finally:
        with contextlib.suppress(DeviceError):
            device.close()
    code = 0 if done.passed else 1 if done.failed else 3
    data = as_data(found, done)
    if json_file == "-":
        sys.stdout.write(machine.as_text(data))
        return code
    for line in lines_of(data, quiet):
        terminal.say(line)
    if json_file is not None:
        code = after_writing(save_text(Path(json_file), machine.as_text(data)), code)
    return code


def as_data(found: Any, done: SheetRun) -> dict[str, Any]:
    """How each walk went, by the numbers of the sheet."""
    from safetymodel.bench.stimulus import stimulus_name

    system = done.plan.forced.system
    parts = {id(walk): part.number for walk, part in zip(_in_order(found), _parts(found), strict=True)}
    walks = []
    for one in done.worked:
        entry: dict[str, Any] = {"walk": parts[id(one.walk)], "outcome": one.word, "rows": one.rows}
        if one.reason:
            entry["reason"] = one.reason
        if one.difference is not None:
            entry["step"] = f"{entry['walk']}.{one.rows}"
            entry["stimulus"] = stimulus_name(system, one.walk.rows[one.rows - 1]) if one.rows else "reset"
            entry["outputs_that_differ"] = list(one.difference.outputs)
            entry["shown"] = {name: one.difference.shown[name] for name in one.difference.outputs}
        walks.append(entry)
    return {
        "format": 1,
        "spec": {"file": system.file, "title": system.title, "sha256": system.sha256},
        "passed": done.passed,
        "error": done.error.message if done.error is not None else "",
        "walks_planned": len(done.plan.walks),
        "goals_not_tested": sum(outcome != "shown" for outcome in done.plan.outcomes),
        "walks": walks,
    }


def _in_order(found: Any) -> list[Any]:
    """The walks as the sheet numbers them: by chapter."""
    from safetymodel.bench.goals import SECTIONS

    return [walk for section, _ in SECTIONS for walk in found.plan.walks if walk.section == section]


def _parts(found: Any) -> list[Any]:
    return [part for chapter in found.sheet.chapters for part in chapter.parts]


def lines_of(data: dict[str, Any], quiet: bool) -> list[str]:
    """The outcome in words; each walk that did not pass."""
    lines = [data["spec"]["title"]]
    counts = {word: sum(w["outcome"] == word for w in data["walks"]) for word in ("pass", "fail", "not run", "ended")}
    for walk in data["walks"]:
        if walk["outcome"] == "fail" and not quiet:
            shown = ", ".join(f"{name} shows {value}" for name, value in walk["shown"].items())
            shown = shown or "no one state fits all outputs"
            lines.append(f"step {walk['step']}, {walk['stimulus']}: differs; {shown}")
        elif walk["outcome"] in ("not run", "ended") and not quiet:
            lines.append(f"walk {walk['walk']}: {walk['outcome']}, {walk['reason']}")
    told = ", ".join(f"{count} {word}" for word, count in counts.items() if count)
    lines.append(f"{data['walks_planned']} walks planned: {told or 'none run'}")
    if data["error"]:
        lines.append(f"ended early, which is never a pass: {data['error']}")
    if data["passed"]:
        lines.append(
            f"no difference on the sheet; {data['goals_not_tested']} goals are not on it (see `safetymodel sheets`)"
        )
    return lines
