"""Devices of all kinds on the bench: a bad one is found, and one that fails ends the run, never in a pass."""

from __future__ import annotations

import json
import os
import re
import shlex
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from safetymodel.bench.connect import open_device
from safetymodel.bench.guarded import Guarded
from safetymodel.bench.hunt import Bounds
from safetymodel.bench.map_file import load_mapping, read_mapping
from safetymodel.bench.mapping import mapping_by_names
from safetymodel.bench.modbus import Layout, ModbusDevice, _requests
from safetymodel.bench.modbus_points import parse_point
from safetymodel.bench.run import Rig, run
from safetymodel.bench.stimulus import Stimulus, read_stimuli
from safetymodel.bench.story import Benched, Call, bench
from safetymodel.bench.tracking import Tracker
from safetymodel.bench.twin import Twin
from safetymodel.cli import main
from safetymodel.model.build import load
from safetymodel.model.system import System
from safetymodel.problems import Problem

ROOT = Path(__file__).parent.parent
SPEC = str(ROOT / "specs" / "two-door-hatch.yaml")
RIG = Path(__file__).parent / "rig_of_hatch.py"


@pytest.fixture(scope="module")
def hatch() -> System:
    system, _ = load(SPEC)
    assert system is not None
    return system


def lines(how: str = "") -> str:
    return f"lines:{shlex.join([sys.executable, str(RIG), how])}"


def benched(system: System, device: str, **more: object) -> Benched:
    found = bench(system, Call(device, bounds=Bounds(steps=more.pop("steps", 120)), **more))  # type: ignore[arg-type]
    assert isinstance(found, Benched), found
    return found


# -- Python objects and child processes ---------------------------------------------------------


@pytest.mark.parametrize("device", ["python:rig_of_hatch:Hatch", lines()])
def test_a_controller_by_hand_follows_the_model(hatch: System, device: str) -> None:
    found = benched(hatch, device, faults=0)
    assert (found.ended, found.exit_code) == ("limit", 0)
    assert found.hunt is not None
    assert found.hunt.steps == 120


@pytest.mark.parametrize("device", ["python:rig_of_hatch:Careless", lines("careless")])
def test_a_careless_controller_is_found_and_the_way_is_short(hatch: System, device: str) -> None:
    found = benched(hatch, device, faults=0, steps=2_000)
    assert (found.ended, found.exit_code) == ("difference", 1)
    names = [hatch.events[s.number].name for s in found.record.stimuli]
    assert names == ["panel.ask_inner", "inner_door.pull", "panel.ask_outer", "outer_door.pull"]
    assert found.record.difference is not None
    assert found.record.difference.outputs == ("outer_door",)


@pytest.mark.parametrize(
    ("device", "trouble", "message"),
    [
        (
            "python:rig_of_hatch:Breaking",
            "lost",
            r"apply\(\) of the device fails: RuntimeError: watchdog \\x1b\[31mred",
        ),
        ("python:rig_of_hatch:Leaving", "lost", r"apply\(\) of the device fails: SystemExit: 0"),
        ("python:rig_of_hatch:Hanging", "slow", r"apply\(\) of the device does not return within 0.5 s"),
        (lines("declines"), "garbage", r'the device answers a `\w+` (with \{"ok": false\}|without `values`)'),
        (lines("mumbles"), "garbage", r"the device answers a `\w+` (with \{\}|without `values`)"),
        (lines("dies"), "lost", "the device is gone: it ended with exit code 7"),
        (lines("sleeps"), "slow", "no answer to `.*` within 0.5 s"),
        (lines("babbles"), "garbage", r"the device answers Hello there \\x1b\[31m"),
        (lines("refuses"), "refused", "the device says: 'not today'|the device says: not today"),
        (lines("lists"), "garbage", r".* is \[1\]: no text, whole number or truth value"),
        (lines("forgets"), "garbage", "the device says nothing of inner_door"),
        (lines("strange"), "garbage", "panel shows 'purple', which is no value of panel"),
        (
            lines("chatters"),
            "garbage",
            "the device (speaks without being asked|answers a `read` without `values`|answers a `.*` with .*)",
        ),
    ],
)
def test_a_device_that_fails_ends_the_run_and_the_way_so_far_is_kept(
    hatch: System, device: str, trouble: str, message: str
) -> None:
    found = benched(hatch, device, faults=0, timeout=0.5 if re.search("sleeps|Hanging", device) else 5.0)
    assert (found.ended, found.exit_code) == ("device", 3)
    error = found.record.error
    assert error is not None
    assert error.trouble == trouble
    assert re.fullmatch(message + r".*", error.message), error.message
    if "rig_of_hatch" in device:
        assert found.record.stimuli
        assert len(found.record.shown) in (len(found.record.stimuli), len(found.record.stimuli) + 1)


