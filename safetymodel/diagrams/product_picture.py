"""A picture of a small product graph: every system state, and every step between them."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from safetymodel.diagrams.dot_text import Attribute, Raw, digraph, edge, label, node, wrapped
from safetymodel.diagrams.sizes import refusal
from safetymodel.diagrams.style import ALARM, INK, QUIET, Sample, key_node
from safetymodel.problems import Problem

if TYPE_CHECKING:
    from safetymodel.explore.product_graph import Graph

MOST_NODES = 150
"""A larger picture cannot be read."""
MOST_ARROWS = 400
"""With more, the picture is a blot that takes minutes to lay out."""
PROJECT = "draw it for a few subsystems alone: --only a,b"
NARROWER = "name fewer subsystems, or such with fewer states"
MOST_SUBSYSTEMS = 4
"""With more than so many, a node names only what differs from the start."""
MOST_NAMES = 4
"""Names on one arrow; of more, the rest is counted."""

_ORDER = ("event", "reaction", "time", "tick", "fault", "jump")
_LOOKS: dict[str, tuple[str, dict[str, Attribute]]] = {
    "event": ("solid arrow: an event", {}),
    "reaction": ("dashed arrow: the logic reacts", {"style": "dashed"}),
    "time": ("dotted arrow: moves within its window of time", {"style": "dotted", "penwidth": 1.6}),
    "tick": (
        "dotted grey arrow: time passes",
        {"style": "dotted", "penwidth": 1.6, "color": QUIET, "arrowhead": "vee"},
    ),
    "fault": ("thick arrow with a box: a fault strikes", {"penwidth": 2.2, "color": ALARM, "arrowhead": "box"}),
    "jump": (
        "dotted thick arrow with a diamond: a fault moves it",
        {"style": "dotted", "penwidth": 2.2, "color": ALARM, "arrowhead": "odiamond"},
    ),
}


def product_dot(graph: Graph, title: str, projected: bool = False) -> str | Problem:
    """The picture of a product graph, or of a projection of one, as DOT text.

    Nodes have the attributes ``states`` (subsystem name to state name), ``settled``, ``start`` and ``faults``; edges
    ``kind`` and ``name``. A problem ``graph-too-large`` where the picture could not be read. Ticks that change
    nothing are left out.
    """
    arrows = _arrows(graph)
    refused = refusal(
        "the projection" if projected else "the product graph",
        (graph.number_of_nodes(), "system states" if not projected else "combinations of states", MOST_NODES),
        (arrows, MOST_ARROWS),
        NARROWER if projected else PROJECT,
    )
    if refused is not None:
        return refused
    first: dict[str, str] = next((data["states"] for _, data in graph.nodes(data=True) if data["start"]), {})
    brief = len(first) > MOST_SUBSYSTEMS
    body = [
        *(_node(number, data, first if brief else {}) for number, data in graph.nodes(data=True)),
        *_edges(arrows),
        *_key(graph, arrows, brief, projected),
    ]
    start = [number for number, data in graph.nodes(data=True) if data["start"]]
    if start:
        body[:0] = [
            node("begin", shape="point", width=0.12, label="", color=INK, fillcolor=INK),
            edge("begin", f"n{start[0]}"),
        ]
    nodes: dict[str, Attribute] = {"shape": "box", "margin": "0.1,0.05", "height": 0.3, "fontsize": 11.0}
    layout: dict[str, Attribute] = {"rankdir": "TB", "nodesep": 0.3, "ranksep": 0.5, "nslimit": 3.0, "nslimit1": 3.0}
    return digraph(wrapped(title, 80), body, layout, nodes)


_Arrows = dict[tuple[int, int, str], list[str]]


def _arrows(graph: Graph) -> _Arrows:
    """The names of the steps of each kind between two nodes, in the order of the graph."""
    found: _Arrows = {}
    for source, target, data in graph.edges(data=True):
        kind: str = data["kind"]
        if kind == "tick" and source == target:
            continue
        names = found.setdefault((source, target, kind), [])
        name = "" if kind == "tick" else str(data["name"])
        if name not in names:
            names.append(name)
    return dict(sorted(found.items(), key=lambda item: (item[0][0], item[0][1], _ORDER.index(item[0][2]))))


def _node(number: int, data: dict[str, Any], first: dict[str, str]) -> str:
    told = [f"{name}: {state}" for name, state in data["states"].items() if not first or first.get(name) != state]
    lines = [line for text in told for line in wrapped(text, 36, "  ")] or ["as at the start"]
    for fault in data["faults"]:
        lines.extend(wrapped(f"fault {fault}", 36, "  "))
    pairs: dict[str, Attribute] = {"label": Raw(label(lines, "l"))}
    if not data["settled"]:
        pairs |= {"style": "dashed", "color": QUIET}
    else:
        pairs |= {"style": "filled", "fillcolor": "white"}
    if data["start"]:
        pairs["penwidth"] = 2.4
    if data["faults"]:
        pairs |= {"peripheries": 2, "color": ALARM}
    return node(f"n{number}", **pairs)


def _edges(arrows: _Arrows) -> Iterator[str]:
    for (source, target, kind), names in arrows.items():
        lines = [f" {line}" for name in names[:MOST_NAMES] if name for line in wrapped(name, 30, "  ")]
        if len(names) > MOST_NAMES:
            lines.append(f" and {len(names) - MOST_NAMES} more")
        pairs: dict[str, Attribute] = {"label": Raw(label(lines, "l")), "fontsize": 10.0} if lines else {}
        yield edge(f"n{source}", f"n{target}", **(pairs | _LOOKS[kind][1]))


def _key(graph: Graph, arrows: _Arrows, brief: bool, projected: bool) -> list[str]:
    samples = [Sample("thick border: the start", width=2, boxed=True)]
    nodes = [data for _, data in graph.nodes(data=True)]
    if any(not data["settled"] for data in nodes):
        samples.append(Sample("dashed border: the logic is still reacting", "dashed", QUIET, boxed=True))
    if any(data["faults"] for data in nodes):
        samples.append(Sample("double border: a fault is present", colour=ALARM, boxed=True, double=True))
    used = {kind for _, _, kind in arrows}
    for kind in _ORDER:
        if kind in used:
            meaning, pairs = _LOOKS[kind]
            width = 1 if "penwidth" not in pairs else 2
            samples.append(Sample(meaning, str(pairs.get("style", "solid")), str(pairs.get("color", INK)), width))
    notes = []
    if brief:
        notes.append("a box names only what differs from the start")
    if any(d["kind"] == "tick" and s == t for s, t, d in graph.edges(data=True)):
        notes.append("time that passes and changes nothing is left out")
    if projected:
        notes.append("seen through these subsystems alone:")
        notes.append("a path here need not be a run of the whole system")
    return [*key_node(samples, notes), "  {rank=sink; key;}"]
