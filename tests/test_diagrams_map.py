"""The interlock map: who reads whom, through which signal, as logic or as nature."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import pytest
from dot_reading import Read, read_dot

from safetymodel.diagrams import interlock_map
from safetymodel.diagrams.interlock_map import Reading, interlock_dot, readings
from safetymodel.model.build import load, load_text
from safetymodel.model.system import System
from safetymodel.problems import Problem

SPECS = Path(__file__).resolve().parent.parent / "specs"

SPEC = """
safetymodel: 1
title: Press
subsystems:
  guard:
    role: barrier
    states: [shut, open]
    events: {lift: {by: operator}}
    transitions: [{from: shut, to: open, on: lift, physically: ram is up}]
  ram:
    role: actuator
    states: [up, down]
    transitions:
      - {from: up, to: down, if: closed and pedal_down, physically: air is on and ram is up}
      - {from: down, to: up, if: not closed or not pedal_down}
      - {from: down, to: up, on: guard.lift}
  pedal:
    states: [free, pressed]
    role: sensor
  air: {role: supply, states: [on, off]}
  hand: {role: person, states: [away, inside]}
  clamp:
    instances: [a, b]
    role: control
    states: [open, shut]
    transitions: [{from: open, to: shut, if: closed and self is open}]
signals:
  guard_a: {reads: guard is shut}
  guard_b: {reads: guard is shut}
  both: {reads: guard_a and guard_b}
  pedal_down: {reads: pedal is pressed}
conditions:
  closed: guard_a and guard_b and air is on
  once: hand is away
faults:
  bridged: {signal: guard_a, stuck: true}
  cut: {signal: guard_a, stuck: false}
  worn: {signal: pedal_down, stuck: true}
