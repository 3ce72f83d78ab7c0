"""The command line: `safetymodel COMMAND`."""

from __future__ import annotations

import gc
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Annotated, NoReturn, TextIO, cast

import typer

from safetymodel.commands import bench, compare, faults, model, report, review, sheets, twin, verify
from safetymodel.commands.shared import CAUTION, after_writing
from safetymodel.outlet import Outlet
from safetymodel.problems import Problem
from safetymodel.span import NOWHERE

gc.set_threshold(50_000, 20, 20)  # imports and trees of a spec make many objects and no garbage: look for it less often

app = typer.Typer(
    add_completion=False,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    help="Finds whether any order of people, sensors, time and component faults defeats the interlocks "
    "of a machine that is described as state machines in a spec file.",
    epilog=CAUTION,
)

EXIT_INTERRUPTED = 130


def main(arguments: list[str] | None = None) -> NoReturn:
    """Run the program; its exit codes are those of the README."""
    with _outlets() as out:
        try:
            code = app(args=arguments, standalone_mode=False)
        except typer.Exit as leave:
            code = leave.exit_code
        except (KeyboardInterrupt, typer.Abort):
            code = EXIT_INTERRUPTED
        except Exception as error:
            show = getattr(error, "show", None)  # a mistake on the command line knows how to show itself
            if show is None:
                raise
            show()
            code = 2
        if code == EXIT_INTERRUPTED:
            print("interrupted: only what is said above was shown, and no file was left half written", file=sys.stderr)
        code = code if isinstance(code, int) else 0
        out.flush()
        if out.failed is not None:
            message = f"cannot write to the standard output: {out.failed.strerror}"
            code = after_writing((Problem("cannot-write", NOWHERE, message),), code)
        sys.stderr.flush()
    if arguments is not None:
        sys.exit(code)
    # A program of its own: leave at once, without the twentieth of a second that taking everything down costs.
    os._exit(code)


@contextmanager
def _outlets() -> Iterator[Outlet]:
    """The standard streams for as long as the program runs; gives back that of the results."""
    before = sys.stdout, sys.stderr
    out = Outlet(sys.stdout)
    sys.stdout, sys.stderr = cast(TextIO, out), cast(TextIO, Outlet(sys.stderr))
    try:
        yield out
    finally:
        sys.stdout, sys.stderr = before


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


for command, codes in (
    (verify.verify, verify.EXIT_CODES + verify.WITH_A_BASELINE),
    (faults.faults, faults.EXIT_CODES),
    (compare.compare, compare.EXIT_CODES),
    (report.report, report.EXIT_CODES),
    (review.review, review.EXIT_CODES),
    (model.drive, ""),
    (model.draw, ""),
    (model.new, ""),
    (model.schema, ""),
    (bench.bench, bench.EXIT_CODES),
    (twin.twin, twin.EXIT_CODES),
    (sheets.sheets, sheets.EXIT_CODES),
):
    app.command(epilog=f"{codes} {CAUTION}" if codes else None)(command)


if __name__ == "__main__":
    main()
