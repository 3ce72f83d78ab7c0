"""The command line: `safetymodel COMMAND`."""

from __future__ import annotations

import gc
import os
import re
import sys
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, NoReturn

import typer

from safetymodel.problems import Problem

if TYPE_CHECKING:
    from safetymodel.model.system import System

gc.set_threshold(50_000, 20, 20)  # imports and trees of a spec make many objects and no garbage: look for it less often

CAUTION = (
    "Results are about the model in the spec file, under the limits that are printed, and about nothing else. "
    "They do not replace risk assessment, local codes, or review and commissioning by licensed people."
)

app = typer.Typer(
    add_completion=False,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    help="Finds whether any order of people, sensors, time and component faults defeats the interlocks "
    "of a machine that is described as state machines in a spec file.",
    epilog=CAUTION,
)

Spec = Annotated[str, typer.Argument(metavar="SPEC", help="The spec file (YAML, format 1).", show_default=False)]
Faults = Annotated[
    int | None,
    typer.Option(
        "--faults",
        metavar="K",
        min=0,
        help="Judge every requirement with up to K faults, whatever its `withstand`.",
        show_default=False,
    ),
]
States = Annotated[int | None, typer.Option("--states", min=1, help="Stop after so many states.", show_default=False)]
Seconds = Annotated[
    float | None, typer.Option("--seconds", min=0.0, help="Stop after so many seconds.", show_default=False)
]
Memory = Annotated[
    str | None, typer.Option("--memory", metavar="SIZE", help="Use at most so much, such as 500MB.", show_default=False)
]
Out = Annotated[Path, typer.Option("--out", metavar="DIR", help="Where the pictures go.")]


class Engine(StrEnum):
    """How the states are searched."""

    auto = "auto"
    product = "product"
    symbolic = "symbolic"


class Second(StrEnum):
    """Whether each verdict is seen by another road."""

    auto = "auto"
    always = "always"
    off = "off"


class Runs(StrEnum):
    """Whether each fault set gets a shortest run."""

    auto = "auto"
    always = "always"
    off = "off"


EXIT_INTERRUPTED = 130


def main(arguments: list[str] | None = None) -> NoReturn:
    """Run the program; its exit codes are those of the README."""
    try:
        code = app(args=arguments, standalone_mode=False)
    except typer.Exit as leave:
        code = leave.exit_code
    except (KeyboardInterrupt, typer.Abort):
        code = EXIT_INTERRUPTED
    except BrokenPipeError:
        sys.stderr.close()
        code = 1
    except Exception as error:
        show = getattr(error, "show", None)  # a mistake on the command line knows how to show itself
        if show is None:
            raise
        show()
        code = 2
    if code == EXIT_INTERRUPTED:
        print("interrupted: nothing was shown, and no file was left half written", file=sys.stderr)
    code = code if isinstance(code, int) else 0
    if arguments is not None:
        sys.exit(code)
    # A program of its own: leave at once, without the twentieth of a second that taking everything down costs.
    try:
        sys.stdout.flush()
        sys.stderr.flush()
    except (OSError, ValueError):
        code = code or 1
    os._exit(code)


EXIT_CODES = (
    "Exit codes: 0 every requirement passes; 1 one is broken or empty, or a scenario fails; 2 the spec or the call "
    "has problems; 3 a limit left something undecided; 4 two roads to a verdict disagree, which is our bug."
)


FAULT_EXIT_CODES = (
    "Exit codes: 0 every requirement stands what it has to withstand; 1 one does not; 2 the spec or the call has "
    "problems; 3 a limit left something undecided; 4 a run is not one of the model's, which is our bug."
)


def _version(wanted: bool) -> None:
    if wanted:
        from importlib.metadata import version

        print(f"safetymodel {version('safetymodel')}")
        raise typer.Exit


@app.callback()
def _program(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Show the version and exit.")
    ] = False,
) -> None:
    """Options of the program itself."""


@app.command(epilog=f"{EXIT_CODES} {CAUTION}")
def verify(
    specs: Annotated[list[str], typer.Argument(metavar="SPEC...", help="Spec files.", show_default=False)],
    faults: Faults = None,
    engine: Annotated[
        Engine, typer.Option("--engine", help="Write down every state, or work on sets of states.")
    ] = Engine.auto,
    second_opinion: Annotated[
        Second,
        typer.Option("--second-opinion", help="See each verdict by another road: as time allows, in any case, or not."),
    ] = Second.auto,
    json_file: Annotated[
        str | None, typer.Option("--json", metavar="FILE", help="Results as JSON; - for standard output.")
    ] = None,
    traces_to: Annotated[
        Path | None,
        typer.Option("--save-traces", metavar="DIR", help="Keep each counterexample, as JSON and as a pytest file."),
    ] = None,
    states: States = None,
    seconds: Seconds = None,
    memory: Memory = None,
    quiet: Annotated[bool, typer.Option("--quiet", help="Verdicts only, no traces.")] = False,
) -> int:
    """Judge every requirement; show the shortest way to each breach."""
    from safetymodel import pipeline
    from safetymodel.explore.engine import Limits
    from safetymodel.report import terminal

    limits = Limits(states=states, seconds=seconds, memory=_bytes(memory))
    to_stdout = json_file == "-"
    results: list[pipeline.Run | pipeline.Unread] = []
    for spec in specs:
        with terminal.progress() as progress:
            result = pipeline.verify(spec, faults, engine.value, limits, progress, second_opinion.value)
        results.append(result)
        if isinstance(result, pipeline.Unread):
            terminal.print_problems(result.problems)
        elif not to_stdout:
            terminal.print_result(result, quiet=quiet)
    code = pipeline.exit_code(results)
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
        code = _after_writing(pipeline.save_traces(results, traces_to), code)
    if json_file is not None:
        text = pipeline.results_json(results)
        if to_stdout:
            sys.stdout.write(text)
        else:
            code = _after_writing(pipeline.save_text(Path(json_file), text), code)
    return code


