"""Traces re-stepped, kept as plain data, and kept as pytest files that find a breach again."""

from __future__ import annotations

import ast
import json
import os
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from worded_specs import HATCH_FILE, LOCK_GATE, POOL_LIFT, hatch, judged, system_of

from safetymodel.claims.verdict import Judgement, Trace
from safetymodel.model.build import load
from safetymodel.model.system import System
from safetymodel.traces import save
from safetymodel.traces.replay import breach_named, replay, replay_named, trace_named
from safetymodel.traces.save import file_stem, pytest_text, save_traces, trace_file_text, trace_json

ROOT = Path(save.__file__).resolve().parent.parent.parent
LIFT = system_of(POOL_LIFT)
BROKEN = ("P1", "P2", "P3", "P4", "P5", "P6", "P7", "P9")


def trace_of(system: System, name: str, budget: int | None = None) -> tuple[Judgement, Trace]:
    judgement = judged(system, name, budget)
    assert judgement.trace is not None
    return judgement, judgement.trace


@pytest.mark.parametrize("name", BROKEN)
def test_every_counterexample_is_a_run_of_the_model(name: str) -> None:
    judgement, trace = trace_of(LIFT, name)
    assert replay(LIFT, trace, judgement.budget) is None


def test_a_step_that_the_model_does_not_offer_is_named() -> None:
    judgement, trace = trace_of(LIFT, "P6")
    swapped = Trace(trace.start, (trace.steps[1], trace.steps[0]))
    refusal = replay(LIFT, swapped, judgement.budget)
    assert refusal is not None
    assert refusal.startswith("step 1, attendant presses the down button (chair.lower)")


def test_faults_beyond_the_budget_are_no_run() -> None:
    _, trace = trace_of(LIFT, "P6")
    refusal = replay(LIFT, trace, 0)
    assert refusal is not None
    assert "step 1, belt switch bridged" in refusal


def test_a_landing_that_is_made_up_is_found() -> None:
    judgement, trace = trace_of(LIFT, "P6")
    last = trace.steps[-1]
    states = (*last.after.states[:-1], 1 - last.after.states[-1])
    wrong = Trace(trace.start, (*trace.steps[:-1], replace(last, after=last.after._replace(states=states))))
    assert replay(LIFT, wrong, judgement.budget) is not None


def test_a_run_from_elsewhere_is_none() -> None:
    judgement, trace = trace_of(LIFT, "P6")
    assert replay(LIFT, Trace(trace.steps[0].after, trace.steps[1:]), judgement.budget) is not None


@pytest.mark.parametrize("name", BROKEN)
def test_names_alone_bring_the_same_run_back(name: str) -> None:
    judgement, trace = trace_of(LIFT, name)
    entries = json.loads(json.dumps(trace_json(LIFT, trace)))
    found, refusal = trace_named(LIFT, entries)
    assert refusal is None
    assert found == trace
    assert breach_named(LIFT, name, entries, judgement.reason) is None


def test_a_spec_may_be_renumbered() -> None:
    """New subsystems, faults and events in front shift every number; the names still lead the same way."""
    _, trace = trace_of(LIFT, "P1")
    entries = trace_json(LIFT, trace)
    extra = (
        "subsystems:\n  aaa:\n    states: [x, y]\n    events: {go: {}}\n    transitions: [{from: x, to: y, on: go}]\n"
    )
    text = POOL_LIFT.replace("subsystems:\n", extra, 1).replace(
        "faults:\n", "faults:\n  first_of_all: {subsystem: aaa, stuck: any}\n"
    )
    other = system_of(text)
    assert other.events[0].name != LIFT.events[0].name
    assert replay_named(other, entries) is None
    assert breach_named(other, "P1", entries) is None


def test_a_mended_spec_says_at_which_step_it_stops() -> None:
    _, trace = trace_of(LIFT, "P6")
    mended = system_of(POOL_LIFT.replace("on: lower, if: belt_closed", "on: lower, if: belt is closed and belt_closed"))
    refusal = replay_named(mended, trace_json(LIFT, trace))
    assert refusal is not None
    assert refusal.startswith("entry 2 (event chair.lower)")
    assert "is blocked there" in refusal


def test_a_renamed_event_is_said_to_be_missing() -> None:
    _, trace = trace_of(LIFT, "P6")
    text = POOL_LIFT.replace("lower: {by", "descend: {by").replace("on: lower", "on: descend")
    renamed = system_of(text.replace("chair.lower", "chair.descend"))
    refusal = replay_named(renamed, trace_json(LIFT, trace))
    assert refusal is not None
    assert "no such event" in refusal


def test_reactions_out_of_turn_are_told() -> None:
    _, trace = trace_of(LIFT, "P1")
    entries = trace_json(LIFT, trace)
    kinds = [e["kind"] for e in entries]
    assert kinds == ["fault", "event", "reaction"]
    early = replay_named(LIFT, [entries[2]])
    late = replay_named(LIFT, [*entries[:2], entries[0]])
    assert early is not None
    assert "no reaction is due" in early
    assert late is not None
    assert "the logic has not settled" in late


