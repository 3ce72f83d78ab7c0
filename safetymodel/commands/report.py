"""`safetymodel report SPEC`"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from safetymodel.commands.shared import (
    Memory,
    Seconds,
    Spec,
    States,
    after_writing,
    ended_by_limits,
    into_a_folder,
    listed,
    size_in_bytes,
)
from safetymodel.commands.verify import EXIT_CODES, Second


def report(
    spec: Spec,
    out: Annotated[
        Path | None,
        typer.Option(
            "-o",
            "--out",
            metavar="FILE",
            help="The page (SPEC-evidence.html here, unless told).",
            callback=into_a_folder,
            show_default=False,
        ),
    ] = None,
    up_to: Annotated[int, typer.Option("--up-to", metavar="K", min=0, help="Fault sets of up to K faults.")] = 1,
    without: Annotated[
        str, typer.Option("--without", metavar="PARTS", help="Leave out some of faults,review,sheets,diagrams,player.")
    ] = "",
    player: Annotated[
        str, typer.Option("--player", metavar="NAMES", help="The subsystems that act in the model to be tried: a,b")
    ] = "",
    second_opinion: Annotated[
        Second, typer.Option("--second-opinion", help="See each verdict by another road, as `verify` does.")
    ] = Second.auto,
    states: States = None,
    seconds: Seconds = None,
    memory: Memory = None,
) -> int:
    """Write one self-contained page of evidence: verdicts, runs to step through, faults, review, diagrams."""
    from safetymodel import evidence, pipeline
    from safetymodel.explore.engine import Limits
    from safetymodel.names import did_you_mean
    from safetymodel.report import terminal

    left = listed(without)
    for name in left:
        if name not in evidence.PARTS:
            hint = did_you_mean(name, list(evidence.PARTS)) or f"the parts are {', '.join(evidence.PARTS)}"
            raise typer.BadParameter(f"there is no part {name!r}; {hint}", param_hint="--without")
    limits = Limits(states=states, seconds=seconds, memory=size_in_bytes(memory))
    wanted = evidence.Wanted(up_to, left, listed(player))
    with ended_by_limits(), terminal.progress() as progress:
        found = evidence.report(spec, wanted, limits, progress, second_opinion.value)
    if isinstance(found, pipeline.Unread):
        return after_writing(found.problems, 2)
    page, run = found
    path = out or Path(f"{Path(spec).stem}-evidence.html")
    terminal.print_problems(run.problems)
    code = after_writing(pipeline.save_text(path, page), pipeline.exit_code([run]))
    if code != 2:
        print(f"wrote {path} ({len(page.encode()) / 1e6:.1f} MB)")
    return code


__all__ = ["EXIT_CODES", "report"]
