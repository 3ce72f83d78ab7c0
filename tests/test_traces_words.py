"""Formulas, durations and steps in words."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from worded_specs import LOCK_GATE, POOL_LIFT, event_named, hatch, judged, system_of

from safetymodel.model.formula import (
    FALSE,
    TRUE,
    AllOf,
    AnyOf,
    Defined,
    FaultUp,
    Formula,
    HowMany,
    InState,
    Not,
    SignalTrue,
)
from safetymodel.model.state import State, initial_state
from safetymodel.model.step import Step, evaluate, happenings, moved
from safetymodel.spec.durations import milliseconds
from safetymodel.traces.fold import folded
from safetymodel.traces.wording import (
    and_list,
    counted,
    duration_text,
    event_text,
    fault_text,
    formula_text,
    short_name,
    step_text,
    ticks_text,
    transition_text,
)

LIFT = system_of(POOL_LIFT)
HATCH = hatch()


def formulas() -> st.SearchStrategy[Formula]:
    """Formulas over the pool lift, nested at will."""
    states = st.integers(0, len(LIFT.subsystems) - 1).flatmap(
        lambda n: st.builds(
            InState,
            st.just(n),
            st.sets(st.integers(0, len(LIFT.subsystems[n].states) - 1), min_size=1).map(lambda s: tuple(sorted(s))),
            st.booleans(),
        )
    )
    leaves = st.one_of(
        states,
        st.builds(SignalTrue, st.integers(0, len(LIFT.signals) - 1)),
        st.builds(FaultUp, st.integers(0, len(LIFT.faults) - 1)),
        st.sampled_from([Defined(name, body) for name, body in LIFT.conditions]),
        st.sampled_from([TRUE, FALSE]),
    )
    return st.recursive(
        leaves,
        lambda inner: st.one_of(
            st.builds(Not, inner),
            st.builds(AllOf, st.lists(inner, max_size=3).map(tuple)),
            st.builds(AnyOf, st.lists(inner, max_size=3).map(tuple)),
        ),
        max_leaves=8,
    )


@settings(max_examples=60, deadline=None)
@given(formulas(), st.data())
def test_a_formula_in_words_means_the_same_when_read_back(formula: Formula, data: st.DataObject) -> None:
    text = formula_text(LIFT, formula)
    read = system_of(POOL_LIFT.replace("never: moving and belt is loose, withstand", f'never: "{text}", withstand'))
    again = read.requirements[0].subject
    for _ in range(8):
        states = tuple(data.draw(st.integers(0, len(s.states) - 1)) for s in LIFT.subsystems)
        flags = data.draw(st.integers(0, 2 ** len(LIFT.faults) - 1))
        signals = tuple(data.draw(st.booleans()) for _ in LIFT.signals)
        state = State(states, (0,) * len(states), flags)
        assert evaluate(formula, state, signals) == evaluate(again, state, signals), text


@pytest.mark.parametrize(
    "text",
    [
        "not (moving or flooded)",
        "moving and (flooded or belt is loose)",
        "moving and flooded or belt is loose",
        "chair is up|down and not fault rope_breaks",
        "chair is not up|down or true",
    ],
)
def test_a_formula_is_written_with_the_fewest_parentheses(text: str) -> None:
    read = system_of(POOL_LIFT.replace("never: moving and belt is loose, withstand", f'never: "{text}", withstand'))
    assert formula_text(read, read.requirements[0].subject) == text


def test_a_negated_state_needs_no_not_in_front() -> None:
    assert formula_text(LIFT, Not(InState(0, (0,)))) == "chair is not up"
    assert formula_text(LIFT, Not(InState(0, (0,), True))) == "chair is up"


def test_counts_keep_the_words_of_the_spec() -> None:
    effect = next(r for r in HATCH.requirements if r.name == "R3").effect
    assert isinstance(effect, HowMany)
    assert formula_text(HATCH, effect) == "every lamp is lit"


@pytest.mark.parametrize(
    ("ms", "text"),
    [
        (Fraction(1), "1 ms"),
        (Fraction(999), "999 ms"),
        (Fraction(1, 2), "0.5 ms"),
        (Fraction(1000), "1 s"),
        (Fraction(2900), "2.9 s"),
        (Fraction(90_000), "90 s"),
        (Fraction(120_000), "2 min"),
        (Fraction(150_000), "2 min 30 s"),
        (Fraction(150_500), "150.5 s"),
        (Fraction(3_600_000), "60 min"),
    ],
)
def test_durations_are_exact(ms: Fraction, text: str) -> None:
    assert duration_text(ms) == text
    if " min " not in text:
        assert milliseconds(text) == ms


def test_a_duration_without_an_end_says_about() -> None:
    assert duration_text(Fraction(100, 3)) == "about 33.333333 ms"


def test_ticks_are_durations_where_the_model_has_any() -> None:
    assert ticks_text(LIFT, 3) == "3 s"
    assert ticks_text(HATCH, 29) == "2.9 s"
    assert ticks_text(system_of(LOCK_GATE), 1) == "1 tick"


def test_events_say_who_and_what_as_far_as_they_are_told() -> None:
    lock = system_of(LOCK_GATE)
    assert event_text(event_named(lock, "upper.swing")) == "keeper swings the upper gate (upper.swing)"
    assert event_text(event_named(lock, "level.fill")) == "keeper does level.fill"
    assert event_text(event_named(lock, "paddle.wind")) == "paddle.wind happens"
    assert event_text(event_named(LIFT, "pump.spill")) == "the pit floods (pump.spill)"


def test_faults_say_what_fails() -> None:
    named = {f.name: fault_text(f) for f in LIFT.faults}
    assert named["belt_switch_bridged"] == "belt switch bridged [fault belt_switch_bridged]"
    assert named["chair_jammed"] == "chair jammed [fault chair_jammed]"


def test_transitions_say_what_they_wait_for() -> None:
    texts = [transition_text(LIFT, t) for t in LIFT.transitions]
    assert texts[:4] == [
        "chair: up -> lowering on chair.lower",
        "chair: lowering -> down after 2 s..3 s",
        "chair: down -> raising on chair.lift",
        "chair: raising -> up after 2 s",
    ]
    assert "lamp: dark -> lit" in texts


def test_every_kind_of_step_has_its_words() -> None:
    start = initial_state(LIFT)
    said: dict[str, str] = {}
    lowering = moved(start, (LIFT.transitions[0],))
    waiting = lowering._replace(clocks=(2, 0, 0, 0), states=(*lowering.states[:2], 1, lowering.states[3]))
    broken = start._replace(flags=1 << 2)
    for state in (start, waiting, broken):
        for step in happenings(LIFT, state, 3):
            said.setdefault(step.kind, step_text(LIFT, step, state, 29))
    react = Step("reaction", 6, (6,), waiting)
    assert LIFT.transitions[6].subsystem == 2
    said["reaction"] = step_text(LIFT, react, lowering)
    assert said == {
        "event": "swimmer closes the belt (belt.close)",
        "fault": "belt switch bridged [fault belt_switch_bridged]",
        "jump": "Chair moves of itself from up to down [fault rope_breaks]",
        "time": "Chair moves of itself within its window of time (after 2 s..3 s), 2 s after it came to lowering",
        "tick": "29 s pass",
        "reaction": "lamp: dark -> lit",
    }


def test_short_names_are_those_of_a_scenario() -> None:
    trace = judged(HATCH, "R1").trace
    assert trace is not None
    names = [short_name(HATCH, g.step, g.ticks) for g in folded(trace) if g.step is not None]
    assert names == ["panel.ask_inner", "inner_door.pull", "fault outer_latch_breaks", "fault outer_latch_breaks"]


def test_ticks_fold_until_something_interrupts_them() -> None:
    trace = judged(LIFT, "P9").trace
    assert trace is not None
    groups = [(g.step.kind if g.step else "", g.ticks, g.first, g.last, len(g.reactions)) for g in folded(trace)]
    assert groups[0] == ("", 0, 0, 0, 0)
    assert ("tick", 2, 3, 4, 0) in groups
    assert groups[-1][3] == trace.happenings == 6
    assert sum(max(t, 1) for kind, t, *_ in groups if kind) + sum(g[4] for g in groups) == len(trace.steps)


def test_lists_and_counts_read_well() -> None:
    assert [and_list(w) for w in ((), ("a",), ("a", "b"), ("a", "b", "c"))] == ["", "a", "a and b", "a, b and c"]
    assert counted(1, "happening") == "1 happening"
    assert counted(1803, "state") == "1,803 states"
