"""Explanations: the run line by line, and why each form of requirement is broken by it."""

from __future__ import annotations

from collections.abc import Sequence

import pytest
from worded_specs import LOCK_GATE, POOL_LIFT, event_named, hatch, judged, system_of

from safetymodel.claims.judge import find_chatter
from safetymodel.claims.verdict import Judgement
from safetymodel.explore.engine import Limits
from safetymodel.explore.product import Product, ProductSpace
from safetymodel.model.state import State, initial_state
from safetymodel.model.system import System
from safetymodel.traces.blocked import obstacles, what_keeps, why_blocked
from safetymodel.traces.explain import Line, explain, explain_finding, run_lines

LIFT = system_of(POOL_LIFT)
LOCK = system_of(LOCK_GATE)


def place(text: str, spec: str = POOL_LIFT, file: str = "small.yaml") -> str:
    """``file:line`` of the only line of a spec that holds the text."""
    lines = [n for n, line in enumerate(spec.splitlines(), 1) if text in line]
    assert len(lines) == 1, (text, lines)
    return f"{file}:{lines[0]}"


def has(lines: Sequence[Line], *texts: str) -> None:
    """Some one line has all of these texts, its place among them."""
    told = [f"{line.text} ({line.place})" for line in lines]
    assert any(all(t in line for t in texts) for line in told), (texts, told)


def in_state(system: System, *names: str, flags: int = 0, clocks: dict[str, int] | None = None) -> State:
    """The initial state with some subsystems elsewhere: ``chair is down``."""
    states = list(initial_state(system).states)
    ticks = [0] * len(states)
    for name in names:
        subject, wanted = name.split(" is ")
        this = system.subsystem_named(subject)
        assert this is not None
        states[this.number] = this.states.index(wanted)
    for subject, count in (clocks or {}).items():
        this = system.subsystem_named(subject)
        assert this is not None
        ticks[this.number] = count
    return State(tuple(states), tuple(ticks), flags)


def test_a_run_numbers_happenings_and_indents_what_they_cause() -> None:
    trace = judged(LIFT, "P9").trace
    assert trace is not None
    lines = [(line.role, line.number, line.depth, line.text) for line in run_lines(LIFT, trace)]
    assert lines == [
        ("happening", "1", 0, "swimmer closes the belt (belt.close)"),
        ("change", "", 1, "belt: loose -> closed"),
        ("happening", "2", 0, "attendant presses the down button (chair.lower)"),
        ("change", "", 1, "chair: up -> lowering"),
        ("reaction", "", 1, "then lamp: dark -> lit"),
        ("time", "3-4", 0, "2 s pass"),
        (
            "time",
            "5",
            0,
            "Chair moves of itself within its window of time (after 2 s..3 s), 2 s after it came to lowering",
        ),
        ("change", "", 1, "chair: lowering -> down"),
        ("reaction", "", 1, "then lamp: lit -> dark"),
        ("happening", "6", 0, "belt.undo happens"),
        ("change", "", 1, "belt: closed -> loose"),
    ]


def test_reactions_carry_their_place() -> None:
    trace = judged(LIFT, "P9").trace
    assert trace is not None
    reactions = [line.place for line in run_lines(LIFT, trace) if line.role == "reaction"]
    assert reactions == [place("{from: dark, to: lit"), place("{from: lit, to: dark")]


def test_what_settles_before_anything_happens_is_told_first() -> None:
    system = system_of(
        POOL_LIFT.replace("{from: dark, to: lit, if: moving}", "{from: dark, to: lit}").replace(
            "{from: lit, to: dark, if: not moving}", "{from: lit, to: dark, on: belt.undo}"
        )
    )
    trace = judged(system, "P6").trace
    assert trace is not None
    lines = run_lines(system, trace)
    assert (lines[0].number, lines[1].text) == ("", "then lamp: dark -> lit")
    assert lines[2].number == "1"


def test_never_tells_the_claim_its_parts_and_since_when() -> None:
    explained = explain(LIFT, judged(LIFT, "P1"))
    assert explained.summary == "broken with up to 1 fault in 2 happenings, by belt_switch_bridged"
    has(explained.why, "never: moving and belt is loose")
    has(explained.why, "moving: true")
    has(explained.why, "chair is lowering: true, since happening 2")
    has(explained.why, "belt is loose: true, from the start")


def test_a_signal_that_a_fault_holds_is_said_to_read_otherwise() -> None:
    for name in ("P1", "P6"):
        explained = explain(LIFT, judged(LIFT, name))
        has(explained.why, "belt_closed reads true (held by belt_switch_bridged) though belt is loose")


