"""Walks over every step: published figures, and brute force on random graphs."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from safetymodel.bench.sheets import tours
from safetymodel.model.build import load

TEXTBOOK = Path(__file__).resolve().parent.parent / "specs" / "textbook"


def edges_of(name: str) -> list[tuple[int, int]]:
    system, problems = load(str(TEXTBOOK / name))
    assert system is not None, problems
    model = tours.settled_model(system)
    assert model is not None
    return [(step.source, step.target) for step in model.steps]


def test_switch_coverage_of_the_published_example() -> None:
    """BS 7925-2 annex B, ISO/IEC/IEEE 29119-4: 6, 10 and 16 sequences of 1, 2 and 3 transitions, a tour of 6."""
    edges = edges_of("clock-switch-coverage.yaml")
    assert [tours.switch_sequences(edges, n) for n in range(3)] == [6, 10, 16]
    tour = tours.closed_tour(edges, 0)
    assert tour is not None
    assert len(tour) == 6
    assert tours.switches_taken(edges, [tour], 0) == 6
    for n in (1, 2):
        walk = tours.switch_walk(edges, 0, n)
        assert walk is not None
        assert is_walk(edges, walk, 0)
        assert tours.switches_taken(edges, [walk], n) == tours.switch_sequences(edges, n)


def test_the_railway_crossing() -> None:
    """Baier and Katoen 2008, chapter 2; lengths recomputed by brute force: 7 edges, walk 8, closed tour 10."""
    edges = edges_of("railway-crossing-broken.yaml")
    assert len(edges) == 7
    walk, tour = tours.shortest_walk(edges, 0), tours.closed_tour(edges, 0)
    assert walk is not None
    assert tour is not None
    assert (len(walk), len(tour)) == (8, 10)
    assert is_walk(edges, walk, 0)
    assert is_walk(edges, tour, 0)
    assert edges[tour[-1]][1] == 0


def test_a_model_whose_reactions_decide_has_no_settled_model() -> None:
    system, _ = load(str(TEXTBOOK / "railway-crossing-timed.yaml"))
    assert system is not None
    assert tours.settled_model(system) is None


def is_walk(edges: list[tuple[int, int]], walk: tuple[int, ...], start: int) -> bool:
    here = start
    for number in walk:
        if edges[number][0] != here:
            return False
        here = edges[number][1]
    return set(walk) == set(range(len(edges)))


def shortest_by_force(edges: list[tuple[int, int]], start: int, closed: bool) -> int | None:
    """Breadth first over (node, edges taken)."""
    everything = (1 << len(edges)) - 1
    seen, layer, length = {(start, 0)}, [(start, 0)], 0
    while layer:
        if any(taken == everything and (not closed or node == start) for node, taken in layer):
            return length
        found = []
        for node, taken in layer:
            for number, (source, target) in enumerate(edges):
                new = (target, taken | 1 << number)
                if source == node and new not in seen:
                    seen.add(new)
                    found.append(new)
        layer, length = found, length + 1
    return None


@pytest.mark.parametrize("seed", range(60))
def test_lengths_against_brute_force(seed: int) -> None:
    rng = random.Random(seed)
    nodes = rng.randint(1, 4)
    edges = list(dict.fromkeys((rng.randrange(nodes), rng.randrange(nodes)) for _ in range(rng.randint(1, 7))))
    for closed, found in ((False, tours.shortest_walk(edges, 0)), (True, tours.closed_tour(edges, 0))):
        expected = shortest_by_force(edges, 0, closed)
        assert (None if found is None else len(found)) == expected, edges
        assert found is None or is_walk(edges, found, 0)


def test_all_outcomes_arise_in_the_comparison() -> None:
    found = []
    for seed in range(60):
        rng = random.Random(seed)
        nodes = rng.randint(1, 4)
        edges = list(dict.fromkeys((rng.randrange(nodes), rng.randrange(nodes)) for _ in range(rng.randint(1, 7))))
        found.append((tours.shortest_walk(edges, 0) is None, tours.closed_tour(edges, 0) is None))
    assert {(True, True), (False, True), (False, False)} <= set(found)
