"""Fuzz runs: seeds, limits, coverage, shortest sequences, files that are kept, the command, a machine of hypothesis."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from pathlib import Path

import pytest

from safetymodel.bench.defects import Defect, defect_named
from safetymodel.bench.hunt import Bounds, Hunt, hunt
from safetymodel.bench.kept import read_replay, replay_on
from safetymodel.bench.mapping import mapping_by_names
from safetymodel.bench.run import run
from safetymodel.bench.settable import Settable
from safetymodel.bench.shortest.shrink import shrink
from safetymodel.bench.stimulus import stimulus_name
from safetymodel.bench.told import told
from safetymodel.bench.tracking import Tracker
from safetymodel.bench.twin import Twin
from safetymodel.cli import main
from safetymodel.model.build import load
from safetymodel.model.formula import AllOf, HowMany, InState, Not, SignalTrue
from safetymodel.model.system import System
from safetymodel.problems import Problem

ROOT = Path(__file__).parent.parent
HATCH = str(ROOT / "specs" / "two-door-hatch.yaml")
COACH = str(ROOT / "specs" / "whimbrel.yaml")


def spec(path: str) -> System:
    system, _ = load(path)
    assert system is not None
    return system


def hunted(system: System, defect: str = "", seed: int = 0, steps: int = 400, faults: int = 1) -> Hunt:
    chosen = [defect_named(system, defect)] if defect else []
    twin = Twin(system, [d for d in chosen if isinstance(d, Defect)])
    assert len(twin.defects) == len(chosen)
    return hunt(system, mapping_by_names(system), twin, seed, Bounds(steps=steps), faults)


def test_the_same_seed_gives_the_same_run_and_another_seed_another() -> None:
    system = spec(COACH)
    runs = [hunted(system, seed=seed, steps=150) for seed in (5, 5, 6)]
    assert runs[0].record.stimuli == runs[1].record.stimuli != runs[2].record.stimuli
    assert runs[0].coverage == runs[1].coverage
    assert runs[0].resets == runs[1].resets


def test_the_coach_is_covered_far_better_than_by_chance() -> None:
    found = hunted(spec(COACH), seed=1, steps=1_500)
    assert found.ended == "limit"
    assert found.uncertain == 0
    seen = {share.what: share.seen / share.of for share in found.coverage}
    assert seen["states entered"] > 0.9
    assert seen["transitions taken"] > 0.75
    for share in found.coverage:
        assert share.seen + len(share.missing) == share.of


@pytest.mark.parametrize("faults", [0, 1, 2])
def test_so_many_faults_are_forced_as_are_wanted(faults: int) -> None:
    system = spec(HATCH)

    class Logged(Twin):
        most = 0

        def apply(self, point: str) -> None:
            super().apply(point)
            self.most = max(self.most, sum(self._flags))

    twin = Logged(system)
    hunt(system, mapping_by_names(system), twin, 1, Bounds(steps=4_000), faults)
    assert twin.most == faults


@pytest.mark.parametrize(
    ("defect", "names"),
    [
        ("stuck:brake_held:false", ["mode_key.to_lift_post", "lift.unfold"]),
        ("swap:leaf.left:leaf.middle", ["leaf.(left|middle).unlatch"]),
        ("slow:drive_permit.denied-granted", []),
        ("slow:console.locked-off", ["mode_key.to_console", "console.switch_on", "supply.fail"]),
    ],
)
def test_a_defect_of_the_coach_is_found_and_told_in_its_fewest_happenings(defect: str, names: list[str]) -> None:
    system = spec(COACH)
    chosen = defect_named(system, defect)
    assert isinstance(chosen, Defect)
    mapping, twin, tracker = mapping_by_names(system), Twin(system, [chosen]), Tracker(system)
    found = hunt(system, mapping, twin, 0, Bounds(steps=3_000), tracker=tracker)
    assert found.ended == "difference"
    short = shrink(system, mapping, twin, found.record, tracker)
    shown = [stimulus_name(system, stimulus) for stimulus in short.record.stimuli]
    if defect == "stuck:brake_held:false":
        assert shown == names
    assert len(shown) == len(names)
    assert all(re.fullmatch(pattern, name) for pattern, name in zip(names, shown, strict=True))
    lines = told(system, mapping, short.record, tracker)
    assert sum(bool(line.number) for line in lines) == len(names)
    assert any(line.role == "why" for line in lines)
    again = run(system, mapping, twin, short.record.stimuli, tracker)
    assert again.difference == short.record.difference


A, B = InState(0, (0,)), InState(0, (1,))


def test_what_no_state_can_meet() -> None:
    system = spec(COACH)
    asked = Settable(system)
    signals = {s.name: SignalTrue(s.number) for s in system.signals}
    assert asked.can_be(AllOf((A, Not(B))))
    assert not asked.can_be(AllOf((A, B)))
    apart = AllOf((signals["inner_up_b"], Not(signals["inner_up_a"])))
    assert not asked.can_be(apart)
    other = AllOf((signals["inner_up_a"], Not(signals["inner_up_b"])))
    assert not asked.can_be(other)
    bridged = next(f.number for f in system.faults if f.name == "inner_switch_bridged")
    assert asked.can_be(other, 1 << bridged)
    assert not asked.can_be(apart, 1 << bridged)
    everyone = HowMany(2, 2, (A, B), "")
    assert not asked.can_be(everyone)
    assert asked.can_be(HowMany(1, 2, (A, B), ""))
    assert asked.can_be(Not(everyone))


# -- the command --------------------------------------------------------------------------------


def called(*arguments: str) -> int:
    with pytest.raises(SystemExit) as left:
        main(["bench", *arguments])
    return int(left.value.code or 0)


def test_no_difference_is_said_with_its_limits(capsys: pytest.CaptureFixture[str]) -> None:
    assert called(HATCH, "--device", "twin", "--steps", "200", "--seed", "4") == 0
    out = capsys.readouterr().out
    assert "no difference in what was run. It shows nothing of what was not run." in out
    assert "200 steps" in out
    assert "people clear of the machine" in out
    assert "safe." not in out.lower().replace("safetymodel", "")


def test_a_difference_is_kept_and_both_files_work(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    arguments = [HATCH, "--device", "twin", "--defect", "stuck:inner_shut:true", "--out", str(tmp_path)]
    assert called(*arguments, "--json", str(tmp_path / "result.json")) == 1
    out = capsys.readouterr().out
    assert "difference after 2 happenings" in out
    (replay,) = tmp_path.glob("bench_two_door_hatch_seed0_*.json")
    test_file = tmp_path / f"test_{replay.stem}.py"
    data = json.loads(replay.read_text(encoding="utf-8"))
    assert data["stimuli"] == ["panel.ask_inner", "inner_door.pull"]
    result = json.loads((tmp_path / "result.json").read_text(encoding="utf-8"))
    assert (result["ended"], result["stimuli"]) == ("difference", data["stimuli"])
    assert {"what", "seen", "of", "missing"} == set(result["coverage"][0])

    defect = ["--defect", "stuck:inner_shut:true"]
    assert called(HATCH, "--device", "twin", "--replay", str(replay), *defect, "--quiet") == 1
    assert "replayed 2 happenings" in capsys.readouterr().out
    assert called(HATCH, "--device", "twin", "--replay", str(replay), "--quiet") == 0
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", str(test_file)],
        capture_output=True, text=True, timeout=60, cwd=tmp_path,
    )  # fmt: skip
    assert done.returncode == 1, done.stdout
    assert "the device shows dark" in done.stdout
    mended = test_file.read_text(encoding="utf-8").replace("'stuck:inner_shut:true'", "''")
    test_file.write_text(mended, encoding="utf-8")
    assert replay_on(HATCH, "twin", data["stimuli"]) is None
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", str(test_file)],
        capture_output=True, text=True, timeout=60, cwd=tmp_path,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout


def test_files_that_are_no_replay(tmp_path: Path) -> None:
    system = spec(HATCH)
    for text in (
        "",
        "[]",
        '{"format": 1}',
        '{"format": 2, "stimuli": []}',
        '{"format": 1, "stimuli": [5]}',
        "[" * 99999,
    ):
        path = tmp_path / "replay.json"
        path.write_text(text, encoding="utf-8")
        problem = read_replay(str(path), system)
        assert isinstance(problem, Problem)
        assert problem.slug == "not-a-replay"
    path.write_text('{"format": 1, "stimuli": ["panel.ask_iner"]}', encoding="utf-8")
    problem = read_replay(str(path), system)
    assert isinstance(problem, Problem)
    assert (problem.slug, problem.hint) == ("unknown-stimulus", "did you mean panel.ask_inner?")


def test_mistakes_in_a_call(capsys: pytest.CaptureFixture[str]) -> None:
    assert called(HATCH, "--device", "twin", "--defect", "stuck:inner_shut:yes") == 2
    assert called(HATCH, "--device", "python:rig_of_hatch:Hatch", "--defect", "stuck:inner_shut:true") == 2
    assert called(HATCH, "--device", "twin", "--map", "nowhere.yaml") == 2
    assert called("nowhere.yaml", "--device", "twin") == 2
    error = capsys.readouterr().err
    for slug in ("unknown-defect", "defect-of-device", "no-such-file"):
        assert f"[{slug}]" in error


def test_the_twin_lists_its_defects_and_writes_its_map(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as left:
        main(["twin", HATCH, "--defects", "--write-map", str(tmp_path / "map.yaml")])
    assert left.value.code == 0
    out = capsys.readouterr().out
    assert "stuck:inner_shut:true  inner_shut always reads true" in out
    assert (tmp_path / "map.yaml").read_text(encoding="utf-8").startswith("safetymodel_map: 1\n")
    with pytest.raises(SystemExit) as left:
        main(["twin", HATCH])
    assert left.value.code == 2


# -- hypothesis ---------------------------------------------------------------------------------

THREE_LINES = """\
from safetymodel.bench import fuzz_machine
from rig_of_hatch import {controller}
TestController = fuzz_machine({spec!r}, {controller}, faults=0).TestCase
"""


@pytest.mark.parametrize(("controller", "code"), [("Hatch", 0), ("Careless", 1)])
def test_three_lines_in_a_pytest_file_of_a_user(tmp_path: Path, controller: str, code: int) -> None:
    path = tmp_path / "test_mine.py"
    path.write_text(THREE_LINES.format(controller=controller, spec=HATCH), encoding="utf-8")
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-rP", "-p", "no:cacheprovider", "--hypothesis-seed=1", str(path)],
        capture_output=True, text=True, timeout=120, cwd=tmp_path, env={"PYTHONPATH": str(ROOT / "tests"), "PATH": ""},
    )  # fmt: skip
    assert done.returncode == code, done.stdout + done.stderr
    if code:
        assert "the device differs from the model of Two-door specimen hatch" in done.stdout
        story = done.stdout[done.stdout.rindex("the device differs from the model") :]
        numbers = [int(n) for n in re.findall(r"^E? *([0-9]+)  ", story, re.MULTILINE)]
        assert max(numbers) == 4, story
    else:
        assert re.search(r"^states entered: ([0-9]+) of \1$", done.stdout, re.MULTILINE), done.stdout


BEHIND_A_TIMER = """\
safetymodel: 1
title: Lock
tick: 1 s
subsystems:
  horn:
    states: [silent, sounding, done]
    events: {ask: {}}
    transitions:
      - {from: silent, to: sounding, on: ask, if: stop is free}
      - {from: sounding, to: done, after: 3 s}
      - {from: done, to: silent, after: 4 s}
      - {from: [sounding, done], to: silent, if: stop is tripped}
  gate:
    states: [shut, open]
    events: {swing: {}, close: {}}
    transitions: [{from: shut, to: open, on: swing, if: horn is done}, {from: open, to: shut, on: close}]
  paddle:
    states: [down, up]
    events: {raise: {}, drop: {}}
    transitions:
      - {from: down, to: up, on: raise, if: gate_shut and horn is done and stop is free}
      - {from: up, to: down, on: drop}
  stop:
    states: [free, tripped]
    events: {press: {}, pull: {}}
    transitions: [{from: free, to: tripped, on: press}, {from: tripped, to: free, on: pull}]
signals: {gate_shut: {reads: gate is shut}}
"""

ON_A_TWIN = """\
from pathlib import Path
from safetymodel.bench import fuzz_machine
from safetymodel.bench.defects import defect_named
from safetymodel.bench.twin import Twin
from safetymodel.model.build import load
SYSTEM, _ = load(str(Path(__file__).parent / "lock.yaml"))
DEFECT = defect_named(SYSTEM, "drop:paddle.down-up:gate_shut")
Test = fuzz_machine(SYSTEM, lambda: Twin(SYSTEM, [DEFECT])).TestCase
"""


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_machine_of_hypothesis_finds_a_missing_part_behind_a_timer(tmp_path: Path, seed: int) -> None:
    (tmp_path / "lock.yaml").write_text(BEHIND_A_TIMER, encoding="utf-8")
    path = tmp_path / "test_mine.py"
    path.write_text(ON_A_TWIN, encoding="utf-8")
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", f"--hypothesis-seed={seed}", str(path)],
        capture_output=True, text=True, timeout=120, cwd=tmp_path, env={"PATH": ""},
    )  # fmt: skip
    assert done.returncode == 1, done.stdout + done.stderr
    assert "paddle: the model says down, the device shows up" in done.stdout
