"""`safetymodel bench SPEC --device ...`"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from safetymodel.commands.driven import driving
from safetymodel.commands.shared import (
    JsonFile,
    Modes,
    Spec,
    Stops,
    a_time,
    after_writing,
    give_out,
    listed,
    load_system,
)

if TYPE_CHECKING:
    from safetymodel.bench.hunt import Hunt
    from safetymodel.bench.story import Benched
    from safetymodel.report.bench_said import RunTold

EXIT_CODES = (
    "Exit codes: 0 no difference in what was run, which shows nothing of what was not; 1 the device differs from the "
    "model; 2 the spec, the map or the call has problems; 3 it ended early: device lost, too slow or not to be "
    "understood, or nothing was done; 130 interrupted."
)

DeviceName = Annotated[
    str,
    typer.Option(
        "--device", metavar="NAME", help="twin, python:module:object, modbus://host:port or lines:command.",
        show_default=False,
    ),
]  # fmt: skip
MapFile = Annotated[
    str, typer.Option("--map", metavar="FILE", help="The map of its points; by the names of the spec unless told.")
]
Defects = Annotated[
    str, typer.Option("--defect", metavar="NAMES", help="With the twin: the defects it has, separated by commas.")
]


def bench(
    spec: Spec,
    device: DeviceName,
    map_file: MapFile = "",
    steps: Annotated[
        int | None,
        typer.Option("--steps", min=1, help="Stop after so many stimuli (5,000 unless told).", show_default=False),
    ] = None,
    minutes: Annotated[
        float | None,
        typer.Option("--minutes", min=0.0, callback=a_time, help="Stop after so many minutes.", show_default=False),
    ] = None,
    seed: Annotated[
        int | None,
        typer.Option("--seed", min=0, help="The same seed gives the same run (0 unless told).", show_default=False),
    ] = None,
    faults: Annotated[
        int | None,
        typer.Option(
            "--faults",
            metavar="K",
            min=0,
            help="Force up to K faults at once, where the map can (1 unless told).",
            show_default=False,
        ),
    ] = None,
    defect: Defects = "",
    order: Annotated[
        int | None,
        typer.Option("--order", metavar="SEED", min=0, help="With the twin: react in an order drawn at random."),
    ] = None,
    timeout: Annotated[
        float,
        typer.Option("--timeout", min=0.01, callback=a_time, help="Seconds that each answer may take."),
    ] = 5.0,
    replay: Annotated[
        str, typer.Option("--replay", metavar="FILE", help="Do what this replay file says, instead of a fuzz run.")
    ] = "",
    sheet: Annotated[
        bool, typer.Option("--sheet", help="Work the commissioning sheet of the spec, instead of a fuzz run.")
    ] = False,
    modes: Modes = None,
    stops: Stops = None,
    no_shrink: Annotated[
        bool, typer.Option("--no-shrink", help="Do not look for a shorter way to a difference.")
    ] = False,
    out: Annotated[
        Path | None,
        typer.Option(
            "--out",
            metavar="DIR",
            help="Keep the way to a difference, or up to where the device was lost; of a sheet, the sheet filled in.",
        ),
    ] = None,
    json_file: JsonFile = None,
    quiet: Annotated[bool, typer.Option("--quiet", help="The outcome only, no coverage.")] = False,
) -> int:
    """Drive a device with what the model says can happen; find the first difference, and a short way to it.

    Keep people clear of a real machine, and its radiation off, before it is driven by a bench. Local rules come first.
    """
    from safetymodel.problems import Problem
    from safetymodel.report import terminal
    from safetymodel.span import NOWHERE
    from safetymodel.traces.wording import and_list

    if not sheet and (modes is not None or stops is not None):
        message = "--modes and --stops belong to the commissioning sheet"
        terminal.print_problems((Problem("sheet-only", NOWHERE, message, "add --sheet, or leave them out"),))
        return 2
    if sheet:
        of_a_run = (
            ("--steps", steps is not None),
            ("--minutes", minutes is not None),
            ("--seed", seed is not None),
            ("--faults", faults is not None),
            ("--replay", bool(replay)),
            ("--no-shrink", no_shrink),
        )
        given = [name for name, is_given in of_a_run if is_given]
        if given:
            message = f"{and_list(given)} cannot go with --sheet: the sheet says itself what is done"
            terminal.print_problems((Problem("not-with-sheet", NOWHERE, message, "leave out one or the other"),))
            return 2
        from safetymodel.commands.bench_sheet import work_sheet

        named = (None if modes is None else listed(modes), None if stops is None else listed(stops))
        return work_sheet(spec, device, map_file, defect, order, timeout, json_file, out, quiet, named)
    from safetymodel.bench.hunt import Bounds
    from safetymodel.bench.story import Call, as_data, keep
    from safetymodel.bench.story import bench as drive
    from safetymodel.report.bench_said import said_of

    system = load_system(spec)
    if system is None:
        return 2
    seconds = None if minutes is None else minutes * 60
    bounds = Bounds(5_000 if steps is None and seconds is None else steps, seconds)
    call = Call(
        device,
        map_file,
        defect,
        order,
        bounds,
        seed or 0,
        1 if faults is None else faults,
        timeout,
        not no_shrink,
        replay,
    )
    with terminal.progress() as progress, driving():
        done = drive(system, call, progress)
    if isinstance(done, tuple):
        terminal.print_problems(done)
        return 2
    code = done.exit_code
    paths, problems = keep(done, out) if out is not None and code else ((), ())  # first: nobody may be left to read
    code = give_out(lambda: as_data(done), lambda: said_of(told_of(done), quiet), json_file, code)
    for path in paths:
        print(path, file=sys.stderr if json_file == "-" else sys.stdout)
    return after_writing(problems, code)


def told_of(done: Benched) -> RunTold:
    """The run as plain data, for the words of the report."""
    from safetymodel.bench.stimulus import happenings_of
    from safetymodel.bench.told import length_text, told
    from safetymodel.report.bench_said import RunTold

    record, found, error = done.record, done.hunt, done.record.error
    shows_way = (done.ended != "limit" and record.stimuli) or done.ended == "difference"
    return RunTold(
        title=done.system.title,
        file=done.system.file,
        sha256=done.system.sha256,
        device=done.call.device,
        ended=done.ended,
        length=length_text(record.stimuli),
        ran="" if found is None else ran_text(found),
        replayed=bool(done.call.replay),
        coverage=() if found is None or not found.steps else coverage_told(found),
        left_out=done.left_out,
        uncertain=0 if found is None else found.uncertain,
        reason=error.message if error is not None else found.why if found is not None else "",
        trouble=error.trouble if error is not None else "",
        hint=error.hint if error is not None else "",
        first=done.first,
        tried=done.tried,
        shortest=happenings_of(record.stimuli) <= 1,
        note=done.note,
        lines=told(done.system, done.mapping, record, done.tracker) if shows_way else (),
    )


def ran_text(found: Hunt) -> str:
    """How much a fuzz run did."""
    from safetymodel.traces.wording import counted

    done = f"{counted(found.steps, 'step')} ({counted(found.happenings, 'happening')})"
    return f"{done}, {counted(found.resets, 'reset')}, seed {found.seed}"


def coverage_told(found: Hunt) -> tuple[tuple[str, int, int, tuple[str, ...]], ...]:
    """(what, how many were exercised, of how many, the names and places of the others) of a fuzz run."""
    return tuple((s.what, s.seen, s.of, tuple(f"{m.name} ({m.place})" for m in s.missing)) for s in found.coverage)
