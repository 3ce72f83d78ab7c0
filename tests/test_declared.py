"""Comparing revisions and baselines misses nothing that a spec declares: every key of the format, every field of a
system."""

from __future__ import annotations

import dataclasses
import inspect
import json
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest

from safetymodel.cli import main
from safetymodel.comparison import compare, compare_exit_code
from safetymodel.model import system as parts
from safetymodel.model.build import load_text
from safetymodel.model.formula import Formula, Not
from safetymodel.model.system import Approach, Failure, System
from safetymodel.report.compare_said import said_of_comparison
from safetymodel.report.compared import Compared
from safetymodel.report.terminal import plain_lines
from safetymodel.revisions.declared import ELSEWHERE, declarations
from safetymodel.spec import schema

POOL = """\
safetymodel: 1
title: Pool lift
text: A seat lowers bathers.
tick: 100 ms
mission_time: 10 years
subsystems:
  seat:
    text: Seat over the pool
    role: actuator
    states: [up, down]
    events:
      lower: {by: helper, text: lowers the seat}
      lift: {by: helper, joint: true, controllable: true}
    transitions:
      - {from: up, to: down, on: lower, if: clear and gate is shut, text: the winch runs}
      - {from: down, to: up, on: lift, controllable: true}
    response: 300 ms
  gate:
    role: control
    states: [shut, open]
    initial: shut
    events: {push: {by: anyone}}
    transitions:
      - {from: shut, to: open, on: push, physically: seat is up}
      - {from: open, to: shut, after: 1 s}
  lamp:
    instances: [left, right]
    states: [dark, lit]
    transitions: [{from: dark, to: lit, if: warned}, {from: lit, to: dark, if: not warned}]
signals:
  clear: {reads: gate is shut, text: light curtain, response: 20 ms}
  warned: {reads: seat is down, indicates: winch_welded}
conditions:
  wet: {means: seat is down, indicates: curtain_blind}
functions:
  lowering: {active: wet, text: the seat goes down}
faults:
  curtain_blind: {signal: clear, stuck: true, rate: 1e-7 / h, proof_test: 1 year, text: the curtain sees nothing}
  winch_welded: {subsystem: seat, stuck: down, b10d: 1e6 cycles, cycles: 50 / day, coverage: 90 %,
                 diagnostic_test: 24 h}
  lamp_dies: {subsystem: lamp.left, jump: {from: lit, to: dark}, probability: 1e-4 / demand, revealed_by: wet}
  gate_jams: {subsystem: gate, stuck: open, rate: 1e-6 / h}
common_causes:
  water: {faults: [curtain_blind, winch_welded], beta: 5 %, text: water in both}
hazards:
  H1: {text: Somebody is crushed, severity: serious}
  H2: {text: Somebody falls}
requirements:
  R1: {text: Never at an open gate, never: wet and gate is open, from: gate is open, until: gate is shut, hazard: H1,
       source: common practice, withstand: 1, prevent: false,
       approach: {distance: 2 m, speed: 1600 mm / s, depth: 100 mm, stopping: 50 ms, text: from the pool side}}
  R2: {always: seat is up or gate is shut, may_be_empty: false, approach: {distance: 1 m, height: 10 mm}}
  R3: {possible: wet}
  R4: {always_possible: seat is up}
  R5: {permissive: clear, for: wet}
  R6: {start: wet, only_by: seat.lower}
  R7: {cause: wet, effect: some lamp is lit, within: 1 s}
scenarios:
  bathe: {text: Somebody bathes, steps: [seat.lower, check wet, blocked gate.push, wait 1 s], ends_with: wet}
"""

