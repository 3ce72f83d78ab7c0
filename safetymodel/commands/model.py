"""The commands that show and begin a model: `drive`, `draw`, `new`, `schema`."""

from __future__ import annotations

import sys
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from safetymodel.commands.shared import Faults, Out, Spec, after_writing, listed, load_system


def drive(
    spec: Spec,
    faults: Annotated[
        int | None, typer.Option("--faults", metavar="K", min=0, help="How many faults may strike (all, unless told).")
    ] = None,
) -> int:
    """Step the model by hand: what can happen now, what is blocked and by which condition."""
    from safetymodel.drive import prompt
    from safetymodel.report import terminal

    system = load_system(spec)
    if system is None:
        return 2
    return prompt.run(system, sys.stdin, terminal.say, len(system.faults) if faults is None else faults)


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
    from safetymodel.diagrams.draw import mistakes
    from safetymodel.report import terminal

    kinds, names = listed(what), None if only is None else listed(only)
    system = load_system(spec, lambda system: mistakes(system, kinds, names))
    if system is None:
        return 2
    with terminal.progress() as progress:
        paths, problems = pipeline.draw(system, out, kinds, names, faults, progress)
    for path in paths:
        print(path)
    return after_writing(problems, 0)


def new(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="The spec file to write.", show_default=False)],
    title: Annotated[str | None, typer.Option("--title", help="The title in it.")] = None,
) -> int:
    """Write a starter spec that verifies, with comments that explain the format."""
    from safetymodel.pipeline import save_new
    from safetymodel.spec.starter import starter_text

    code = after_writing(save_new(file, starter_text(title or "A new machine")), 0)
    if not code:
        print(f"wrote {file}; next: safetymodel verify {file}")
    return code


class Kind(StrEnum):
    """What a schema describes: a spec file, or the JSON that a command writes."""

    spec = "spec"
    verify = "verify"
    faults = "faults"
    review = "review"
    compare = "compare"


def schema(
    of: Annotated[
        Kind, typer.Argument(metavar="KIND", help="spec, or the JSON of: verify, faults, review, compare.")
    ] = Kind.spec,
) -> int:
    """Print the JSON Schema of the spec format, for editors; or of the results that a command writes."""
    import json

    if of is Kind.spec:
        from safetymodel.spec.models import json_schema

        print(json.dumps(json_schema(), indent=1))
    else:
        from safetymodel.report.schemas import results_schema

        print(json.dumps(results_schema(of.value), indent=1))
    return 0
