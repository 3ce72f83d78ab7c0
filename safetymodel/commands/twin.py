"""`safetymodel twin SPEC`"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from safetymodel.commands.bench import Defects
from safetymodel.commands.shared import Spec, after_writing, into_a_folder, load_system

EXIT_CODES = "Exit codes: 0 done; 2 the spec or the call has problems; 130 interrupted, the usual end of a served twin."


def twin(
    spec: Spec,
    modbus: Annotated[
        int | None,
        typer.Option(
            "--modbus", metavar="PORT", min=0, max=65_535, help="Serve the twin over Modbus TCP; 0: any port."
        ),
    ] = None,
    host: Annotated[str, typer.Option("--host", help="The address to listen on.")] = "127.0.0.1",
    defect: Defects = "",
    defects: Annotated[
        bool, typer.Option("--defects", help="List the defects that a twin of this spec can have.")
    ] = False,
    order: Annotated[
        int | None, typer.Option("--order", metavar="SEED", min=0, help="React in an order drawn at random.")
    ] = None,
    real_time: Annotated[
        bool, typer.Option("--real-time", help="Its time passes by the clock, not by a point that is written.")
    ] = False,
    late: Annotated[
        float,
        typer.Option(
            "--late", metavar="MS", min=0.0, max=60_000.0, help="In real time: show each change so much later."
        ),
    ] = 0.0,
    write_map: Annotated[
        Path | None,
        typer.Option(
            "--write-map",
            metavar="FILE",
            help="Write the map of its Modbus points for a bench.",
            callback=into_a_folder,
        ),
    ] = None,
    quiet: Annotated[bool, typer.Option("--quiet", help="Do not say what is done to it.")] = False,
) -> int:
    """Serve a simulated vehicle that follows the spec, so that a bench can be set up without hardware."""
    from safetymodel import pipeline
    from safetymodel.bench.connect import open_device
    from safetymodel.bench.defects import defects_of
    from safetymodel.bench.modbus import Layout, NotInstalled, TwinServer
    from safetymodel.bench.real_time import InRealTime
    from safetymodel.bench.twin import Twin, never_rests
    from safetymodel.problems import Problem
    from safetymodel.report import terminal
    from safetymodel.span import NOWHERE

    if late and not real_time:
        hint = "add --real-time, or leave --late out"
        terminal.print_problems([Problem("real-time-only", NOWHERE, "--late belongs to a twin in real time", hint)])
        return 2
    system = load_system(spec)
    if system is None:
        return 2
    code = 0
    if defects:
        for known in defects_of(system):
            note = " (never comes to rest: any run finds it at its reset)" if never_rests(system, known) else ""
            terminal.say(f"{known.name}  {known.text}{note}")
    if write_map is not None:
        code = after_writing(pipeline.save_text(write_map, Layout(system).map_text(real_time, late)), code)
        if not code:
            print(write_map)
    if code or modbus is None:
        if not defects and write_map is None:
            hint = "add --modbus PORT, --write-map FILE or --defects"
            terminal.print_problems([Problem("nothing-to-do", NOWHERE, "a twin that nobody asks does nothing", hint)])
            return 2
        return code
    device = open_device("twin", system, defect=defect or None, seed=order)
    if not isinstance(device, Twin):
        terminal.print_problems([device] if isinstance(device, Problem) else [])
        return 2
    if host not in ("127.0.0.1", "::1", "localhost"):
        terminal.say(f"note: {host} can be reached from other machines; Modbus asks nobody for a password")

    def listening(address: str, port: int) -> None:
        terminal.say(f"{system.title}: listening on {address}:{port}, until it is interrupted")

    def heard(text: str) -> None:
        if not quiet:
            terminal.say(f"  {text}")

    try:
        TwinServer(InRealTime(device, late) if real_time else device, heard).serve(host, modbus, listening)
    except NotInstalled:
        terminal.print_problems([Problem("not-installed", NOWHERE, NotInstalled.message, NotInstalled.hint)])
        return 2
    except OSError as error:
        problem = Problem("cannot-listen", NOWHERE, str(error), "is the port in use, or the address another machine's?")
        terminal.print_problems([problem])
        return 2
    except KeyboardInterrupt:
        print("the twin is gone", file=sys.stderr)
    return 0
