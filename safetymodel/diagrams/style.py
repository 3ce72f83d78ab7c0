"""How the pictures look: a shape, a fill and a line for each role, so that none is told by colour alone.

Fills are tints of the colours of Okabe and Ito, "Color Universal Design: how to make figures and presentations
that are friendly to colorblind people" (J*FLY, 2002, revised 2008), as printed in Wong, "Points of view: Color
blindness", Nature Methods 8, 441 (2011). Contrast is that of the Web Content Accessibility Guidelines 2.1
(W3C), "relative luminance" and "contrast ratio"; labels keep 7:1 (success criterion 1.4.6).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from html import escape

from safetymodel.diagrams.dot_text import Attribute, block, node
from safetymodel.model.system import Role

INK = "#000000"
"""Labels and most lines."""
QUIET = "#595959"
"""Lines and labels of lesser weight; 7.0:1 on white."""
ALARM = "#8f2d00"
"""Faults and breaches: vermillion, darkened until it keeps 7:1 on white."""
PAPER = "#ffffff"

OKABE_ITO = {
    "orange": "#e69f00",
    "sky blue": "#56b4e9",
    "bluish green": "#009e73",
    "yellow": "#f0e442",
    "blue": "#0072b2",
    "vermillion": "#d55e00",
    "reddish purple": "#cc79a7",
}


def tint(colour: str, share: float) -> str:
    """The colour mixed with white: ``share`` 1 is the colour itself, 0 is white."""
    return "#" + "".join(f"{round(255 + (part - 255) * share):02x}" for part in _parts(colour))


def _parts(colour: str) -> tuple[int, int, int]:
    return int(colour[1:3], 16), int(colour[3:5], 16), int(colour[5:7], 16)


def luminance(colour: str) -> float:
    """Relative luminance, 0 (black) to 1 (white), of ``#rrggbb``. Source: WCAG 2.1, relative luminance."""
    linear = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in (p / 255 for p in _parts(colour)))
    return sum(weight * part for weight, part in zip((0.2126, 0.7152, 0.0722), linear, strict=True))


def contrast(one: str, other: str) -> float:
    """Contrast ratio of two colours, 1 to 21. Source: WCAG 2.1, contrast ratio."""
    lighter, darker = sorted((luminance(one), luminance(other)), reverse=True)
    return (lighter + 0.05) / (darker + 0.05)


@dataclass(frozen=True, slots=True)
class Look:
    """How a subsystem of one role is drawn. ``role`` is empty for those that declare none."""

    role: Role | None
    shape: str
    fill: str
    style: str = "filled"
    width: float = 1.0
    borders: int = 1

    @property
    def word(self) -> str:
        """The role as the legend names it."""
        return self.role or "no role"

    def attributes(self) -> dict[str, Attribute]:
        """The look as attributes of a DOT node."""
        return {
            "shape": self.shape,
            "style": self.style,
            "fillcolor": self.fill,
            "penwidth": self.width,
            "peripheries": self.borders,
        }


LOOKS: tuple[Look, ...] = (
    Look("sensor", "ellipse", tint(OKABE_ITO["sky blue"], 0.55)),
    Look("actuator", "box3d", tint(OKABE_ITO["orange"], 0.6), width=1.4),
    Look("barrier", "octagon", tint(OKABE_ITO["vermillion"], 0.35), borders=2),
    Look("control", "component", tint(OKABE_ITO["bluish green"], 0.35)),
    Look("person", "house", tint(OKABE_ITO["reddish purple"], 0.5), style="rounded,filled,dashed"),
    Look("supply", "cylinder", tint(OKABE_ITO["yellow"], 0.7)),
    Look(None, "box", PAPER, style="filled,dotted", width=1.4),
)
SIGNAL_FILL = PAPER
FAULTY_FILL = "#d9d9d9"


def look_of(role: Role | None) -> Look:
    """The look of a role."""
    return next(look for look in LOOKS if look.role == role)


@dataclass(frozen=True, slots=True)
class Sample:
    """One row of a key: a line or a box as the picture draws it, and what it means.

    ``line`` is a DOT edge style (``solid``, ``dashed``, ``dotted``).
    """

    meaning: str
    line: str = "solid"
    colour: str = INK
    width: int = 1
    boxed: bool = False
    double: bool = False
    fill: str = PAPER


def key_node(samples: Iterable[Sample], notes: Iterable[str] = ()) -> list[str]:
    """The key of a picture as one node named ``key``; nothing where there is nothing to explain.

    The only HTML-like label in any picture: it holds our own words, never text of a spec.
    """
    rows = [_row(sample) for sample in samples]
    rows.extend(f'<TR><TD COLSPAN="2" ALIGN="LEFT">{escape(note)}</TD></TR>' for note in notes)
    if not rows:
        return []
    table = (
        f'<TABLE BORDER="1" CELLBORDER="0" CELLSPACING="2" CELLPADDING="1" COLOR="{QUIET}">'
        f'<TR><TD COLSPAN="2" ALIGN="LEFT"><B>Key</B></TD></TR>{"".join(rows)}</TABLE>'
    )
    return [f'  key [shape=plain, fontsize=10, style="", label=<{table}>];']


def _row(sample: Sample) -> str:
    style = f' STYLE="{sample.line}"' if sample.line != "solid" else ""
    border = f'BORDER="{sample.width}" COLOR="{sample.colour}"{style} '
    bare = '<TABLE BORDER="0" CELLBORDER="0" CELLSPACING="0" CELLPADDING="0">'
    if not sample.boxed:
        line = f'<TR><TD {border}WIDTH="34" HEIGHT="7" FIXEDSIZE="TRUE" SIDES="B"></TD></TR>'
        picture = f'{bare}{line}<TR><TD HEIGHT="7"></TD></TR></TABLE>'
    else:
        box = f'<TD {border}WIDTH="34" HEIGHT="14" FIXEDSIZE="TRUE" BGCOLOR="{sample.fill}"></TD>'
        picture = f"{bare}<TR>{box}</TR></TABLE>"
        if sample.double:
            outer = f'<TABLE BORDER="1" CELLBORDER="0" CELLSPACING="2" CELLPADDING="0" COLOR="{sample.colour}">'
            picture = f"{outer}<TR>{box.replace('34', '28').replace('14', '10')}</TR></TABLE>"
    return f'<TR><TD WIDTH="38">{picture}</TD><TD ALIGN="LEFT">{escape(sample.meaning)}</TD></TR>'


def role_key(looks: Iterable[Look]) -> list[str]:
    """A boxed sample node for each of these looks, with the role in it."""
    body = [
        node(f"role{n}", label=look.word, fontsize=10.0, height=0.3, margin="0.08,0.04", **look.attributes())
        for n, look in enumerate(looks)
    ]
    if not body:
        return []
    head = [f'  graph [label="Shapes", labeljust=l, fontsize=11, color="{QUIET}", style=solid, penwidth=1];']
    return block("subgraph cluster_roles", [*head, *body])
