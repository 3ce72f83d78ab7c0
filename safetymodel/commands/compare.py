"""`safetymodel compare OLD NEW`"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from safetymodel.commands.shared import (
    JsonFile,
    Memory,
    Seconds,
    States,
    after_writing,
    ended_by_limits,
    give_out,
    into_a_folder,
    size_in_bytes,
)

EXIT_CODES = (
    "Exit codes: 0 the revisions behave alike, by proof, and no requirement, fault or number changed, whatever the "
    "words for people are; 1 they differ; 2 a spec or the call has problems; 3 a limit left it undecided; 4 two roads "
    "to a run disagree, which is our bug."
)


def compare(
    old: Annotated[str, typer.Argument(metavar="OLD", help="The earlier revision.", show_default=False)],
    new: Annotated[str, typer.Argument(metavar="NEW", help="The later revision.", show_default=False)],
    faults: Annotated[
        int | None,
        typer.Option(
            "--faults",
            metavar="K",
            min=0,
            help="Compare behaviours with up to K faults (unless told, as many as the specs want withstood).",
            show_default=False,
        ),
    ] = None,
    sets: Annotated[
        int,
        typer.Option("--fault-sets", metavar="K", min=0, help="Compare minimal fault sets of up to K; 0 leaves it."),
    ] = 1,
    json_file: JsonFile = None,
    html_file: Annotated[
        Path | None,
        typer.Option(
            "--html", metavar="FILE", help="The comparison as one page.", callback=into_a_folder, show_default=False
        ),
    ] = None,
    states: States = None,
    seconds: Seconds = None,
    memory: Memory = None,
) -> int:
    """Tell what changed between two revisions: verdicts, behaviour, conditions, faults, numbers, texts."""
    from safetymodel import comparison, pipeline
    from safetymodel.explore.engine import Limits
    from safetymodel.report import compare_machine, compare_page, compare_said, terminal
    from safetymodel.report.compared import Compared

    limits = Limits(states=states, seconds=seconds, memory=size_in_bytes(memory))
    with ended_by_limits(), terminal.progress() as progress:
        compared = comparison.compare(old, new, faults, sets, limits, progress)
    code = comparison.compare_exit_code(compared)
    if not isinstance(compared, Compared):
        for unread in compared:
            terminal.print_problems(unread.problems)
        return code
    for run in (compared.old, compared.new):
        terminal.print_problems(run.problems)
    code = give_out(
        lambda: compare_machine.comparison_json(compared),
        lambda: (*compare_said.said_of_comparison(compared), None),
        json_file,
        code,
    )
    if html_file is not None:
        code = after_writing(pipeline.save_text(html_file, compare_page.comparison_page(compared)), code)
    return code
