"""A timing chart of a run as SVG: who is in which state when, and what happened in between.

Time goes from left to right, but not to scale: each happening has a column, the reactions that it causes have narrower
ones, and a wait is a shaded gap. A long run goes on in further strips, so that every word stays readable.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import accumulate, pairwise

from safetymodel.claims.verdict import Trace
from safetymodel.diagrams.dot_text import wrapped
from safetymodel.diagrams.style import ALARM, INK, OKABE_ITO, PAPER, QUIET, tint
from safetymodel.diagrams.svg_text import (
    cut,
    document,
    element,
    hatching,
    hint,
    line,
    name_lines,
    polygon,
    rectangle,
    text,
    text_width,
)
from safetymodel.diagrams.timing_lanes import PRESENT, Column, Lane, columns_of, lanes_of
from safetymodel.model.system import Requirement, System
from safetymodel.traces.wording import ticks_text

MOST_WIDTH = 1400.0
"""Where a strip ends; one column alone may be wider."""
LEAST_WIDTH = 640.0
_MARGIN = 12.0
_WORDS, _STATES = 11, 12
_WORD_WIDTH = 92.0
_WORD_LINES = 3
_STATE_WIDTH = 170.0
_NAME_WIDTH = 200.0
_ROW, _BAND = 29.0, 20.0
_SLANT = 4.0
_LEAST = {"start": 58.0, "event": 46.0, "fault": 46.0, "time": 46.0, "ticks": 62.0, "reaction": 24.0}

CHANGED_FILL = tint(OKABE_ITO["sky blue"], 0.35)
WAIT_FILL = "#ececec"
BREACH_FILL = tint(OKABE_ITO["vermillion"], 0.25)
FAULT_FILL = tint(OKABE_ITO["orange"], 0.45)


@dataclass(frozen=True, slots=True)
class _Strip:
    """Columns ``first`` to ``last`` - 1; ``edges`` has the left edge of each and the right edge of the last, from 0."""

    first: int
    last: int
    edges: tuple[float, ...]

    def span(self, first: int, last: int) -> tuple[float, float]:
        return self.edges[first - self.first], self.edges[last - self.first]


@dataclass(frozen=True, slots=True)
class Chart:
    """A timing chart, and the place of each of its columns in it: x, y, width, height."""

    svg: str
    columns: tuple[tuple[float, float, float, float], ...]


def timing_svg(system: System, trace: Trace, title: str, requirement: Requirement | None = None) -> str:
    """The chart of a run as a whole SVG file, as :func:`timing_chart` draws it."""
    return timing_chart(system, trace, title, requirement).svg


def timing_chart(system: System, trace: Trace, title: str, requirement: Requirement | None = None) -> Chart:
    """The chart of a run; the same text for the same run everywhere. Its columns are the start, every happening (or run
    of ticks that nothing interrupts), and every reaction, in the order of the run.

    A lane for each subsystem that changes. With ``requirement``, also for what it mentions and for its parts, and
    the last column is marked as its breach. Signals that a fault of the run holds, and the faults, have lanes too.
    """
    columns = columns_of(system, trace)
    lanes = lanes_of(system, columns, requirement)
    names = 14 + max((text_width(row, size) for lane in lanes for row, size in _name_rows(lane)), default=0.0)
    strips = _strips(columns, lanes, MOST_WIDTH - names - 2 * _MARGIN)
    ends = [strip.edges[-1] for strip in strips]
    if columns[-1].kind == "ticks":
        ends.append(ends[-1] + text_width(_time_text(system, columns[-1]), _WORDS) + 5)
    width = max(LEAST_WIDTH, names + 2 * _MARGIN + max(ends))
    body: list[str] = []
    places: list[tuple[float, float, float, float]] = []
    y = _MARGIN
    for number, row in enumerate(wrapped(title, int((width - 2 * _MARGIN) / 8.6))):
        body.append(text(_MARGIN, y + 15, row, font_size=15, font_weight="bold" if not number else "normal"))
        y += 20
    breach = _breach_word(requirement)
    for number, strip in enumerate(strips):
        part = _StripPainter(system, columns, lanes, strip, _MARGIN + names, breach)
        if number:
            body.append(text(_MARGIN, y + 20, "continued", font_size=_WORDS, fill=QUIET, font_style="italic"))
        body.extend(part.drawn(y + 6))
        places.extend(part.places(y + 6))
        y += 6 + part.height + 8
    y, key = _key(columns, lanes, breach, y, width)
    told = "; ".join(f"{column.number}: {column.sentence}" for column in columns if column.number)
    svg = document(width, y + _MARGIN, title, told or "nothing has to happen", [*body, *key])
    return Chart(svg, tuple(places))


def _breach_word(requirement: Requirement | None) -> str:
    if requirement is None:
        return ""
    return "no way out" if requirement.form == "always_possible" else "breach"


# -- widths -----------------------------------------------------------------------------------


def _strips(columns: Sequence[Column], lanes: Sequence[Lane], room: float) -> list[_Strip]:
    """The columns cut into strips that fit the room, where one happening does; reactions stay with theirs."""
    starts = [n for n, column in enumerate(columns) if column.begins]
    ends = [*starts[1:], len(columns)]
    strips: list[_Strip] = []
    first, fitting = 0, None
    for start, end in zip(starts, ends, strict=True):
        tried = _laid_out(columns, lanes, first, end)
        if fitting is not None and tried.edges[-1] > room:
            strips.append(fitting)
            first, tried = start, _laid_out(columns, lanes, start, end)
        fitting = tried
    assert fitting is not None
    return [*strips, fitting]


def _laid_out(columns: Sequence[Column], lanes: Sequence[Lane], first: int, last: int) -> _Strip:
    """The narrowest columns in which every state's name and every happening's words have room."""
    needs: list[tuple[int, int, float]] = []
    for lane in lanes:
        for start, end, value in lane.runs(first, last):
            needs.append((end, start, min(_STATE_WIDTH, text_width(value, _STATES)) + 2 * _SLANT + 5 if value else 0))
    begin = [n for n in range(first, last) if columns[n].begins]
    for start, end in zip(begin, [*begin[1:], last], strict=True):
        needs.append((end, start, _words_width(columns[start])))
    widths = [_LEAST[columns[n].kind] for n in range(first, last)]
    for end, start, need in sorted(needs):
        missing = need - sum(widths[start - first : end - first])
        if missing > 0:
            widths[end - 1 - first] += missing
    return _Strip(first, last, tuple(accumulate(widths, initial=0.0)))


def _name_rows(lane: Lane) -> list[tuple[str, int]]:
    """The name of a lane in one line or two smaller ones, with their size."""
    if text_width(lane.name, _STATES) <= _NAME_WIDTH:
        return [(lane.name, _STATES)]
    return [(row, _WORDS) for row in name_lines(lane.name, _NAME_WIDTH, _WORDS, 2)]


def _words(column: Column) -> list[str]:
    return name_lines(column.words, _WORD_WIDTH, _WORDS, _WORD_LINES)


def _words_width(column: Column) -> float:
    words = max(text_width(row, _WORDS) for row in _words(column))
    return max(words, _pill_width(column)) + 8


def _pill_width(column: Column) -> float:
    return max(18.0, text_width(column.number, _WORDS) + 10) if column.number else 0.0


# -- drawing ----------------------------------------------------------------------------------


class _StripPainter:
    """Draws one strip; x of the first column is ``left``."""

    def __init__(
        self,
        system: System,
        columns: Sequence[Column],
        lanes: Sequence[Lane],
        strip: _Strip,
        left: float,
        breach: str,
    ) -> None:
        self.system = system
        self.columns = columns
        self.lanes = lanes
        self.strip = strip
        self.left = left
        self.breach = breach if strip.last == len(columns) else ""
        self.timed = any(column.kind == "ticks" for column in columns)
        lines = max(len(_words(columns[n])) for n in range(strip.first, strip.last))
        self.head = 24 + 13.0 * lines + 4
        self.rows = _ROW * len(lanes)
        self.height = self.head + self.rows + 6 + (22 if self.timed else 0) + (16 if self.breach else 0)

    def drawn(self, top: float) -> Iterator[str]:
        body = top + self.head
        yield from self._grounds(body)
        yield from self._boundaries(top, body)
        for n in range(self.strip.first, self.strip.last):
            if self.columns[n].begins:
                yield from self._heading(n, top)
        for row, lane in enumerate(self.lanes):
            yield from self._lane(lane, body + row * _ROW)
        foot = body + self.rows + 6
        if self.timed:
            yield from self._time_axis(foot)
            foot += 22
        if self.breach:
            _, end = self._across(self.strip.last - 1, self.strip.last)
            yield polygon([(end - 5, foot + 8), (end, foot - 2), (end + 5, foot + 8)], fill=ALARM)
            place = end - 9
            pairs: dict[str, str | float] = {"font_size": _STATES, "font_weight": "bold", "fill": ALARM}
            yield text(place, foot + 9, self.breach, text_anchor="end", **pairs)

    def places(self, top: float) -> Iterator[tuple[float, float, float, float]]:
        """Where each column's lanes are."""
        for n in range(self.strip.first, self.strip.last):
            start, end = self._across(n, n + 1)
            yield start, top + self.head - 2, end - start, self.rows + 4

    def _across(self, first: int, last: int) -> tuple[float, float]:
        start, end = self.strip.span(first, last)
        return self.left + start, self.left + end

    def _grounds(self, body: float) -> Iterator[str]:
        """The shade of waits, and the last column of a breach."""
        for n in range(self.strip.first, self.strip.last):
            start, end = self._across(n, n + 1)
            if self.columns[n].kind == "ticks":
                yield rectangle(start, body - 2, end - start, self.rows + 4, fill=WAIT_FILL)
        if self.breach:
            start, end = self._across(self.strip.last - 1, self.strip.last)
            yield rectangle(start, body - 2, end - start, self.rows + 4, fill=BREACH_FILL)
            path = hatching(start, body - 2, end - start, self.rows + 4, 9)
            yield element("path", d=path, stroke=ALARM, stroke_width=0.6, fill="none")
            yield line(end, body - 6, end, body + self.rows + 6, stroke=ALARM, stroke_width=2.5)

    def _boundaries(self, top: float, body: float) -> Iterator[str]:
        """A line where each step happens: solid for a happening, dotted for a reaction."""
        for n in range(self.strip.first, self.strip.last):
            x, _ = self._across(n, n + 1)
            if self.columns[n].begins:
                yield line(x, top + 2, x, body + self.rows + 2, stroke=QUIET, stroke_width=0.8)
            else:
                pairs: dict[str, str | float] = {"stroke": QUIET, "stroke_width": 1, "stroke_dasharray": "1.5 3"}
                yield line(x, body - 6, x, body + self.rows + 2, **pairs)

    def _heading(self, n: int, top: float) -> Iterator[str]:
        column = self.columns[n]
        x = self._across(n, n + 1)[0] + 4
        if column.number:
            width = _pill_width(column)
            fault = column.kind == "fault"
            fill = ALARM if fault else PAPER
            corner = 0 if fault else 9
            yield rectangle(x, top + 4, width, 18, rx=corner, fill=fill, stroke=ALARM if fault else INK)
            ink = PAPER if fault else INK
            yield text(x + width / 2, top + 17, column.number, font_size=_WORDS, text_anchor="middle", fill=ink)
        rows = "".join(
            text(x, top + 34 + 13 * row, words, font_size=_WORDS, fill=ALARM if column.kind == "fault" else INK)
            for row, words in enumerate(_words(column))
        )
        yield element("g", hint(column.sentence) + rows)

    def _lane(self, lane: Lane, top: float) -> Iterator[str]:
        middle = top + _ROW / 2
        ink = ALARM if lane.kind == "fault" else INK
        style = "italic" if lane.kind == "claim" else "normal"
        rows = _name_rows(lane)
        y = middle + (4 if len(rows) == 1 else -2)
        label = "".join(
            text(self.left - 8, y + 12 * n, row, text_anchor="end", font_size=size, fill=ink, font_style=style)
            for n, (row, size) in enumerate(rows)
        )
        yield element("g", hint(f"{lane.name}: {lane.text}" if lane.text != lane.name else lane.name) + label)
        for first, last, value in lane.runs(self.strip.first, self.strip.last):
            yield self._band(lane, first, last, value, top)
        for n in lane.jumps:
            if self.strip.first <= n < self.strip.last:
                x, _ = self._across(n, n + 1)
                points = [(x - 6, middle), (x, middle - 6), (x + 6, middle), (x, middle + 6)]
                yield polygon(points, hint("the fault moves it"), fill=PAPER, stroke=ALARM, stroke_width=2)

    def _band(self, lane: Lane, first: int, last: int, value: str, top: float) -> str:
        start, end = self._across(first, last)
        high, middle, low = top + (_ROW - _BAND) / 2, top + _ROW / 2, top + (_ROW + _BAND) / 2
        if not value:
            return line(start, middle, end, middle, stroke=QUIET, stroke_width=1)
        opens = first == 0 or (first == self.strip.first and lane.values[first - 1] == value)
        closes = last == len(self.columns) or (last == self.strip.last and lane.values[last] == value)
        into, out = start + _SLANT, end - _SLANT
        left = [(start, low), (start, high)] if opens else [(into, low), (start, middle), (into, high)]
        right = [(end, high), (end, low)] if closes else [(out, high), (end, middle), (out, low)]
        fill, stroke = _colours(lane, value)
        shape = polygon([*left, *right], fill=fill, stroke=stroke, stroke_width=2 if lane.kind == "fault" else 1)
        # The word stands beside the marks of jumps, where there is most room.
        marks = [self._across(n, n + 1)[0] for n in lane.jumps if first < n < last]
        stops = [start - 6, *marks, end + 6]
        gap, place = max((after - before, -before) for before, after in pairwise(stops))
        words = text(gap / 2 - place, middle + 4, cut(value, gap - 14 - 2 * _SLANT, _STATES), text_anchor="middle")
        return element("g", hint(f"{lane.name}: {value}") + shape + words)

    def _time_axis(self, top: float) -> Iterator[str]:
        """Stretches of one time, and between them the waits."""
        yield text(self.left - 8, top + 12, "time", text_anchor="end", font_size=_WORDS)
        y = top + 8
        n = self.strip.first
        while n < self.strip.last:
            begin, waits = n, self.columns[n].kind == "ticks"
            n += 1
            while not waits and n < self.strip.last and self.columns[n].kind != "ticks":
                n += 1
            start, end = self._across(begin, n)
            if not waits:
                yield line(start, y, end, y, stroke=INK, stroke_width=1.4)
                yield from self._moment(start, begin, top)
                continue
            middle = (start + end) / 2
            yield line(start, y, middle - 4, y, stroke=INK, stroke_dasharray="4 3")
            yield line(middle + 4, y, end, y, stroke=INK, stroke_dasharray="4 3")
            for x in (middle - 3, middle + 3):
                yield line(x - 3, y + 6, x + 3, y - 6, stroke=INK, stroke_width=1.4)
            if n == len(self.columns):
                yield from self._moment(end, begin, top)

    def _moment(self, x: float, column: int, top: float) -> Iterator[str]:
        words = _time_text(self.system, self.columns[column])
        yield line(x, top + 3, x, top + 13, stroke=INK, stroke_width=1.4)
        yield rectangle(x + 3, top, text_width(words, _WORDS) + 4, 16, fill=PAPER)
        yield text(x + 5, top + 12, words, font_size=_WORDS)


