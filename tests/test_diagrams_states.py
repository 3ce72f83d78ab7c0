"""State diagrams: every transition with its conditions, faults apart from them, alike instances once."""

from __future__ import annotations

from pathlib import Path
from xml.etree import ElementTree

from dot_reading import read_dot

from safetymodel.diagrams import render
from safetymodel.diagrams.state_diagram import alike, alike_groups, drawn_once, subsystem_dot, title_of
from safetymodel.model.build import load, load_text
from safetymodel.model.system import System
from safetymodel.problems import Problem

SPEC = """
safetymodel: 1
title: Hoist
tick: 500 ms
subsystems:
  hook:
    text: Hook of the hoist
    role: actuator
    states: [down, rising, up]
    events:
      pull: {by: rigger, text: pulls the chain}
      drop: {}
    transitions:
      - {from: down, to: rising, on: pull, if: lid_shut and not brake is set, physically: load is light}
      - {from: rising, to: up, after: 1 s..2 s}
      - {from: up, to: down, on: drop, text: by its own weight}
      - {from: rising, to: down, if: brake is set, after: 3 s}
  brake:
    states: [free, set]
    events: {pedal: {joint: true}}
    transitions:
      - {from: free, to: set, on: pedal}
      - {from: set, to: free, on: hook.drop}
  load:
    states: [light, heavy]
    initial: heavy
  lid:
    text: Lid
    role: barrier
    instances: [left, right, rear]
    states: [shut, open]
    events: {lift: {}}
    transitions:
      - {from: shut, to: open, on: lift, if: self is shut and hook is down}
      - {from: open, to: shut, if: lid.rear is open and load is light}
signals:
  lid_shut: {reads: every lid is shut}
faults:
  chain_snaps: {subsystem: hook, jump: {from: up, to: down}}
  hook_jams: {subsystem: hook, stuck: rising}
  brake_rusts: {subsystem: brake, stuck: any}
  right_latch: {subsystem: lid.right, jump: {from: shut, to: open}}
  bridged: {signal: lid_shut, stuck: true}
"""

SPECS = Path(__file__).parent.parent / "specs"


def loaded(text: str = SPEC) -> System:
    system, problems = load_text(text, "hoist.yaml")
    assert system is not None, problems
    return system


def dot_of(system: System, name: str) -> str:
    subsystem = system.subsystem_named(name)
    assert subsystem is not None
    dot = subsystem_dot(system, subsystem)
    assert isinstance(dot, str), dot
    return dot


def test_every_transition_is_an_arrow_with_its_conditions_in_lines() -> None:
    read = read_dot(dot_of(loaded(), "hook"))
    (pull,) = read.between("s0", "s1")
    assert [line.strip() for line in pull["label"].split("\n")] == [
        "on pull (by rigger)",
        "if lid_shut and brake is not set",
        "physically load is light",
    ]
    assert "style" not in pull
    (rise,) = read.between("s1", "s2")
    assert rise["label"].strip() == "after 1 s..2 s"
    assert rise["style"] == "dashed"
    (sink,) = read.between("s1", "s0")
    assert sink["label"].split("\n") == [" after 3 s", " if brake is set"]
    assert sink["style"] == "dashed"
    assert len(read.edges) == 4 + 1 + 1  # transitions, the jump, the mark of the start


def test_the_initial_state_is_marked_twice() -> None:
    read = read_dot(dot_of(loaded(), "load"))
    assert read.between("begin", "s1") == [{}]
    assert not read.between("begin", "s0")
    assert read.nodes["s1"]["penwidth"] == "2"
    assert "penwidth" not in read.nodes["s0"]


def test_faults_are_drawn_apart() -> None:
    system = loaded()
    read = read_dot(dot_of(system, "hook"))
    drop, jump = read.between("s2", "s0")
    assert drop["label"].split("\n") == [" on drop", " (by its own weight)"]
    assert jump["label"].strip() == "jump: fault chain_snaps"
    assert (jump["style"], jump["arrowhead"]) == ("dotted", "odiamond")
    assert read.nodes["s1"]["label"] == "rising\nstuck: fault hook_jams"
    assert read.nodes["s1"]["peripheries"] == "2"
    assert "peripheries" not in read.nodes["s0"]
    assert "may be stuck in any state: fault brake_rusts" in dot_of(system, "brake")
    assert "bridged" not in dot_of(system, "hook")  # a signal's fault belongs to the map


def test_joint_and_foreign_events_are_named_whole() -> None:
    read = read_dot(dot_of(loaded(), "brake"))
    assert read.between("s0", "s1")[0]["label"].strip() == "on pedal, jointly"
    assert read.between("s1", "s0")[0]["label"].strip() == "on hook.drop"