@pytest.mark.parametrize(
    ("device", "slug", "hint"),
    [
        ("twinn", "unknown-device", "did you mean twin?"),
        ("serial:COM1", "unknown-device", "a device is `twin`, `python:module:object`, "),
        ("python:rig_of_hatch", "bad-address", "write `python:module:object`"),
        ("python:rig_of_hatch:Hetch", "no-such-object", "did you mean Hatch?"),
        ("python:rig_of_hutch:Hatch", "no-such-module", "modules are looked for in this folder"),
        ("python:rig_of_hatch:Half", "not-a-device", "a device has reset, apply, wait, read"),
        ("python:rig_of_hatch:talk", "device-fails", ""),
        ("python:rig_of_hatch:Unmade", "device-fails", ""),
        ("modbus://nowhere", "map-needed", "`safetymodel twin SPEC --write-map FILE`"),
    ],
)
def test_mistakes_in_the_name_of_a_device(hatch: System, device: str, slug: str, hint: str) -> None:
    found = bench(hatch, Call(device))
    assert isinstance(found, tuple)
    assert [problem.slug for problem in found] == [slug]
    assert found[0].hint.startswith(hint)


def test_what_only_the_twin_takes_is_refused_of_others(hatch: System) -> None:
    for more, slug in (({"defect": "x"}, "defect-of-device"), ({"order": 3}, "order-of-device")):
        found = bench(hatch, Call("python:rig_of_hatch:Hatch", **more))  # type: ignore[arg-type]
        assert isinstance(found, tuple)
        assert [problem.slug for problem in found] == [slug]


@pytest.mark.parametrize(
    "address", ["modbus://nowhere", "modbus://h:0", "modbus://h:70000", "modbus://h:5/300", "modbus:h:1"]
)
def test_mistakes_in_a_modbus_address(hatch: System, address: str) -> None:
    found = open_device(address, hatch)
    assert isinstance(found, Problem)
    assert found.slug == "bad-address"


# -- what is not shown, and what the bench plays itself -----------------------------------------

RACE = """\
safetymodel: 1
title: Race
subsystems:
  key: {states: [out, in], events: {turn: {}}, transitions: [{from: out, to: in, on: turn}]}
  a: {states: [idle, won], transitions: [{from: idle, to: won, if: key is in and b is idle}]}
  b: {states: [idle, won], transitions: [{from: idle, to: won, if: key is in and a is idle}]}
  horn: {states: [off, on], events: {press: {}}, transitions: [{from: off, to: on, on: press, if: a is won}]}
"""


def test_any_order_of_reaction_is_right_and_what_is_seen_narrows_what_is_possible() -> None:
    from safetymodel.model.build import load_text

    system, _ = load_text(RACE, "race.yaml")
    assert system is not None
    text = "safetymodel_map: 1\nevents: {key.turn: {apply: key.turn}, horn.press: {apply: horn.press}}\n"
    text += "outputs: {horn: {point: horn}}\n"
    mapping, problems = read_mapping(text.encode(), "race-map.yaml", system)
    assert mapping is not None, problems
    seen = set()
    for order in range(8):
        rig = Rig(system, mapping, Twin(system, seed=order))
        assert rig.begin() is None
        assert rig.give(Stimulus("event", 0)) is None
        assert len(rig.possible) == 2
        assert rig.give(Stimulus("event", 1)) is None
        assert len(rig.possible) == 1  # the horn tells who has won
        seen.add(rig.shown[-1]["horn"])
    assert seen == {"off", "on"}


