"""Random small specs: every counterexample can be explained, replayed by its names, and driven by hand."""

from __future__ import annotations

import json
import random
from pathlib import Path

import pytest
from random_systems import random_spec
from worded_specs import system_of

from safetymodel.claims.judge import find_chatter, judge
from safetymodel.claims.verdict import Judgement
from safetymodel.drive.keep import scenario_of, scenario_text
from safetymodel.drive.session import begin
from safetymodel.explore.engine import Limits
from safetymodel.explore.product import Product, ProductSpace
from safetymodel.model.state import State, initial_state
from safetymodel.model.step import can_move, choices, happenings, holds, is_settled, reactions
from safetymodel.model.system import System
from safetymodel.traces.blocked import attempt_words, obstacles, what_keeps, why_blocked
from safetymodel.traces.explain import explain, explain_finding
from safetymodel.traces.replay import breach_named, replay, trace_named
from safetymodel.traces.save import pytest_text, trace_json
from safetymodel.traces.scenarios import CannotFollow, run_scenario, settled_from
from safetymodel.traces.truth import truth_lines

SEEDS = range(40)


def space_of(system: System) -> ProductSpace | None:
    product = Product(system, min(1, len(system.faults)), Limits(states=3_000), None)
    return None if product.shortfall else ProductSpace(product)


def judgements(system: System, space: ProductSpace) -> list[Judgement]:
    return [judge(space, requirement) for requirement in system.requirements]


def walked(system: System, rng: random.Random, length: int) -> list[State]:
    """Settled states along one run."""
    state, seen = initial_state(system), []
    for _ in range(length):
        settled = is_settled(system, state)
        if settled:
            seen.append(state)
        ways = list(happenings(system, state, 2) if settled else reactions(system, state))
        if not ways:
            break
        state = rng.choice(ways).after
    return seen


def test_every_counterexample_is_explained_and_found_again_by_names() -> None:
    broken: dict[str, int] = {}
    for seed in SEEDS:
        system = system_of(random_spec(random.Random(seed)))
        space = space_of(system)
        if space is None:
            continue
        for judgement in judgements(system, space):
            explained = explain(system, judgement)
            assert explained.summary
            for attempt in judgement.attempts:
                assert attempt_words(system, attempt)
            if judgement.trace is None:
                continue
            broken[judgement.requirement.form] = broken.get(judgement.requirement.form, 0) + 1
            assert explained.run
            assert explained.why
            numbers = [line.number for line in explained.run if line.number]
            assert (numbers[-1].split("-")[-1] if numbers else "0") == str(judgement.trace.happenings)
            assert replay(system, judgement.trace, judgement.budget) is None
            entries = json.loads(json.dumps(trace_json(system, judgement.trace)))
            assert trace_named(system, entries)[1] is None
            assert breach_named(system, judgement.requirement.name, entries, judgement.reason) is None
            compile(pytest_text(system, judgement, Path()), "kept", "exec")
        for finding in find_chatter(space):
            assert "from here it goes round for ever:" in [line.text for line in explain_finding(system, finding).run]
    assert len(broken) >= 5, broken
    assert sum(broken.values()) >= 25, broken


def test_blocked_has_reasons_exactly_where_nothing_moves() -> None:
    seen = 0
    for seed in SEEDS:
        rng = random.Random(seed)
        system = system_of(random_spec(rng))
        for state in walked(system, rng, 12):
            for event in system.events:
                reasons = why_blocked(system, state, event)
                assert bool(reasons) == (not choices(system, state, event)), (seed, event.name, reasons)
                seen += bool(reasons)
            for transition in system.transitions:
                free = can_move(system, state, transition) and (
                    transition.event is not None or state.clocks[transition.subsystem] >= transition.earliest
                )
                assert (not obstacles(system, state, transition)) == free, (seed, transition)
            for requirement in system.requirements:
                if holds(system, state, requirement.subject):
                    assert what_keeps(system, state, requirement.subject) == ()
    assert seen > 200


def test_the_truth_that_is_told_is_the_truth() -> None:
    for seed in SEEDS:
        rng = random.Random(seed)
        system = system_of(random_spec(rng))
        for state in walked(system, rng, 8):
            for requirement in system.requirements:
                word = "true" if holds(system, state, requirement.subject) else "false"
                first = truth_lines(system, state, requirement.subject)[0].text
                assert f": {word}" in first, (seed, first)


def test_a_driven_run_is_kept_as_a_scenario_that_the_spec_takes_and_that_works() -> None:
    worked = 0
    for seed in SEEDS:
        rng = random.Random(seed)
        text = random_spec(rng)
        system = system_of(text)
        session = begin(system, 2)
        for _ in range(6):
            if not session.options:
                break
            session = session.take(rng.randint(1, len(session.options)))
        assert replay(system, session.trace, 2) is None
        scenario, _ = scenario_of(session, "driven")
        section = scenario_text(session, "driven")
        if "\nscenarios:" in text:
            continue
        again = system_of(text + section)
        kept = next(s for s in again.scenarios if s.name == "driven")
        assert [(s.kind, s.number) for s in kept.steps] == [(s.kind, s.number) for s in scenario.steps]
        found = run_scenario(again, kept)
        assert found.ok == run_scenario(system, scenario).ok
        worked += found.ok
    assert worked >= 10


def test_settling_follows_every_order_and_tells_rounds_from_ends() -> None:
    """Against a plain walk of the transient states, from the start and from states along a run."""
    compared = 0
    for seed in SEEDS:
        rng = random.Random(seed)
        system = system_of(random_spec(rng))
        landings = [initial_state(system)]
        for state in walked(system, rng, 10):
            landings += [step.after for step in happenings(system, state, 2)]
        for landing in landings:
            followers: dict[State, list[State]] = {}
            frontier = [landing]
            while frontier:
                state = frontier.pop()
                followers[state] = [step.after for step in reactions(system, state)]
                frontier += [s for s in followers[state] if s not in followers]
            left = dict(followers)
            while ended := [s for s, nexts in left.items() if not any(n in left for n in nexts)]:
                for state in ended:
                    del left[state]
            if left:
                with pytest.raises(CannotFollow, match="for ever"):
                    settled_from(system, [landing])
            else:
                assert set(settled_from(system, [landing])) == {s for s, nexts in followers.items() if not nexts}
            compared += 1
    assert compared > 300
