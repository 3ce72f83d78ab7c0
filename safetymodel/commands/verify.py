"""`safetymodel verify SPEC...`"""

from __future__ import annotations

import sys
from enum import StrEnum
from pathlib import Path
from typing import Annotated, Any

import typer

from safetymodel.commands.shared import (
    Engine,
    EngineChoice,
    Faults,
    Jobs,
    JsonFile,
    Memory,
    Seconds,
    States,
    after_writing,
    into_a_folder,
    size_in_bytes,
)
from safetymodel.problems import Problem

EXIT_CODES = (
    "Exit codes: 0 every requirement passes; 1 one is broken or empty, or a scenario fails; 2 the spec or the call "
    "has problems; 3 a limit left something undecided; 4 two roads to a verdict disagree, which is our bug."
)
WITH_A_BASELINE = (
    " With --baseline: 1 something got worse than in that file; 3 nothing did, but something is undecided; 0 neither, "
    "whatever is still broken as it was."
)


class Second(StrEnum):
    """Whether each verdict is seen by another road."""

    auto = "auto"
    always = "always"
    off = "off"


def verify(
    specs: Annotated[list[str], typer.Argument(metavar="SPEC...", help="Spec files.", show_default=False)],
    faults: Faults = None,
    engine: EngineChoice = Engine.auto,
    second_opinion: Annotated[
        Second,
        typer.Option("--second-opinion", help="See each verdict by another road: as time allows, in any case, or not."),
    ] = Second.auto,
    json_file: JsonFile = None,
    junit_file: Annotated[
        Path | None,
        typer.Option(
            "--junit", metavar="FILE", help="Results as JUnit XML, a requirement a test case.", callback=into_a_folder
        ),
    ] = None,
    markdown_file: Annotated[
        Path | None,
        typer.Option("--markdown", metavar="FILE", help="Results as a Markdown document.", callback=into_a_folder),
    ] = None,
    baseline: Annotated[
        str | None,
        typer.Option("--baseline", metavar="FILE", help="Fail only where anything got worse than in this JSON file."),
    ] = None,
    traces_to: Annotated[
        Path | None,
        typer.Option("--save-traces", metavar="DIR", help="Keep each counterexample, as JSON and as a pytest file."),
    ] = None,
    states: States = None,
    seconds: Seconds = None,
    memory: Memory = None,
    jobs: Jobs = None,
    quiet: Annotated[bool, typer.Option("--quiet", help="Verdicts only, no traces.")] = False,
) -> int:
    """Judge every requirement; show the shortest way to each breach."""
    from safetymodel import pipeline
    from safetymodel.explore.engine import Limits
    from safetymodel.report import terminal

    known: list[dict[str, Any]] | None = None
    if baseline is not None:
        from safetymodel import comparison

        found = comparison.read_baseline(baseline)
        if isinstance(found, Problem):
            return after_writing((found,), 2)
        known = found
    limits = Limits(states=states, seconds=seconds, memory=size_in_bytes(memory))
    to_stdout = json_file == "-"
    results: list[pipeline.Run | pipeline.Unread] = []
    for spec in specs:
        with terminal.progress() as progress:
            result = pipeline.verify(spec, faults, engine.value, limits, progress, second_opinion.value, jobs)
        results.append(result)
        if isinstance(result, pipeline.Unread):
            terminal.print_problems(result.problems)
        elif not to_stdout:
            terminal.print_result(result, quiet=quiet)
    code = pipeline.exit_code(results)
    if known is not None:
        from safetymodel.report.baseline import baseline_said

        changes = comparison.against_baseline(results, known)
        terminal.show(baseline_said(changes), sys.stderr if to_stdout else sys.stdout)
        code = comparison.baseline_exit_code(results, changes)
    for result in results:
        if isinstance(result, pipeline.Run) and result.disagreement:
            path = Path(f"safetymodel-disagreement-{result.system.sha256[:12]}.json")
            terminal.print_problems(pipeline.save_text(path, pipeline.disagreement_report(result)))
            print(
                f"two roads to a verdict disagree: {result.disagreement}\nThis is a mistake in safetymodel, not in the "
                f"spec. Nothing counts as shown. Please send {path} to its makers.",
                file=sys.stderr,
            )
    if traces_to is not None:
        code = after_writing(pipeline.save_traces(results, traces_to), code)
    if junit_file is not None or markdown_file is not None:
        from safetymodel.report import results_files

        for target, writes in ((junit_file, results_files.junit_xml), (markdown_file, results_files.markdown)):
            if target is not None:
                code = after_writing(pipeline.save_text(target, writes(results)), code)
    if json_file is not None:
        text = pipeline.results_json(results)
        if to_stdout:
            sys.stdout.write(text)
        else:
            code = after_writing(pipeline.save_text(Path(json_file), text), code)
    return code
