"""What is said about response budgets and minimum distances."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from fractions import Fraction
from itertools import groupby

from safetymodel.claims.verdict import Trace
from safetymodel.insight.response import Budget, named
from safetymodel.insight.review import Review
from safetymodel.model.step import Step
from safetymodel.model.system import System
from safetymodel.report.said import Block, Grid, Piece, Style, Words, one_line
from safetymodel.traces.wording import and_list, duration_text, short_name


def response_section(review: Review, quiet: bool) -> Iterator[Block]:
    """A row for each requirement with a budget; with ``quiet`` no runs and no formulas."""
    system, budgets = review.system, review.response or ()
    yield None
    yield Words((("Response budget", "strong"),))
    unknown = _undecided_beside(review)
    if not budgets:
        known = "no requirement is known to be" if unknown else "no requirement is"
        yield Words(((f"{known} broken only while the logic reacts, and none has an approach", ""),), 2)
    if unknown:
        yield Words(((f"not known of {and_list(unknown)}, undecided here", "doubt"),), 2)
    if not budgets:
        return
    rows: list[tuple[Piece, ...]] = []
    for b in budgets:
        steps = "-" if b.steps is None else f"{b.steps}"
        rows.append(
            (
                (b.requirement.name, "strong"),
                (str(b.faults), ""),
                (steps, ""),
                (time_text(b), "doubt" if _longer(b) and b.time is not None else ""),
                (f"{distance_text(b)}{one_line(b.requirement.text or b.requirement.wording)}", _style(b)),
            )
        )
    yield Grid(("requirement", "faults", "steps", "time", "distance, and what it says"), tuple(rows))
    if not quiet:
        for b in budgets:
            yield from _budget(system, b)
    yield Words(
        (
            (
                "steps: reactions one after the other in the worst order; in the model they take no time. time: with "
                "the `response` of the parts that move, of the slowest switch that each reads, with what a deadline "
                "waits, and with `stopping`.",
                "quiet",
            ),
        ),
        2,
    )


def _style(budget: Budget) -> Style:
    if budget.distance is None:
        return ""
    return {True: "", False: "bad", None: "doubt"}[budget.distance.suffices]  # type: ignore[return-value]


def _undecided_beside(review: Review) -> list[str]:
    """Undecided requirements that have no row of their own, and could be broken only while the logic reacts."""
    asked = (j.requirement for j in review.judgements if j.word == "undecided")
    told = {b.requirement.name for b in review.response or ()}
    return [r.name for r in asked if r.name not in told and r.form in ("never", "always", "cause") and r.within is None]


def _longer(budget: Budget) -> bool:
    """Whether the time may be longer than what is given of it."""
    return bool(budget.missing or budget.doubt)


def time_text(budget: Budget) -> str:
    if budget.word not in ("holds", "reacts"):
        return "-"
    if budget.time is None:
        return "not given"
    more = "+" if _longer(budget) else ""
    return f"{duration_text(rounded_up(budget.time))}{more}"


def rounded_up(milliseconds: Fraction) -> Fraction:
    """Whole tenths of a ms."""
    return Fraction(-(-milliseconds * 10 // 1), 10)


def distance_text(budget: Budget) -> str:
    d = budget.distance
    if d is None:
        return ""
    verdict = {True: "suffices", False: "TOO NEAR", None: "not shown"}[d.suffices]
    needed = f"{_mm(d.needed)} needed" if d.known else f"{_mm(d.needed)} or more needed"
    return f"{verdict}: {_mm(d.declared)} declared, {needed}. "


def _mm(value: float) -> str:
    return f"{value:,.0f} mm" if abs(value - round(value)) < 1e-9 else f"{value:,.1f} mm"


def _budget(system: System, b: Budget) -> Iterator[Block]:
    if b.run is not None:
        yield Words(((f"{b.requirement.name}: ", "strong"), (f"longest{_longest(system, b.run, b.begins)}", "")), 2, 4)
    if b.distance is not None:
        d = b.distance
        least = "" if d.known else " or more"
        text = f"S = K T + C = {d.speed:g} mm/s x {float(d.time) / 1000:g} s + {_mm(d.depth)} = {_mm(d.needed)}{least}"
        if d.supposed:
            text += f"; supposed: {', '.join(d.supposed)}"
        yield Words(
            ((f"{b.requirement.name}: ", "strong"), (f"{text} (ISO 13855, check the printed standard)", "")), 2, 4
        )
    if b.missing and (b.time is not None or b.distance is not None):
        text = f"no `response`, counted as none: {named(b.missing)}"
        yield Words(((f"{b.requirement.name}: ", "strong"), (text, "doubt")), 2, 4)
    if b.doubt:
        yield Words(((f"{b.requirement.name}: ", "strong"), (b.doubt, "doubt")), 2, 4)


def _longest(system: System, run: Trace, begins: int) -> str:
    """The steps of the longest reaction or wait, after what begins it: the latest happening and its reactions."""
    taken = ", then ".join(_names(system, run.steps[begins:]))
    if begins < len(run.steps) and run.steps[begins].kind not in ("reaction", "tick"):
        return f": {taken}"
    happened = next((n for n in range(begins - 1, -1, -1) if run.steps[n].kind != "reaction"), 0)
    while happened and run.steps[happened].kind == run.steps[happened - 1].kind == "tick":
        happened -= 1
    before = ", then ".join(_names(system, run.steps[happened:begins]))
    return f" after {before}: {taken}" if before else f": {taken}"


def _names(system: System, steps: Sequence[Step]) -> list[str]:
    """Short names; ticks in a row as one wait."""
    names = list[str]()
    for kind, group in groupby(steps, key=lambda step: step.kind):
        same = list(group)
        names += [short_name(system, same[0], len(same))] if kind == "tick" else [short_name(system, s) for s in same]
    return names
