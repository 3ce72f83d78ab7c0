"""The minimal fault sets of a requirement as a fault tree, in the usual symbols of IEC 61025: a box for what is
said, an OR and an AND gate, a circle for a component failure, a house for what needs no failure.

The shapes are from memory, check against the printed standard. A tree of minimal sets has two levels of gates.
A declared common cause is a failure of its own, which stands for all its faults: a circle with a ring in it.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import Any

from safetymodel.diagrams.sizes import too_large
from safetymodel.diagrams.style import INK, PAPER, QUIET, tint
from safetymodel.diagrams.svg_text import (
    cut,
    document,
    element,
    hint,
    line,
    name_lines,
    number,
    polygon,
    rectangle,
    text,
)
from safetymodel.faults.common_cause import groups_of, with_common_causes
from safetymodel.faults.sets import MinimalSets
from safetymodel.model.system import CommonCause, Fault, System
from safetymodel.problems import Problem

MOST_LEAVES = 60
"""Circles beyond which a tree is no picture any more."""

_COLUMN = 132.0
_BOX_WIDTH, _BOX_HEIGHT = 120.0, 46.0
_GATE = 36.0
_RADIUS = 20.0
_MARGIN = 24.0
_TOP = 64.0
_SIZE = 11.0
_FAULT_FILL = tint("#d55e00", 0.2)
_CAUSE_FILL = tint("#e69f00", 0.35)
_GATE_FILL = tint("#56b4e9", 0.3)


Failure = Fault | CommonCause


def fault_tree(system: System, found: MinimalSets) -> str | Problem:
    """The SVG of the tree whose top event is the breach of the requirement; a problem where it is too large.

    A failure that stands under several gates is marked with how often: its circles are one and the same. Common
    causes are in it where that does not make it too large; else the picture says that they are not.
    """
    groups: list[tuple[Failure, ...]] = [tuple(system.faults[n] for n in s.faults) for s in found.sets]
    causes = _by_common_causes(system, groups)
    if causes is None or (_leaves(groups) <= MOST_LEAVES < _leaves([*groups, *causes])):
        return _Tree(system, found, groups, "the declared common causes are left out: too many sets").svg()
    groups += causes
    if _leaves(groups) > MOST_LEAVES:
        what = f"the fault tree of {found.requirement.name}"
        return too_large(what, f"{_leaves(groups)} failures", MOST_LEAVES, "look at fewer with --up-to")
    return _Tree(system, found, groups, "sets with declared common causes are in it" if causes else "").svg()


def _leaves(groups: Sequence[tuple[Failure, ...]]) -> int:
    return sum(max(len(failures), 1) for failures in groups)


def _by_common_causes(system: System, groups: Sequence[tuple[Failure, ...]]) -> list[tuple[Failure, ...]] | None:
    """The further minimal sets that common causes make, fewest failures first; None where these are too many."""
    plain = [frozenset(failure.name for failure in failures) for failures in groups]
    try:
        sets, _ = with_common_causes(plain, groups_of(system))
    except ValueError:
        return None
    order: list[Failure] = [*system.faults, *system.common_causes]
    return [tuple(f for f in order if f.name in one) for one in sets if one not in plain]


class _Tree:
    def __init__(
        self, system: System, found: MinimalSets, groups: Sequence[tuple[Failure, ...]], about_causes: str
    ) -> None:
        self.system = system
        self.found = found
        self.groups = groups
        self.about_causes = about_causes
        self.body: list[str] = []
        self.times = Counter(failure.name for failures in groups for failure in failures)

    def svg(self) -> str:
        widths = [max(len(failures), 1) * _COLUMN for failures in self.groups]
        width = max(sum(widths), 460.0) + 2 * _MARGIN
        deep = any(len(failures) > 1 for failures in self.groups)
        first = _TOP + _BOX_HEIGHT + 12 + _GATE + 40
        second = first + _BOX_HEIGHT + 12 + _GATE + 40
        low = second if deep else first
        height = low + _BOX_HEIGHT + 14 + 2 * _RADIUS + 74
        left = (width - sum(widths)) / 2
        places = []
        for own, failures in zip(widths, self.groups, strict=True):
            places.append(left + own / 2)
            self._group(left, own, failures, first, second)
            left += own
        middle = width / 2
        requirement = self.found.requirement
        said = requirement.text or requirement.wording
        wide = min(width - 2 * _MARGIN, 420.0)
        self._box(middle, _TOP, f"{requirement.name} is broken: {said}", wide)
        gate = _TOP + _BOX_HEIGHT + 12
        self._wire(middle, _TOP + _BOX_HEIGHT, gate)
        if len(places) > 1:
            self._or(middle, gate)
            self._spread(middle, gate + _GATE - 6, places, first)
        else:
            self._wire(middle, gate, first - 20)
            self._spread(middle, first - 20, places, first)
        title = f"Fault tree of {requirement.name}"
        head = text(_MARGIN, 26, cut(f"{title}: {self.system.title}", width - 2 * _MARGIN, 15), font_size=15, fill=INK)
        more = "" if self.found.complete else "; there may be more sets: a limit was reached"
        causes = f"; {self.about_causes}" if self.about_causes else ""
        note = f"minimal sets of up to {self.found.order} of the declared faults{causes}{more}"
        words = text(_MARGIN, 44, cut(note, width - 2 * _MARGIN, _SIZE), font_size=_SIZE, fill=QUIET)
        description = "; or ".join(" and ".join(f.name for f in failures) or "no fault" for failures in self.groups)
        key = self._key(height - 30)
        return document(width, height, title, f"{said}: broken by {description}", [head, words, *self.body, *key])

    def _group(self, left: float, width: float, failures: Sequence[Failure], first: float, second: float) -> None:
        middle = left + width / 2
        if not failures:
            self._box(middle, first, "no fault at all: the logic itself")
            self._house(middle, first + _BOX_HEIGHT + 14)
        elif len(failures) == 1:
            self._failure(middle, first, failures[0])
        else:
            what = "faults" if all(isinstance(failure, Fault) for failure in failures) else "failures"
            self._box(middle, first, f"{len(failures)} {what} together")
            gate = first + _BOX_HEIGHT + 12
            self._wire(middle, first + _BOX_HEIGHT, gate)
            self._and(middle, gate)
            places = [left + (n + 0.5) * _COLUMN for n in range(len(failures))]
            self._spread(middle, gate + _GATE, places, second)
            for place, failure in zip(places, failures, strict=True):
                self._failure(place, second, failure)

    def _failure(self, x: float, y: float, failure: Failure) -> None:
        self._box(x, y, failure.text or failure.name.replace("_", " "))
        centre = y + _BOX_HEIGHT + 14 + _RADIUS
        self._wire(x, y + _BOX_HEIGHT, centre - _RADIUS)
        if isinstance(failure, Fault):
            circles = [_circle(x, centre, _RADIUS, _FAULT_FILL, failure.name)]
        else:
            struck = ", ".join(self.system.faults[n].name for n in failure.faults)
            circles = _ringed(x, centre, _RADIUS, f"{failure.name}: strikes {struck} at once")
        times = self.times[failure.name]
        inside = [text(x, centre + 4, f"{times}x", text_anchor="middle", font_size=_SIZE)] if times > 1 else []
        name = cut(failure.name, _COLUMN - 6, 10)
        under = text(x, centre + _RADIUS + 14, name, text_anchor="middle", font_size=10, fill=QUIET)
        self.body += [*circles, *inside, under]

    def _box(self, x: float, y: float, words: str, width: float = _BOX_WIDTH) -> None:
        left = x - width / 2
        box = rectangle(left, y, width, _BOX_HEIGHT, fill=PAPER, stroke=INK)
        self.body.append(element("g", hint(words) + box))
        lines = name_lines(words, width - 10, _SIZE, 3)
        top = y + _BOX_HEIGHT / 2 - (len(lines) - 1) * 7 + 4
        self.body += [text(x, top + 14 * n, w, text_anchor="middle", font_size=_SIZE) for n, w in enumerate(lines)]

    def _wire(self, x: float, top: float, bottom: float) -> None:
        self.body.append(line(x, top, x, bottom, stroke=INK))

    def _spread(self, x: float, top: float, places: Sequence[float], bottom: float) -> None:
        """From a gate to all that it is made of."""
        bar = bottom - 18
        self._wire(x, top, bar)
        ends = (min(*places, x), max(*places, x))
        if ends[0] < ends[1]:
            self.body.append(line(ends[0], bar, ends[1], bar, stroke=INK))
        for place in places:
            self._wire(place, bar, bottom)

    def _and(self, x: float, y: float) -> None:
        self.body.append(_and_gate(x, y, _GATE))

    def _or(self, x: float, y: float) -> None:
        self.body.append(_or_gate(x, y, _GATE))

    def _house(self, x: float, y: float) -> None:
        self._wire(x, y - 14, y)
        points = [(x, y), (x + 20, y + 14), (x + 20, y + 40), (x - 20, y + 40), (x - 20, y + 14)]
        self.body.append(polygon(points, hint("no failure is needed"), fill=PAPER, stroke=INK))

    def _key(self, y: float) -> list[str]:
        """What each shape means, in one row."""
        x = _MARGIN + 10
        words: dict[str, Any] = {"font_size": 10, "fill": QUIET}
        found = []
        if len(self.groups) > 1:
            found += [_or_gate(x, y - 8, 18), text(x + 16, y + 5, "OR: any one is enough", **words)]
            x += 150
        if any(len(failures) > 1 for failures in self.groups):
            found += [_and_gate(x, y - 8, 18), text(x + 16, y + 5, "AND: all together", **words)]
            x += 130
        found += [_circle(x, y + 1, 8, _FAULT_FILL), text(x + 14, y + 5, "declared fault", **words)]
        x += 108
        causes = any(isinstance(failure, CommonCause) for failures in self.groups for failure in failures)
        if causes:
            found += [*_ringed(x, y + 1, 8), text(x + 14, y + 5, "common cause", **words)]
            x += 108
        if any(n > 1 for n in self.times.values()):
            what = "failure" if causes else "fault"
            found.append(text(x - 12, y + 5, f"2x: the same {what} under 2 gates", **words))
        return found


def _circle(x: float, y: float, radius: float, fill: str, words: str = "") -> str:
    return element("circle", hint(words) if words else "", cx=x, cy=y, r=radius, fill=fill, stroke=INK)


def _ringed(x: float, y: float, radius: float, words: str = "") -> list[str]:
    """A common cause: a circle with a ring in it."""
    return [_circle(x, y, radius, _CAUSE_FILL, words), _circle(x, y, radius * 0.8, "none")]


def _and_gate(x: float, y: float, size: float) -> str:
    """Round above, flat below."""
    half = size / 2
    n = number
    path = (
        f"M{n(x - half)} {n(y + size)}V{n(y + half)}A{n(half)} {n(half)} 0 0 1 {n(x + half)} {n(y + half)}"
        f"V{n(y + size)}Z"
    )
    return element("path", hint("AND: all together"), d=path, fill=_GATE_FILL, stroke=INK)


def _or_gate(x: float, y: float, size: float) -> str:
    """Pointed above, hollow below."""
    half = size / 2
    n = number
    path = (
        f"M{n(x - half)} {n(y + size)}Q{n(x - half)} {n(y + half * 0.7)} {n(x)} {n(y)}"
        f"Q{n(x + half)} {n(y + half * 0.7)} {n(x + half)} {n(y + size)}"
        f"Q{n(x)} {n(y + size * 0.7)} {n(x - half)} {n(y + size)}Z"
    )
    return element("path", hint("OR: any one is enough"), d=path, fill=_GATE_FILL, stroke=INK)
