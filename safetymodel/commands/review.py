"""`safetymodel review SPEC`"""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from safetymodel.commands.shared import (
    Engine,
    EngineChoice,
    Jobs,
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

if TYPE_CHECKING:
    from safetymodel.insight.review import Part

EXIT_CODES = (
    "Exit codes: 0 nothing was found; 1 something was; 2 the spec or the call has problems; 3 something is undecided, "
    "and nothing was found; 4 two roads to a run disagree, which is our bug."
)


class AllRuns(StrEnum):
    """Whether everything gets a run that shows it."""

    auto = "auto"
    always = "always"


def review(
    spec: Spec,
    faults: Annotated[
        int | None,
        typer.Option(
            "--faults",
            metavar="K",
            min=0,
            help="Look under up to K faults; without, as many as a requirement withstands.",
            show_default=False,
        ),
    ] = None,
    only: Annotated[
        str | None,
        typer.Option(
            "--only", metavar="PARTS", help="Of defects,suggestions,necessity,response,matrix; separated by commas."
        ),
    ] = None,
    runs: Annotated[
        AllRuns,
        typer.Option("--runs", help="Who notices what, and runs that show what was found: as time allows, or all."),
    ] = AllRuns.auto,
    engine: EngineChoice = Engine.auto,
    json_file: JsonFile = None,
    markdown: Annotated[
        Path | None, typer.Option("--markdown", metavar="FILE", help="The review as Markdown.", callback=into_a_folder)
    ] = None,
    matrix: Annotated[
        list[Path] | None,
        typer.Option(
            "--matrix",
            metavar="FILE",
            help="The cause-and-effect matrix, as .html or .csv; may be repeated.",
            callback=into_a_folder,
        ),
    ] = None,
    states: States = None,
    seconds: Seconds = None,
    memory: Memory = None,
    jobs: Jobs = None,
    quiet: Annotated[
        bool, typer.Option("--quiet", help="What was found, without runs and without the matrix.")
    ] = False,
) -> int:
    """Read the logic back: defects, what nobody asked for, longest reactions, what causes what."""
    from safetymodel import pipeline
    from safetymodel.explore.engine import Limits
    from safetymodel.report import markdown as marked
    from safetymodel.report import review_machine, review_said, terminal

    parts = _parts(only)
    for file in matrix or ():
        if file.suffix.lower() not in (".html", ".csv"):
            raise typer.BadParameter(f"{file} is neither .html nor .csv", param_hint="--matrix")
    if matrix and "matrix" not in parts:
        raise typer.BadParameter("the matrix is left out by --only", param_hint="--matrix")
    limits = Limits(states=states, seconds=seconds, memory=size_in_bytes(memory))
    with ended_by_limits(), terminal.progress() as progress:
        result = pipeline.review_spec(spec, faults, parts, engine.value, limits, progress, runs == AllRuns.always, jobs)
    code = pipeline.review_exit_code(result)
    terminal.print_problems(result.problems)
    if isinstance(result, pipeline.Unread):
        return code
    code = give_out(
        lambda: review_machine.review_json(result),
        lambda: (*review_said.said_of_review(result, quiet), None),
        json_file,
        code,
    )
    if markdown is not None:
        text = marked.as_markdown(review_said.said_of_review(result, quiet))
        code = after_writing(pipeline.save_text(markdown, text), code)
    for file in matrix or ():
        code = after_writing(pipeline.save_matrix(result, file), code)
    return code


def _parts(only: str | None) -> tuple[Part, ...]:
    """The parts that were asked for; a name that is none is a mistake in the call."""
    from safetymodel.insight.review import PARTS
    from safetymodel.names import did_you_mean

    if only is None:
        return PARTS
    names = listed(only)
    for name in names:
        if name not in PARTS:
            hint = did_you_mean(name, list(PARTS)) or f"the parts are {', '.join(PARTS)}"
            raise typer.BadParameter(f"there is no part {name!r}; {hint}", param_hint="--only")
    if not names:
        raise typer.BadParameter(f"name one of {', '.join(PARTS)}", param_hint="--only")
    return tuple(part for part in PARTS if part in names)
