"""The numbers of faults for people and programs: blocks for the terminal, plain data for JSON, rows for CSV."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import asdict
from math import isfinite
from typing import Any

from safetymodel.faults.channels import Estimate, dc_word, mttfd_word, performance_level
from safetymodel.faults.figures import Figures
from safetymodel.faults.top import TopValue
from safetymodel.faults.two_channels import Channels
from safetymodel.report.said import Block, Grid, Piece, Words

SHOWN_SETS = 20
"""Rows of a table in the terminal; JSON and CSV have all."""

CSV_HEADINGS = ("requirement", "events", "order", "probability", "frequency_per_h", "simple_frequency_per_h", "share")


def said_of_figures(figures: Figures) -> Iterator[Block]:
    """The numbers of one requirement, every assumption below them."""
    yield Words(((f"Numbers of {figures.requirement}", "strong"),))
    if figures.missing:
        missing = f"without numbers: {', '.join(figures.missing)} (in {_sets(len(figures.left_out))})"
        yield Words(((missing, "doubt"),), indent=2)
    if figures.nothing:
        yield Words(((f"no figures: {figures.nothing}", "doubt"),), indent=2)
        return
    if figures.probability is not None:
        words = f"some set there at a random moment: {_top_text(figures.probability)}"
        yield Words(((words, ""),), indent=2)
    if figures.frequency is not None:
        yield Words(((f"a set comes about, in an hour: {_top_text(figures.frequency)}", ""),), indent=2)
        apart = [" + ".join(one.events) for one in figures.sets if one.frequency is None]
        if apart:
            words = f"not in this figure: {', '.join(apart)} (no rate, only a probability for each demand)"
            yield Words(((words, "doubt"),), indent=2)
    if figures.pfhd is not None:
        level = f"in the band of PL {figures.level}" if figures.level else "above all bands of PL"
        words = f"PFHd by the simplified formulas: {_in_band(figures.pfhd.value)} / h, {level}"
        yield Words(((words, ""),), indent=2)
    if figures.stretched:
        worst = ", ".join(f"{event} ({product:.2g})" for event, product in figures.stretched)
        words = (
            f"the simplified formulas give too much here: rate times test interval should be far below 1, see {worst}"
        )
        yield Words(((words, "doubt"),), indent=2)
    if figures.worn:
        parts = ", ".join(f"{name} after {years:.3g} years (T10d)" for name, years in figures.worn)
        yield Words(((f"to be replaced before the mission ends: {parts}", "doubt"),), indent=2)
    if figures.channels is not None:
        yield from _said_of_channels(figures.channels)
    yield _sets_grid(figures)
    if len(figures.sets) > SHOWN_SETS:
        yield Words(((f"and {_sets(len(figures.sets) - SHOWN_SETS)} more; JSON and CSV have all", "quiet"),), indent=2)
    yield Grid(
        ("fault", "Fussell-Vesely", "Birnbaum"),
        tuple(
            ((i.event, ""), (f"{i.fussell_vesely:.3g}", ""), (scientific(i.birnbaum), ""))
            for i in figures.importances[:SHOWN_SETS]
        ),
    )
    yield Words((("supposed:", ""),), indent=2)
    for sentence in supposed(figures):
        yield Words(((f"- {sentence}", ""),), indent=4)


def _sets_grid(figures: Figures) -> Grid:
    """A row for each set; the share is of the column before it, and a dash stands where a set is not in that figure."""
    rated = any(one.frequency is not None for one in figures.sets)
    heads = ("set", "probability", *(("in an hour", "simplified") if rated else ()), "share of it")
    rows: list[tuple[Piece, ...]] = []
    for one in figures.sets[:SHOWN_SETS]:
        numbers = (one.probability, one.frequency, one.simple_frequency) if rated else (one.probability,)
        cells = ["-" if number is None else scientific(number) for number in numbers]
        cells.append("-" if one.share is None else f"{one.share:.1%}")
        rows.append(((" + ".join(one.events), ""), *((cell, "") for cell in cells)))
    return Grid(heads, tuple(rows))


def supposed(figures: Figures) -> tuple[str, ...]:
    """Every assumption of the figures, each once."""
    found = [*figures.assumptions]
    if figures.pfhd is not None:
        found += figures.pfhd.assumptions
    if figures.channels is not None and figures.channels.estimate is not None:
        found += figures.channels.estimate.assumptions
    return tuple(dict.fromkeys(found))


def figures_json(figures: Figures) -> dict[str, Any]:
    """The numbers of one requirement as plain data; what is not known is absent."""
    result: dict[str, Any] = {"id": figures.requirement}
    if figures.nothing:
        result["no_figures_because"] = figures.nothing
    if figures.missing:
        result["faults_without_numbers"] = list(figures.missing)
        result["sets_left_out"] = [list(one) for one in figures.left_out]
    if figures.probability is not None:
        result["probability"] = _known(asdict(figures.probability))
    if figures.frequency is not None:
        result["frequency_per_h"] = _known(asdict(figures.frequency))
    if figures.pfhd is not None:
        result["pfhd"] = {**_estimate_json(figures.pfhd), "pl_band": figures.level}
    if figures.stretched:
        result["simplified_does_not_hold_for"] = [{"event": e, "rate_times_interval": x} for e, x in figures.stretched]
    if figures.worn:
        result["replace_before_mission_ends"] = [{"fault": name, "t10d_years": years} for name, years in figures.worn]
    if figures.channels is not None:
        result["channels"] = _channels_json(figures.channels)
    if figures.sets:
        result["sets"] = [
            _known(
                {
                    "events": list(one.events),
                    "probability": one.probability,
                    "frequency_per_h": one.frequency,
                    "simple_frequency_per_h": one.simple_frequency,
                    "share": one.share,
                }
            )
            for one in figures.sets
        ]
        result["importance"] = [asdict(i) for i in figures.importances]
    if figures.assumptions:
        result["assumptions"] = list(figures.assumptions)
    return result


def figures_rows(figures: Figures) -> Iterator[tuple[str, ...]]:
    """A row of CSV for each minimal set, under `CSV_HEADINGS`; those without numbers have empty cells."""
    for one in figures.sets:
        cells = (one.probability, one.frequency, one.simple_frequency, one.share)
        written = ("" if cell is None else repr(cell) for cell in cells)
        yield figures.requirement, " ".join(one.events), str(len(one.events)), *written
    for left in figures.left_out:
        yield figures.requirement, " ".join(left), str(len(left)), "", "", "", ""


def figures_csv(all_figures: Iterable[Figures]) -> str:
    """The sets of all requirements with their numbers as CSV text."""
    import csv
    import io

    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(CSV_HEADINGS)
    for figures in all_figures:
        writer.writerows(figures_rows(figures))
    return text.getvalue()


def scientific(value: float) -> str:
    """Three digits and a power of ten; 0 and 1 as they are."""
    return f"{value:.0f}" if value in (0.0, 1.0) else f"{value:.2e}"


def _in_band(frequency: float) -> str:
    """As :func:`scientific`, with as many digits as it takes to stay in its band of PL."""
    return _alike(frequency, scientific, lambda digits: f"{frequency:.{digits}e}", performance_level)


def _alike(
    value: float, short: Callable[[float], str], longer: Callable[[int], str], word: Callable[[float], object]
) -> str:
    """The short text of a value, or the first longer one that does not look as if another word were its own."""
    texts = (short(value), *(longer(digits) for digits in range(1, 10)))

    def read(text: str) -> float:
        return float(text.removesuffix("%")) / (100 if text.endswith("%") else 1)

    return next((text for text in texts if word(read(text)) == word(value)), texts[-1])


def _sets(count: int) -> str:
    return "1 set" if count == 1 else f"{count} sets"


def _top_text(top: TopValue) -> str:
    bounds = [] if top.min_cut is None else [f"min-cut bound {scientific(top.min_cut)}"]
    bounds.append(f"sum {scientific(top.rare_event)}")
    exact = "not worked out exactly" if top.exact is None else scientific(top.exact)
    return f"{exact} ({', '.join(bounds)})"


def _said_of_channels(channels: Channels) -> Iterator[Block]:
    for number, channel in enumerate(channels.channels, 1):
        name = f"channel {number}" if len(channels.channels) > 1 else "one channel"
        words = f"{name}: MTTFd {_years(channel.mttfd)}, DC {_percent(channel.coverage)}: {', '.join(channel.faults)}"
        yield Words(((words, ""),), indent=2)
    alike = "each of two like channels: " if len(channels.channels) > 1 else "so "
    cut = "" if channels.cut is None else f", a channel counts for at most {channels.cut:g}"
    words = f"{alike}MTTFd {_years(channels.mttfd)} ({channels.mttfd_word}{cut}), DCavg {_percent(channels.coverage)}"
    yield Words(((f"{words} ({channels.coverage_word})", ""),), indent=2)
    if channels.estimate is not None:
        words = f"PFHd by ISO 13849-1, were it category {channels.category}: {_in_band(channels.estimate.value)} / h"
        level = f"at most PL {channels.level}" if channels.level else "above all bands of PL"
        yield Words(((f"{words}, {level}", ""),), indent=2)


def _years(years: float) -> str:
    if not isfinite(years):
        return "without limit"
    return f"{_alike(years, lambda y: f'{y:.3g}', lambda digits: f'{years:.{digits + 3}g}', mttfd_word)} years"


def _percent(coverage: float) -> str:
    return _alike(coverage, lambda c: f"{c:.0%}", lambda digits: f"{coverage:.{digits}%}", dc_word)


def _estimate_json(estimate: Estimate) -> dict[str, Any]:
    return {"per_h": estimate.value, "assumptions": list(estimate.assumptions)}


def _channels_json(channels: Channels) -> dict[str, Any]:
    result: dict[str, Any] = {
        "channels": [
            {"faults": list(c.faults), "mttfd_years": c.mttfd, "diagnostic_coverage": c.coverage}
            for c in channels.channels
        ],
        "mttfd_years": channels.mttfd,
        "mttfd_class": channels.mttfd_word,
        "dc_average": channels.coverage,
        "dc_class": channels.coverage_word,
    }
    if channels.cut is not None:
        result["mttfd_counted_at_most_years"] = channels.cut
    if channels.estimate is not None:
        result["category"] = channels.category
        result["pfhd"] = {**_estimate_json(channels.estimate), "pl_at_most": channels.level}
    return result


def _known(data: dict[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in data.items() if value is not None}