"""


@cache
def press() -> System:
    system, problems = load_text(SPEC, "press.yaml")
    assert system is not None, problems
    return system


def drawn(system: System) -> Read:
    dot = interlock_dot(system)
    assert isinstance(dot, str), dot
    return read_dot(dot)


def test_a_signal_stands_between_what_it_reads_and_its_readers() -> None:
    read = drawn(press())
    guard, ram, pedal = "n0", "n1", "n2"
    assert len(read.between(pedal, "g3")) == 1
    (to_reader,) = read.between("g3", ram)
    assert "style" not in to_reader
    assert "arrowhead" not in to_reader
    assert read.between(pedal, "g3")[0]["arrowhead"] == "none"
    assert not read.between(pedal, ram)
    assert len(read.between("g0", "g2")) == 1  # a signal that reads a signal
    assert len(read.between(guard, "g0")) == len(read.between(guard, "g1")) == 1


def test_nature_is_dotted_and_never_reads_itself() -> None:
    read = drawn(press())
    (lifts,) = read.between("n1", "n0")
    assert lifts["style"] == "dotted"
    (blown,) = read.between("n3", "n1")
    assert blown["style"] == "dotted"
    assert not read.between("n1", "n1")


def test_a_condition_is_drawn_where_it_saves_lines_only() -> None:
    read = drawn(press())
    assert read.nodes["c0"]["label"] == "closed"
    for reader in ("n1", "n5", "n6"):
        assert len(read.between("c0", reader)) == 1
        assert not read.between("g0", reader)
    assert {source for source, target, _ in read.edges if target == "c0"} == {"g0", "g1", "n3"}
    assert "c1" not in read.nodes  # nobody reads it


def test_moving_on_an_event_of_another_is_dashed() -> None:
    (moves,) = [pairs for pairs in drawn(press()).between("n0", "n1") if pairs.get("style") == "dashed"]
    assert moves["arrowhead"] == "vee"


def test_signals_that_faults_can_hold_say_so() -> None:
    nodes = drawn(press()).nodes
    assert nodes["g0"]["label"] == "guard_a\nstuck true or false"
    assert nodes["g3"]["label"] == "pedal_down\nstuck true"
    assert nodes["g1"]["label"] == "guard_b"
    assert nodes["g0"]["fillcolor"] != nodes["g1"]["fillcolor"]
    assert nodes["g0"]["penwidth"] == "2"


def test_roles_have_their_shapes_and_a_key_of_those_used() -> None:
    dot = interlock_dot(press())
    assert isinstance(dot, str)
    nodes = read_dot(dot).nodes
    shapes = ("octagon", "box3d", "ellipse", "cylinder", "house", "component", "component")
    assert [nodes[f"n{n}"]["shape"] for n in range(7)] == list(shapes)
    key = [pairs["label"] for name, pairs in nodes.items() if name.startswith("role")]
    assert key == ["sensor", "actuator", "barrier", "control", "person", "supply"]  # none without a role
    assert "subgraph cluster_f0" in dot
    assert 'label="clamp"' in dot
    assert [nodes[f"n{n}"]["label"] for n in (5, 6)] == ["a", "b"]


@pytest.mark.parametrize("name", ["two-door-hatch", "whimbrel", "platform-lift", "xray-cabinet", "pass-through"])
def test_the_map_leads_from_every_mention_to_its_reader_and_nowhere_else(name: str) -> None:
    """Against another way to find the same: what each condition mentions, once its signals are followed through."""
    system, _ = load(str(SPECS / f"{name}.yaml"))
    assert system is not None
    for keep in (True, False):
        found = readings(system, keep)
        assert len(set(found)) == len(found)
        into: dict[tuple[str, int], list[Reading]] = {}
        for reading in found:
            into.setdefault(reading.reader, []).append(reading)
        for subsystem in system.subsystems:
            ways = [system.transitions[n] for n in subsystem.transitions]
            for physical in (False, True):
                formulas = [t.physical if physical else t.interlock for t in ways]
                signals = set().union(*(_directly(system, f)[0] for f in formulas)) if formulas else set()
                direct = set().union(*(_directly(system, f)[1] for f in formulas)) if formulas else set()
                reached = _leaves(into, ("subsystem", subsystem.number), physical)
                assert {n for kind, n in reached if kind == "signal"} == signals
                assert {n for kind, n in reached if kind == "subsystem"} == direct - {subsystem.number}
        if not keep:
            assert not any("condition" in (r.read[0], r.reader[0]) for r in found)


def _directly(system: System, formula: object) -> tuple[set[int], set[int]]:
    """Signals and subsystems that a formula mentions itself, conditions followed, signals not."""
    from safetymodel.model.formula import HowMany, InState, SignalTrue, atoms

    signals, subsystems = set(), set()
    for atom in atoms(formula):  # type: ignore[arg-type]
        match atom:
            case SignalTrue(signal):
                signals.add(signal)
            case InState(subsystem, _, _):
                subsystems.add(subsystem)
            case HowMany(_, _, members, _):
                subsystems.update(m.subsystem for m in members)
    return signals, subsystems


def _leaves(
    into: dict[tuple[str, int], list[Reading]], reader: tuple[str, int], physical: bool
) -> set[tuple[str, int]]:
    """What a reader reads on the map, conditions followed to what they read."""
    found: set[tuple[str, int]] = set()
    todo = [r.read for r in into.get(reader, []) if r.physical == physical]
    while todo:
        part = todo.pop()
        if part[0] == "condition":
            todo.extend(r.read for r in into.get(part, []))
        else:
            found.add(part)
    return found


@pytest.mark.parametrize("name", ["two-door-hatch", "whimbrel", "platform-lift", "xray-cabinet"])
def test_a_map_around_one_part_is_the_whole_map_without_the_lines_of_others(name: str) -> None:
    """Against another way to find the same: a line stays where a path from or to the part leads over it."""
    system, _ = load(str(SPECS / f"{name}.yaml"))
    assert system is not None
    whole = drawn(system)
    lines = {(a, b, pairs.get("style")) for a, b, pairs in whole.edges}
    left_out = 0
    for subsystem in system.subsystems:
        dot = interlock_dot(system, [subsystem.number])
        assert isinstance(dot, str)
        read, this = read_dot(dot), f"n{subsystem.number}"
        found = {(a, b, pairs.get("style")) for a, b, pairs in read.edges}
        wanted = {line for line in lines if this in _ends(lines, line[0], 0) or this in _ends(lines, line[1], 1)}
        assert found == wanted
        nodes = {n for n in read.nodes if not n.startswith("role")}
        assert nodes == {this, *(end for a, b, _ in found for end in (a, b))}
        assert [n for n, pairs in read.nodes.items() if pairs.get("penwidth") == "3"] == [this]
        assert f"around {subsystem.name}" in dot
        left_out += found < lines
    assert left_out >= 3


def _ends(lines: set[tuple[str, str, str | None]], node: str, onwards: int) -> set[str]:
    """The subsystems that a line comes from at this end (0) or leads to (1), through signals and conditions."""
    if node.startswith("n"):
        return {node}
    return set().union(*(_ends(lines, line[onwards], onwards) for line in lines if line[1 - onwards] == node))


def test_a_map_around_some_parts_holds_fewer_and_so_may_be_drawn(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(interlock_map, "MOST_NODES", 10)
    refused = interlock_dot(press())
    assert isinstance(refused, Problem)
    assert "--what map --only a,b" in refused.hint
    assert isinstance(interlock_dot(press(), [4]), str)


def test_hostile_names_show_as_they_stand() -> None:
    text = SPEC.replace("title: Press", "title: '\"]; evil [label=\"<b>&amp;\\N'")
    system, problems = load_text(text, "press.yaml")
    assert system is not None, problems
    dot = interlock_dot(system)
    assert isinstance(dot, str)
    assert '\\"]; evil [label=\\"<b>&amp;amp;\\\\N' in dot.replace("\\l", "")


def test_the_same_system_gives_the_same_text() -> None:
    other, _ = load_text(SPEC, "press.yaml")
    assert other is not None
    assert interlock_dot(press()) == interlock_dot(other)


def test_a_map_that_nobody_could_read_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(interlock_map, "MOST_NODES", 10)
    problem = interlock_dot(press())
    assert isinstance(problem, Problem)
    assert problem.slug == "graph-too-large"
    assert problem.message.startswith("the interlock map has 11 subsystems and signals")
    monkeypatch.setattr(interlock_map, "MOST_NODES", 11)
    assert isinstance(interlock_dot(press()), str)
    monkeypatch.setattr(interlock_map, "MOST_ARROWS", 3)
    problem = interlock_dot(press())
    assert isinstance(problem, Problem)
    assert "arrows" in problem.message