EDITS: dict[str, tuple[str, str]] = {
    "Document.title": ("Pool lift", "A lift"),
    "Document.text": ("lowers bathers", "lowers people"),
    "Document.tick": ("tick: 100 ms", "tick: 50 ms"),
    "Document.mission_time": ("10 years", "20 years"),
    "Event.by": ("{by: helper, text", "{by: nurse, text"),
    "Event.text": ("lowers the seat}", "lets the seat down}"),
    "Event.joint": ("{by: helper, joint: true, controllable: true}", "{by: helper, controllable: true}"),
    "Event.controllable": ("joint: true, controllable: true", "joint: true"),
    "Transition.from": ("{from: shut, to: open, on: push,", "{from: [shut, open], to: open, on: push,"),
    "Transition.to": ("{from: open, to: shut, after: 1 s}", "{from: open, to: open, after: 1 s}"),
    "Transition.on": ("on: lift,", "on: lower,"),
    "Transition.if": ("if: clear and gate is shut", "if: clear"),
    "Transition.physically": ("physically: seat is up", "if: seat is up"),
    "Transition.after": ("after: 1 s", "after: 2 s"),
    "Transition.controllable": ("on: lift, controllable: true", "on: lift"),
    "Transition.text": ("the winch runs", "the winch turns"),
    "Subsystem.text": ("Seat over the pool", "Seat"),
    "Subsystem.role": ("role: actuator", "role: barrier"),
    "Subsystem.instances": ("[left, right]", "[left, right, rear]"),
    "Subsystem.states": ("states: [shut, open]", "states: [shut, open, broken]"),
    "Subsystem.initial": ("initial: shut", "initial: open"),
    "Subsystem.events": ("events: {push: {by: anyone}}", "events: {push: {by: anyone}, pull: {}}"),
    "Subsystem.transitions": ("      - {from: open, to: shut, after: 1 s}\n", ""),
    "Subsystem.response": ("    response: 300 ms\n", ""),
    "Signal.reads": ("clear: {reads: gate is shut", "clear: {reads: gate is open"),
    "Signal.indicates": (", indicates: winch_welded", ""),
    "Signal.response": ("response: 20 ms", "response: 2 ms"),
    "Signal.text": ("light curtain", "curtain"),
    "Definition.means": ("means: seat is down", "means: seat is up"),
    "Definition.indicates": ("indicates: curtain_blind", "indicates: winch_welded"),
    "Fault.signal": ("{signal: clear, stuck: true", "{signal: warned, stuck: true"),
    "Fault.subsystem": ("{subsystem: lamp.left", "{subsystem: lamp.right"),
    "Fault.stuck": ("{subsystem: seat, stuck: down", "{subsystem: seat, stuck: up"),
    "Fault.jump": ("{from: lit, to: dark}, prob", "{from: dark, to: lit}, prob"),
    "Fault.rate": ("1e-7 / h", "1e-9 / h"),
    "Fault.revealed_by": (", revealed_by: wet", ""),
    "Fault.b10d": ("1e6 cycles", "2e6 cycles"),
    "Fault.cycles": ("50 / day", "5 / day"),
    "Fault.probability": ("1e-4 / demand", "1e-5 / demand"),
    "Fault.proof_test": ("1 year", "2 years"),
    "Fault.coverage": ("90 %", "99 %"),
    "Fault.diagnostic_test": ("24 h", "12 h"),
    "Fault.text": ("the curtain sees nothing", "blind"),
    "CommonCause.faults": ("[curtain_blind, winch_welded]", "[curtain_blind, gate_jams]"),
    "CommonCause.beta": ("beta: 5 %", "beta: 2 %"),
    "CommonCause.text": ("water in both", "water"),
    "Function.active": ("active: wet", "active: not wet"),
    "Function.text": ("the seat goes down", "down"),
    "Approach.distance": ("distance: 2 m", "distance: 20 m"),
    "Approach.speed": ("1600 mm / s", "800 mm / s"),
    "Approach.depth": ("depth: 100 mm", "depth: 0 mm"),
    "Approach.height": ("height: 10 mm", "height: 0 mm"),
    "Approach.stopping": ("stopping: 50 ms", "stopping: 5 ms"),
    "Approach.text": ("from the pool side", "from anywhere"),
    "Hazard.text": ("Somebody is crushed", "Somebody is hurt"),
    "Hazard.severity": ("serious", "minor"),
    "Requirement.text": ("Never at an open gate", "Never"),
    "Requirement.never": ("never: wet and gate is open", "never: wet and gate is shut"),
    "Requirement.always": ("always: seat is up or gate is shut", "always: gate is shut"),
    "Requirement.from": ("from: gate is open, ", "from: gate is shut, "),
    "Requirement.until": ("until: gate is shut", "until: gate is open"),
    "Requirement.possible": ("R3: {possible: wet", "R3: {possible: seat is up"),
    "Requirement.always_possible": ("always_possible: seat is up", "always_possible: wet"),
    "Requirement.permissive": ("permissive: clear", "permissive: wet"),
    "Requirement.for": ("for: wet", "for: clear"),
    "Requirement.start": ("start: wet", "start: seat is up"),
    "Requirement.only_by": ("only_by: seat.lower", "only_by: [seat.lower, gate.push]"),
    "Requirement.cause": ("cause: wet", "cause: seat is up"),
    "Requirement.effect": ("effect: some lamp is lit", "effect: every lamp is lit"),
    "Requirement.within": ("within: 1 s", "within: 2 s"),
    "Requirement.withstand": ("withstand: 1", "withstand: 0"),
    "Requirement.prevent": ("prevent: false", "prevent: true"),
    "Requirement.may_be_empty": ("may_be_empty: false", "may_be_empty: true"),
    "Requirement.hazard": ("hazard: H1", "hazard: [H1, H2]"),
    "Requirement.source": ("source: common practice", "source: a textbook"),
    "Requirement.approach": (", approach: {distance: 1 m, height: 10 mm}", ""),
    "Scenario.text": ("Somebody bathes", "A bath"),
    "Scenario.steps": (", wait 1 s]", "]"),
    "Scenario.ends_with": (", ends_with: wet", ""),
}
"""For each key of the format, how to declare it otherwise."""