def test_the_bench_plays_inputs_to_a_controller_that_sees_nothing_else(hatch: System) -> None:
    text = "safetymodel_map: 1\n"
    text += "events:\n" + "".join(f"  {e.name}: {{apply: {e.name}}}\n" for e in hatch.events)
    text += "inputs: {inner_shut: {point: inner_shut}, outer_shut: {point: outer_shut}}\n"
    text += "outputs:\n" + "".join(f"  {s.name}: {{point: {s.name}}}\n" for s in hatch.subsystems)
    mapping, problems = read_mapping(text.encode(), "map.yaml", hatch)
    assert mapping is not None, problems
    names = ["panel.ask_inner", "inner_door.pull", "panel.ask_outer", "outer_door.pull", "fault inner_switch_bridged"]
    names += ["outer_door.pull", "inner_door.push", "wait 30 s"]
    stimuli, problem = read_stimuli(hatch, names)
    assert problem is None

    class Watched(Twin):
        written: list[tuple[str, object]]

        def write(self, point: str, value: bool | int | str) -> None:
            self.written = [*getattr(self, "written", []), (point, value)]
            super().write(point, value)

    twin = Watched(hatch)
    record = run(hatch, mapping, twin, stimuli)
    assert record.difference is None
    assert ("inner_shut", False) in twin.written
    assert record.shown[-2]["outer_door"] == "open"  # the bridged switch let it open behind an open inner door


def test_a_map_of_signals_and_of_states_that_look_alike(hatch: System) -> None:
    text = """\
safetymodel_map: 1
events: {panel.ask_inner: {apply: panel.ask_inner}}
outputs:
  sealed: {point: sealed}
  inner_shut: {point: inner_shut}
"""
    mapping, _ = read_mapping(text.encode(), "map.yaml", hatch)
    assert mapping is not None
    rig = Rig(hatch, mapping, Twin(hatch), Tracker(hatch))
    assert rig.begin() is None
    assert rig.give(Stimulus("event", 4)) is None
    inverted, _ = read_mapping(
        text.replace("point: sealed", "point: sealed, inverted: true").encode(), "map.yaml", hatch
    )
    assert inverted is not None
    rig = Rig(hatch, inverted, Twin(hatch), Tracker(hatch))
    difference = rig.begin()
    assert difference is not None
    assert difference.outputs == ("sealed",)


BAD_MAP = """\
safetymodel_map: 1
time: {settle: 2 h, tock: 5}
events:
  panel.ask_iner: {apply: coil 1}
  panel.ask_outer: {apply: coil 1, set: coil 2}
  inner_door.pull: {}
  inner_door.push: {apply: coil 3, to: 5}
inputs:
  inner_shutt: {point: coil 1}
outputs:
  panel: {point: input 3, values: {idle: 0, iner: 1, outer: 2}}
  pannel: {point: input 4}
  sealed: {point: input 5, values: {a: 1}}
  inner_bolt: {values: {in: 0, out: 1}}
faults:
  inner_bolt_jamed: {apply: coil 9}
"""