def _time_text(system: System, column: Column) -> str:
    return ticks_text(system, column.elapsed) if column.elapsed else "0 s"


def _colours(lane: Lane, value: str) -> tuple[str, str]:
    if lane.kind == "fault":
        return FAULT_FILL if value == PRESENT else PAPER, ALARM
    changed = value != lane.values[0]
    return (CHANGED_FILL if changed else PAPER), INK


# -- the key ----------------------------------------------------------------------------------


def _key(
    columns: Sequence[Column], lanes: Sequence[Lane], breach: str, top: float, width: float
) -> tuple[float, list[str]]:
    """What the signs mean, only those that are used; the lower edge and the drawing."""
    kinds = {column.kind for column in columns}
    entries: list[tuple[str, str]] = []
    if kinds & {"event", "time"}:
        entries.append((rectangle(0, 1, 20, 14, rx=7, fill=PAPER, stroke=INK), "a happening, numbered as in the trace"))
    if "fault" in kinds:
        entries.append((rectangle(0, 1, 20, 14, fill=ALARM), "a fault"))
    if "ticks" in kinds:
        entries.append((rectangle(0, 1, 20, 14, fill=WAIT_FILL), "time passes"))
    if "reaction" in kinds:
        entries.append((line(10, 0, 10, 16, stroke=QUIET, stroke_dasharray="1.5 3"), "the logic reacts, in no time"))
    if any(value != lane.values[0] for lane in lanes if lane.kind != "fault" for value in lane.values):
        entries.append((rectangle(0, 1, 20, 14, fill=CHANGED_FILL, stroke=INK), "not as at the start"))
    if any(lane.jumps for lane in lanes):
        diamond = polygon([(4, 8), (10, 2), (16, 8), (10, 14)], fill=PAPER, stroke=ALARM, stroke_width=2)
        entries.append((diamond, "the fault moves it"))
    if breach:
        strokes = element("path", d=hatching(0, 1, 20, 14, 5), stroke=ALARM, stroke_width=0.6)
        entries.append((rectangle(0, 1, 20, 14, fill=BREACH_FILL) + strokes, f"the end: {breach}"))
    drawn: list[str] = []
    x, y = _MARGIN, top + 4
    for sign, meaning in entries:
        needed = 26 + text_width(meaning, _WORDS) + 18
        if x > _MARGIN and x + needed > width - _MARGIN:
            x, y = _MARGIN, y + 20
        label = text(26, 12, meaning, font_size=_WORDS)
        drawn.append(element("g", sign + label, transform=f"translate({x:g} {y:g})"))
        x += needed
    return y + (20 if entries else 0), drawn
