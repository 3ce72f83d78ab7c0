"""The main job from the outside: exit codes, JSON, limits, interruption, files."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest
from families import philosophers_text

from safetymodel import pipeline
from safetymodel.claims import second
from safetymodel.claims.verdict import Opinion
from safetymodel.cli import main
from safetymodel.explore.engine import Limits

ROOT = Path(__file__).parent.parent
SPECS = ROOT / "specs"

BASE = """
safetymodel: 1
title: Lock gate
subsystems:
  gate:
    role: barrier
    states: [shut, open]
    events: {wind: {by: keeper}, unwind: {by: keeper}}
    transitions:
      - {from: shut, to: open, on: wind}
      - {from: open, to: shut, on: unwind}
requirements:
"""


def spec(folder: Path, requirements: str, name: str = "lock.yaml") -> str:
    path = folder / name
    path.write_text(BASE + requirements, encoding="utf-8")
    return str(path)


def program(*arguments: str, cwd: Path = ROOT, **more: Any) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "safetymodel.cli", *arguments]
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    return subprocess.run(command, cwd=cwd, env=environment, capture_output=True, text=True, timeout=120, **more)


HOLDS = (
    "  A: {cause: gate is shut and gate is open, effect: gate is open, within: reaction, may_be_empty: true}\n"
    "  B: {possible: gate is open}\n"
)
BROKEN = "  C: {never: gate is open}\n"


@pytest.mark.parametrize(
    ("requirements", "code"),
    [
        (HOLDS, 0),
        (HOLDS + BROKEN, 1),
        ("  D: {cause: gate is shut and gate is open, effect: gate is open, within: reaction}\n", 1),
        ("  E: {never: gatte is open}\n", 2),
    ],
    ids=["passes", "broken", "empty", "problem"],
)
def test_exit_codes(tmp_path: Path, requirements: str, code: int) -> None:
    done = program("verify", spec(tmp_path, requirements))
    assert done.returncode == code, done.stdout + done.stderr
    assert "Traceback" not in done.stderr


def test_a_problem_outweighs_a_breach_and_a_breach_what_is_undecided(tmp_path: Path) -> None:
    good, bad, odd = (
        spec(tmp_path, HOLDS, "good.yaml"),
        spec(tmp_path, BROKEN, "bad.yaml"),
        spec(tmp_path, "  E: {never: x}\n", "odd.yaml"),
    )
    runs = {name: pipeline.verify(name) for name in (good, bad, odd)}
    assert pipeline.exit_code([runs[good]]) == 0
    assert pipeline.exit_code([runs[good], runs[bad]]) == 1
    assert pipeline.exit_code([runs[good], runs[bad], runs[odd]]) == 2
    limited = pipeline.verify(good, limits=Limits(states=1), engine="product")
    assert isinstance(limited, pipeline.Run)
    assert [j.word for j in limited.judgements] == ["undecided", "holds"] or pipeline.exit_code([limited]) == 3
    assert pipeline.exit_code([limited, runs[bad]]) == 1


def test_json_has_the_documented_form() -> None:
    done = program("verify", "specs/two-door-hatch.yaml", "--json", "-")
    assert done.returncode == 1
    data = json.loads(done.stdout)
    assert data["format"] == 1
    assert data["spec"]["file"] == "specs/two-door-hatch.yaml"
    assert len(data["spec"]["sha256"]) == 64
    assert data["tick_ms"] == 100
    assert data["states"] == {"0": {"settled": "1803", "all": "7816"}, "1": {"settled": "9917", "all": "39385"}}
    r1 = data["requirements"][0]
    assert (r1["id"], r1["verdict"], r1["withstand"], r1["happenings"]) == ("R1", "broken", 1, 4)
    assert r1["faults"] == ["outer_latch_breaks"]
    kinds = [entry["kind"] for entry in r1["trace"]]
    assert set(kinds) <= {"event", "reaction", "fault", "jump", "time", "tick"}
    assert sum(entry.get("ticks", 1) for entry in r1["trace"] if entry["kind"] != "reaction") == 4
    assert r1["trace"][0]["name"] == "panel.ask_inner"
    assert r1["trace"][0]["by"] == "nurse"
    assert r1["trace"][0]["changes"] == {"panel": ["idle", "inner"]}


def test_json_of_several_specs_is_a_list(tmp_path: Path) -> None:
    names = [spec(tmp_path, HOLDS, "one.yaml"), spec(tmp_path, BROKEN, "two.yaml"), str(tmp_path / "none.yaml")]
    out = tmp_path / "result.json"
    done = program("verify", *names, "--json", str(out))
    assert done.returncode == 2
    data = json.loads(out.read_text(encoding="utf-8"))
    assert [Path(entry["spec"]["file"]).name for entry in data] == ["one.yaml", "two.yaml", "none.yaml"]
    assert data[2]["problems"][0]["slug"] == "no-such-file"


def test_faults_are_a_budget_for_every_requirement() -> None:
    path = str(SPECS / "two-door-hatch.yaml")
    without = pipeline.verify(path, faults=0)
    assert isinstance(without, pipeline.Run)
    assert {budget for budget, _ in without.counts} == {0}
    assert without.judgements[0].word != "broken"
    two = pipeline.verify(path, faults=2)
    assert isinstance(two, pipeline.Run)
    assert {budget for budget, _ in two.counts} == {0, 2}
    assert all(j.budget == 2 for j in two.judgements)


@pytest.mark.parametrize("engine", ["product", "symbolic"])
def test_time_runs_out_in_undecided(tmp_path: Path, engine: str) -> None:
    path = tmp_path / "table.yaml"
    path.write_text(philosophers_text(60), encoding="utf-8")
    done = program("verify", str(path), "--engine", engine, "--seconds", "0.05", "--json", "-")
    assert done.returncode == 3, done.stderr
    data = json.loads(done.stdout)
    assert "undecided" in {r["verdict"] for r in data["requirements"]}
    assert not {"holds", "reacts", "empty"} & {r["verdict"] for r in data["requirements"] if r["id"] != "R2"}
    assert "limit" in data["shortfall"]


@pytest.mark.parametrize("engine", ["product", "symbolic"])
def test_memory_runs_out_in_undecided(tmp_path: Path, engine: str) -> None:
    path = tmp_path / "table.yaml"
    path.write_text(philosophers_text(300).partition("  R3:")[0], encoding="utf-8")
    done = program("verify", str(path), "--engine", engine, "--memory", "1MB", "--json", "-")
    assert done.returncode == 3, done.stderr
    data = json.loads(done.stdout)
    assert data["requirements"][0]["verdict"] == "undecided"
    assert "MB" in data["shortfall"]


def test_too_many_states_end_in_undecided_but_a_breach_found_stands() -> None:
    path = str(SPECS / "two-door-hatch.yaml")
    run = pipeline.verify(path, limits=Limits(states=5_000), engine="product")
    assert isinstance(run, pipeline.Run)
    words = {j.requirement.name: j.word for j in run.judgements}
    assert words["R1"] in ("broken", "undecided")
    assert words["R3"] == "undecided"
    assert pipeline.exit_code([run]) in (1, 3)


def test_an_interrupted_run_never_passes_and_leaves_no_file(tmp_path: Path) -> None:
    path = tmp_path / "table.yaml"
    path.write_text(philosophers_text(300), encoding="utf-8")
    out = tmp_path / "result.json"
    command = [sys.executable, "-m", "safetymodel.cli", "verify", str(path), "--json", str(out)]
    child = subprocess.Popen(
        command, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True
    )
    time.sleep(3.0)
    child.send_signal(signal.SIGINT)
    _, errors = child.communicate(timeout=60)
    assert child.returncode == 130
    assert "Traceback" not in errors
    assert "interrupted" in errors
    assert [p.name for p in tmp_path.iterdir()] == ["table.yaml"]


def test_saved_traces_replay_with_pytest(tmp_path: Path) -> None:
    path = spec(tmp_path, BROKEN)
    done = program("verify", path, "--save-traces", str(tmp_path / "kept"))
    assert done.returncode == 1
    names = sorted(p.suffix for p in (tmp_path / "kept").iterdir())
    assert names == [".json", ".py"]
    replay = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", str(tmp_path / "kept")],
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
        timeout=120,
    )
    assert replay.returncode == 0, replay.stdout


def test_writing_where_one_cannot(tmp_path: Path) -> None:
    done = program("verify", spec(tmp_path, HOLDS), "--json", str(tmp_path))
    assert done.returncode == 2
    assert "cannot write" in done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize(
    "call",
    [
        ("verify", "--json"), ("verify", "--junit"), ("verify", "--markdown"), ("faults", "--csv"),
        ("review", "--json"), ("review", "--markdown"), ("review", "--matrix"), ("report", "--out"),
        ("sheets", "--json"), ("twin", "--write-map"),
    ],
)  # fmt: skip
def test_a_folder_that_is_not_there_is_told_before_any_work(
    call: tuple[str, str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    command, option = call
    monkeypatch.setattr("safetymodel.model.build.load", lambda *given: pytest.fail("the spec was read before"))
    with pytest.raises(SystemExit) as ended:
        main([command, "no.yaml", option, str(tmp_path / "nowhere" / "x.csv")])
    assert ended.value.code == 2
    said = capsys.readouterr()
    assert f"Invalid value for '{'-o' if option == '--out' else option}'" in said.err
    assert "there is no folder" in said.err
    assert not said.out


@pytest.mark.parametrize("command", ["verify", "review", "faults", "report", "compare"])
def test_what_is_no_number_is_no_limit_of_time(command: str, capsys: pytest.CaptureFixture[str]) -> None:
    files = ["a.yaml", "b.yaml"] if command == "compare" else ["a.yaml"]
    with pytest.raises(SystemExit) as ended:
        main([command, *files, "--seconds", "nan"])
    assert ended.value.code == 2
    assert "nan is no time" in capsys.readouterr().err


def test_small_models_get_the_other_engines_opinion() -> None:
    run = pipeline.verify(str(SPECS / "pass-through.yaml"))
    assert isinstance(run, pipeline.Run)
    assert run.engine == "product"
    assert {(j.second.road, j.second.agrees) for j in run.judgements if j.second} == {("other engine", True)}
    assert all(j.second for j in run.judgements)


def test_a_disagreement_is_exit_code_4_and_nothing_passes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    from dataclasses import replace

    from safetymodel import cli

    def disagree(judgements: Any, *_: Any) -> Any:
        return tuple(replace(j, second=Opinion("other engine", False, "made up")) for j in judgements)

    monkeypatch.setattr(second, "by_other_engine", disagree)
    path = spec(tmp_path, HOLDS)
    monkeypatch.chdir(tmp_path)
    with pytest.raises(SystemExit) as left:
        cli.main(["verify", path])
    assert left.value.code == 4
    shown = capsys.readouterr()
    assert "disagree" in shown.err
    assert "holds" not in shown.out.split("what it says")[1].split("requirements:")[0]
    files = list(tmp_path.glob("safetymodel-disagreement-*.json"))
    assert len(files) == 1
    data = json.loads(files[0].read_text(encoding="utf-8"))
    assert "made up" in data["disagreement"]
    assert "Lock gate" in data["spec_text"]
    assert all(r["verdict"] not in ("holds", "reacts") for r in data["run"]["requirements"])


def test_a_run_that_is_none_of_the_models_is_exit_code_4_too(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    from safetymodel import cli
    from safetymodel.claims.search import Walker

    monkeypatch.setattr(Walker, "offered", lambda *_: iter(()))  # the engine finds a run, the step function does not
    monkeypatch.chdir(tmp_path)
    for command in ("verify", "faults", "review"):
        with pytest.raises(SystemExit) as left:
            cli.main([command, str(SPECS / "two-door-hatch.yaml")])
        assert left.value.code == 4, command
        shown = capsys.readouterr()
        assert "none of the step function" in shown.out + shown.err
        assert "Traceback" not in shown.err


def test_a_second_opinion_in_any_case_writes_down_more_states(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pipeline, "SMALL", 100)
    path = str(SPECS / "two-door-hatch.yaml")  # 39,385 states, explored as sets
    for wanted, roads in (("auto", {"re-stepped", "invariant of a part", "witness"}), ("always", {"other engine"})):
        run = pipeline.verify(path, second_opinion=wanted)  # type: ignore[arg-type]
        assert isinstance(run, pipeline.Run)
        assert run.engine == "symbolic"
        assert {j.second.road for j in run.judgements if j.second is not None} <= roads
    monkeypatch.setattr(pipeline, "MOST_WRITTEN", 100)
    run = pipeline.verify(path, second_opinion="always")
    assert isinstance(run, pipeline.Run)
    assert "other engine" not in {j.second.road for j in run.judgements if j.second is not None}