def test_steps_that_break_nothing_are_no_breach() -> None:
    _, trace = trace_of(LIFT, "P1")
    entries = trace_json(LIFT, trace)
    assert replay_named(LIFT, entries[:1]) is None
    assert breach_named(LIFT, "P1", entries[:1]) is not None
    assert breach_named(LIFT, "P99", entries) == "the spec has no requirement P99"


def test_the_entries_are_those_of_the_page_on_commands() -> None:
    system = hatch()
    _, trace = trace_of(system, "R1")
    entries = trace_json(system, trace)
    first = dict(entries[0])
    assert "two-door-hatch.yaml:" in first.pop("place")
    assert first == {
        "kind": "event",
        "name": "panel.ask_inner",
        "by": "nurse",
        "text": "asks for the inner door",
        "changes": {"panel": ["idle", "inner"]},
    }
    reaction = entries[1]
    assert (reaction["kind"], reaction["name"]) == ("reaction", "inner_bolt")
    assert reaction["changes"] == {"inner_bolt": ["in", "out"]}
    assert "two-door-hatch.yaml:" in reaction["place"]
    assert [e["kind"] for e in entries if e["kind"] != "reaction"] == ["event", "event", "fault", "jump"]


def test_ticks_are_folded_and_happenings_count_each() -> None:
    _, trace = trace_of(LIFT, "P9")
    entries = trace_json(LIFT, trace)
    ticks = [e for e in entries if e["kind"] == "tick"]
    assert [(e["ticks"], e["text"], e["changes"]) for e in ticks] == [(2, "2 s pass", {})]
    counted = sum(e.get("ticks", 1) for e in entries if e["kind"] != "reaction")
    assert counted == trace.happenings


@pytest.mark.parametrize(
    ("name", "stem"),
    [
        ("R1", "R1"),
        ("../../etc/passwd", "etc_passwd"),
        ("a b/c:d*e", "a_b_c_d_e"),
        ("con", "con_"),
        ("LPT1", "LPT1_"),
        ("...", "requirement"),
        ("é", "requirement"),
    ],
)
def test_file_names_suit_every_file_system(name: str, stem: str) -> None:
    assert file_stem(name, set()) == stem


def test_file_names_differ_in_more_than_case() -> None:
    taken: set[str] = set()
    assert [file_stem(n, taken) for n in ("r1", "R1", "r-1", "r_1")] == ["r1", "R1_2", "r_1", "r_1_2"]
    long = [file_stem("x" * 500, taken) for _ in range(2)]
    assert len(set(long)) == 2
    assert max(map(len, long)) < 80


def saved(system: System, directory: Path, *names: str) -> list[Path]:
    problems = save_traces(system, [judged(system, n) for n in names], directory)
    assert problems == ()
    return sorted(directory.iterdir())


def test_each_counterexample_becomes_two_files_and_nothing_else(tmp_path: Path) -> None:
    files = saved(LIFT, tmp_path / "new" / "traces", "P1", "P8", "P9")
    assert [f.name for f in files] == [
        "small_P1.json",
        "small_P9.json",
        "test_small_P1.py",
        "test_small_P9.py",
    ]
    data: dict[str, Any] = json.loads(files[0].read_text(encoding="utf-8"))
    assert (data["requirement"], data["verdict"], data["budget"], data["happenings"]) == ("P1", "broken", 1, 2)
    assert data["spec"] == {"file": "small.yaml", "title": "Pool lift", "sha256": LIFT.sha256}
    assert replay_named(LIFT, data["trace"]) is None


def test_another_spec_of_the_same_name_replaces_nothing(tmp_path: Path) -> None:
    systems = []
    for folder in ("one", "two"):
        spec = tmp_path / folder / "lift.yaml"
        spec.parent.mkdir()
        spec.write_text(POOL_LIFT)
        system, _ = load(str(spec))
        assert system is not None
        systems.append(system)
    saved(systems[0], tmp_path / "kept", "P1")
    saved(systems[1], tmp_path / "kept", "P1")
    files = saved(systems[0], tmp_path / "kept", "P1")
    assert [f.name for f in files if f.suffix == ".py"] == ["test_lift_P1.py", "test_lift_P1_2.py"]
    assert ["/one/" in f.read_text() for f in files if f.suffix == ".py"] == [True, False]


def test_the_way_to_the_spec_holds_through_linked_directories(tmp_path: Path) -> None:
    spec = tmp_path / "specs" / "lift.yaml"
    spec.parent.mkdir()
    spec.write_text(POOL_LIFT)
    (tmp_path / "far" / "off" / "kept").mkdir(parents=True)
    (tmp_path / "link").symlink_to(tmp_path / "far" / "off" / "kept", target_is_directory=True)
    system, _ = load(str(spec))
    assert system is not None
    saved(system, tmp_path / "link", "P1")
    ran = run_pytest(tmp_path / "link")
    assert "2 passed" in ran.stdout, ran.stdout + ran.stderr


