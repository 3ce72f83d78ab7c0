"""Stepping a model by hand: the session, the dialogue in a pipe, and the way kept as a scenario."""

from __future__ import annotations

import io
import random
from pathlib import Path

import pytest
from worded_specs import HATCH_FILE, LOCK_GATE, POOL_LIFT, hatch, system_of

from safetymodel.drive.keep import save, scenario_name, scenario_text
from safetymodel.drive.prompt import run
from safetymodel.drive.session import Session, begin, breaches, why
from safetymodel.model.step import happenings, is_settled
from safetymodel.model.system import System
from safetymodel.traces.replay import replay
from safetymodel.traces.scenarios import run_scenario

LIFT = system_of(POOL_LIFT)
LOCK = system_of(LOCK_GATE)
HATCH = hatch()


def talk(system: System, *lines: str, budget: int = 9) -> list[str]:
    """What is said to these lines of input."""
    said: list[str] = []
    assert run(system, io.StringIO("".join(f"{line}\n" for line in lines)), said.append, budget) == 0
    return said


def happen(session: Session, *names: str) -> Session:
    """The session after these events, each by its only way."""
    for name in names:
        (number,) = [o.number for o in session.options if f"({name})" in o.text or o.text.startswith(name)]
        session = session.take(number)
    return session


def in_state(session: Session, name: str) -> str:
    this = session.system.subsystem_named(name)
    assert this is not None
    return this.states[session.state.states[this.number]]


def test_options_are_what_the_reference_step_offers_numbered_from_one() -> None:
    session = begin(HATCH, 3)
    offered = [s for s in happenings(HATCH, session.state, 3) if s.kind != "tick" or s.after != session.state]
    assert [o.step for o in session.options] == offered
    assert [o.number for o in session.options] == list(range(1, len(offered) + 1))
    assert session.options[0].changes == ("panel: idle -> inner",)


def test_no_fault_may_strike_beyond_the_budget() -> None:
    assert not [o for o in begin(HATCH, 0).options if o.step.kind == "fault"]
    session = begin(HATCH, 1)
    struck = session.take(next(o.number for o in session.options if o.step.kind == "fault"))
    assert not [o for o in struck.options if o.step.kind == "fault"]


def test_reactions_follow_of_themselves_where_their_order_makes_no_difference() -> None:
    session = happen(begin(HATCH, 0), "panel.ask_inner", "inner_door.pull")
    assert session.settled
    assert in_state(session, "inner_bolt") == "out"
    assert (in_state(session, "lamp.clean_side"), in_state(session, "lamp.dirty_side")) == ("lit", "lit")


def test_a_race_is_left_to_the_user_and_an_empty_line_takes_the_first() -> None:
    session = happen(begin(LOCK, 0), "call.ring")
    assert not session.settled
    assert [o.text for o in session.options] == ["horn: quiet -> first", "bell: quiet -> ringing"]
    assert (in_state(session.take(1), "horn"), in_state(session.take(2), "horn")) == ("first", "quiet")
    said = talk(LOCK, "call.ring", "")
    assert any("then horn: quiet -> first" in line for line in said)
    assert not any("then bell" in line for line in said)


def test_logic_that_goes_round_for_ever_is_followed_one_reaction_at_a_time() -> None:
    session = happen(begin(LOCK, 0), "spinner.push")
    for expected in ("left", "right", "left"):
        assert in_state(session, "spinner") == expected
        assert len(session.options) == 1
        session = session.take(1)
    assert any("goes round for ever" in line for line in talk(LOCK, "spinner.push"))


def test_undo_and_restart() -> None:
    first = begin(LIFT, 4)
    belted = happen(first, "belt.close")
    lowering = happen(belted, "chair.lower")
    assert lowering.undo() == belted
    assert lowering.undo().undo() == first
    assert first.undo() == first
    assert lowering.restart() == first
    waited = lowering.wait(3)
    assert waited.undo() == lowering


def test_waiting_lets_everything_due_happen_and_ends_where_time_changes_nothing() -> None:
    session = happen(begin(LIFT, 0), "belt.close", "chair.lower")
    waited = session.wait(2)
    assert in_state(waited, "chair") == "lowering"
    assert any(o.step.kind == "time" for o in waited.options)
    down = session.wait(50)
    assert in_state(down, "chair") == "down"
    assert sum(s.kind == "tick" for s in down.moves[-1].steps) == 3
    assert down.wait(1) is down


def test_waiting_ends_where_an_order_has_to_be_chosen() -> None:
    text = LOCK_GATE.replace("{from: rung, to: silent, on: stop}", "{from: silent, to: rung, after: 2 s}")
    session = begin(system_of(text), 0).wait(9)
    assert not session.settled
    assert sum(s.kind == "tick" for s in session.moves[-1].steps) * (session.system.tick or 0) == 2000


