"""Devices in real time: the map's settle, at_most and slack, with a clock of the tests' own and over real lines."""

from __future__ import annotations

import os
import re
import shlex
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from safetymodel.bench import run as rig_room
from safetymodel.bench.connect import open_device
from safetymodel.bench.map_file import load_mapping, read_mapping
from safetymodel.bench.mapping import Mapping, mapping_by_names
from safetymodel.bench.real_time import InRealTime
from safetymodel.bench.run import Record, run
from safetymodel.bench.stimulus import Stimulus, read_stimuli
from safetymodel.bench.told import told
from safetymodel.bench.tracking import Tracker
from safetymodel.bench.twin import Twin
from safetymodel.cli import main
from safetymodel.model.build import load, load_text
from safetymodel.model.system import System
from safetymodel.problems import Problem

ROOT = Path(__file__).parent.parent
HATCH = str(ROOT / "specs" / "two-door-hatch.yaml")

DRYER = """
safetymodel: 1
title: Dryer
subsystems:
  lid: {states: [shut, open], transitions: [{from: shut, to: open, on: lift}, {from: open, to: shut, on: drop}],
        events: {lift: {by: user}, drop: {by: user}}}
  button: {states: [out, in], events: {push: {by: user}, pull: {by: user}},
           transitions: [{from: out, to: in, on: push}, {from: in, to: out, on: pull}]}
  fan:
    states: ["off", waiting, running]
    transitions:
      - {from: "off", to: waiting, if: button is in}
      - {from: waiting, to: running, after: 1 s, if: button is in}
      - {from: [waiting, running], to: "off", if: button is out}
"""
TIMES = "time: {{settle: 100 ms, at_most: 500 ms, slack: {slack}}}\n"


class Clock:
    """Stands still but for what is slept."""

    def __init__(self) -> None:
        self.seconds = 1_000.0

    def monotonic(self) -> float:
        return self.seconds

    def sleep(self, seconds: float) -> None:
        assert seconds >= 0
        self.seconds += seconds


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> Clock:
    found = Clock()
    monkeypatch.setattr(rig_room, "time", found)
    return found


@pytest.fixture(scope="module")
def dryer() -> System:
    system, problems = load_text(DRYER, "dryer.yaml")
    assert system is not None, problems
    return system


def dryer_map(system: System, slack: int = 0) -> Mapping:
    text = "safetymodel_map: 1\nevents:\n"
    text += "".join(f"  {e.name}: {{apply: {e.name}}}\n" for e in system.events)
    text += "outputs:\n" + "".join(f"  {s.name}: {{point: {s.name}}}\n" for s in system.subsystems)
    mapping, problems = read_mapping((text + TIMES.format(slack=slack)).encode(), "map.yaml", system)
    assert mapping is not None, problems
    return mapping


def worked(
    system: System, clock: Clock, late: float, names: list[str], slack: int = 0, twin: Callable[[], Twin] | None = None
) -> Record:
    device = InRealTime(twin() if twin is not None else Twin(system), late, clock.monotonic, clock.sleep)
    stimuli, problem = read_stimuli(system, names)
    assert problem is None
    return run(system, dryer_map(system, slack), device, stimuli)


@pytest.mark.parametrize(
    ("late", "right"), [(0, True), (99.9, True), (101, True), (499.9, True), (500.1, False), (3_000, False)]
)
def test_a_late_answer_fits_up_to_at_most_and_not_beyond(dryer: System, clock: Clock, late: float, right: bool) -> None:
    record = worked(dryer, clock, late, ["lid.lift"])
    assert (record.difference is None) == right
    if record.difference is not None:
        assert record.difference.outputs == ("lid",)


def test_nothing_is_read_before_the_device_had_time_to_settle(dryer: System, clock: Clock) -> None:
    read: list[float] = []

    class Told(InRealTime):
        def read(self, points):  # type: ignore[no-untyped-def]
            read.append(clock.seconds)
            return super().read(points)

    device = Told(Twin(dryer), 0, clock.monotonic, clock.sleep)
    assert run(dryer, dryer_map(dryer), device, [Stimulus("event", 0)]).difference is None
    assert read == pytest.approx([1_000.1, 1_000.2])


def test_time_that_goes_by_between_stimuli_is_time_for_the_model_too(dryer: System, clock: Clock) -> None:
    """Each stimulus takes 100 ms to settle: after ten of them the fan runs, though nobody has asked for a wait."""
    names = ["button.push"] + ["lid.lift", "lid.drop"] * 8
    record = worked(dryer, clock, 0, names)
    assert record.difference is None
    assert record.shown[-1]["fan"] == "running"
    assert sum(record.drift) == 2  # 1.7 s, in ticks of 1 s, begun ones counted


class Hasty(Twin):
    """Its fan runs at once."""

    def read(self, points):  # type: ignore[no-untyped-def]
        shown = dict(super().read(points))
        return {point: "running" if value == "waiting" else value for point, value in shown.items()}


class Lazy(Twin):
    """Its fan never runs."""

    def read(self, points):  # type: ignore[no-untyped-def]
        shown = dict(super().read(points))
        return {point: "waiting" if value == "running" else value for point, value in shown.items()}


def test_a_timer_that_never_ends_differs_after_its_time_and_slack(dryer: System, clock: Clock) -> None:
    for slack in (0, 1):
        right = worked(dryer, clock, 0, ["button.push", "wait 3 s"], slack)
        wrong = worked(dryer, clock, 0, ["button.push", "wait 3 s"], slack, lambda: Lazy(dryer))
        assert right.difference is None
        assert wrong.difference is not None
        assert wrong.difference.outputs == ("fan",)
    early = worked(dryer, clock, 0, ["button.push", "wait 1 s"], 1, lambda: Lazy(dryer))
    assert early.difference is None, "within its slack the wait may have been none"


