"""Pictures of the product graph: every state and step against the reference step, and projections of them."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Any

import networkx as nx
import pytest
from dot_reading import read_dot

from safetymodel.diagrams import product_picture
from safetymodel.diagrams.product_picture import product_dot
from safetymodel.diagrams.projection import project
from safetymodel.explore.product import Product, ProductSpace
from safetymodel.explore.product_graph import product_graph, projected_graph
from safetymodel.model.build import load
from safetymodel.model.state import State, fault_numbers, initial_state
from safetymodel.model.step import is_settled, steps
from safetymodel.model.system import System
from safetymodel.problems import Problem

SPECS = Path(__file__).resolve().parent.parent / "specs"


@cache
def space(name: str, budget: int) -> ProductSpace:
    system, problems = load(str(SPECS / f"{name}.yaml"))
    assert system is not None, problems
    return ProductSpace(Product(system, budget))


def said(graph: Any) -> list[tuple[Any, Any, str, str]]:
    """The edges by what their ends say, sorted."""
    nodes = graph.nodes

    def end(number: int) -> tuple[Any, ...]:
        return tuple(sorted(nodes[number]["states"].items())), nodes[number]["faults"]

    return sorted((end(a), end(b), d["kind"], d["name"]) for a, b, d in graph.edges(data=True))


def walked(system: System, budget: int) -> list[tuple[Any, Any, str, str]]:
    """The same from the reference step function alone."""

    def end(state: State) -> tuple[Any, ...]:
        states = sorted((s.name, s.states[state.states[s.number]]) for s in system.subsystems)
        return tuple(states), tuple(system.faults[f].name for f in fault_numbers(state.flags))

    def name(kind: str, number: int) -> str:
        match kind:
            case "event":
                return system.events[number].name
            case "fault" | "jump":
                return system.faults[number].name
            case "tick":
                return ""
        return system.subsystems[system.transitions[number].subsystem].name

    start = initial_state(system)
    known, todo, found = {start}, [start], []
    while todo:
        state = todo.pop()
        for step in steps(system, state, budget):
            found.append((end(state), end(step.after), step.kind, name(step.kind, step.number)))
            if step.after not in known:
                known.add(step.after)
                todo.append(step.after)
    return sorted(found)


@pytest.mark.parametrize(
    ("name", "budget"),
    [("two-channel-estop", 1), ("textbook/railway-crossing-timed", 0), ("textbook/mutual-exclusion-peterson", 0)],
)
def test_the_graph_has_the_states_and_steps_of_the_reference(name: str, budget: int) -> None:
    this = space(name, budget)
    graph = product_graph(this)
    assert said(graph) == walked(this.system, budget)
    for number, data in graph.nodes(data=True):
        state = this.product.state(number)
        assert data["settled"] == is_settled(this.system, state)
        assert data["start"] == (state == initial_state(this.system))


def test_a_smaller_budget_shows_a_part() -> None:
    product = space("two-channel-estop", 1).product
    part = product_graph(ProductSpace(product, 0))
    assert said(part) == said(product_graph(space("two-channel-estop", 0)))
    assert part.number_of_nodes() < product.size


@pytest.mark.parametrize("names", [["panel", "inner_bolt"], ["inner_door"], ["lamp.clean_side", "outer_door", "panel"]])
def test_two_ways_to_project_agree(names: list[str]) -> None:
    this = space("two-door-hatch", 1)
    one = project(_hatch_graph(), names)
    numbers = [s.number for name in names for s in this.system.subsystems if s.name == name]
    other = projected_graph(this, numbers)
    assert dict(one.nodes(data=True)) == dict(other.nodes(data=True))
    assert said(one) == said(other)
    assert sum(data["count"] for _, data in one.nodes(data=True)) == this.product.size


@cache
def _hatch_graph() -> Any:
    return product_graph(space("two-door-hatch", 1))


def test_a_projection_keeps_every_change_once_and_nothing_else() -> None:
    whole = _hatch_graph()
    names = ["inner_door", "panel"]
    graph = project(whole, names)

    def seen(number: int) -> tuple[str, ...]:
        return tuple(whole.nodes[number]["states"][name] for name in names)

    changes = {(seen(a), seen(b), d["kind"], d["name"]) for a, b, d in whole.edges(data=True) if seen(a) != seen(b)}
    place = {n: tuple(data["states"].values()) for n, data in graph.nodes(data=True)}
    drawn = [(place[a], place[b], d["kind"], d["name"]) for a, b, d in graph.edges(data=True)]
    assert len(drawn) == len(set(drawn))
    assert set(drawn) == changes
    assert [n for n, data in graph.nodes(data=True) if data["start"]] == [0]
    for number, combination in place.items():
        members = [n for n in whole.nodes if seen(n) == combination]
        assert graph.nodes[number]["count"] == len(members)
        assert graph.nodes[number]["settled"] == any(whole.nodes[n]["settled"] for n in members)
    with pytest.raises(KeyError):
        project(whole, ["nobody"])


def test_projecting_on_more_states_than_fit_in_a_number() -> None:
    """Every subsystem is chosen, thrice over: their combinations are far beyond 64 bits, and still all different."""
    this = space("xray-cabinet", 1)
    numbers = [s.number for s in this.system.subsystems]
    once, often = projected_graph(this, numbers), projected_graph(this, numbers * 30)
    assert once.number_of_nodes() == often.number_of_nodes() > 1
    assert said(once) == said(often)


# -- the picture ------------------------------------------------------------------------------


def small(subsystems: int = 2, extra: int = 0) -> Any:
    """Start, a transient state, a state with a fault; then ``extra`` further ones in a row."""
    graph: Any = nx.MultiDiGraph()

    def states(changed: int) -> dict[str, str]:
        return {f"s{n}": "b" if n < changed else "a" for n in range(subsystems)}

    graph.add_node(0, states=states(0), settled=True, start=True, faults=())
    graph.add_node(1, states=states(1), settled=False, start=False, faults=())
    graph.add_node(2, states=states(1), settled=True, start=False, faults=("worn",))
    graph.add_edge(0, 1, kind="event", name="s0.push")
    graph.add_edge(0, 1, kind="event", name="s0.kick")
    graph.add_edge(1, 0, kind="reaction", name="s0")
    graph.add_edge(0, 2, kind="fault", name="worn")
    graph.add_edge(2, 0, kind="jump", name="worn")
    graph.add_edge(0, 0, kind="tick", name="")
    graph.add_edge(2, 2, kind="time", name="s1")
    for n in range(3, 3 + extra):
        graph.add_node(n, states=states(1), settled=True, start=False, faults=())
        graph.add_edge(n - 1, n, kind="tick", name="")
    return graph


def test_nodes_and_steps_of_each_kind_look_different() -> None:
    dot = product_dot(small(extra=1), "Two")
    assert isinstance(dot, str)
    read = read_dot(dot)
    assert read.between("begin", "n0") == [{}]
    assert read.nodes["n0"]["label"] == "s0: a\ns1: a"
    assert read.nodes["n0"]["penwidth"] == "2.4"
    assert read.nodes["n1"]["style"] == "dashed"
    assert read.nodes["n2"]["label"] == "s0: b\ns1: a\nfault worn"
    assert read.nodes["n2"]["peripheries"] == "2"
    (push,) = read.between("n0", "n1")
    assert [line.strip() for line in push["label"].split("\n")] == ["s0.push", "s0.kick"]
    assert read.between("n1", "n0")[0]["style"] == "dashed"
    looks = [{k: v for k, v in pairs.items() if k not in ("label", "fontsize")} for *_, pairs in read.edges[1:]]
    assert len({tuple(sorted(look.items())) for look in looks}) == 6
    assert not read.between("n0", "n0")  # time that passes and changes nothing
    assert "time that passes and changes nothing is left out" in dot
    assert len(read.between("n2", "n2")) == 1


def test_with_many_subsystems_only_what_differs_is_named() -> None:
    dot = product_dot(small(subsystems=12), "Many")
    assert isinstance(dot, str)
    read = read_dot(dot)
    assert read.nodes["n0"]["label"] == "as at the start"
    assert read.nodes["n1"]["label"] == "s0: b"
    assert "a box names only what differs from the start" in dot


def test_many_names_on_one_arrow_are_counted() -> None:
    graph = small()
    for n in range(20):
        graph.add_edge(1, 2, kind="event", name=f"e{n}")
    dot = product_dot(graph, "T")
    assert isinstance(dot, str)
    (arrow,) = read_dot(dot).between("n1", "n2")
    assert [line.strip() for line in arrow["label"].split("\n")] == ["e0", "e1", "e2", "e3", "and 16 more"]


def test_a_projection_says_that_a_path_need_not_be_a_run() -> None:
    whole, seen = product_dot(small(), "T"), product_dot(small(), "T", projected=True)
    assert isinstance(whole, str)
    assert isinstance(seen, str)
    assert "a path here need not be a run of the whole system" in seen
    assert "need not be a run" not in whole


def test_a_graph_that_nobody_could_read_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    assert isinstance(product_dot(small(extra=147), "T"), str)
    problem = product_dot(small(extra=148), "T")
    assert isinstance(problem, Problem)
    assert problem.slug == "graph-too-large"
    assert problem.message == "the product graph has 151 system states; a picture of more than 150 cannot be read"
    assert "--only a,b" in problem.hint
    problem = product_dot(small(extra=148), "T", projected=True)
    assert isinstance(problem, Problem)
    assert problem.message.startswith("the projection has 151 combinations")
    monkeypatch.setattr(product_picture, "MOST_ARROWS", 4)
    problem = product_dot(small(), "T")
    assert isinstance(problem, Problem)
    assert problem.message == "the product graph has 5 arrows; a picture of more than 4 cannot be read"
