"""State spaces whose size is known from outside the project; the source is named beside each."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from families import kanban_text, philosophers_text

from safetymodel.claims.judge import judge
from safetymodel.explore.choice import explore
from safetymodel.explore.engine import HAPPENINGS, Space
from safetymodel.explore.product import Product, ProductSpace, edge_count
from safetymodel.explore.symbolic import Symbolic, SymbolicSpace
from safetymodel.model.build import load, load_text
from safetymodel.model.system import System

SPECS = Path(__file__).parent.parent / "specs"


def system_of(text: str) -> System:
    system, problems = load_text(text, "family.yaml")
    assert system is not None, "\n".join(p.as_text() for p in problems)
    return system


def file_system(name: str) -> System:
    system, problems = load(str(SPECS / name))
    assert system is not None, "\n".join(p.as_text() for p in problems)
    return system


def product_of(system: System, budget: int = 0) -> ProductSpace:
    return ProductSpace(Product(system, budget))


def symbolic_of(system: System, budget: int = 0) -> SymbolicSpace:
    return SymbolicSpace(Symbolic(system, budget))


# Ciardo and Tilgner 1996, ICASE 96-35, the Kanban system; N up to 7 recomputed by a brute-force walk
# written apart from the project, N = 8 from memory (check against the printed report).
KANBAN = {1: 160, 2: 4_600, 3: 58_400, 4: 454_475, 5: 2_546_432, 6: 11_261_376, 7: 41_644_800, 8: 133_865_325}
KANBAN_EDGES = {1: 616, 2: 28_120, 3: 446_400}


@pytest.mark.parametrize("n", sorted(KANBAN_EDGES))
def test_kanban_explicit(n: int) -> None:
    space = product_of(system_of(kanban_text(n)))
    assert space.size(space.settled) == space.size(space.reached) == KANBAN[n]
    assert edge_count(space) == KANBAN_EDGES[n]
    assert _depth(space) == 14 * n


@pytest.mark.parametrize("n", sorted(KANBAN))
def test_kanban_symbolic(n: int) -> None:
    space = symbolic_of(system_of(kanban_text(n)))
    assert space.size(space.reached) == KANBAN[n]


def lucas(n: int) -> int:
    """The Lucas numbers 2, 1, 3, 4, 7, 11, ..."""
    a, b = 2, 1
    for _ in range(n):
        a, b = b, a + b
    return a


# Dining philosophers in the model of Ciardo, Luettgen and Siminiceanu 2000; the sizes are Lucas(3N),
# recomputed by a brute-force walk for N = 2..6; N = 50 and 100 compared with their 2.22e31 and 4.97e62.
@pytest.mark.parametrize("n", [2, 3, 4, 5])
def test_philosophers_explicit(n: int) -> None:
    space = product_of(system_of(philosophers_text(n)))
    assert space.size(space.reached) == lucas(3 * n)
    assert space.size(_dead_ends(space)) == 2


@pytest.mark.parametrize("n", [2, 6, 20, 50, 100])
def test_philosophers_symbolic(n: int) -> None:
    space = symbolic_of(system_of(philosophers_text(n)))
    count = space.size(space.reached)
    assert count == lucas(3 * n)
    if n in (50, 100):
        assert count == pytest.approx({50: 2.22e31, 100: 4.97e62}[n], rel=0.005)  # the first is printed cut off
    assert space.size(_dead_ends(space)) == 2


# Baier and Katoen 2008, chapter 2 (recomputed by a brute-force walk): states and edges.
@pytest.mark.parametrize(
    ("name", "states", "edges"),
    [
        ("textbook/mutual-exclusion-semaphore.yaml", 8, 14),
        ("textbook/mutual-exclusion-peterson.yaml", 10, 16),
        ("textbook/booking-system.yaml", 8, 12),
        ("textbook/railway-crossing-broken.yaml", 6, 7),
    ],
)
@pytest.mark.parametrize("engine", [product_of, symbolic_of])
def test_textbook_systems(name: str, states: int, edges: int, engine: Callable[[System], Space[Any]]) -> None:
    system = file_system(name)
    space = engine(system)
    assert space.size(space.settled) == space.size(space.reached) == states
    if isinstance(space, ProductSpace):
        assert edge_count(space) == edges


def test_the_train_is_in_while_the_gate_is_up_after_two_steps() -> None:
    system = file_system("textbook/railway-crossing-broken.yaml")
    space = product_of(system)
    broken = [j for j in (judge(space, r) for r in system.requirements) if j.word == "broken"]
    assert [j.trace.happenings for j in broken if j.trace] == [2]


# The example of the format's own page, counted by a brute-force walk written apart from the project.
@pytest.mark.parametrize("engine", [product_of, symbolic_of])
def test_two_door_hatch(engine: Callable[[System, int], Space[Any]]) -> None:
    system = file_system("two-door-hatch.yaml")
    space = engine(system, 0)
    assert (space.size(space.settled), space.size(space.reached)) == (1_803, 7_816)
    space = engine(system, 1)
    assert (space.size(space.settled), space.size(space.reached)) == (9_917, 39_385)
    judgement = judge(space, system.requirements[0])
    assert judgement.word == "broken"
    assert judgement.trace is not None
    assert judgement.trace.happenings == 4


# Each fault alone breaks R1, in 4 happenings at the least; the number of each by the plain walk of tests/plain_walk.py.
@pytest.mark.parametrize(
    ("fault", "happenings"), [("inner_switch_bridged", 5), ("inner_bolt_jammed", 5), ("outer_latch_breaks", 4)]
)
def test_each_fault_of_the_hatch_alone_breaks_it(fault: str, happenings: int) -> None:
    text = (SPECS / "two-door-hatch.yaml").read_text(encoding="utf-8")
    lines = text.split("\n")
    names = ("inner_switch_bridged", "inner_bolt_jammed", "outer_latch_breaks")
    kept = [line for line in lines if not (line.strip().startswith(names) and not line.strip().startswith(fault))]
    system = system_of("\n".join(kept))
    assert [f.name for f in system.faults] == [fault]
    judgement = judge(symbolic_of(system, 1), system.requirements[0])
    assert judgement.word == "broken"
    assert judgement.trace is not None
    assert judgement.trace.happenings == happenings


def _dead_ends(space: Space[Any]) -> Any:
    return space.minus(space.settled, space.before(space.reached, HAPPENINGS))


def _depth(space: ProductSpace) -> int:
    """Happenings to the farthest state."""
    depth, seen = 0, space.start
    frontier = seen
    while True:
        frontier = space.minus(space.after(frontier, HAPPENINGS), seen)
        if space.is_empty(frontier):
            return depth
        seen = space.union(seen, frontier)
        depth += 1


@pytest.mark.parametrize(
    ("text", "engine", "reason"),
    [
        (kanban_text(3), "product", "each is written down"),  # grows slowly to its 58,400 states
        (philosophers_text(7), "product", "each is written down"),
        (philosophers_text(8), "symbolic", "more than 100,000 states"),
        (philosophers_text(20), "symbolic", "and far more to come"),
    ],
)
def test_the_engine_that_a_model_gets(text: str, engine: str, reason: str) -> None:
    chosen = explore(system_of(text), (0,))
    assert chosen.engine == engine
    assert reason in chosen.reason
