"""One contract over both engines: they agree with a plain walk over the reference step function."""

from __future__ import annotations

import random
from collections.abc import Callable
from typing import Any

import pytest
from plain_walk import Walk, verdict, walk
from random_systems import random_spec

from safetymodel.claims.judge import find_chatter, judge
from safetymodel.claims.recheck import recheck
from safetymodel.explore.encoding import Together
from safetymodel.explore.engine import EVERY_STEP, Space
from safetymodel.explore.product import Product, ProductSpace, edge_count
from safetymodel.explore.symbolic import Symbolic, SymbolicSpace
from safetymodel.model.build import load_text
from safetymodel.model.state import initial_state
from safetymodel.model.system import System

Engine = Callable[[System, int], Space[Any]]


def product_engine(system: System, budget: int) -> Space[Any]:
    return ProductSpace(Product(system, budget))


def symbolic_engine(system: System, budget: int) -> Space[Any]:
    return SymbolicSpace(Symbolic(system, budget))


ENGINES: tuple[tuple[str, Engine], ...] = (("product", product_engine), ("symbolic", symbolic_engine))
SEEDS = 160


def random_system(seed: int) -> System:
    text = random_spec(random.Random(seed))
    system, problems = load_text(text, f"random-{seed}.yaml")
    assert system is not None, "\n".join(p.as_text() for p in problems)
    return system


def small_walk(system: System, budget: int) -> Walk | None:
    try:
        return walk(system, budget, most=6_000)
    except AssertionError:
        return None


@pytest.mark.parametrize("name_engine", ENGINES, ids=lambda pair: pair[0])
@pytest.mark.parametrize("part", range(8))
def test_random_systems_agree_with_a_plain_walk(name_engine: tuple[str, Engine], part: int) -> None:
    _, engine = name_engine
    judged = seen = 0
    for seed in range(part, SEEDS, 8):
        system = random_system(seed)
        budget = min(seed % 3, len(system.faults))
        walked = small_walk(system, budget)
        if walked is None:
            continue
        seen += 1
        space = engine(system, budget)
        assert space.complete
        assert (space.size(space.settled), space.size(space.reached)) == walked.counts, seed
        if isinstance(space, ProductSpace):
            assert edge_count(space) == walked.edges, seed
        for requirement in system.requirements:
            judged += 1
            word, distance, moment = verdict(walked, requirement)
            judgement = judge(space, requirement)
            context = f"seed {seed}, {requirement.name}: {requirement.wording}"
            assert judgement.word == word, context
            if distance is not None:
                assert judgement.trace is not None, context
                assert judgement.trace.happenings == distance[0], context
                assert judgement.trace.end.flags.bit_count() == distance[1], context
                assert recheck(system, judgement) == "", context
            if moment is not None:
                assert judgement.moment is not None, context
                assert judgement.moment.steps == moment, context
    assert seen >= SEEDS // 8 // 2, "too few small systems to mean anything"
    assert judged >= 3 * seen


@pytest.mark.parametrize("seed", range(0, 60, 3))
def test_both_engines_give_the_same_answers_and_the_same_runs(seed: int) -> None:
    system = random_system(seed)
    budget = min(2, len(system.faults))
    if small_walk(system, budget) is None:
        pytest.skip("too large for a plain walk")
    a, b = product_engine(system, budget), symbolic_engine(system, budget)
    assert [judge(a, r) for r in system.requirements] == [judge(b, r) for r in system.requirements]
    assert find_chatter(a) == find_chatter(b)


