"""The composed machine as one networkx graph, built by hand from a graph a subsystem.

The synchronous product over shared events, reached part only: an edge of the product is an event that every subsystem
that names it can take. For systems whose events are all joint and that have no conditions, faults or durations.
"""

from __future__ import annotations

from collections import deque
from itertools import product

import networkx as nx

from safetymodel.model.formula import TRUE
from safetymodel.model.system import System


def fits(system: System) -> bool:
    return (
        all(e.joint or len(e.movers) == 1 for e in system.events)
        and all(t.interlock == t.physical == TRUE and t.event is not None for t in system.transitions)
        and not system.faults
    )


def explore(system: System, budget: int) -> int:
    """The number of nodes of the product graph."""
    parts = []
    for subsystem in system.subsystems:
        graph: nx.MultiDiGraph = nx.MultiDiGraph()
        graph.add_nodes_from(range(len(subsystem.states)))
        for number in subsystem.transitions:
            t = system.transitions[number]
            graph.add_edge(t.source, t.target, key=t.event)
        parts.append(graph)
    movers = [tuple(subsystem for subsystem, _ in event.movers) for event in system.events]
    start = tuple(s.initial for s in system.subsystems)
    whole: nx.MultiDiGraph = nx.MultiDiGraph()
    whole.add_node(start)
    queue = deque([start])
    while queue:
        state = queue.popleft()
        for event, subsystems in enumerate(movers):
            ways = [
                [target for _, target, key in parts[s].out_edges(state[s], keys=True) if key == event]
                for s in subsystems
            ]
            if not all(ways):
                continue
            for targets in product(*ways):
                new = list(state)
                for subsystem, target in zip(subsystems, targets, strict=True):
                    new[subsystem] = target
                after = tuple(new)
                if after not in whole:
                    queue.append(after)
                whole.add_edge(state, after, key=event)
    return whole.number_of_nodes()