@app.command(epilog=f"{FAULT_EXIT_CODES} {CAUTION}")
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
    engine: Annotated[
        Engine, typer.Option("--engine", help="Write down every state, or work on sets of states.")
    ] = Engine.auto,
    json_file: Annotated[
        str | None, typer.Option("--json", metavar="FILE", help="Results as JSON; - for standard output.")
    ] = None,
    csv_file: Annotated[
        Path | None, typer.Option("--csv", metavar="FILE", help="The minimal fault sets as a table, a row each.")
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
    from safetymodel.claims.judge import EngineDisagreement
    from safetymodel.explore.engine import LimitReached, Limits
    from safetymodel.report import faults_machine, faults_said, machine, terminal

    limits = Limits(states=states, seconds=seconds, memory=_bytes(memory))
    named = (None if only is None else _listed(only), _listed(show))
    try:
        with terminal.progress() as progress:
            result = pipeline.study_faults(spec, up_to, named[0], engine.value, limits, progress, runs.value, named[1])
    except EngineDisagreement as wrong:
        print(f"two roads to a run disagree: {wrong}\nThis is a mistake in safetymodel. Nothing counts as shown.")
        return 4
    except LimitReached as limit:
        print(f"undecided: {limit}", file=sys.stderr)
        return 3
    code = pipeline.faults_exit_code(result)
    terminal.print_problems(result.problems)
    if isinstance(result, pipeline.Unread):
        return code
    if json_file == "-":
        sys.stdout.write(machine.as_text(faults_machine.study_json(result)))
    else:
        terminal.show((*faults_said.said_of_faults(result, named[1], numbers), None), sys.stdout)
        if json_file is not None:
            text = machine.as_text(faults_machine.study_json(result))
            code = _after_writing(pipeline.save_text(Path(json_file), text), code)
    if csv_file is not None:
        code = _after_writing(pipeline.save_text(csv_file, faults_machine.study_csv(result)), code)
    if trees_to is not None:
        paths, problems = pipeline.draw_fault_trees(result, trees_to)
        for path in paths:
            print(path, file=sys.stderr if json_file == "-" else sys.stdout)
        code = _after_writing(problems, code)
    return code


@app.command()
def drive(
    spec: Spec,
    faults: Annotated[
        int | None, typer.Option("--faults", metavar="K", min=0, help="How many faults may strike (all, unless told).")
    ] = None,
) -> int:
    """Step the model by hand: what can happen now, what is blocked and by which condition."""
    from safetymodel.drive import prompt
    from safetymodel.report import terminal

    system = _load(spec)
    if system is None:
        return 2
    return prompt.run(system, sys.stdin, terminal.say, len(system.faults) if faults is None else faults)


@app.command()
def draw(
    spec: Spec,
    out: Out = Path("pictures"),
    what: Annotated[
        str, typer.Option("--what", metavar="KINDS", help="Of states,map,product,timing; separated by commas.")
    ] = "states,map,product,timing",
    only: Annotated[
        str | None,
        typer.Option("--only", metavar="NAMES", help="Draw these subsystems alone, the map around them: a,b"),
    ] = None,
    faults: Faults = None,
) -> int:
    """Draw state diagrams, the interlock map, the product graph and a timing chart of each counterexample."""
    from safetymodel import pipeline
    from safetymodel.report import terminal

    system = _load(spec)
    if system is None:
        return 2
    with terminal.progress() as progress:
        paths, problems = pipeline.draw(
            system, out, _listed(what), None if only is None else _listed(only), faults, progress
        )
    for path in paths:
        print(path)
    return _after_writing(problems, 0)


@app.command()
def new(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="The spec file to write.", show_default=False)],
    title: Annotated[str | None, typer.Option("--title", help="The title in it.")] = None,
) -> int:
    """Write a starter spec that verifies, with comments that explain the format."""
    from safetymodel.pipeline import save_new
    from safetymodel.spec.starter import starter_text

    code = _after_writing(save_new(file, starter_text(title or "A new machine")), 0)
    if not code:
        print(f"wrote {file}; next: safetymodel verify {file}")
    return code


@app.command()
def schema() -> int:
    """Print the JSON Schema of the spec format, for editors."""
    import json

    from safetymodel.spec.models import json_schema

    print(json.dumps(json_schema(), indent=1))
    return 0


def _load(spec: str) -> System | None:
    """The system of a spec; its problems are shown."""
    from safetymodel.model.build import load
    from safetymodel.report import terminal

    system, problems = load(spec)
    terminal.print_problems(problems)
    return system


def _listed(names: str) -> tuple[str, ...]:
    return tuple(name.strip() for name in names.split(",") if name.strip())


def _bytes(text: str | None) -> int | None:
    """A size such as 50MB or 2GB in bytes."""
    if text is None:
        return None
    match = re.fullmatch(r"\s*([0-9]+(?:\.[0-9]+)?)\s*([kKmMgG])?[bB]?\s*", text)
    value = float(match[1]) * {"k": 1e3, "m": 1e6, "g": 1e9}.get((match[2] or "").lower(), 1) if match else 0
    if value < 1e6:
        raise typer.BadParameter(f"{text!r} is not a size of at least 1MB, such as 500MB or 2GB")
    return int(value)


def _after_writing(problems: tuple[Problem, ...], code: int) -> int:
    """The exit code after writing files: 2 where that did not work."""
    from safetymodel.problems import errors
    from safetymodel.report import terminal

    terminal.print_problems(problems)
    return 2 if errors(problems) else code


if __name__ == "__main__":
    main()