def test_permissive_tells_what_was_false_and_what_let_it_through() -> None:
    explained = explain(LIFT, judged(LIFT, "P6"))
    has(explained.why, "makes chair is lowering true", "belt is closed was not true")
    has(explained.why, "belt is closed: false (it is loose)")
    has(explained.why, "let through: chair: up -> lowering on chair.lower", place("on: lower, if: belt_closed"))
    has(explained.why, "belt_closed: true (held by belt_switch_bridged though belt is loose)")
    has(explained.why, "flooded: false (pump is idle)")


def test_prevent_ends_in_a_moment_and_says_what_is_due() -> None:
    judgement = judged(LIFT, "P5")
    explained = explain(LIFT, judgement)
    has(explained.why, "for a moment only")
    has(explained.why, "lamp: dark -> lit", place("{from: dark, to: lit"))
    has(explained.why, "let through: chair: up -> lowering on chair.lower")


def test_within_reaction_tells_what_keeps_the_effect_away() -> None:
    explained = explain(LIFT, judged(LIFT, "P4"))
    has(explained.why, "moving without lamp is lit")
    has(explained.why, "lamp cannot leave dark (held by lamp_burnt)", place("{from: dark, to: lit"))


def test_a_deadline_tells_how_long_it_lasted_against_what_is_allowed() -> None:
    explained = explain(LIFT, judged(LIFT, "P3"))
    has(explained.why, "for 2 s since happening 2", "longer than the 1 s allowed")
    has(explained.why, "chair is down: false (it is lowering)")
    has(explained.why, "chair: lowering -> down", "1 s more in lowering", place("after: 2 s..3 s"))


def test_start_tells_which_happening_it_was_instead() -> None:
    explained = explain(LIFT, judged(LIFT, "P7"))
    has(explained.why, "chair is down becomes true", "not chair.lower", "Chair moves of itself within its window")


def test_nobody_can_get_out_tells_what_is_left_and_what_is_blocked() -> None:
    judgement = judged(LIFT, "P2")
    explained = explain(LIFT, judgement)
    has(explained.why, "nothing but a new fault could still bring about chair is up")
    has(explained.why, "the pit floods (pump.spill)")
    blocked = [line.text for line in explained.why if line.text.startswith("attendant presses the up button")]
    assert len(blocked) == 1
    assert "chair is lowering, not down" in blocked[0]


def test_possible_lists_the_nearest_attempts_with_what_is_false() -> None:
    explained = explain(LIFT, judged(LIFT, "P8"))
    assert explained.run == ()
    has(explained.why, "after pump.spill: chair: up -> lowering", "needs not flooded, but it reads true (pump is wet)")
    has(explained.why, "belt: closed -> loose", "needs physically chair is up|down, but chair is lowering")


def test_a_window_is_told_with_its_ends() -> None:
    explained = explain(LIFT, judged(LIFT, "P9"))
    has(explained.why, "watched since happening 2", "chair is lowering became true", "until chair is up")


def test_a_window_that_opens_at_the_start_says_so() -> None:
    system = system_of(POOL_LIFT.replace("from: chair is lowering, until: chair is up}", "from: chair is up}"))
    explained = explain(system, judged(system, "P9"))
    has(explained.why, "watched from the start, where chair is up is true")


@pytest.mark.parametrize("name", ["P1", "P2", "P3", "P4", "P5", "P6", "P7", "P8", "P9"])
def test_every_broken_form_says_why(name: str) -> None:
    judgement = judged(LIFT, name)
    assert judgement.word == "broken"
    explained = explain(LIFT, judgement)
    assert len(explained.why) >= 2
    assert bool(explained.run) == (judgement.trace is not None)


def test_what_holds_needs_no_why() -> None:
    judgement = judged(hatch(), "R2")
    explained = explain(hatch(), judgement)
    assert (explained.summary, explained.run, explained.why) == ("holds without faults", (), ())


def test_what_reacts_tells_how_long() -> None:
    system = hatch()
    summary = explain(system, judged(system, "R3")).summary
    assert summary.startswith("true in every settled state without faults")
    assert "at most 2 reaction steps, of no model time" in summary


def test_a_lamp_that_a_false_reading_keeps_dark_is_explained() -> None:
    system = hatch()
    explained = explain(system, judged(system, "R3", 1))
    assert "by inner_switch_bridged" in explained.summary
    has(explained.why, "inner_shut reads true (held by inner_switch_bridged) though inner_door is open")
    has(explained.why, "every lamp is lit: false", "lamp.clean_side is dark")


