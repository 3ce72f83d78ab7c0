"""The product graph as a networkx graph, for pictures and walks over all of its steps."""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from typing import TYPE_CHECKING, TypeAlias

import numpy as np

from safetymodel.explore.product import ProductSpace
from safetymodel.model.state import fault_numbers
from safetymodel.model.system import System

if TYPE_CHECKING:
    from networkx import MultiDiGraph

    Graph: TypeAlias = MultiDiGraph[int]
    """Node numbers, and between two of them any number of edges."""


Node: TypeAlias = Hashable


def product_graph(space: ProductSpace) -> Graph:
    """The reached states and the steps between them.

    Nodes are the numbers of the states (0 is the declared start), with ``states`` (subsystem name to state name),
    ``settled``, ``start`` and ``faults`` (names of those present). Edges have ``kind`` (event, reaction, fault, jump,
    time, tick) and ``name``: the event's, the fault's (fault, jump) or the moved subsystem's (reaction, time), empty
    for a tick. Where a limit ended the search, only what was reached is there.
    """
    from networkx import MultiDiGraph

    system, product = space.system, space.product
    graph: Graph = MultiDiGraph()
    for number in np.flatnonzero(space.reached).tolist():
        state = product.state(number)
        graph.add_node(
            number,
            states={s.name: s.states[state.states[s.number]] for s in system.subsystems},
            settled=bool(space.settled[number]),
            start=number == 0,
            faults=tuple(system.faults[f].name for f in fault_numbers(state.flags)),
        )
    names = [(move.kind, _name(system, move.kind, move.number)) for move in product.moves]
    inside = space.reached[product.sources] & space.reached[product.targets]
    rows = (column[inside].tolist() for column in (product.sources, product.targets, product.labels))
    for source, target, move in zip(*rows, strict=True):
        kind, name = names[move]
        graph.add_edge(source, target, kind=kind, name=name)
    return graph


def projected_graph(space: ProductSpace, subsystems: Sequence[int]) -> Graph:
    """The product graph seen through some subsystems (by number): what it tells of millions of states.

    Nodes are the combinations of their states, numbered from 0 as they first appear, with ``states``, ``settled``
    (some state of the combination is settled), ``start``, ``faults`` (always empty) and ``count`` (states that fall
    together). Edges are those that change the combination, each kind and name once between two nodes. Every run of
    the machine shows as a path, but a path need not be a run.
    """
    from networkx import MultiDiGraph

    system, product = space.system, space.product
    chosen = [system.subsystems[n] for n in subsystems]
    codes, radix = np.zeros(product.size, np.int64), 1
    for subsystem in chosen:
        if radix * len(subsystem.states) >= 1 << 62:
            distinct, codes = np.unique(codes, return_inverse=True)
            radix = len(distinct)
        states = product.layout.states[subsystem.number].read(product.table.columns(0, product.size))
        codes, radix = codes * len(subsystem.states) + states, radix * len(subsystem.states)
    reached = np.flatnonzero(space.reached)
    distinct, first, count = np.unique(codes[reached], return_index=True, return_counts=True)
    order = np.argsort(first)
    place = np.empty(len(distinct), np.int64)
    place[order] = np.arange(len(distinct))
    node_of = place[np.minimum(np.searchsorted(distinct, codes), len(distinct) - 1)]
    settled = np.zeros(len(distinct), np.bool_)
    settled[node_of[space.settled]] = True

    graph: Graph = MultiDiGraph()
    for number, combination in enumerate(order.tolist()):
        state = product.state(int(reached[first[combination]]))
        graph.add_node(
            number,
            states={s.name: s.states[state.states[s.number]] for s in chosen},
            settled=bool(settled[number]),
            start=number == int(node_of[0]),
            faults=(),
            count=int(count[combination]),
        )
    inside = space.reached[product.sources] & space.reached[product.targets]
    sources, targets = node_of[product.sources], node_of[product.targets]
    kept = inside & (sources != targets)
    steps = np.unique(np.stack([sources[kept], targets[kept], product.labels[kept]], axis=1), axis=0)
    known: dict[tuple[int, int, str, str], None] = {}
    for source, target, move in steps.tolist():
        kind, number = product.moves[move].kind, product.moves[move].number
        known[source, target, kind, _name(system, kind, number)] = None
    for source, target, kind, name in known:
        graph.add_edge(source, target, kind=kind, name=name)
    return graph


def _name(system: System, kind: str, number: int) -> str:
    if kind == "event":
        return system.events[number].name
    if kind in ("fault", "jump"):
        return system.faults[number].name
    if kind == "tick":
        return ""
    return system.subsystems[system.transitions[number].subsystem].name


def cheapest_flow(arcs: Sequence[tuple[Node, Node, int, int | None]], supply: Mapping[Node, int]) -> list[int] | None:
    """How much goes over each arc (from, to, cost a unit, most or None) in a cheapest flow that takes every node's
    supply (negative: what it needs) away; None where there is none. All numbers are whole, and so is the flow."""
    from networkx import MultiDiGraph, NetworkXUnfeasible, network_simplex

    if not supply and not arcs:
        return []
    graph: MultiDiGraph[Node] = MultiDiGraph()
    for node, amount in supply.items():
        graph.add_node(node, demand=-amount)
    for number, (source, target, cost, most) in enumerate(arcs):
        bound = {} if most is None else {"capacity": most}
        graph.add_edge(source, target, key=number, weight=cost, **bound)
    try:
        _, flow = network_simplex(graph)
    except NetworkXUnfeasible:
        return None
    return [flow[source][target].get(number, 0) for number, (source, target, _, _) in enumerate(arcs)]
