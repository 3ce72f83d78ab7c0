"""A run on a device in words: what was run, what was covered, the difference, and the cautions."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from safetymodel.report.said import Block, Grid, Piece, Words
from safetymodel.traces.truth import Line
from safetymodel.traces.wording import counted

LEFT_OUT = {
    "events": "events that the map has no point for, never tried",
    "faults": "faults that the map has no point for, never forced",
    "subsystems": "subsystems that no output shows anything of",
}

MOST_NAMED = 2
"""Things not exercised that are named; the JSON names all."""

CAUTION = (
    "A bench drives what it is connected to: people clear of the machine, radiation off (dummy load, key out), local "
    "rules first. It replaces neither commissioning nor review by licensed people."
)


@dataclass(frozen=True, slots=True)
class RunTold:
    """``ended`` is `limit`, `difference`, or what ended it early; ``reason``, ``trouble`` (of a device) say why.

    ``length`` is that of the run in words, ``ran`` what a fuzz run did (empty where there was none), ``coverage``
    (what, seen, of how many, what is missing), ``left_out`` what the map leaves out, ``uncertain`` the steps that
    are not counted. ``first`` stimuli were shortened with ``tried`` sequences, ``shortest`` where none can be shorter.
    ``lines`` tell the way.
    """

    title: str
    file: str
    sha256: str
    device: str
    ended: str
    length: str
    ran: str
    replayed: bool
    coverage: tuple[tuple[str, int, int, tuple[str, ...]], ...]
    left_out: Mapping[str, tuple[str, ...]]
    uncertain: int
    reason: str
    trouble: str
    hint: str
    first: int
    tried: int
    shortest: bool
    note: str
    lines: tuple[Line, ...]


def said_of(run: RunTold, quiet: bool) -> tuple[Block, ...]:
    """The outcome in words; ``quiet`` leaves the coverage out."""
    blocks: list[Block] = [Words(((run.title, "strong"), (f"  against {run.device}", "")))]
    if run.coverage and not quiet:
        rows: tuple[tuple[Piece, ...], ...] = tuple(
            ((what, ""), (f"{seen:,} of {of:,}", "")) for what, seen, of, _ in run.coverage
        )
        blocks += [None, Grid(("exercised", "seen"), rows), None]
        missing = [(what, left) for what, _, _, left in run.coverage if left]
        blocks += [Words(((f"{what}, still missing: {_first(left)}", "quiet"),), hang=4) for what, left in missing]
        blocks += [None] if missing else []
    did = run.ran or (f"replayed {run.length}" if run.replayed else "nothing was run")
    blocks.append(Words(((did, ""),)))
    if run.uncertain and not quiet:
        text = f"{run.uncertain:,} steps are not counted: the model could be in several states"
        blocks.append(Words(((text, "quiet"),)))
    left_out = [(what, run.left_out.get(kind, ())) for kind, what in LEFT_OUT.items()]
    blocks += [Words(((f"{what}: {', '.join(names)}", "doubt"),), hang=4) for what, names in left_out if names]
    blocks += _outcome(run)
    if run.note:
        blocks.append(Words(((run.note, "doubt"),)))
    if run.lines:
        blocks.append(None)
    for line in run.lines:
        place = f"  ({line.place})" if line.place else ""
        lead = f"{line.number:>7}  " if line.number else " " * 9
        blocks.append(Words(((f"{lead}{'    ' * line.depth}{line.text}", ""), (place, "quiet")), hang=11))
    limits = f"Shown for the model in {run.file}, sha256 {run.sha256[:12]}, and for what was run."
    blocks += [None, Words(((limits, ""),)), Words(((CAUTION, ""),)), None]
    return tuple(blocks)


def _first(names: tuple[str, ...]) -> str:
    """The first few, and how many more there are."""
    more = len(names) - MOST_NAMED
    return "; ".join(names[:MOST_NAMED]) + (f"; and {more:,} more" if more > 0 else "")


def _outcome(run: RunTold) -> list[Block]:
    if run.ended == "limit":
        return [Words((("no difference in what was run", "good"), (". It shows nothing of what was not run.", "")))]
    if run.ended == "difference":
        blocks: list[Block] = [Words((("difference", "bad"), (f" after {run.length}", "")))]
        if run.tried:
            how = "the shortest way" if run.shortest else "a short way, not shown to be the shortest"
            first, tried = counted(run.first, "stimulus", "stimuli"), counted(run.tried, "sequence")
            text = f"{how} ({first} at first, {tried} tried)"
            blocks.append(Words(((text, "quiet"),)))
        return blocks
    kind = f"{run.trouble}: " if run.trouble else ""
    blocks = [Words((("ended early", "doubt"), (f", which is never a pass: {kind}{run.reason}", "")))]
    if run.tried:
        text = f"{counted(run.first, 'stimulus', 'stimuli')} at first, {counted(run.tried, 'sequence')} tried"
        blocks.append(Words(((f"a short way there ({text})", "quiet"),)))
    if run.hint:
        blocks.append(Words(((f"hint: {run.hint}", ""),), indent=2))
    return blocks