def test_mistakes_in_a_map(hatch: System) -> None:
    mapping, problems = read_mapping(BAD_MAP.encode(), "map.yaml", hatch)
    assert mapping is None
    assert sorted((p.span.line, p.slug) for p in problems) == [
        (2, "bad-duration"), (2, "unknown-key"), (4, "unknown-event"), (5, "one-action"), (6, "one-action"),
        (7, "one-action"), (9, "unknown-signal"), (11, "missing-state"), (11, "unknown-state"), (12, "unknown-output"),
        (13, "values-of-truth"), (14, "missing-key"), (16, "unknown-fault"),
    ]  # fmt: skip
    hints = {p.slug: p.hint for p in problems}
    assert hints["unknown-event"] == "did you mean panel.ask_inner?"
    assert hints["unknown-output"] == "did you mean panel?"
    forced = b"safetymodel_map: 1\noutputs: {panel: {point: a}}\nfaults: {forced_inner_shut_true: {apply: b}}\n"
    (problem,) = read_mapping(forced, "map.yaml", hatch)[1]
    assert problem.hint == "a signal is forced where the bench plays it: `inputs: {inner_shut: {point: ...}}`"
    for text in (b"", b"- a\n", b"safetymodel_map: 2\noutputs: {panel: {point: a}}\n", b"\xff"):
        mapping, problems = read_mapping(text, "map.yaml", hatch)
        assert mapping is None
        assert problems
    assert problems[0].slug == "not-utf-8"
    assert load_mapping("no-such-map.yaml", hatch)[1][0].slug == "no-such-file"


BAD_POINTS = """\
safetymodel_map: 1
time: {settle: 500 ms, at_most: 10 ms, tick: coil 9}
events:
  panel.ask_inner: {apply: coil one}
  panel.ask_outer: {apply: discrete 1}
  inner_door.pull: {set: coil 7, to: 7}
  inner_door.push: {set: holding 70000}
  outer_door.pull: {apply: coil 3}
inputs:
  inner_shut: {point: input 4}
outputs:
  panel: {point: input 1}
  inner_door: {point: holding 2, values: {closed: 0, open: 99999}}
  inner_bolt: {point: coil -1, values: {in: false, out: true}}
  outer_door: {point: discrete 3, values: {closed: false, open: ajar}}
faults:
  inner_bolt_jammed: {apply: coil 3}
"""


def test_mistakes_in_a_modbus_map_are_told_before_any_connection(hatch: System, tmp_path: Path) -> None:
    path = tmp_path / "map.yaml"
    path.write_text(BAD_POINTS, encoding="utf-8")
    found = bench(hatch, Call("modbus://127.0.0.1:1", str(path)))
    assert isinstance(found, tuple), "it tried to connect"
    assert sorted((p.span.line, p.slug) for p in found) == [
        (1, "no-reset"), (2, "bad-duration"), (2, "bad-point"), (4, "bad-point"), (5, "bad-point"), (6, "bad-value"),
        (7, "bad-point"), (10, "bad-point"), (12, "missing-values"), (13, "bad-value"), (14, "bad-point"),
        (15, "bad-value"), (17, "same-point"),
    ]  # fmt: skip
    told = {p.span.line: p for p in found}
    assert all(p.span.column > 1 for line, p in told.items() if line > 1)
    assert told[4].message == "`coil one` is no Modbus point"
    assert told[5].message == "discrete 1 can only be read"
    assert told[6].message == "coil 7 is true or false, never 7"
    assert told[12].hint == "add `values: {idle: 0, inner: 1, outer: 2}`, as the device has it"
    assert told[17].others[0].line == 8
    others = {p.slug for p in load_mapping(str(path), hatch, "lines:./rig")[1]}
    assert others == {"bad-duration", "same-point"}, "the points of other devices are their own affair"


@pytest.mark.parametrize(
    ("device", "slug", "message"),
    [
        ("lines:", "no-command", "no command is given"),
        ("lines:python3 'rig.py", "bad-command", "the command cannot be read: No closing quotation"),
        ("lines:no-such-rig --fast", "no-such-command", "there is no command no-such-rig"),
        ("lines:./no/rig", "no-such-command", "there is no command ./no/rig"),
    ],
)
@pytest.mark.parametrize("sheet", [False, True])
def test_mistakes_in_a_command_are_mistakes_of_the_call(
    device: str, slug: str, message: str, sheet: bool, capsys: pytest.CaptureFixture[str]
) -> None:
    from safetymodel.cli import main

    with pytest.raises(SystemExit) as left:
        main(["bench", SPEC, "--device", device, *(["--sheet"] if sheet else [])])
    assert left.value.code == 2
    assert f"error: {message} [{slug}]" in capsys.readouterr().err


