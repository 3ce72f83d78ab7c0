"""Which step let a breach through, since when its parts are so, and the way to a far state."""

from __future__ import annotations

from worded_specs import POOL_LIFT, judged, scenario_of, system_of

from safetymodel.model.system import System
from safetymodel.traces.explain import explain
from safetymodel.traces.scenarios import run_scenario

LIFT = system_of(POOL_LIFT)

KILN = """\
safetymodel: 1
title: Kiln
subsystems:
  lid:
    role: control
    states: [open, shut]
    events: {close: {}, lift: {}}
    transitions:
      - {from: open, to: shut, on: close}
      - {from: shut, to: open, on: lift, if: heat is off|low}
  fan:
    role: control
    states: [idle, run]
    transitions: [{from: idle, to: run, if: lid is open}]
  heat:
    role: control
    states: [off, low, high]
    events: {more: {}, less: {}}
    transitions:
      - {from: off, to: low, on: more}
      - {from: low, to: high, on: more, if: fan is run}
      - {from: high, to: off, on: less}
  guard:
    role: control
    states: [away, there]
    events: {come: {}}
    transitions: [{from: away, to: there, on: come, if: fan is run}]
requirements:
  A1: {never: lid is open}
  A2: {start: fan is run, only_by: [lid.close]}
  A3: {never: heat is high and lid is open}
  A4: {never: lid is open, from: guard is there}
  A5: {possible: fan is idle}
  A6: {always_possible: guard is away}
"""


def why(system: System, name: str) -> list[str]:
    """The reasons, one text a line."""
    return [line.text for line in explain(system, judged(system, name)).why]


def let_through(system: System, name: str) -> list[str]:
    return [text for text in why(system, name) if text.startswith("let through: ")]


def test_what_let_the_breach_through_is_the_step_that_made_it_not_a_later_reaction() -> None:
    trace = judged(LIFT, "P1").trace
    assert trace is not None
    assert trace.steps[-1].kind == "reaction"
    assert let_through(LIFT, "P1") == ["let through: chair: up -> lowering on chair.lower"]


def test_nothing_lets_through_what_is_so_from_the_start() -> None:
    kiln = system_of(KILN)
    assert "lid is open: true, from the start" in why(kiln, "A1")
    assert let_through(kiln, "A1") == []


def test_what_becomes_so_while_the_logic_first_settles() -> None:
    kiln = system_of(KILN)
    told = why(kiln, "A2")
    assert told[0] == "fan is run becomes true before anything has happened; only lid.close may start it"
    assert "fan is run: true, since the logic settled at the start" in told


def test_conditions_that_do_not_look_at_what_makes_the_breach_are_said_not_to() -> None:
    kiln = system_of(KILN)
    assert let_through(kiln, "A3") == ["let through: heat: low -> high on heat.more"]
    assert "its conditions do not depend on lid" in why(kiln, "A3")
    looks = system_of(KILN.replace("on: more, if: fan is run}", "on: more, if: fan is run or lid is open}"))
    assert not any("do not depend on" in text for text in why(looks, "A3"))


def test_where_it_was_so_before_the_watch_the_opening_of_the_watch_let_it_through() -> None:
    assert let_through(system_of(KILN), "A4") == ["let through: guard: away -> there on guard.come"]


def test_what_is_possible_only_while_the_logic_settles_is_said_so() -> None:
    assert why(system_of(KILN), "A5") == ["it is so at the start, but only until the logic has settled"]


def test_a_state_without_any_way_back() -> None:
    told = why(system_of(KILN), "A6")
    assert "guard is there: no transition leads from there to away" in told


def test_the_way_to_a_far_state_ends_where_a_fault_ends_it() -> None:
    (text,) = [text for text in why(LIFT, "P2") if "the way is" in text]
    assert text.startswith("chair is lowering: no transition leads from there to up in one step")
    assert text.endswith("lowering -> down -> raising -> up, and it cannot leave down (held by chair_jammed)")


def test_a_window_that_is_open_at_once_may_be_used_before_any_time_passes() -> None:
    """One second after a move at once, the next state is left; checked where it would never be left otherwise."""
    text = """\
safetymodel: 1
title: Relay
subsystems:
  relay:
    role: control
    states: [a, b, c]
    transitions:
      - {from: a, to: b, after: 0 s..5 s}
      - {from: b, to: c, after: 1 s}
"""
    system, scenario = scenario_of(text, "wait 1 s, check relay is not c")
    result = run_scenario(system, scenario)
    assert not result.ok
    assert "possible states" in " ".join(result.steps[-1].said)


def test_moves_that_only_a_fault_holds_up_are_named() -> None:
    assert "lamp: dark -> lit is due, but held up by lamp_burnt" in why(LIFT, "P4")
    assert not any("held up by" in text for text in why(LIFT, "P5"))


WINDOWS = """\
safetymodel: 1
title: Windows of a glasshouse
subsystems:
  pane:
    instances: [a, b, c]
    states: [shut, ajar, wide]
    events: {push: {}, pull: {}}
    transitions:
      - {from: shut, to: ajar, on: push, if: unlocked}
      - {from: ajar, to: shut, on: pull, if: unlocked}
  lock:
    role: control
    states: [loose, tight]
    events: {turn: {}}
    transitions: [{from: loose, to: tight, on: turn}]
signals:
  unlocked: {reads: lock is loose}
requirements:
  W1: {never: at least 2 of pane are ajar}
  W2: {always_possible: at least 2 of pane are ajar}
  W3: {always_possible: no pane is ajar}
  W4: {always: every pane is shut}
"""


def test_counts_name_the_members_that_decide_them() -> None:
    panes = system_of(WINDOWS)
    assert any(
        text.startswith("at least 2 of pane are ajar: true (pane.a is ajar and pane.b is ajar)")
        for text in why(panes, "W1")
    )
    assert any(text.startswith("every pane is shut: false (pane.a is ajar)") for text in why(panes, "W4"))
    assert "at least 2 of pane are ajar: false (pane.a is shut, pane.b is shut and pane.c is shut)" in why(panes, "W2")


def test_what_keeps_a_count_from_coming_true_is_told_of_the_members_that_have_to_move() -> None:
    panes = system_of(WINDOWS)
    opening = [text for text in why(panes, "W2") if "pane.a: shut -> ajar needs unlocked" in text]
    assert any("it reads false (lock is tight)" in text for text in opening)
    closing = [text for text in why(panes, "W3") if text.startswith("pane.a: ajar -> shut needs unlocked")]
    assert len(closing) == 1
    assert not any(text.startswith("pane.b: ajar") for text in why(panes, "W3"))