NOT_TOLD = {
    "Definition.text": "nothing shows it",
    "Check.check": "a step of a scenario in other words",
    "Jump.from": "as Fault.jump",
    "Jump.to": "as Fault.jump",
}

FOR_PEOPLE = (
    "Document.title", "Document.text", "Document.tick", "Event.by", "Event.text", "Transition.text", "Subsystem.text",
    "Signal.text", "Fault.text", "CommonCause.text", "Function.text", "Hazard.text",
)  # fmt: skip
"""Words, and the tick: told, and no other exit code."""

ALIKE = ("Event.joint", "Subsystem.states", "Subsystem.events")
"""Definitions that change no behaviour here, which is proved: the event has one mover, nothing comes to the state, and
nothing moves on the event."""


@pytest.fixture(scope="module")
def pool() -> System:
    system, problems = load_text(POOL, "pool.yaml")
    assert system is not None, [p.as_text() for p in problems]
    return system


def test_every_key_of_the_format_has_an_edit() -> None:
    records = [value for value in vars(schema).values() if isinstance(value, schema.Record)]
    assert len(records) > 10
    keys = {f"{record.title}.{key.name}" for record in records for key in record.keys}
    sections = {f"Document.{key}" for key in (
        "safetymodel", "subsystems", "signals", "conditions", "faults", "common_causes", "functions", "hazards",
        "requirements", "scenarios",
    )}  # fmt: skip
    assert keys == EDITS.keys() | NOT_TOLD.keys() | sections


@pytest.fixture(scope="module")
def same(tmp_path_factory: pytest.TempPathFactory) -> tuple[str, set[str]]:
    """The old file, and what is said of it beside itself."""
    path = tmp_path_factory.mktemp("old") / "pool.yaml"
    path.write_text(POOL)
    compared = compare(str(path), str(path), 0, 0)
    assert isinstance(compared, Compared)
    assert compare_exit_code(compared) == 0
    assert compared.changes == ()
    return str(path), said(compared)


