"""What the commands share: options, cautions, sizes, what happens after a file was written."""

from __future__ import annotations

import math
import re
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from safetymodel.files import json_text
from safetymodel.problems import Problem

if TYPE_CHECKING:
    from safetymodel.model.system import System
    from safetymodel.report.said import Block

CAUTION = (
    "Results are about the model in the spec file, under the limits that are printed, and about nothing else. "
    "They do not replace risk assessment, local codes, or review and commissioning by licensed people."
)


def a_time(value: float | None) -> float | None:
    """The value of an option for a time; `nan` and `inf` are none."""
    if value is not None and not math.isfinite(value):
        raise typer.BadParameter(f"{value:g} is no time")
    return value


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
Modes = Annotated[
    str | None,
    typer.Option(
        "--modes", metavar="NAMES", help="Subsystems whose states are modes of operation: a,b (else found by name)."
    ),
]
Stops = Annotated[
    str | None,
    typer.Option(
        "--stops", metavar="EVENTS", help="The events of the emergency stops: a.press,b.pull (else found by name)."
    ),
]
Seconds = Annotated[
    float | None,
    typer.Option("--seconds", min=0.0, callback=a_time, help="Stop after so many seconds.", show_default=False),
]
Memory = Annotated[
    str | None, typer.Option("--memory", metavar="SIZE", help="Use at most so much, such as 500MB.", show_default=False)
]
Jobs = Annotated[
    int | None,
    typer.Option(
        "--jobs", min=1, metavar="N", help="Processes that work at once on a large spec; unless told, one a core."
    ),
]
Out = Annotated[Path, typer.Option("--out", metavar="DIR", help="Where the pictures go.")]


def into_a_folder(value: Any) -> Any:
    """What an option names to be written has a folder to go into; else told before any work."""
    for path in value if isinstance(value, list) else [value]:
        if path is not None and not Path(path).parent.is_dir():
            raise typer.BadParameter(f"there is no folder {Path(path).parent}")
    return value


JsonFile = Annotated[
    str | None,
    typer.Option("--json", metavar="FILE", help="Results as JSON; - for standard output.", callback=into_a_folder),
]


class Engine(StrEnum):
    """How the states are searched."""

    auto = "auto"
    product = "product"
    symbolic = "symbolic"


EngineChoice = Annotated[Engine, typer.Option("--engine", help="Write down every state, or work on sets of states.")]


@contextmanager
def ended_by_limits() -> Iterator[None]:
    """Where a limit ends the work, the program ends with 3; where two roads disagree, which is our bug, with 4."""
    from safetymodel.claims.verdict import EngineDisagreement
    from safetymodel.explore.engine import LimitReached

    try:
        yield
    except EngineDisagreement as wrong:
        print(f"two roads to a run disagree: {wrong}\nThis is a mistake in safetymodel. Nothing counts as shown.")
        raise typer.Exit(4) from wrong
    except LimitReached as limit:
        print(f"undecided: {limit}", file=sys.stderr)
        raise typer.Exit(3) from limit


def give_out(
    data: Callable[[], dict[str, Any]], said: Callable[[], Sequence[Block]], json_file: str | None, code: int
) -> int:
    """Show a result in words, and write it as JSON where that is wanted, or as JSON alone to standard output; the exit
    code after that."""
    from safetymodel.pipeline import save_text
    from safetymodel.report import terminal

    if json_file == "-":
        sys.stdout.write(json_text(data()))
        return code
    terminal.show(tuple(said()), sys.stdout)
    return code if json_file is None else after_writing(save_text(Path(json_file), json_text(data())), code)


def load_system(spec: str, mistakes: Callable[[System], Sequence[Problem]] = lambda system: ()) -> System | None:
    """The system of a spec; its problems are shown. Where the call is mistaken, these ``mistakes`` alone."""
    from safetymodel.model.build import load
    from safetymodel.report import terminal

    system, problems = load(spec)
    wrong = mistakes(system) if system is not None else ()
    terminal.print_problems(wrong or problems)
    return None if wrong else system


def listed(names: str) -> tuple[str, ...]:
    return tuple(name.strip() for name in names.split(",") if name.strip())


def size_in_bytes(text: str | None) -> int | None:
    """A size such as 50MB or 2GB in bytes."""
    if text is None:
        return None
    match = re.fullmatch(r"\s*([0-9]+(?:\.[0-9]+)?)\s*([kKmMgG])?[bB]?\s*", text)
    value = float(match[1]) * {"k": 1e3, "m": 1e6, "g": 1e9}.get((match[2] or "").lower(), 1) if match else 0
    if value < 1e6:
        raise typer.BadParameter(f"{text!r} is not a size of at least 1MB, such as 500MB or 2GB")
    return int(value)


def after_writing(problems: tuple[Problem, ...], code: int) -> int:
    """The exit code after writing files: 2 where that did not work."""
    from safetymodel.problems import errors
    from safetymodel.report import terminal

    terminal.print_problems(problems)
    return 2 if errors(problems) else code