def test_where_nothing_can_be_written_a_problem_says_so(tmp_path: Path) -> None:
    in_the_way = tmp_path / "file"
    in_the_way.write_text("x")
    (problem,) = save_traces(LIFT, [judged(LIFT, "P1")], in_the_way)
    assert problem.slug == "cannot-write"
    assert in_the_way.read_text() == "x"


def run_pytest(directory: Path) -> subprocess.CompletedProcess[str]:
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    command = [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", "--rootdir", str(directory), "."]
    return subprocess.run(command, cwd=directory, env=environment, capture_output=True, text=True, check=False)


def test_the_saved_tests_pass_while_the_breach_is_there_and_fail_when_it_is_mended(tmp_path: Path) -> None:
    """The whole directory may move together; the spec may change without new steps."""
    spec = tmp_path / "first" / "specs" / "lift.yaml"
    spec.parent.mkdir(parents=True)
    spec.write_text(POOL_LIFT)
    system, _ = load(str(spec))
    assert system is not None
    saved(system, tmp_path / "first" / "kept", "P1", "P2", "P3", "P5", "P7", "P9")
    (tmp_path / "first").rename(tmp_path / "second")
    ran = run_pytest(tmp_path / "second" / "kept")
    assert ran.returncode == 0, ran.stdout + ran.stderr
    assert "12 passed" in ran.stdout

    mended = POOL_LIFT.replace("on: lower, if: belt_closed", "on: lower, if: belt is closed and belt_closed")
    (tmp_path / "second" / "specs" / "lift.yaml").write_text(mended)
    ran = run_pytest(tmp_path / "second" / "kept")
    assert "2 failed, 10 passed" in ran.stdout, ran.stdout
    assert "chair.lower) is blocked there" in ran.stdout


def test_the_saved_test_can_be_read(tmp_path: Path) -> None:
    system = hatch()
    text = pytest_text(system, judged(system, "R1"), HATCH_FILE.parent / "kept")
    tree = ast.parse(text)
    doc = ast.get_docstring(tree) or ""
    assert "1  nurse asks for the inner door (panel.ask_inner)" in doc
    assert "turn" in doc
    tests = [n.name for n in tree.body if isinstance(n, ast.FunctionDef) and n.name.startswith("test_")]
    assert 2 <= len(tests) <= 3
    assert "Path(__file__).parent / '../two-door-hatch.yaml'" in text
    assert str(HATCH_FILE.parent) not in text


HOSTILE = (
    POOL_LIFT.replace("text: presses the down button", r'text: "\"\"\" + __import__(\"os\") \\ {x} \e[31m \n \u202e"')
    .replace("title: Pool lift", r'title: "Pool \"\"\" {lift} \\"')
    .replace("text: Nobody moves unbelted", r'text: "Ends in a quote\""')
    .replace("belt_switch_bridged, ", "belt_switch_bridged, ")
)


def test_hostile_texts_stay_text(tmp_path: Path) -> None:
    spec = tmp_path / 'a "quoted" {spec}.yaml'
    spec.write_text(HOSTILE, encoding="utf-8")
    system, problems = load(str(spec))
    assert system is not None, problems
    files = saved(system, tmp_path / "kept", "P1", "P9")
    for file in files:
        text = file.read_text(encoding="utf-8")
        assert "\x1b" not in text
        assert "\u202e" not in text or file.suffix == ".json"
    for file in (f for f in files if f.suffix == ".py"):
        names = {n.id for n in ast.walk(ast.parse(file.read_text())) if isinstance(n, ast.Name)}
        assert "__import__" not in names
    ran = run_pytest(tmp_path / "kept")
    assert "4 passed" in ran.stdout, ran.stdout + ran.stderr


def test_the_json_text_ends_in_a_line_and_is_format_1() -> None:
    text = trace_file_text(LIFT, judged(LIFT, "P6"))
    assert text.endswith("}\n")
    assert json.loads(text)["format"] == 1


def test_an_endless_reaction_is_replayed_too() -> None:
    """A breach in a state that need never settle is found again by the reason that was saved with it."""
    spins = LOCK_GATE.replace("to: right, if: call is silent", "to: right").replace(
        "from: right, to: left, if: call is silent", "from: right, to: left"
    )
    text = spins + "requirements:\n  C1: {never: spinner is left|right}\n"
    system = system_of(text)
    judgement, trace = trace_of(system, "C1")
    entries = trace_json(system, trace)
    assert judgement.reason
    assert breach_named(system, "C1", entries, judgement.reason) is None
    assert breach_named(system, "C1", entries, "") is not None
    assert breach_named(system, "C1", [], judgement.reason) is not None