@pytest.mark.parametrize("name_engine", ENGINES, ids=lambda pair: pair[0])
@pytest.mark.parametrize("seed", range(0, 24, 2))
def test_steps_of_sets_are_the_steps_of_the_model(name_engine: tuple[str, Engine], seed: int) -> None:
    """`after` and `before` of single states, one kind of step at a time."""
    _, engine = name_engine
    system = random_system(seed)
    budget = min(1, len(system.faults))
    walked = small_walk(system, budget)
    if walked is None:
        pytest.skip("too large for a plain walk")
    space = engine(system, budget)
    state, members = initial_state(system), space.start
    looked = 0
    for _ in range(12):
        for kind in EVERY_STEP:
            wanted = {s.after for s in walked.steps[state] if s.kind == kind}
            after = space.after(members, (kind,))
            assert space.size(after) == len(wanted)
            assert all(space.contains(after, s) for s in wanted)
            looked += len(wanted)
            before = space.before(members, (kind,))
            every = walked.steps.items()
            sources = {s for s, steps in every if any(t.kind == kind and t.after == state for t in steps)}
            assert space.size(before) == len(sources)
            assert all(space.contains(before, s) for s in sources)
        following = walked.steps[state]
        if not following:
            break
        step = following[len(following) // 2]
        members = space.after(members, (step.kind,))
        state = step.after
        others = members
        for other in walked.steps:
            if other != state and space.contains(others, other):
                members = space.minus(members, _single(space, other))
    assert looked


def _single(space: Space[Any], state: Any) -> Any:
    if isinstance(space, ProductSpace):
        members = space.nothing()
        members[space.product.number(state)] = True
        return members
    assert isinstance(space, SymbolicSpace)
    return space.symbolic.encoding.single(state)


@pytest.mark.parametrize("name_engine", ENGINES, ids=lambda pair: pair[0])
@pytest.mark.parametrize("part", range(2))
def test_a_smaller_budget_is_a_part_of_a_larger_one(name_engine: tuple[str, Engine], part: int) -> None:
    name, engine = name_engine
    looked = 0
    for seed in range(part, 40, 2):
        system = random_system(seed)
        if len(system.faults) < 2 or small_walk(system, 2) is None:
            continue
        larger = Product(system, 2) if name == "product" else Symbolic(system, 2)
        for budget in (0, 1):
            own = engine(system, budget)
            within = ProductSpace(larger, budget) if isinstance(larger, Product) else SymbolicSpace(larger, budget)
            assert within.budget == budget
            for members in ("settled", "transient", "reached"):
                assert within.size(getattr(within, members)) == own.size(getattr(own, members)), seed
            following = [space.size(space.after(space.settled, EVERY_STEP)) for space in (own, within)]
            assert following[0] == following[1], seed
            assert [judge(within, r) for r in system.requirements] == [judge(own, r) for r in system.requirements]
            assert find_chatter(within) == find_chatter(own)
            looked += 1
    assert looked > 10


STILL = "".join(f"  still_{k}:\n    states: [a, b, c]\n" for k in range(31))
"""62 bits that never change: what comes after them lies in a second word of a packed state."""


@pytest.mark.parametrize("name_engine", ENGINES, ids=lambda pair: pair[0])
def test_states_of_more_than_one_word(name_engine: tuple[str, Engine]) -> None:
    _, engine = name_engine
    looked = 0
    for seed in range(0, 60, 2):
        text = random_spec(random.Random(seed)).replace("subsystems:\n", "subsystems:\n" + STILL, 1)
        system, problems = load_text(text, "wide.yaml")
        assert system is not None, "\n".join(p.as_text() for p in problems)
        budget = min(2, len(system.faults))
        walked = small_walk(random_system(seed), budget)
        if walked is None:
            continue
        space = engine(system, budget)
        assert (space.size(space.settled), space.size(space.reached)) == walked.counts, seed
        if isinstance(space, ProductSpace):
            assert space.product.layout.words == 2
            assert edge_count(space) == walked.edges, seed
        for requirement, same in zip(system.requirements[:3], walked.system.requirements, strict=False):
            assert judge(space, requirement).word == verdict(walked, same)[0], seed
        looked += 1
    assert looked > 15


@pytest.mark.parametrize("part", range(2))
def test_movers_of_an_event_one_after_the_other(part: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Events of many movers go another way through the symbolic engine; here every event of several does."""
    monkeypatch.setattr("safetymodel.explore.encoding.FEW_OPTIONS", 0)
    several = 0
    for seed in range(part, 80, 2):
        system = random_system(seed)
        budget = min(1, len(system.faults))
        walked = small_walk(system, budget)
        if walked is None:
            continue
        space = symbolic_engine(system, budget)
        assert isinstance(space, SymbolicSpace)
        together = [op for _, op in space.symbolic.encoding.moves if isinstance(op, Together)]
        if not together:
            continue
        several += 1
        assert (space.size(space.settled), space.size(space.reached)) == walked.counts, seed
        for requirement in system.requirements:
            word, distance, _ = verdict(walked, requirement)
            judgement = judge(space, requirement)
            assert judgement.word == word, seed
            if distance is not None:
                assert judgement.trace is not None
                assert judgement.trace.happenings == distance[0], seed
    assert several > 10
