"""Two revisions compared: what is said, in the terminal, as JSON and as a page; and the draft of the coach."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from test_report import HOSTILE, NASTY, parsed
from verified import run_of

from safetymodel.cli import main
from safetymodel.comparison import compare, compare_exit_code
from safetymodel.explore.engine import Limits
from safetymodel.model.build import load_text
from safetymodel.model.system import System
from safetymodel.pipeline import results_json
from safetymodel.report.baseline import changes_between
from safetymodel.report.compare_machine import comparison_json
from safetymodel.report.compare_page import comparison_page
from safetymodel.report.compare_said import because_of, parting_lines, said_of_comparison
from safetymodel.report.compared import Compared, SetsChange
from safetymodel.report.terminal import plain_lines
from safetymodel.revisions.compare import Behaviours, Divergence, InStates, compare_behaviour
from safetymodel.revisions.joint import common_tick, join
from safetymodel.revisions.sequences import Stepped, stages_of

SPECS = Path(__file__).resolve().parent.parent / "specs"
HATCH = (SPECS / "two-door-hatch.yaml").read_text()
Write = Callable[[str, str], str]


@pytest.fixture
def write(tmp_path: Path) -> Write:
    def one(name: str, text: str) -> str:
        path = tmp_path / name
        path.write_text(text)
        return str(path)

    return one


def system_of(text: str) -> System:
    system, problems = load_text(text, "x.yaml")
    assert system is not None, [p.as_text() for p in problems]
    return system


def said(compared: Compared) -> str:
    return "\n".join(line for block in said_of_comparison(compared) for line in plain_lines(block))


def hatch_with(*changes: tuple[str, str]) -> Behaviours:
    text = HATCH
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    return compare_behaviour(system_of(HATCH), system_of(text), 1)


# -- equal ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "changes",
    [
        [("Two-door specimen hatch", "A hatch"), ("Inner door", "Door within"), ("pulls the inner", "draws the inner")],
        [("if: outer_shut and panel is inner", "if: not (not outer_shut or panel is idle|outer)")],
        [("sealed: inner_door is closed or", "sealed: not inner_door is open or")],
        [("R1: {text: The doors are never open together, never: not sealed", "R1: {text: Never both, always: sealed")],
        [("tick: 100 ms", "tick: 50 ms")],
        [("states: [idle, inner, outer]", "states: [idle, outer, inner]")],
        [("states: [dark, lit]", "states: [lit, dark]\n    initial: dark")],
    ],
)
def test_other_words_are_no_other_behaviour(changes: list[tuple[str, str]]) -> None:
    text = HATCH if "tick:" in HATCH else HATCH.replace("subsystems:", "tick: 100 ms\nsubsystems:", 1)
    new = text
    for one, other in changes:
        assert one in text
        new = new.replace(one, other)
    old, changed = system_of(text), system_of(new)
    found = compare_behaviour(old, changed, 1)
    assert found.equal
    assert found.road == "conditions"
    assert (found.parts, found.ways, found.divergences) == ((), (), ())
    assert len(found.unchanged) == len(old.subsystems)
    assert set(found.same_claims) == {"R1", "R2", "R3"}


def test_a_condition_that_nothing_can_reach_is_said_to_change_nothing() -> None:
    found = hatch_with(
        (
            "{from: open, to: closed, on: push}",
            "{from: open, to: closed, on: push, if: not (panel is idle and panel is inner)}",
        )
    )
    assert found.equal
    assert found.ways == ()
    reached = hatch_with(
        (
            "if: outer_shut and panel is inner",
            "if: outer_shut and panel is inner and (sealed or not fault outer_latch_breaks or inner_bolt is in)",
        )
    )
    assert reached.equal
    (way,) = reached.ways or [None]  # type: ignore[list-item]
    assert way is None or way.reached == "same"


WEAKER = (
    ("if: outer_shut and panel is inner", "if: panel is inner"),
    ("if: not outer_shut or panel is not inner", "if: panel is not inner"),
)


def test_logic_that_goes_round_for_ever_is_told_as_that() -> None:
    found = hatch_with(WEAKER[0])
    first = found.divergences[0]
    assert [name for _, name in first.labels] == ["panel.ask_outer", "outer_door.pull"]
    assert first.only_old == (("event", "panel.ask_inner"),)
    assert [cause.name for cause in first.causes] == ["inner_bolt: in -> out"]
    old = new = run_of(SPECS / "two-door-hatch.yaml")
    assert "it can go round for ever" in said(Compared(old, new, found, (), (), 0, "", 0.0))


# -- different --------------------------------------------------------------------------------------


def test_a_weakened_condition_is_told_with_the_shortest_sequence() -> None:
    found = hatch_with(*WEAKER)
    assert found.equal is False
    assert found.road == "sequences"
    assert [(w.part.name, w.written, w.reached) for w in found.ways] == [
        ("inner_bolt: in -> out", "more", "more"),
        ("inner_bolt: out -> in", "less", "less"),
    ]
    first = found.divergences[0]
    assert [name for _, name in first.labels] == ["panel.ask_outer", "outer_door.pull", "panel.ask_inner"]
    assert [(s.subsystem, s.old, s.new) for s in first.states] == [("inner_bolt", ("in",), ("out",))]
    assert first.only_new == (("event", "inner_door.pull"),)
    assert first.only_old == ()
    assert [cause.name for cause in first.causes] == ["inner_bolt: in -> out"]
    assert "inner_bolt" not in found.unchanged
    assert "outer_door" in found.unchanged


def test_a_signal_that_reads_otherwise_is_the_cause() -> None:
    found = hatch_with(("outer_shut: {reads: outer_door is closed}", "outer_shut: {reads: inner_door is closed}"))
    (part,) = found.parts
    assert (part.part.kind, part.part.name, part.direction) == ("signal", "outer_shut", "other")
    assert found.divergences
    assert {cause.name for d in found.divergences for cause in d.causes} == {"outer_shut"}
    assert all({cause.name for cause in way.causes} == {"outer_shut"} for way in found.ways)


def test_a_duration_is_a_condition_too() -> None:
    found = hatch_with(("after: 30 s", "after: 20 s"))
    assert found.equal is False
    assert {way.part.name for way in found.ways} == {"panel: inner -> idle", "panel: outer -> idle"}
    first = found.divergences[0]
    assert [kind for kind, _ in first.labels].count("tick") == 200
    assert ("panel", ("inner",), ("idle",)) in [(s.subsystem, s.old, s.new) for s in first.states]


def test_parts_that_come_and_go() -> None:
    bell = "  bell:\n    states: [still, rung]\n    events: {ring: {}}\n    transitions: "
    bell += "[{from: still, to: rung, on: ring}]\nsignals:"
    found = hatch_with(
        ("\nsignals:", f"\n{bell}"), ("faults:", "faults:\n  bell_stuck: {subsystem: bell, stuck: rung}")
    )
    assert found.equal is False
    assert found.added_faults == ("bell_stuck",)
    assert found.divergences[0].labels == ()
    assert ("event", "bell.ring") in found.divergences[0].only_new
    assert len(found.unchanged) == len(found.new.subsystems) - 1
    back = compare_behaviour(found.new, found.old, 1)
    assert back.removed_faults == ("bell_stuck",)
    assert ("event", "bell.ring") in back.divergences[0].only_old


def test_a_fault_that_does_something_else_under_its_old_name() -> None:
    found = hatch_with(("stuck: out}", "stuck: in}"))
    assert found.changed_faults == ("inner_bolt_jammed",)
    assert found.equal is False
    assert all(any(kind == "fault" for kind, _ in d.labels) for d in found.divergences)
    assert compare_behaviour(found.old, found.new, 0).equal


def test_another_start() -> None:
    found = hatch_with(("states: [idle, inner, outer]", "states: [idle, inner, outer]\n    initial: inner"))
    assert found.equal is False
    assert found.divergences[0].labels == ()
    assert "panel" not in found.unchanged


def test_ticks_that_divide_both() -> None:
    from fractions import Fraction

    assert common_tick(Fraction(300), Fraction(200)) == 100
    assert common_tick(Fraction(1, 2), Fraction(1, 3)) == Fraction(1, 6)
    assert common_tick(None, Fraction(5)) == 5
    assert common_tick(None, None) is None
    joint = join(
        system_of(HATCH), system_of(HATCH.replace("after: 30 s", "after: 30.05 s").replace("tick: 100 ms", ""))
    )
    assert joint.system.tick == 50
    assert max(t.latest for t in joint.old.system.transitions) == 600
    assert max(t.latest for t in joint.new.system.transitions) == 601


# -- all together -----------------------------------------------------------------------------------


def test_what_is_said_and_the_exit_codes(write: Write, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    old = write("old.yaml", HATCH)
    new = write("new.yaml", HATCH.replace(*WEAKER[0]).replace(*WEAKER[1]))

    def ended(*arguments: str) -> tuple[int, str, str]:
        with pytest.raises(SystemExit) as end:
            main(["compare", *arguments])
        out, err = capsys.readouterr()
        return int(end.value.code or 0), out, err

    code, out, _ = ended(old, new, "--html", str(tmp_path / "c.html"))
    assert code == 1
    for text in (
        "behaviour: different with up to 1 fault",
        "inner_bolt: in -> out",
        "old: if outer_shut and panel is inner",
        "new: if panel is inner",
        "now inner_bolt is in in the old revision, out in the new one",
        "nurse pulls the inner door open (inner_door.pull): only in the new revision",
        "old: inner_door: closed -> open needs physically inner_bolt is out, but inner_bolt is in",
        "fires in more situations",
        "proved over all states",
        "A model is not the vehicle",
    ):
        assert text in out, text
    page = (tmp_path / "c.html").read_text()
    assert "<script" not in page
    text = " ".join(" ".join(parsed(page).text).split())
    assert "Two revisions compared" in text
    assert "only in the new revision" in text
    code, out, _ = ended(old, write("same.yaml", HATCH.replace("Two-door", "2-door")), "--json", "-")
    data = json.loads(out)
    assert code == 0
    assert data["behaviour"]["equal"] is True
    assert data["requirements"] == []
    code, _, err = ended(old, write("bad.yaml", HATCH.replace("panel is inner", "pannel is inner")))
    assert code == 2
    assert "did you mean panel?" in err
    code, _, err = ended(old, new, "--seconds", "0")
    assert code == 3


def test_hostile_text_is_text_in_the_page(write: Write) -> None:
    compared = compare(write("old.yaml", HOSTILE), write("new.yaml", HOSTILE.replace("if: closing", "if: not closing")))
    assert isinstance(compared, Compared)
    page = comparison_page(compared)
    tags = parsed(page).tags
    assert not [tag for tag, _ in tags if tag in ("script", "img")]
    assert not [key for _, attrs in tags for key in attrs if key.startswith("on")]
    assert NASTY.split("\\")[0][:40] in "".join(parsed(page).text)
    assert compare_exit_code(compared) == 1


def test_new_fault_sets_are_told(write: Write) -> None:
    compared = compare(
        write("old.yaml", HATCH),
        write("new.yaml", HATCH.replace("inner_door is closed}", "inner_door is closed or panel is idle}", 1)),
    )
    assert isinstance(compared, Compared)
    weak = compare(
        write("o.yaml", HATCH),
        write(
            "n.yaml",
            HATCH.replace("  outer_latch_breaks:   {subsystem: outer_door, jump: {from: closed, to: open}}\n", ""),
        ),
    )
    assert isinstance(weak, Compared)
    (change,) = [c for c in weak.sets if c.requirement == "R1"]
    assert change.gone == (("outer_latch_breaks",),)
    assert change.new == ()
    assert weak.behaviours.removed_faults == ("outer_latch_breaks",)
    text = said(weak)
    assert "R1: gone minimal fault set outer_latch_breaks: outer_latch_breaks is no longer declared" in text
    assert "fault outer_latch_breaks  worse   is no longer declared" in text
    assert {c.subject: c.effect for c in weak.judged} == {"R1": "other"}
    assert [(c.kind, c.name, c.what, c.old, c.new) for c in weak.declared] == [
        ("fault", "outer_latch_breaks", "", "declared", None)
    ]


def test_sets_that_are_gone_because_less_is_enough(write: Write) -> None:
    new = HATCH.replace("physically: panel is outer, if: inner_shut", "physically: panel is outer")
    worse = compare(write("o.yaml", HATCH), write("n.yaml", new))
    back = compare(write("n.yaml", new), write("o.yaml", HATCH))
    assert isinstance(worse, Compared)
    assert isinstance(back, Compared)
    text = said(worse)
    assert "R1: new: broken without any fault" in text
    assert text.count(": no fault is needed any more") == 3
    assert "R1: gone: broken without any fault\n" in said(back)
    assert said(back).count(": it was broken without any fault before") == 3


def test_why_a_set_is_new_or_gone() -> None:
    b = hatch_with(("stuck: out}", "stuck: in}"))
    change = SetsChange("R1", (("a", "b"), ("c",)), (("a",), ("c", "d"), ("e",), ("inner_bolt_jammed", "x")))
    assert because_of(change, ("a", "b"), b) == "a alone is no longer enough"
    assert because_of(change, ("c", "d"), b) == "c is enough now"
    assert because_of(change, ("c",), b) == because_of(change, ("e",), b) == ""
    assert because_of(change, ("inner_bolt_jammed", "x"), b) == "inner_bolt_jammed does something else now"


def test_fault_sets_that_a_limit_leaves_out(write: Write) -> None:
    """Where no step and no claim differs the sets are the same, whatever the limit; else they are open."""
    few = Limits(states=1)
    old, same = (
        write("old.yaml", HATCH),
        write("same.yaml", HATCH.replace("outer_shut and panel is inner}", "panel is inner and outer_shut}")),
    )
    alike = compare(old, same, limits=few)
    assert isinstance(alike, Compared)
    assert alike.sets_proved
    assert (alike.sets, alike.sets_left) == ((), "")
    assert compare_exit_code(alike) == 0
    assert "no step differs, and no claim." in said(alike)
    assert comparison_json(alike)["fault_sets"]["complete"] is True
    without = compare(old, same, 0, 1, few)  # behaviour without faults proves nothing of sets with one
    assert isinstance(without, Compared)
    assert without.behaviours.equal
    assert not without.sets_proved
    assert "fault sets were not all compared" in said(without)
    assert compare_exit_code(without) == 3
    no_sets = compare(old, same, 0, 0, few)  # R1, under one fault, is undecided in both
    assert isinstance(no_sets, Compared)
    assert compare_exit_code(no_sets) == 3


def test_no_requirement_in_both_has_no_sets(write: Write) -> None:
    other = HATCH.replace("R1: {", "Q1: {").replace("R2: {", "Q2: {").replace("R3: {", "Q3: {")
    compared = compare(write("old.yaml", HATCH), write("new.yaml", other))
    assert isinstance(compared, Compared)
    assert "minimal fault sets" not in said(compared)


def test_a_state_that_has_differed_for_longer_is_not_told_as_new() -> None:
    found = hatch_with(*WEAKER)
    for d in found.divergences:
        for s in d.states:
            assert 0 <= s.since <= len(d.labels)
            rows = [
                [{b.seen(n, (s.subsystem,)) for n in nodes} for nodes in stages_of(b, d.labels)]
                for b in (Stepped(found.old, 1), Stepped(found.new, 1))
            ]
            apart = [one != other for one, other in zip(*rows, strict=True)]
            assert all(apart[s.since :])
            assert not s.since or not apart[s.since - 1]
    late = Divergence((("event", "a"),) * 4, (InStates("panel", ("idle",), ("outer",), 2),), (), (), (), None, None)
    (line,) = parting_lines(found, late)
    assert line[1][0] == "panel is idle in the old revision, outer in the new one, and has differed since 2"
    start = replace(late, states=(replace(late.states[0], since=0),))
    assert next(iter(parting_lines(found, start)))[1][0].endswith("has differed since the start")
    now = replace(late, states=(replace(late.states[0], since=4),))
    assert next(iter(parting_lines(found, now)))[1][0].startswith("now panel is idle")


MISTAKES = {
    "D1": ("drive_permit: granted -> denied", "vehicle.move_off", "old"),
    "B5": ("console: locked -> ready on console.reset", "console.reset", "old"),
    "L6": ("lift: halted -> raising", "lift.reach_floor", "old"),
    "L5": ("lift_door_shut_b", "lift.fold", "old"),
    "L9": ("outer_up_b", "lift.reach_floor", "old"),
}
"""Each mended mistake of the draft: the definition, and a happening that only the draft goes on with because of it."""


def test_the_draft_of_the_coach_and_its_five_mended_mistakes() -> None:
    runs = [run_of(SPECS / name) for name in ("whimbrel-draft.yaml", "whimbrel.yaml")]
    old, new = runs
    behaviours = compare_behaviour(old.system, new.system, 1)
    assert behaviours.equal is False
    by_cause = {cause.name: d for d in behaviours.divergences for cause in d.causes}
    assert set(by_cause) >= {cause for cause, _, _ in MISTAKES.values()}
    alone = {cause.name: set[str]() for d in behaviours.divergences for cause in d.causes}
    for d in behaviours.divergences:
        for cause in d.causes:
            alone[cause.name].update(name for _, name in d.only_old)
    for cause, happening, _ in MISTAKES.values():
        assert happening in alone[cause], (cause, alone[cause])
    assert {part.part.name for part in behaviours.parts} == {"lift_door_shut_b", "outer_up_b"}
    assert len(new.system.subsystems) - len(behaviours.unchanged) == 3
    assert set(behaviours.same_claims) == {r.name for r in new.system.requirements}
    before, after = (json.loads(results_json([run])) for run in runs)
    changes = changes_between(before, after, behaviours.same_claims)
    better = {c.subject for c in changes if c.effect == "better" and "verdict was broken" in c.text}
    assert better == set(MISTAKES)
    assert [c.subject for c in changes if c.effect == "worse"] == ["patient_aboard"]  # a scenario with other steps
    text = said(Compared(old, new, behaviours, changes, (), 0, "", 0.0))
    for cause, _, _ in MISTAKES.values():
        assert cause in text
    assert "41 of 44 subsystems unchanged, proved over all states" in text