def said(compared: Compared) -> set[str]:
    lines = [line for block in said_of_comparison(compared) for line in plain_lines(block)]
    return {line for line in lines if "sha256" not in line and "compared in" not in line}


@pytest.mark.parametrize("key", EDITS)
def test_compare_tells_whatever_is_declared_otherwise(key: str, same: tuple[str, set[str]], tmp_path: Path) -> None:
    old, new = EDITS[key]
    assert POOL.count(old) == 1, key
    changed = tmp_path / "pool.yaml"
    changed.write_text(POOL.replace(old, new))
    compared = compare(same[0], str(changed), 1 if key.startswith("Fault.") else 0, 0)
    assert isinstance(compared, Compared), [u.problems for u in compared]
    assert said(compared) - same[1]
    assert compare_exit_code(compared) == (0 if key in (*FOR_PEOPLE, *ALIKE) else 1)


def test_other_words_for_the_same_are_no_change(same: tuple[str, set[str]], tmp_path: Path) -> None:
    """Rewording what functions, indications, checks and claims rest on."""
    changed = tmp_path / "pool.yaml"
    text = POOL
    for old, new in (
        ("means: seat is down", "means: not seat is up"),
        ("active: wet", "active: seat is down"),
        ("check wet", "check not seat is up"),
        ("ends_with: wet", "ends_with: wet and (clear or not clear)"),
        ("possible: wet", "possible: seat is down"),
        ("1 year", "365 days"),
        ("2 m,", "2000 mm,"),
        ("[curtain_blind, winch_welded]", "[winch_welded, curtain_blind]"),
        ("wait 1 s", "wait 1000 ms"),
        ("states: [dark, lit]", "states: [lit, dark]\n    initial: dark"),
    ):
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    changed.write_text(text)
    compared = compare(same[0], str(changed))
    assert isinstance(compared, Compared)
    assert compared.changes == ()
    assert compare_exit_code(compared) == 0


def test_a_scenario_that_asks_more_or_less_between_its_steps(tmp_path: Path) -> None:
    def changes(old: str, new: str) -> set[tuple[str, str]]:
        files = []
        for number, text in enumerate((old, new)):
            files.append(tmp_path / f"{number}.yaml")
            files[-1].write_text(POOL.replace("check wet, blocked gate.push,", text))
        compared = compare(str(files[0]), str(files[1]), 0, 0)
        assert isinstance(compared, Compared)
        return {(c.effect, c.text) for c in compared.changes}

    some, more = "check wet,", "check wet, check some lamp is lit, blocked gate.push,"
    same = "check some lamp is lit, blocked gate.push, check not seat is up,"
    assert {effect for effect, _ in changes("", more)} == {"other"}
    assert {effect for effect, _ in changes(more, "")} == {"worse"}
    assert changes(more, same) == set()
    assert ("other", "blocked after step 1 is given now: `gate.push`") in changes(some, more)
    waits = "asks something else: after 1 step it does `wait 3 s`, it did nothing"
    assert changes(some, "wait 3 s, check wet,") == {("worse", waits)}
    gone = "asks something else: after 2 steps it does nothing, it did `wait 1 s, wait 1 s`"
    assert changes("wait 1 s, wait 1 s,", "") == {("worse", gone)}
    other = "asks something else: after 1 step it does `seat.lift, fault gate_jams`, it did `wait 3 s`"
    assert changes("wait 3 s,", "seat.lift, fault gate_jams,") >= {("worse", other)}


def test_a_claim_that_says_something_else_by_what_it_reads(same: tuple[str, set[str]], tmp_path: Path) -> None:
    changed = tmp_path / "pool.yaml"
    changed.write_text(POOL.replace(*EDITS["Signal.reads"]))
    compared = compare(same[0], str(changed))
    assert isinstance(compared, Compared)
    assert ("worse", "R5", "claims something else, by what it reads: `permissive: clear, for: wet`") in {
        (c.effect, c.subject, c.text) for c in compared.changes
    }
    assert "R5" not in compared.behaviours.same_claims