def test_blocked_attempts_come_with_the_false_part() -> None:
    session = begin(LIFT, 0)
    named = {event.name: why(session, event) for event in session.blocked}
    assert set(named) == {"chair.lower", "chair.lift", "belt.undo"}
    assert "needs belt_closed, but it reads false (belt is loose)" in named["chair.lower"][0]
    at_hand = [event.name for event in session.blocked if session.is_at_hand(event)]
    assert at_hand == ["chair.lower"]


def test_breaches_are_told_where_they_are_seen() -> None:
    session = begin(LIFT, 4)
    bridged = session.take(next(o.number for o in session.options if "belt_switch_bridged" in o.text))
    assert breaches(bridged) == ()
    assert [r.name for r in breaches(happen(bridged, "chair.lower"))] == ["P1"]
    said = talk(LIFT, str(next(o.number for o in session.options if "belt_switch_bridged" in o.text)), "chair.lower")
    assert any(line.startswith("!! P1 is broken here") for line in said)
    assert any("belt_closed reads true (held by belt_switch_bridged) though belt is loose" in line for line in said)


def test_a_reading_that_became_false_is_told_once() -> None:
    number = next(o.number for o in begin(LIFT, 4).options if "belt_switch_bridged" in o.text)
    said = talk(LIFT, str(number), "chair.lower", "wait 1 s")
    assert sum("belt_closed reads true (held by belt_switch_bridged)" in line for line in said) == 1


def test_a_pipe_that_ends_ends_cleanly() -> None:
    said = talk(HATCH)
    assert said[-1] == "end of input"
    assert any(line.startswith("  1  nurse asks for the inner door") for line in said)


def test_after_quit_nothing_is_read() -> None:
    said = talk(HATCH, "quit", "panel.ask_inner")
    assert not any("panel: idle -> inner" in line and "then" in line for line in said)
    assert said[-1] != "end of input"


@pytest.mark.parametrize(
    ("line", "answer"),
    [
        ("0", "there is no number 0 now; 1 to 5 can be taken"),
        ("99999999999999999999", "1 to 5 can be taken"),
        ("pannel.ask_inner", "did you mean panel.ask_inner?"),
        ("hlep", "did you mean help?"),
        ("-1", "is not understood"),
        ("why", "`why` takes the name of an event"),
        ("why outer_door.pul", "did you mean outer_door.pull?"),
        ("why outer_door.pull", "needs physically panel is outer, but panel is idle"),
        ("why panel.ask_inner", "is not blocked: take 1"),
        ("outer_door.pull", "needs physically panel is outer, but panel is idle"),
        ("wait soon", "a multiple of the tick of 100 ms"),
        ("wait 0.05 s", "a multiple of the tick of 100 ms"),
        ("wait 0 s", "a multiple of the tick of 100 ms"),
        ("wait 3 s", "its passing changes nothing"),
        ("undo", "there is nothing to undo"),
        ("save", "the name of a new file"),
        ("help", "wait 3 s       lets time pass"),
        ("where", "  faults: none"),
        ("blocked", "inner_door is closed, not open"),
        ("blocked outer_door.pull", "needs physically panel is outer, but panel is idle"),
        ("fault", "the model has no fault"),
        ("fault outer_latch_brakes", "did you mean outer_latch_breaks?"),
        ("fault outer_latch_breaks", "outer latch breaks [fault outer_latch_breaks]"),
    ],
)
def test_every_word_and_every_mistake_has_its_answer(line: str, answer: str) -> None:
    assert any(answer in said for said in talk(HATCH, line)), talk(HATCH, line)


def test_a_fault_strikes_by_its_name_and_named_again_it_jumps() -> None:
    name = "fault outer_latch_breaks"
    said = talk(HATCH, name, name, name)
    assert any("outer door moves of itself from closed to open" in line for line in said)
    assert said[-2] == "fault outer_latch_breaks has struck already, and moves nothing here"
    others = [fault.name for fault in HATCH.faults if fault.name != "outer_latch_breaks"]
    told = talk(HATCH, name, f"fault {others[0]}", budget=1)
    assert told[-2].startswith(f"fault {others[0]} cannot strike now: the model is driven with up to 1 fault")


def test_waiting_needs_a_model_with_durations_and_a_settled_state() -> None:
    assert any("has no durations" in line for line in talk(LOCK, "wait 1 s"))
    timed = system_of(LOCK_GATE.replace("{from: rung, to: silent, on: stop}", "{from: silent, to: rung, after: 2 s}"))
    assert any("no time passes before the logic has settled" in line for line in talk(timed, "wait 2 s", "wait 2 s"))


def test_an_event_with_two_ways_asks_which() -> None:
    way = "{from: rest, to: left, on: push}"
    text = LOCK_GATE.replace(way, f"{way}\n      - {way.replace('left', 'right')}")
    assert any("spinner.push can go 2 ways" in line for line in talk(system_of(text), "spinner.push"))


def test_control_characters_of_a_spec_and_of_the_input_do_not_reach_the_terminal() -> None:
    system = system_of(POOL_LIFT.replace("title: Pool lift", 'title: "Pool \\e[31m lift"'))
    said = "\n".join(talk(system, "\x1b[2J", "why \x1b]0;x\x07"))
    assert "\x1b" not in said
    assert "\\x1b[31m" in said