def test_undecided_is_said_never_to_be_a_pass() -> None:
    requirement = LIFT.requirements[0]
    text = explain(LIFT, Judgement(requirement, 0, "undecided", reason="500 states were reached")).summary
    assert text == "undecided, which is never a pass; 500 states were reached"


def test_the_hatch_breach_by_a_jump_names_the_fault_and_the_labels() -> None:
    system = hatch()
    explained = explain(system, judged(system, "R1"))
    texts = [line.text for line in explained.run]
    assert "outer latch breaks [fault outer_latch_breaks]" in texts
    assert "outer door moves of itself from closed to open [fault outer_latch_breaks]" in texts
    has(explained.why, "inner_door is closed: false (it is open), since happening 2")
    has(explained.why, "outer_door is closed: false (it is open), since happening 4")


def test_logic_that_goes_round_for_ever_is_shown_with_its_round() -> None:
    space = ProductSpace(Product(LOCK, 0, Limits(), None))
    (finding,) = find_chatter(space)
    explained = explain_finding(LOCK, finding)
    texts = [line.text for line in explained.run]
    mark = texts.index("from here it goes round for ever:")
    assert texts[:mark] == ["spinner.push happens", "spinner: rest -> left"]
    assert sorted(texts[mark + 1 :]) == ["then spinner: left -> right", "then spinner: right -> left"]
    places = {line.place for line in explained.why if line.place}
    assert places == {place("from: left, to: right", LOCK_GATE), place("from: right, to: left", LOCK_GATE)}


def test_blocked_from_elsewhere() -> None:
    lines = why_blocked(LIFT, in_state(LIFT, "chair is lowering"), event_named(LIFT, "chair.lift"))
    assert lines == (f"chair is lowering, not down ({place('on: lift')})",)


def test_blocked_lists_only_the_false_parts() -> None:
    state = in_state(LIFT, "pump is wet", "belt is closed")
    (line,) = why_blocked(LIFT, state, event_named(LIFT, "chair.lower"))
    assert "not flooded, but it reads true (pump is wet)" in line
    assert "belt" not in line
    assert place("on: lower, if") in line


def test_blocked_by_nothing_says_nothing() -> None:
    assert why_blocked(LIFT, in_state(LIFT, "belt is closed"), event_named(LIFT, "chair.lower")) == ()


def test_blocked_by_a_fault() -> None:
    state = in_state(LIFT, "chair is down", "belt is closed", flags=1 << 1)
    (line,) = why_blocked(LIFT, state, event_named(LIFT, "chair.lift"))
    assert "chair cannot leave down (held by chair_jammed)" in line


def test_blocked_by_what_nature_demands() -> None:
    state = in_state(LIFT, "chair is lowering", "belt is closed")
    (line,) = why_blocked(LIFT, state, event_named(LIFT, "belt.undo"))
    assert "needs physically chair is up|down, but chair is lowering" in line


def test_a_joint_event_names_the_partner_that_cannot_move() -> None:
    (line,) = why_blocked(LOCK, in_state(LOCK), event_named(LOCK, "level.drain"))
    assert "paddle is down, not raised" in line
    assert "joint" in line
    both = why_blocked(LOCK, in_state(LOCK, "level is low"), event_named(LOCK, "level.drain"))
    assert len(both) == 2
    assert why_blocked(LOCK, in_state(LOCK, "paddle is raised"), event_named(LOCK, "level.drain")) == ()


def test_a_choice_is_one_part_since_any_branch_would_do() -> None:
    system = system_of(POOL_LIFT.replace("if: belt_closed and not flooded", "if: belt_closed or flooded"))
    (line,) = why_blocked(system, in_state(system), event_named(system, "chair.lower"))
    assert "needs belt_closed or flooded, but" in line


def test_obstacles_of_an_automatic_transition_tell_the_time_left() -> None:
    transition = LIFT.transitions[1]
    assert obstacles(LIFT, in_state(LIFT, "chair is lowering", clocks={"chair": 1}), transition) == (
        "needs 1 s more in lowering",
    )
    assert obstacles(LIFT, in_state(LIFT, "chair is lowering", clocks={"chair": 2}), transition) == ()


def test_what_keeps_a_state_away_follows_signals_and_definitions() -> None:
    moving = dict(LIFT.conditions)["moving"]
    lines = what_keeps(LIFT, in_state(LIFT), moving)
    assert any("chair: up -> lowering" in line and "needs belt_closed" in line for line in lines), lines
    assert any("no transition leads from there to raising" in line for line in lines), lines
    assert what_keeps(LIFT, in_state(LIFT, "chair is lowering"), moving) == ()
