"""One peer on one system, in a process of its own: prints one line of JSON. Called by run.py."""

from __future__ import annotations

import json
import sys
import time
from collections.abc import Callable
from typing import Any

from systems import CASES, Case

from safetymodel.model.system import Requirement, System


def requirement(system: System, case: Case, word: str) -> Requirement:
    """The `never` that is known to be broken, or to hold."""
    names = {
        ("kanban", "broken"): "R4",
        ("kanban", "holds"): "R1",
        ("philosophers", "holds"): "R1",
        ("fleet", "broken"): "R2",
        ("fleet", "holds"): "R1",
    }
    name = names[case.family, word]
    return next(r for r in system.requirements if r.name == name)


def explicit(system: System, case: Case) -> dict[str, Any]:
    from safetymodel.explore.product import Product

    return {"states": Product(system, case.budget).size}


def symbolic(system: System, case: Case) -> dict[str, Any]:
    from safetymodel.explore import symbolic as room

    encode = Stopwatch(room.Encoding)
    room.Encoding = encode  # type: ignore[assignment,misc]
    before = time.process_time()
    try:
        space = room.SymbolicSpace(room.Symbolic(system, case.budget))
        explored = time.process_time() - before - encode.seconds
        assert space.complete, space.shortfall
        return {"states": space.size(space.reached), "explore": explored}
    finally:
        room.Encoding = encode.made  # type: ignore[misc]


class Stopwatch:
    """Calls a maker, and notes its processor time."""

    def __init__(self, made: Any) -> None:
        self.made, self.seconds = made, 0.0

    def __call__(self, *arguments: Any) -> Any:
        before = time.process_time()
        try:
            return self.made(*arguments)
        finally:
            self.seconds += time.process_time() - before


def live(system: System, case: Case) -> dict[str, Any]:
    import transitions_walk

    return {"states": transitions_walk.explore(system, case.budget)}


def composed(system: System, case: Case) -> dict[str, Any]:
    import composed_graph

    return {"states": composed_graph.explore(system, case.budget)}


def other(system: System, case: Case) -> dict[str, Any]:
    import other_diagrams

    return {"states": other_diagrams.explore(system, case.budget)}


def bare(system: System, case: Case) -> dict[str, Any]:
    import bare_script

    from safetymodel.explore.encoding import Encoding
    from safetymodel.explore.memory import growing_memory

    # the same room for nodes and for the cache of operations as the engine gives itself
    memory = next(growing_memory(system, case.budget, None))
    encoding = Encoding(system, 0, memory)
    capacity, cache = encoding.decisions.capacity, encoding.decisions.cache
    del encoding
    states, _, seconds = bare_script.explore(case.size, capacity, cache)
    return {"states": states, "explore": seconds}


def judged(word: str) -> Callable[[System, Case], dict[str, Any]]:
    def run(system: System, case: Case) -> dict[str, Any]:
        from safetymodel.claims.judge import judge
        from safetymodel.explore.symbolic import Symbolic, SymbolicSpace

        found = judge(SymbolicSpace(Symbolic(system, case.budget)), requirement(system, case, word))
        return {"word": found.word, "depth": len(found.trace.steps) if found.trace else None}

    return run


def unrolled(system: System, case: Case) -> dict[str, Any]:
    import solver

    return {"word": "broken", "depth": solver.unroll(system, case.budget, requirement(system, case, "broken").subject)}


def horn(system: System, case: Case) -> dict[str, Any]:
    import solver

    return {"word": solver.horn(system, case.budget, requirement(system, case, "holds").subject)}


PEERS: dict[str, Callable[[System, Case], dict[str, Any]]] = {
    "live machines": live,
    "networkx product": composed,
    "explicit": explicit,
    "symbolic": symbolic,
    "dd": other,
    "bare oxidd": bare,
    "symbolic, breach": judged("broken"),
    "symbolic, proof": judged("holds"),
    "z3 unrolled": unrolled,
    "z3 Horn": horn,
}
AT_LEAST = 0.3
"""Seconds; a shorter run is repeated, and the median is given."""


def main(peer: str, name: str) -> None:
    case = CASES[name]
    system = case.system()
    PEERS[peer](CASES["mutual-exclusion-semaphore, 0 faults"].system(), case) if peer in (
        "explicit",
        "live machines",
    ) else None  # imports are not what is measured
    if peer in ("symbolic", "symbolic, breach", "symbolic, proof", "dd", "bare oxidd"):
        import safetymodel.claims.judge
        import safetymodel.explore.symbolic  # noqa: F401
    times, explored, found = [], [], {}
    while True:
        before = time.process_time()
        found = PEERS[peer](system, case)
        times.append(time.process_time() - before)
        explored.append(found.get("explore", times[-1]))
        if sum(times) > AT_LEAST or len(times) >= 9:
            break
    found["seconds"] = sorted(times)[len(times) // 2]
    found["explore"] = sorted(explored)[len(explored) // 2]
    print(json.dumps(found))


if __name__ == "__main__":
    main(sys.argv[1], sys.argv[2])
