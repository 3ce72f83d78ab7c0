"""A product graph seen through some of its subsystems only."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from safetymodel.explore.product_graph import Graph


def project(graph: Graph, names: Iterable[str]) -> Graph:
    """The graph whose nodes are the combinations of states of the named subsystems.

    Nodes are numbered from 0 in the order in which the combinations first appear, and have the attributes of the
    product graph: ``states`` (of the named subsystems alone, in the order of ``names``), ``settled`` (some state of
    the combination is settled), ``start``, ``faults`` (always empty: they are not part of a combination) and
    ``count``, how many nodes fell together. Edges are those that change the combination, each kind and name once
    between two nodes.

    Every run of the machine shows as a path here, but a path here need not be a run: what the other subsystems
    would forbid is out of sight. Raises KeyError where a name is not among the subsystems of the graph.
    """
    wanted = tuple(names)
    numbers: dict[tuple[str, ...], int] = {}
    place: dict[int, int] = {}
    projected: Graph = type(graph)()
    for number, data in graph.nodes(data=True):
        states: dict[str, str] = data["states"]
        combination = tuple(states[name] for name in wanted)
        if combination not in numbers:
            numbers[combination] = len(numbers)
            projected.add_node(
                numbers[combination],
                states=dict(zip(wanted, combination, strict=True)),
                settled=False,
                start=False,
                faults=(),
                count=0,
            )
        place[number] = numbers[combination]
        into: dict[str, Any] = projected.nodes[place[number]]
        into["settled"] = into["settled"] or data["settled"]
        into["start"] = into["start"] or data["start"]
        into["count"] += 1
    known: dict[tuple[int, int, str, str], None] = {}
    for source, target, data in graph.edges(data=True):
        if place[source] != place[target]:
            known[place[source], place[target], data["kind"], data["name"]] = None
    for source, target, kind, name in known:
        projected.add_edge(source, target, kind=kind, name=name)
    return projected