# -- the fields of a system -------------------------------------------------------------------------


CLASSES = [c for _, c in inspect.getmembers(parts, dataclasses.is_dataclass) if c.__module__ == parts.__name__]


def test_every_part_of_a_system_is_known_and_nothing_is_left_out_that_is_not_there() -> None:
    assert set(CLASSES) == ELSEWHERE.keys()
    for one, left in ELSEWHERE.items():
        assert left.keys() <= {f.name for f in dataclasses.fields(one)}, one
        assert all(left.values())


def other(value: Any) -> Any:
    """Another value of the same kind."""
    if isinstance(value, bool):
        return not value
    if isinstance(value, str):
        return f"{value}x"
    if isinstance(value, int | float | Fraction):
        return value * 2 + 1
    if isinstance(value, Formula):
        return Not(value)
    if isinstance(value, tuple):
        return value[:-1]
    return None


def told(system: System) -> list[tuple[str, str, dict[str, str]]]:
    return [(d.kind, d.name, d.values) for d in declarations(system)]


HOMES = {
    parts.Subsystem: "subsystems",
    parts.Transition: "transitions",
    parts.Event: "events",
    parts.Signal: "signals",
    parts.Fault: "faults",
    parts.CommonCause: "common_causes",
    parts.Function: "functions",
    parts.Hazard: "hazards",
    parts.Requirement: "requirements",
    parts.Scenario: "scenarios",
}
INSIDE = {Failure: (parts.Fault, "failure"), Approach: (parts.Requirement, "approach")}
STEPS = (parts.ScenarioStep, System)


@pytest.mark.parametrize("part", [c for c in CLASSES if c not in STEPS], ids=lambda c: c.__name__)
def test_every_field_of_a_part_is_told(part: type, pool: System) -> None:
    outer, inside = INSIDE.get(part, (part, ""))
    home = HOMES[outer]
    for field in dataclasses.fields(part):
        if field.name in ELSEWHERE[part]:
            continue
        changed = []
        for number, one in enumerate(getattr(pool, home)):
            inner = getattr(one, inside) if inside else one
            if inner is None or getattr(inner, field.name) in (None, "", ()):
                continue
            inner = dataclasses.replace(inner, **{field.name: other(getattr(inner, field.name))})
            listed = list(getattr(pool, home))
            listed[number] = dataclasses.replace(one, **{inside: inner}) if inside else inner
            changed.append(dataclasses.replace(pool, **{home: tuple(listed)}))
        assert changed, f"no {part.__name__} of the spec has a {field.name}"
        assert any(told(system) != told(pool) for system in changed), field.name


def test_every_field_of_a_spec_is_told(pool: System) -> None:
    for field in dataclasses.fields(System):
        if field.name not in ELSEWHERE[System]:
            assert told(dataclasses.replace(pool, **{field.name: other(getattr(pool, field.name))})) != told(pool)


def test_values_are_told_with_units_and_all_their_digits(pool: System) -> None:
    values = {(d.kind, d.name): d.values for d in declarations(pool)}
    assert values["fault", "curtain_blind"] == {
        "text": "the curtain sees nothing", "rate": "1e-7 / h", "proof_test": "8760 h", "does": "holds clear true",
        "indicated by": "wet (wet means seat is down)",
    }  # fmt: skip
    assert values["fault", "winch_welded"]["b10d"] == "1000000 cycles"
    assert values["fault", "winch_welded"]["coverage"] == "90 %"
    assert values["common cause", "water"]["beta"] == "5 %"
    assert values["requirement", "R2"] == {"approach distance": "1000 mm", "approach height": "10 mm"}
    assert values["subsystem", "seat"]["response"] == "300 ms"
    assert values["scenario", "bathe"] == {
        "text": "Somebody bathes", "steps": "seat.lower, wait 1 s", "ends_with": "wet (wet means seat is down)",
        "check after step 1": "wet (wet means seat is down)", "blocked after step 1": "gate.push",
    }  # fmt: skip
    assert values["subsystem", "gate"]["states"] == "open, shut"


