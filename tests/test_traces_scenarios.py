"""Scenarios run through every order of reaction, and what is said where one fails."""

from __future__ import annotations

import pytest
from worded_specs import LOCK_GATE, POOL_LIFT, hatch, scenario_of, system_of

from safetymodel.model.system import Scenario
from safetymodel.traces import scenarios
from safetymodel.traces.scenarios import ScenarioResult, run_scenario


def result(text: str, steps: str, ends_with: str = "") -> ScenarioResult:
    return run_scenario(*scenario_of(text, steps, ends_with))


def words(found: ScenarioResult) -> list[str]:
    return [step.word for step in found.steps]


def said(found: ScenarioResult) -> str:
    return "\n".join(line for step in found.steps for line in step.said)


def test_the_scenario_of_the_format_page_works() -> None:
    system = hatch()
    found = run_scenario(system, system.scenarios[0])
    assert found.ok
    assert words(found) == ["ok"] * 6
    assert found.steps[-1].text == "ends with inner_door is open and outer_door is closed"


def test_the_pool_lift_swims_through_its_window_of_time() -> None:
    system = system_of(POOL_LIFT)
    assert run_scenario(system, system.scenarios[0]).ok


def test_a_blocked_event_fails_with_the_condition_and_the_rest_is_not_run() -> None:
    found = result(POOL_LIFT, "chair.lower, belt.close")
    assert words(found) == ["failed", "not run"]
    assert not found.ok
    assert "chair.lower is blocked" in said(found)
    assert "needs belt_closed, but it reads false (belt is loose)" in said(found)
    assert found.steps[0].span.line > 0


def test_within_a_window_both_are_possible() -> None:
    early = result(POOL_LIFT, "belt.close, chair.lower, wait 1 s, check chair is lowering")
    late = result(POOL_LIFT, "belt.close, chair.lower, wait 3 s, check chair is down")
    between = result(POOL_LIFT, "belt.close, chair.lower, wait 2 s, check chair is lowering|down")
    assert early.ok
    assert late.ok
    assert between.ok
    for state in ("lowering", "down"):
        one = result(POOL_LIFT, f"belt.close, chair.lower, wait 2 s, check chair is {state}")
        assert words(one)[-1] == "failed"
        assert "in 1 of 2 possible states" in said(one)


def test_an_event_that_works_in_some_orders_only_fails_and_says_so() -> None:
    race = LOCK_GATE.replace("    events: {sound: {}}\n", "    events: {sound: {}}\n    initial: quiet\n").replace(
        "      - {from: first, to: quiet, if: call is silent}\n",
        "      - {from: first, to: quiet, if: call is silent}\n      - {from: first, to: second, on: sound}\n",
    )
    found = result(race, "call.ring, horn.sound")
    assert words(found) == ["ok", "failed"]
    assert "horn.sound is blocked in 1 of 2 possible states" in said(found)
    assert "order of reaction" in said(found)


def test_both_orders_of_a_race_are_kept() -> None:
    assert result(LOCK_GATE, "call.ring, check horn is first or bell is ringing").ok
    assert result(LOCK_GATE, "call.ring, check not (horn is first and bell is ringing)").ok
    assert "in 1 of 2 possible states" in said(result(LOCK_GATE, "call.ring, check horn is first"))


def test_blocked_must_move_nothing() -> None:
    assert result(LOCK_GATE, "blocked lower.swing, blocked level.drain, upper.swing, blocked lower.swing").ok
    found = result(LOCK_GATE, "blocked upper.swing")
    assert words(found) == ["failed"]
    assert "upper.swing is not blocked" in said(found)
    assert "upper: shut -> open" in said(found)


def test_a_check_that_fails_tells_the_parts() -> None:
    found = result(LOCK_GATE, "check upper is shut and level is low")
    assert words(found) == ["failed"]
    assert "level is low: false (it is high)" in said(found)
    assert "upper is shut" not in said(found).replace("upper is shut and level is low", "")


def test_ends_with_is_a_step_of_its_own() -> None:
    found = result(LOCK_GATE, "upper.swing", "upper is shut")
    assert words(found) == ["ok", "failed"]
    assert found.steps[-1].text == "ends with upper is shut"


def test_a_fault_is_raised_and_named_again_makes_it_jump() -> None:
    assert result(POOL_LIFT, "fault rope_breaks, check fault rope_breaks and chair is up").ok
    assert result(POOL_LIFT, "fault rope_breaks, fault rope_breaks, check chair is down").ok
    found = result(POOL_LIFT, "fault rope_breaks, fault rope_breaks, fault rope_breaks")
    assert words(found) == ["ok", "ok", "failed"]
    assert "it jumps from up only" in said(found)


def test_more_than_one_fault_may_strike() -> None:
    assert result(POOL_LIFT, "fault belt_switch_bridged, fault lamp_burnt, chair.lower, check lamp is dark").ok


def test_a_fault_that_does_not_jump_strikes_once() -> None:
    found = result(POOL_LIFT, "fault chair_jammed, fault chair_jammed")
    assert words(found) == ["ok", "failed"]
    assert "chair_jammed is there already" in said(found)


def test_a_second_fault_of_one_signal_cannot_strike() -> None:
    two = POOL_LIFT.replace("faults:\n", "faults:\n  belt_switch_open: {signal: belt_closed, stuck: false}\n")
    found = result(two, "fault belt_switch_bridged, fault belt_switch_open")
    assert words(found) == ["ok", "failed"]
    assert "another fault holds the same signal" in said(found)


def test_logic_that_goes_round_for_ever_ends_the_scenario() -> None:
    found = result(LOCK_GATE, "spinner.push, upper.swing")
    assert words(found) == ["failed", "not run"]
    assert "for ever" in said(found)


def test_a_round_with_a_way_out_still_fails() -> None:
    """Reactions that may end need not: nothing tells which of them fires."""
    way_out = LOCK_GATE.replace(
        "      - {from: right, to: left, if: call is silent}\n",
        "      - {from: right, to: left, if: call is silent}\n      - {from: right, to: rest, if: call is silent}\n",
    )
    assert words(result(way_out, "spinner.push")) == ["failed"]


def test_logic_that_never_settles_fails_at_the_start() -> None:
    spins = LOCK_GATE.replace("states: [rest, left, right]", "states: [rest, left, right]\n    initial: left")
    found = result(spins, "upper.swing")
    assert words(found) == ["failed", "not run"]
    assert found.steps[0].text == "the start"


def test_a_joint_event_needs_every_partner() -> None:
    assert result(LOCK_GATE, "blocked level.drain, paddle.wind, level.drain, check level is low and paddle is down").ok


def test_too_many_possible_states_end_it_with_a_reason(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(scenarios, "MOST_STATES", 1)
    found = result(LOCK_GATE, "call.ring")
    assert words(found) == ["failed"]
    assert "too many to follow" in said(found)


def test_a_wait_that_is_too_long_to_follow_ends_with_a_reason(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(scenarios, "MOST_TICKS", 1)
    found = result(POOL_LIFT, "belt.close, chair.lower, wait 3 s")
    assert words(found) == ["ok", "ok", "failed"]


def test_a_long_wait_in_which_nothing_runs_any_more_is_short() -> None:
    assert result(POOL_LIFT, "belt.close, chair.lower, wait 300 min, check chair is down").ok


def test_an_empty_scenario_is_fine() -> None:
    system = system_of(LOCK_GATE)
    place = system.subsystems[0].span
    assert run_scenario(system, Scenario("nothing", "", (), None, place)).ok
