"""`safetymodel bench SPEC --device ... --sheet`: the commissioning sheet worked by the bench."""

from __future__ import annotations

import contextlib
import sys
from collections.abc import Sequence
from pathlib import Path

from safetymodel.commands.driven import driving
from safetymodel.commands.shared import after_writing, load_system
from safetymodel.commands.sheets import write_sheet
from safetymodel.files import json_text


def work_sheet(
    spec: str,
    device_name: str,
    map_file: str,
    defect: str,
    order: int | None,
    timeout: float,
    json_file: str | None,
    out: Path | None,
    quiet: bool,
    named: tuple[Sequence[str] | None, Sequence[str] | None] = (None, None),
) -> int:
    """Plan the sheet, work it on the device, print and write how each walk went; the exit code of `bench`.

    ``out``: a folder for the sheet with what was observed filled in.

    ``named`` are the subsystems of modes and the events of emergency stops (None: found by their words).
    """
    from safetymodel.bench.connect import open_device, wrong_name
    from safetymodel.bench.device import DeviceError
    from safetymodel.bench.map_file import mapping_for
    from safetymodel.bench.sheets.commission import Commissioning, commission
    from safetymodel.bench.sheets.observed import with_results
    from safetymodel.bench.sheets.sheet_run import mapping_with_forces, run_sheet, worked_data
    from safetymodel.explore.engine import LimitReached
    from safetymodel.pipeline import save_text
    from safetymodel.problems import Problem, errors
    from safetymodel.report import terminal
    from safetymodel.report.sheets_said import worked_lines

    system = load_system(spec)
    if system is None:
        return 2
    mapping, problems = mapping_for(system, map_file, device_name)
    wrong = wrong_name(device_name, system, defect or None, order)
    problems = problems if wrong is None else (*problems, wrong)
    terminal.print_problems(problems)
    if mapping is None or wrong is not None:
        return 2
    try:
        with terminal.progress() as progress:
            found = commission(spec, *named, progress=progress)
    except LimitReached as limit:
        print(f"undecided: {limit}", file=sys.stderr)
        return 3
    if not isinstance(found, Commissioning):
        terminal.print_problems(errors(found))
        return 2
    forced = found.plan.forced
    whole = mapping_with_forces(forced, mapping, by_names=device_name == "twin" and not map_file)
    try:
        with driving():
            device = open_device(device_name, forced.system, timeout, defect or None, order)
    except DeviceError as error:
        print(f"ended early, which is never a pass: {error.message}", file=sys.stderr)
        return 3
    if isinstance(device, Problem):
        terminal.print_problems((device,))
        return 2
    try:
        with terminal.progress() as progress, driving():
            walks = len(found.plan.walks)
            done = run_sheet(found.plan, whole, device, lambda number: progress(f"walk {number} of {walks}", 0))
    finally:
        with contextlib.suppress(DeviceError):
            device.close()
    code = 0 if done.passed else 1 if done.failed else 3
    data = worked_data(done, found.sheet)
    written: tuple[Path, ...] = ()
    if out is not None:
        written, code = write_sheet(with_results(found.sheet, done, device_name), out, code)
    if json_file == "-":
        sys.stdout.write(json_text(data))
        return code
    for line in worked_lines(data, quiet):
        terminal.say(line)
    for path in written:
        terminal.say(f"wrote {path}")
    if json_file is not None:
        code = after_writing(save_text(Path(json_file), json_text(data)), code)
    return code