# -- baselines --------------------------------------------------------------------------------------


def ended(*arguments: str) -> int:
    with pytest.raises(SystemExit) as end:
        main(list(arguments))
    return int(end.value.code or 0)


@pytest.fixture(scope="module")
def known(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("known") / "pool.yaml"
    path.write_text(POOL)
    kept = path.with_suffix(".json")
    assert ended("verify", str(path), "--quiet", "--second-opinion", "off", "--json", str(kept)) in (0, 1)
    return kept


NUMBERS = (
    "Document.mission_time", "Subsystem.response", "Signal.response", "Signal.indicates", "Fault.signal", "Fault.stuck",
    "Fault.jump", "Fault.rate", "Fault.b10d", "Fault.cycles", "Fault.probability", "Fault.proof_test", "Fault.coverage",
    "Fault.diagnostic_test", "Fault.revealed_by", "CommonCause.faults", "CommonCause.beta", "Function.active",
    "Definition.means", "Approach.distance", "Approach.speed", "Approach.depth", "Approach.height", "Approach.stopping",
    "Hazard.severity", "Requirement.may_be_empty", "Requirement.approach", "Scenario.steps", "Scenario.ends_with",
)  # fmt: skip


@pytest.mark.parametrize("key", NUMBERS)
def test_a_baseline_fails_where_a_result_rests_on_something_else(
    key: str, known: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    spec = tmp_path / "pool.yaml"
    spec.write_text(POOL.replace(*EDITS[key]))
    assert ended("verify", str(spec), "--quiet", "--second-opinion", "off", "--baseline", str(known)) == 1
    assert " something else: " in " ".join(capsys.readouterr().out.split())


@pytest.mark.parametrize("key", FOR_PEOPLE)
def test_a_baseline_does_not_fail_for_words(
    key: str, known: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    spec = tmp_path / "pool.yaml"
    spec.write_text(POOL.replace(*EDITS[key]))
    assert ended("verify", str(spec), "--quiet", "--second-opinion", "off", "--baseline", str(known)) == 0
    assert "Nothing got worse" in capsys.readouterr().out


def test_a_baseline_fails_where_faults_or_common_causes_are_gone(
    known: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    spec = tmp_path / "pool.yaml"
    start, end = POOL.index("common_causes:"), POOL.index("hazards:\n")
    spec.write_text(POOL[:start] + POOL[end:])
    assert ended("verify", str(spec), "--quiet", "--second-opinion", "off", "--baseline", str(known)) == 1
    assert "common cause water worse is no longer declared" in " ".join(capsys.readouterr().out.split())
    start = POOL.index("faults:\n  curtain")
    text = POOL[:start] + POOL[end:]
    spec.write_text(text.replace(", indicates: winch_welded", "").replace(", indicates: curtain_blind", ""))
    assert ended("verify", str(spec), "--quiet", "--second-opinion", "off", "--baseline", str(known)) == 1
    out = " ".join(capsys.readouterr().out.split())
    for name in ("curtain_blind", "winch_welded", "lamp_dies", "gate_jams"):
        assert f"fault {name} worse is no longer declared" in out


def test_a_baseline_of_an_earlier_version_is_still_read(
    known: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    data = json.loads(known.read_text())
    del data["declared"]
    old = tmp_path / "old.json"
    old.write_text(json.dumps(data))
    spec = str(known.with_suffix(".yaml"))
    assert ended("verify", spec, "--quiet", "--second-opinion", "off", "--baseline", str(old)) == 0
    assert "kept by an earlier version" in capsys.readouterr().out