def test_every_map_that_is_written_is_read_back() -> None:
    looked = 0
    for path in sorted((ROOT / "specs").rglob("*.yaml")):
        system, _ = load(str(path))
        if system is None:
            continue
        mapping, problems = read_mapping(Layout(system).map_text().encode(), "map.yaml", system, "modbus://h:1")
        assert mapping is not None, (path, problems)
        assert None not in mapping.events + mapping.faults
        assert {o.subsystem for o in mapping.outputs if o.subsystem is not None} == set(range(len(system.subsystems)))
        for point in mapping.points:
            parse_point(point)
        looked += 1
    assert looked > 10


# -- Modbus on loopback ---------------------------------------------------------------------------


@contextmanager
def served(*more: str) -> Iterator[tuple[subprocess.Popen[str], int]]:
    """A twin of the hatch that serves Modbus in a process of its own, and its port."""
    command = [sys.executable, "-m", "safetymodel.cli", "twin", SPEC, "--modbus", "0", "--quiet", *more]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env={**os.environ, "PYTHONUNBUFFERED": "1"})
    try:
        assert process.stdout is not None
        line = process.stdout.readline()
        found = re.search(r"listening on 127\.0\.0\.1:([0-9]+)", line)
        assert found, line
        yield process, int(found[1])
    finally:
        process.kill()
        process.wait()
        assert process.stdout is not None
        process.stdout.close()


@pytest.fixture
def map_file(tmp_path: Path, hatch: System) -> str:
    path = tmp_path / "map.yaml"
    path.write_text(Layout(hatch).map_text(), encoding="utf-8")
    return str(path)


