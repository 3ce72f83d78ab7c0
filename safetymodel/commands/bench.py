"""`safetymodel bench SPEC --device ...`"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from safetymodel.commands.shared import JsonFile, Modes, Spec, Stops, after_writing, give_out, listed, load_system

if TYPE_CHECKING:
    from safetymodel.bench.story import Benched
    from safetymodel.report.said import Block

EXIT_CODES = (
    "Exit codes: 0 no difference in what was run, which shows nothing of what was not; 1 the device differs from the "
    "model; 2 the spec, the map or the call has problems; 3 it ended early: device lost, too slow or not to be "
    "understood."
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
        float | None, typer.Option("--minutes", min=0.0, help="Stop after so many minutes.", show_default=False)
    ] = None,
    seed: Annotated[int, typer.Option("--seed", min=0, help="The same seed gives the same run.")] = 0,
    faults: Annotated[
        int, typer.Option("--faults", metavar="K", min=0, help="Force up to K faults at once, where the map can.")
    ] = 1,
    defect: Defects = "",
    order: Annotated[
        int | None,
        typer.Option("--order", metavar="SEED", min=0, help="With the twin: react in an order drawn at random."),
    ] = None,
    timeout: Annotated[float, typer.Option("--timeout", min=0.01, help="Seconds that each answer may take.")] = 5.0,
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
        typer.Option("--out", metavar="DIR", help="Keep the way to a difference, or up to where the device was lost."),
    ] = None,
    json_file: JsonFile = None,
    quiet: Annotated[bool, typer.Option("--quiet", help="The outcome only, no coverage.")] = False,
) -> int:
    """Drive a device with what the model says can happen; find the first difference, and the shortest way to it.

    Keep people clear of a real machine, and its radiation off, before it is driven by a bench. Local rules come first.
    """
    if not sheet and (modes is not None or stops is not None):
        from safetymodel.problems import Problem
        from safetymodel.report import terminal
        from safetymodel.span import NOWHERE

        message = "--modes and --stops belong to the commissioning sheet"
        terminal.print_problems((Problem("sheet-only", NOWHERE, message, "add --sheet, or leave them out"),))
        return 2
    if sheet:
        from safetymodel.commands.bench_sheet import work_sheet

        named = (None if modes is None else listed(modes), None if stops is None else listed(stops))
        return work_sheet(spec, device, map_file, defect, order, timeout, json_file, quiet, named)
    from safetymodel.bench.hunt import Bounds
    from safetymodel.bench.story import Call, as_data, keep
    from safetymodel.bench.story import bench as drive
    from safetymodel.report import terminal

    system = load_system(spec)
    if system is None:
        return 2
    seconds = None if minutes is None else minutes * 60
    bounds = Bounds(5_000 if steps is None and seconds is None else steps, seconds)
    call = Call(device, map_file, defect, order, bounds, seed, faults, timeout, not no_shrink, replay)
    with terminal.progress() as progress:
        done = drive(system, call, progress)
    if isinstance(done, tuple):
        terminal.print_problems(done)
        return 2
    code = done.exit_code
    code = give_out(lambda: as_data(done), lambda: said_of(done, quiet), json_file, code)
    if out is not None and code:
        paths, problems = keep(done, out)
        for path in paths:
            print(path, file=sys.stderr if json_file == "-" else sys.stdout)
        code = after_writing(problems, code)
    return code


def said_of(done: Benched, quiet: bool) -> tuple[Block, ...]:
    """The outcome in words: what was run, what was covered, the difference, and the cautions."""
    from safetymodel.bench.told import length_text, told
    from safetymodel.report.said import Grid, Piece, Words

    record, found = done.record, done.hunt
    blocks: list[Block] = [Words(((done.system.title, "strong"), (f"  against {done.call.device}", "")))]
    if found is not None and not quiet and found.steps:
        rows: tuple[tuple[Piece, ...], ...] = tuple(
            ((s.what, ""), (f"{s.seen:,} of {s.of:,}", "")) for s in found.coverage
        )
        blocks += [None, Grid(("exercised", "seen"), rows), None]
    if found is not None:
        ran = f"{found.steps:,} steps ({found.happenings:,} happenings), {found.resets:,} resets, seed {found.seed}"
        blocks.append(Words(((ran, ""),)))
        if found.uncertain and not quiet:
            text = f"{found.uncertain:,} steps are not counted: the model could be in several states"
            blocks.append(Words(((text, "quiet"),)))
    else:
        text = f"replayed {length_text(record.stimuli)}" if done.call.replay else "nothing was run"
        blocks.append(Words(((text, ""),)))
    if done.ended == "limit":
        blocks.append(
            Words((("no difference in what was run", "good"), (". It shows nothing of what was not run.", "")))
        )
    elif done.ended == "difference":
        blocks.append(Words((("difference", "bad"), (f" after {length_text(record.stimuli)}", ""))))
        if done.tried:
            text = f"the shortest way found ({done.first:,} stimuli at first, {done.tried:,} sequences tried)"
            blocks.append(Words(((text, "quiet"),)))
    else:
        reason = record.error.message if record.error is not None else found.why if found is not None else ""
        kind = f"{record.error.trouble}: " if record.error is not None else ""
        blocks.append(Words((("ended early", "doubt"), (f", which is never a pass: {kind}{reason}", ""))))
        if record.error is not None and record.error.hint:
            blocks.append(Words(((f"hint: {record.error.hint}", ""),), indent=2))
    if done.note:
        blocks.append(Words(((done.note, "doubt"),)))
    if (done.ended != "limit" and record.stimuli) or done.ended == "difference":
        blocks.append(None)
        for line in told(done.system, done.mapping, record, done.tracker):
            place = f"  ({line.place})" if line.place else ""
            lead = f"{line.number:>7}  " if line.number else " " * 9
            blocks.append(Words(((f"{lead}{'    ' * line.depth}{line.text}", ""), (place, "quiet")), hang=11))
    limits = f"Shown for the model in {done.system.file}, sha256 {done.system.sha256[:12]}, and for what was run."
    blocks += [None, Words(((limits, ""),)), Words(((CAUTION_OF_BENCH, ""),)), None]
    return tuple(blocks)


CAUTION_OF_BENCH = (
    "A bench drives what it is connected to: people clear of the machine, radiation off (dummy load, key out), local "
    "rules first. It replaces neither commissioning nor review by licensed people."
)