def walk_at_random(session: Session, seed: int, length: int) -> Session:
    """A random way that ends settled, events and time preferred to faults."""
    chance = random.Random(seed)
    for _ in range(length):
        if not session.options:
            break
        likely = [o for o in session.options if o.step.kind not in ("fault", "jump")]
        session = session.take(chance.choice(likely if likely and chance.random() < 0.8 else session.options).number)
    return session


@pytest.mark.parametrize("seed", range(12))
@pytest.mark.parametrize("text", [POOL_LIFT, HATCH_FILE.read_text(encoding="utf-8")], ids=["lift", "hatch"])
def test_a_way_kept_as_a_scenario_is_read_back_and_ends_the_same(text: str, seed: int) -> None:
    session = walk_at_random(begin(system_of(text), 9), seed, 14)
    assert replay(session.system, session.trace, 9) is None
    kept = scenario_text(session, "by_hand")
    section = "".join(line + "\n" for line in kept.splitlines() if line.startswith(" "))
    head, tail = text.split("\nscenarios:\n")
    again = system_of(f"{head}\nscenarios:\n{section}{tail}")
    scenario = next(s for s in again.scenarios if s.name == "by_hand")
    result = run_scenario(again, scenario)
    if "# " not in section:
        assert result.ok, (kept, result)
    moved = [s for s in session.trace.steps if s.kind in ("event", "fault", "jump")]
    assert [s.number for s in scenario.steps if s.kind != "wait"] == [s.number for s in moved]
    waited = sum(s.number for s in scenario.steps if s.kind == "wait")
    assert waited == sum(s.kind == "tick" for s in session.trace.steps)
    assert is_settled(session.system, session.state)


def test_moves_in_a_window_of_time_are_remarked_since_a_scenario_follows_both() -> None:
    session = happen(begin(LIFT, 0), "belt.close", "chair.lower").wait(2)
    session = session.take(next(o.number for o in session.options if o.step.kind == "time"))
    kept = scenario_text(session, "early")
    assert "# Chair moves of itself within its window of time" in kept
    assert "ends_with" not in kept
    assert "# not in every order of reaction: " in kept


def test_waits_in_a_row_are_one() -> None:
    session = happen(begin(LIFT, 0), "belt.close", "chair.lower").wait(3).wait(1)
    session = happen(session, "chair.lift").wait(1).wait(1)
    lines = [line.strip() for line in scenario_text(session, "x").splitlines()]
    assert [line for line in lines if "wait" in line] == ["- wait 3 s", "- wait 2 s"]
    assert "ends_with: belt is closed" in lines


def test_waits_are_one_though_something_fired_between() -> None:
    blink = """\
safetymodel: 1
title: Blinker
subsystems:
  lamp:
    role: control
    states: [dark, lit]
    transitions:
      - {from: dark, to: lit, after: 1 s}
      - {from: lit, to: dark, after: 1 s}
"""
    session = begin(system_of(blink), 0).wait(1).wait(2)
    assert in_state(session, "lamp") == "lit"
    assert [line for line in scenario_text(session, "x").splitlines() if "wait" in line] == ["      - wait 3 s"]


def test_a_file_that_exists_is_left_as_it_is(tmp_path: Path) -> None:
    path = tmp_path / "way out.yaml"
    session = happen(begin(HATCH, 0), "panel.ask_inner")
    assert save(session, path) is None
    before = path.read_text(encoding="utf-8")
    assert "  way_out:\n" in before
    problem = save(begin(HATCH, 0), path)
    assert problem is not None
    assert problem.slug == "file-exists"
    assert path.read_text(encoding="utf-8") == before
    assert any("is there already" in line for line in talk(HATCH, f"save {path}"))


def test_a_file_that_cannot_be_written_is_a_problem(tmp_path: Path) -> None:
    problem = save(begin(HATCH, 0), tmp_path / "missing" / "x.yaml")
    assert problem is not None
    assert problem.slug == "cannot-write"
    assert any("cannot write" in line for line in talk(HATCH, f"save {tmp_path}/missing/x.yaml"))


@pytest.mark.parametrize(("file", "name"), [("a b.yaml", "a_b"), ("9.yaml", "by_hand"), ("é.yaml", "by_hand")])
def test_the_scenario_is_named_after_its_file(file: str, name: str) -> None:
    assert scenario_name(Path(file)) == name


def test_a_hostile_title_cannot_break_the_kept_file() -> None:
    system = system_of(POOL_LIFT.replace("title: Pool lift", 'title: "a\\"b\\\\ # c: {d"'))
    kept = scenario_text(happen(begin(system, 0), "belt.close"), "x")
    section = "".join(line + "\n" for line in kept.splitlines() if line.startswith(" "))
    again = system_of(POOL_LIFT.replace("\nscenarios:\n", f"\nscenarios:\n{section}"))
    assert next(s for s in again.scenarios if s.name == "x").text == 'Stepped by hand in a"b\\ # c: {d'
