"""`safetymodel faults SPEC`"""

from __future__ import annotations

import sys
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from safetymodel.commands.shared import (
    Engine,
    EngineChoice,
    JsonFile,
    Memory,
    Seconds,
    Spec,
    States,
    after_writing,
    ended_by_limits,
    give_out,
    into_a_folder,
    listed,
    size_in_bytes,
)

EXIT_CODES = (
    "Exit codes: 0 every requirement stands what it has to withstand; 1 one does not, or is empty; 2 the spec or the "
    "call has problems; 3 a limit, or a K below what has to be withstood, left something undecided; 4 a run is not one "
    "of the model's, which is our bug."
)


class Runs(StrEnum):
    """Whether each fault set gets a shortest run."""

    auto = "auto"
    always = "always"
    off = "off"


def faults(
    spec: Spec,
    up_to: Annotated[int, typer.Option("--up-to", metavar="K", min=0, help="Faults that may be there at once.")] = 2,
    only: Annotated[
        str | None, typer.Option("--only", metavar="NAMES", help="Look at these requirements only: R1,R2")
    ] = None,
    show: Annotated[
        str, typer.Option("--show", metavar="NAMES", help="Tell the runs of these requirements' sets in full: R1,R2")
    ] = "",
    runs: Annotated[
        Runs, typer.Option("--runs", help="A shortest run to each set: as time allows, in any case, or not.")
    ] = Runs.auto,
    numbers: Annotated[
        bool, typer.Option("--numbers", help="Show what follows from the rates, with all that it supposes.")
    ] = False,
    engine: EngineChoice = Engine.auto,
    json_file: JsonFile = None,
    csv_file: Annotated[
        Path | None,
        typer.Option(
            "--csv", metavar="FILE", help="The minimal fault sets as a table, a row each.", callback=into_a_folder
        ),
    ] = None,
    trees_to: Annotated[
        Path | None, typer.Option("--trees", metavar="DIR", help="A fault tree of each requirement, as SVG.")
    ] = None,
    states: States = None,
    seconds: Seconds = None,
    memory: Memory = None,
) -> int:
    """Find which faults, alone or together, defeat each requirement; and which of them show."""
    from safetymodel import pipeline
    from safetymodel.explore.engine import Limits
    from safetymodel.report import faults_machine, faults_said, terminal

    limits = Limits(states=states, seconds=seconds, memory=size_in_bytes(memory))
    named = (None if only is None else listed(only), listed(show))
    with ended_by_limits(), terminal.progress() as progress:
        result = pipeline.study_faults(spec, up_to, named[0], engine.value, limits, progress, runs.value, named[1])
    code = pipeline.faults_exit_code(result)
    terminal.print_problems(result.problems)
    if isinstance(result, pipeline.Unread):
        return code
    code = give_out(
        lambda: faults_machine.study_json(result),
        lambda: (*faults_said.said_of_faults(result, named[1], numbers), None),
        json_file,
        code,
    )
    if csv_file is not None:
        code = after_writing(pipeline.save_text(csv_file, faults_machine.study_csv(result)), code)
    if trees_to is not None:
        paths, problems = pipeline.draw_fault_trees(result, trees_to)
        for path in paths:
            print(path, file=sys.stderr if json_file == "-" else sys.stdout)
        code = after_writing(problems, code)
    return code