def test_a_twin_over_modbus_follows_the_model_and_can_be_killed(
    hatch: System, map_file: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    with served() as (process, port):
        device = f"modbus://127.0.0.1:{port}"
        found = benched(hatch, device, map_file=map_file, steps=150)
        assert (found.ended, found.exit_code) == ("limit", 0)
        assert found.hunt is not None
        assert found.hunt.coverage[1].seen >= 14
        strange = Path(map_file).with_name("strange.yaml")
        strange.write_text(Path(map_file).read_text(encoding="utf-8").replace("outer: 2", "outer: 5"), encoding="utf-8")
        found = benched(hatch, device, map_file=str(strange), steps=500)
        assert found.ended == "device"
        assert found.record.error is not None
        assert found.record.error.message == "input 3 shows 2, which is no value of panel"
        beyond = Path(map_file).with_name("beyond.yaml")
        beyond.write_text(
            Path(map_file).read_text(encoding="utf-8").replace("point: input 5", "point: input 900"), encoding="utf-8"
        )
        found = benched(hatch, device, map_file=str(beyond))
        assert found.record.error is not None
        assert found.record.error.trouble == "garbage"
        assert "illegal address" in found.record.error.message

        applied = 0
        apply = ModbusDevice.apply

        def killing(self: ModbusDevice, point: str) -> None:
            nonlocal applied
            applied += 1
            if applied == 60:
                process.kill()
            apply(self, point)

        monkeypatch.setattr(ModbusDevice, "apply", killing)
        found = benched(hatch, device, map_file=map_file, steps=100_000, timeout=2.0)
    assert (found.ended, found.exit_code) == ("device", 3)
    assert found.record.error is not None
    assert found.record.error.trouble == "lost"
    assert found.record.stimuli
    assert found.hunt is not None
    assert found.hunt.steps > 10


def test_a_defect_is_found_over_modbus(hatch: System, map_file: str) -> None:
    with served("--defect", "stuck:inner_shut:true") as (_, port):
        found = benched(hatch, f"modbus://127.0.0.1:{port}", map_file=map_file, steps=800)
    assert (found.ended, found.exit_code) == ("difference", 1)
    assert len(found.record.stimuli) == 2
    assert found.record.difference is not None
    assert "inner_shut" in found.record.difference.outputs


@contextmanager
def answering(answer: Callable[[socket.socket], None]) -> Iterator[int]:
    """A bare server on loopback that treats each connection so; its port."""
    with socket.socket() as server:
        server.bind(("127.0.0.1", 0))
        server.listen()
        server.settimeout(20)

        def serve() -> None:
            try:
                while True:
                    connection, _ = server.accept()
                    with connection:
                        answer(connection)
            except OSError:
                return

        thread = threading.Thread(target=serve, daemon=True)
        thread.start()
        yield server.getsockname()[1]


def silent(connection: socket.socket) -> None:
    connection.settimeout(3)
    try:
        while connection.recv(1000):
            pass
    except OSError:
        return


def babbling(connection: socket.socket) -> None:
    connection.settimeout(3)
    try:
        while connection.recv(1000):
            connection.sendall(b"HTTP/1.1 400 Bad Request\r\n\r\n\x00\x00\x00")
    except OSError:
        return


def closing(connection: socket.socket) -> None:
    connection.recv(1000)


@pytest.mark.parametrize(("answer", "trouble"), [(silent, "slow"), (babbling, "garbage"), (closing, "lost")])
def test_a_server_that_is_no_device(
    hatch: System, map_file: str, answer: Callable[[socket.socket], None], trouble: str
) -> None:
    with answering(answer) as port:
        started = time.monotonic()
        found = benched(hatch, f"modbus://127.0.0.1:{port}", map_file=map_file, timeout=0.4)
    assert (found.ended, found.exit_code) == ("device", 3)
    assert found.record.error is not None
    assert found.record.error.trouble == trouble, found.record.error.message
    assert time.monotonic() - started < 20


def test_nobody_listens(hatch: System, map_file: str, capsys: pytest.CaptureFixture[str]) -> None:
    with socket.socket() as bound:
        bound.bind(("127.0.0.1", 0))
        port = bound.getsockname()[1]
        with pytest.raises(SystemExit) as left:
            main(["bench", SPEC, "--device", f"modbus://127.0.0.1:{port}", "--map", map_file, "--timeout", "1"])
    assert left.value.code == 3
    out = capsys.readouterr().out
    assert f"ended early, which is never a pass: refused: no connection to 127.0.0.1:{port}" in out
    assert "no difference" not in out


def test_requests_are_few_and_within_what_one_may_ask() -> None:
    points = [("coil", n) for n in range(0, 2_500)] + [("input", 5), ("input", 9), ("input", 200)]
    assert _requests(points) == [("coil", 0, 2_000), ("coil", 2_000, 500), ("input", 5, 5), ("input", 200, 1)]


def test_whatever_a_python_device_raises_is_its_own_fault() -> None:
    from safetymodel.bench.device import DeviceError

    class Bare:
        def read(self, points: object) -> object:
            return 5

    guarded = Guarded(Bare())
    for call, trouble in [(lambda: guarded.read(["a"]), "garbage"), (lambda: guarded.write("a", 1), "refused")]:
        with pytest.raises(DeviceError) as caught:
            call()
        assert caught.value.trouble == trouble
    guarded.close()


def test_names_of_the_spec_need_no_map(hatch: System) -> None:
    mapping = mapping_by_names(hatch)
    assert mapping.points == tuple(s.name for s in hatch.subsystems)
    assert json.dumps([a.point for a in mapping.faults if a is not None]).count("fault ") == 3


def test_an_empty_line_is_called_so(hatch: System) -> None:
    from safetymodel.bench.device import DeviceError

    command = f'{sys.executable} -c "import sys; [print(flush=True) for line in sys.stdin]"'
    device = open_device(f"lines:{command}", hatch)
    assert not isinstance(device, Problem)
    try:
        with pytest.raises(DeviceError, match="the device answers with an empty line"):
            device.reset()
    finally:
        device.close()