def test_alike_instances_share_a_diagram_and_the_odd_one_has_its_own() -> None:
    """``lid.rear`` is named in the family's text, so for the rear lid alone that condition is about itself."""
    system = loaded()
    left, right, rear = (system.subsystems[n] for n in dict(system.families)["lid"])
    assert alike(system, left) == alike(system, right) == (left, right)
    assert alike(system, rear) == (rear,)
    assert [s.name for s in drawn_once(system)] == ["hook", "brake", "load", "lid.left", "lid.rear"]
    assert [len(group) for group in alike_groups(system)] == [1, 1, 1, 2, 1]
    assert title_of(system, left) == "Lid (lid: left and right, alike)"
    assert title_of(system, rear) == "Lid (rear) (lid.rear)"
    assert title_of(system, system.subsystems[1]) == "brake"
    shared, odd = read_dot(dot_of(system, "lid.left")), read_dot(dot_of(system, "lid.rear"))
    lift, jump = shared.between("s0", "s1")
    assert lift["label"].split("\n") == [" on lift", " if self is shut and hook is down"]
    assert jump["label"].strip() == "jump: right, fault right_latch"
    assert "lid.rear is open" in shared.between("s1", "s0")[0]["label"]
    assert "self is open" in odd.between("s1", "s0")[0]["label"]
    assert len(odd.between("s0", "s1")) == 1  # the fault of the right lid is not one of the rear lid


def test_the_key_tells_only_what_is_used() -> None:
    system = loaded()
    hook, load = dot_of(system, "hook"), dot_of(system, "load")
    for words in ("thick border", "solid arrow", "dashed arrow", "dotted arrow", "double border", "if:", "physically:"):
        assert words in hook
    assert "thick border" in load
    for words in ("solid arrow", "dashed arrow", "dotted arrow", "double border", "if:", "physically:"):
        assert words not in load


def test_long_conditions_are_wrapped_and_huge_ones_cut() -> None:
    many = " and ".join(f"not (load is heavy and part_{n} is on)" for n in range(60))
    parts = "".join(f"  part_{n}: {{states: [off, on]}}\n" for n in range(60))
    text = SPEC.replace("signals:", f"{parts}signals:").replace("lid_shut and not brake is set", many)
    (pull,) = read_dot(dot_of(loaded(text), "hook")).between("s0", "s1")
    lines = pull["label"].split("\n")
    assert max(map(len, lines)) <= 35
    assert lines[14].strip() == "... (see the spec)"
    assert lines[15].strip() == "physically load is light"


def test_words_of_the_spec_show_as_they_stand() -> None:
    evil = "</title><script>alert(1)</script>"
    text = SPEC.replace("text: Hook of the hoist", f"text: '{evil}'")
    text = text.replace("by its own weight", "'\"]; evil \\N &lt; x'")
    system = loaded(text)
    svg = render.svg(dot_of(system, "hook"), title_of(system, system.subsystems[0]))
    assert isinstance(svg, str)
    root = ElementTree.fromstring(svg)
    words = [(e.text or "").replace("\u00a0", " ").strip() for e in root.iter("{http://www.w3.org/2000/svg}text")]
    assert f"{evil} (hook)" in words
    assert '("]; evil \\N &lt; x)' in words
    assert root.get("aria-label") == f"{evil} (hook)"
    assert not any("script" in e.tag for e in root.iter())


def test_the_same_system_gives_the_same_text() -> None:
    assert dot_of(loaded(), "lid.left") == dot_of(loaded(), "lid.left")


def test_a_diagram_that_nobody_could_read_is_refused() -> None:
    states = ", ".join(f"s{n}" for n in range(101))
    system = loaded(f"safetymodel: 1\ntitle: T\nsubsystems:\n  long: {{states: [{states}]}}\n")
    problem = subsystem_dot(system, system.subsystems[0])
    assert isinstance(problem, Problem)
    assert problem.slug == "graph-too-large"
    assert problem.message == "the state diagram of long has 101 states; a picture of more than 100 cannot be read"
    assert problem.span.line == 4


def test_what_leads_back_to_the_same_state_is_one_arrow() -> None:
    system, problems = load(str(SPECS / "platform-lift.yaml"))
    assert system is not None, problems
    platform = next(s for s in system.subsystems if s.name == "platform")
    text = subsystem_dot(system, platform)
    assert isinstance(text, str)
    low = platform.states.index("low")
    back = [line for line in text.splitlines() if line.strip().startswith(f"s{low} -> s{low} ")]
    assert len(back) == 1
    assert "on lever.push_down" in back[0]
    assert "on lever.push_up" in back[0]
