"""The second opinion by invariants: it agrees with true verdicts, and finds damage of every kind."""

from __future__ import annotations

import random
from dataclasses import replace

import pytest
from random_systems import random_spec

from safetymodel.claims.clock import Clock
from safetymodel.claims.inductive import Inductive
from safetymodel.claims.judge import judge
from safetymodel.claims.search import Walker
from safetymodel.claims.second import by_invariant, by_other_engine
from safetymodel.claims.verdict import Judgement
from safetymodel.claims.watch import BREACH, NOTHING, is_plain, watch_of
from safetymodel.explore.product import Product, ProductSpace
from safetymodel.explore.symbolic import Symbolic, SymbolicSpace
from safetymodel.model.build import load, load_text
from safetymodel.model.formula import Not
from safetymodel.model.system import System


def random_space(seed: int) -> SymbolicSpace:
    system, problems = load_text(random_spec(random.Random(seed)), f"random-{seed}.yaml")
    assert system is not None, problems
    return SymbolicSpace(Symbolic(system, min(seed % 3, len(system.faults)), None))


@pytest.mark.parametrize("part", range(4))
def test_true_verdicts_are_confirmed(part: int) -> None:
    roads: dict[str, int] = {}
    for seed in range(part, 60, 4):
        space = random_space(seed)
        if space.size(space.reached) > 5_000:
            continue
        judgements = tuple(judge(space, r) for r in space.system.requirements)
        for judgement in by_invariant(judgements, {space.budget: space}, Clock(60)):
            assert judgement.second is not None
            context = f"seed {seed}, {judgement.requirement.wording}: {judgement.word}, {judgement.second}"
            assert judgement.second.agrees is not False, context
            if judgement.trace is not None:
                assert judgement.second.road == "re-stepped", context
            roads[judgement.second.road] = roads.get(judgement.second.road, 0) + 1
            if judgement.second.road.startswith("invariant"):
                assert Inductive(space, Clock(60)).opinion(judgement).agrees, context
    assert roads["invariant of a part"] >= 20
    assert roads["re-stepped"] >= 10


def test_what_is_broken_is_shown_by_no_part() -> None:
    looked = 0
    for seed in range(60):
        space = random_space(seed)
        if space.size(space.reached) > 5_000:
            continue
        broken = [j for r in space.system.requirements if (j := judge(space, r)).trace is not None]
        wrong = tuple(replace(j, word="holds", trace=None) for j in broken)
        for judgement in by_invariant(wrong, {space.budget: space}, Clock(60)):
            assert judgement.second is not None
            if not judgement.requirement.form.endswith("possible"):
                assert judgement.second.agrees is False, (seed, judgement.requirement.wording, judgement.second)
                looked += 1
    assert looked >= 60


def test_a_set_that_lacks_a_state_is_not_closed() -> None:
    found = 0
    for seed in range(40):
        space = random_space(seed)
        decisions = space.symbolic.encoding.decisions
        check = Inductive(space, Clock(60))
        assert check.closed({0: space.reached}, NOTHING) == ""
        for part in (space.settled, space.transient):
            cube = part.pick_cube()
            if cube is None:
                continue
            value = sum(1 << place for place, bit in enumerate(cube) if bit)
            lacking = space.reached & ~decisions.equals(range(decisions.bits), value)
            assert check.closed({0: lacking}, NOTHING) != "", seed
            found += 1
    assert found >= 30


def lift() -> System:
    from pathlib import Path

    system, _ = load(str(Path(__file__).parent.parent / "specs" / "platform-lift.yaml"))
    assert system is not None
    return system


def test_a_wrong_verdict_is_refused() -> None:
    """Each true never/always turned round is a breach that the solver finds."""
    system = lift()
    space = SymbolicSpace(Symbolic(system, 1))
    turned = 0
    for requirement in system.requirements:
        if requirement.form in ("never", "always") and requirement.begins is None:
            wrong = Judgement(replace(requirement, subject=Not(requirement.subject)), 1, "holds")
            (seen,) = by_invariant((wrong,), {1: space}, Clock(60))
            assert seen.second is not None
            assert seen.second.agrees is False
            turned += 1
    assert turned >= 2


def test_the_other_engine_refuses_a_wrong_verdict() -> None:
    system = lift()
    mine, theirs = SymbolicSpace(Symbolic(system, 1)), ProductSpace(Product(system, 1))
    right = tuple(judge(mine, r) for r in system.requirements)
    assert all(j.second and j.second.agrees for j in by_other_engine(right, {1: mine}, {1: theirs}, Clock(60)))
    wrong = tuple(replace(j, word="broken" if j.word != "broken" else "holds") for j in right)
    seen = by_other_engine(wrong, {1: mine}, {1: theirs}, Clock(60))
    assert all(j.second and j.second.agrees is False for j in seen)


def test_no_time_is_said_and_is_no_agreement() -> None:
    system = lift()
    space = SymbolicSpace(Symbolic(system, 1))
    judgements = tuple(judge(space, r) for r in system.requirements)
    seen = by_invariant(judgements, {1: space}, Clock(0.0))
    unseen = [j for j in seen if j.trace is None]
    assert unseen
    assert all(j.second and j.second.agrees is None and "no time" in j.second.reason for j in unseen)


def test_a_settled_state_has_the_value_that_it_was_given() -> None:
    """Nothing that is reached is left out by it, and what cannot be is."""
    left_out = 0
    for seed in range(25):
        system, _ = load_text(random_spec(random.Random(seed)), "random.yaml")
        assert system is not None
        for requirement in system.requirements:
            watch = watch_of(system, requirement)
            if is_plain(watch):
                continue
            space = SymbolicSpace(Symbolic(system, requirement.withstand))
            check = Inductive(space, Clock(60))
            for value, members in Walker(space, watch, Clock(60)).reached().items():
                if value == BREACH:
                    continue
                settled = [check.members(check.before, members), check.before.settled]
                assert not check.ask([*settled, -check.rested(watch, value)], f"{seed}: {requirement.name} {value}")
                for formula, new in watch.settling(value):
                    if new != value:
                        kept = [check.before.settled, check.before.formula(formula), check.rested(watch, value)]
                        left_out += not check.ask(kept, "possible")
    assert left_out > 20
