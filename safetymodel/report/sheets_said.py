"""What the planning of a commissioning sheet says, and how one went that a bench worked, line by line."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Protocol


class SwitchesView(Protocol):
    """Coverage of sequences of steps; see `bench.commission.Switches`."""

    @property
    def n(self) -> int: ...
    @property
    def sequences(self) -> int: ...
    @property
    def taken(self) -> int: ...
    @property
    def walk(self) -> int | None: ...


class FiguresView(Protocol):
    """Figures of a small settled model; see `bench.commission.Figures`."""

    @property
    def states(self) -> int: ...
    @property
    def steps(self) -> int: ...
    @property
    def walk(self) -> int | None: ...
    @property
    def tour(self) -> int | None: ...
    @property
    def switches(self) -> Sequence[SwitchesView]: ...


def figure_lines(figures: FiguresView | None) -> list[str]:
    """What is known of walks over every step of a small settled model."""
    if figures is None:
        return []
    ways = [f"shortest walk over all {figures.walk}"] if figures.walk is not None else ["no one walk takes all"]
    ways += [f"closed tour {figures.tour}"] if figures.tour is not None else []
    lines = [f"Settled model: {figures.states:,} states, {figures.steps:,} steps; {', '.join(ways)}."]
    for one in figures.switches:
        walk = f"; a walk through all has {one.walk:,} steps" if one.walk is not None else ""
        lines.append(f"{one.n}-switch coverage: {one.taken:,} of {one.sequences:,} sequences{walk}.")
    return lines


def worked_lines(data: dict[str, Any], quiet: bool) -> list[str]:
    """The outcome in words; each walk that did not pass."""
    lines = [data["spec"]["title"]]
    counts = {word: sum(w["outcome"] == word for w in data["walks"]) for word in ("pass", "fail", "not run", "ended")}
    for walk in data["walks"]:
        if walk["outcome"] == "fail" and not quiet:
            shown = ", ".join(f"{name} shows {value}" for name, value in walk["shown"].items())
            shown = walk.get("restless") or shown or "no one state fits all outputs"
            lines.append(f"step {walk['step']}, {walk['stimulus']}: differs; {shown}")
        elif walk["outcome"] in ("not run", "ended") and not quiet:
            lines.append(f"walk {walk['walk']}: {walk['outcome']}, {walk['reason']}")
    counts["not begun"] = data["walks_not_begun"]
    told = ", ".join(f"{count} {word}" for word, count in counts.items() if count)
    lines.append(f"{data['walks_planned']} walks planned: {told or 'none run'}")
    if data["error"]:
        lines.append(f"ended early, which is never a pass: {data['error']}")
    if data["passed"]:
        lines.append(
            f"no difference on the sheet; {data['goals_not_tested']} goals are not on it (see `safetymodel sheets`)"
        )
    return lines