def test_a_timer_that_ends_at_once_differs_where_no_tick_can_have_passed() -> None:
    """With a point for the ticks nothing drifts: there a hasty fan differs at once."""
    system, _ = load_text(DRYER, "dryer.yaml")
    assert system is not None
    stimuli, _ = read_stimuli(system, ["button.push"])
    found = run(system, mapping_by_names(system), Hasty(system), stimuli)
    assert found.difference is not None
    assert found.difference.outputs == ("fan",)


def test_a_run_in_real_time_is_told_to_its_end(dryer: System, clock: Clock) -> None:
    names = ["button.push"] + ["lid.lift", "lid.drop"] * 8 + ["button.pull"]
    record = worked(dryer, clock, 0, names)
    texts = [line.text for line in told(dryer, dryer_map(dryer), record, Tracker(dryer))]
    assert any("waiting -> running" in text for text in texts)
    assert any("running -> off" in text for text in texts)


# -- by the real clock --------------------------------------------------------------------------

CHILD = """
import json, sys
from fractions import Fraction
from safetymodel.bench.real_time import InRealTime
from safetymodel.bench.twin import Twin
from safetymodel.model.build import load
system, _ = load(sys.argv[1])
twin = InRealTime(Twin(system), float(sys.argv[2]))
for line in sys.stdin:
    message, answer = json.loads(line), {"ok": True}
    match message["do"]:
        case "reset": twin.reset()
        case "apply": twin.apply(message["point"])
        case "wait": twin.wait(Fraction(message["ms"]))
        case "read": answer = {"values": dict(twin.read(message["points"]))}
    print(json.dumps(answer), flush=True)
"""


def by_names(system: System, times: str) -> str:
    text = f"safetymodel_map: 1\ntime: {times}\nevents:\n"
    text += "".join(f"  {e.name}: {{apply: {e.name}}}\n" for e in system.events)
    return text + "outputs:\n" + "".join(f"  {s.name}: {{point: {s.name}}}\n" for s in system.subsystems)


@pytest.mark.parametrize(
    ("late", "times", "ended"),
    [
        (60, "{settle: 1 ms, at_most: 20 s, slack: 1}", "limit"),
        (60_000, "{settle: 1 ms, at_most: 200 ms, slack: 1}", "difference"),
    ],
)
def test_a_child_process_that_answers_late(tmp_path: Path, late: int, times: str, ended: str) -> None:
    """The limits are far from the delays: a slow machine does not change what comes of it."""
    system, _ = load(HATCH)
    assert system is not None
    child, map_file = tmp_path / "child.py", tmp_path / "map.yaml"
    child.write_text(CHILD, encoding="utf-8")
    map_file.write_text(by_names(system, times), encoding="utf-8")
    record = over(system, f"lines:{shlex.join([sys.executable, str(child), HATCH, str(late)])}", str(map_file))
    assert record.error is None
    assert ("limit" if record.difference is None else "difference") == ended


def over(system: System, name: str, map_file: str) -> Record:
    """A short run on a device by its name."""
    mapping, problems = load_mapping(map_file, system)
    assert mapping is not None, problems
    device = open_device(name, system, 60.0)
    assert not isinstance(device, Problem)
    stimuli, _ = read_stimuli(system, ["panel.ask_inner", "inner_door.pull", "wait 200 ms", "inner_door.push"])
    try:
        return run(system, mapping, device, stimuli)
    finally:
        device.close()


def called(*arguments: str) -> int:
    with pytest.raises(SystemExit) as left:
        main(list(arguments))
    assert isinstance(left.value.code, int)
    return left.value.code


def test_a_twin_in_real_time_over_modbus(tmp_path: Path) -> None:
    system, _ = load(HATCH)
    assert system is not None
    map_file = tmp_path / "map.yaml"
    assert called("twin", HATCH, "--real-time", "--late", "30", "--write-map", str(map_file)) == 0
    text = map_file.read_text(encoding="utf-8")
    assert "time: {settle: 30 ms, at_most: 530 ms, slack: 1}" in text
    map_file.write_text(text.replace("530 ms", "20 s"), encoding="utf-8")
    command = [sys.executable, "-m", "safetymodel.cli", "twin", HATCH, "--modbus", "0", "--quiet", "--real-time"]
    process = subprocess.Popen(
        [*command, "--late", "30"], stdout=subprocess.PIPE, text=True, env={**os.environ, "PYTHONUNBUFFERED": "1"}
    )
    try:
        assert process.stdout is not None
        port = re.search(r":([0-9]+),", process.stdout.readline())
        assert port is not None
        device = f"modbus://127.0.0.1:{port[1]}"
        record = over(system, device, str(map_file))
        assert record.error is None
        assert record.difference is None
        assert record.shown[-1]["inner_door"] == 0
        map_file.write_text(re.sub("time: .*", "time: {tick: holding 0}", text), encoding="utf-8")
        refused = over(system, device, str(map_file))
        assert refused.error is not None or refused.difference is not None, "its time does not pass by a point"
    finally:
        process.kill()
        process.wait()
        assert process.stdout is not None
        process.stdout.close()


def test_late_without_real_time_is_a_mistake(capsys: pytest.CaptureFixture[str]) -> None:
    assert called("twin", HATCH, "--late", "30", "--modbus", "0") == 2
    assert "--late belongs to a twin in real time [real-time-only]" in capsys.readouterr().err
