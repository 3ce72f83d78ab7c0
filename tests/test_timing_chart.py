"""The timing chart says what the trace says, in its columns, lanes and words; hostile names show as text."""

from __future__ import annotations

import random
import re
from dataclasses import replace
from functools import cache
from itertools import pairwise
from xml.etree import ElementTree

import pytest
import worded_specs

from safetymodel.claims.verdict import Trace
from safetymodel.diagrams import timing_chart
from safetymodel.diagrams.style import INK, contrast
from safetymodel.diagrams.svg_text import cut, document, hatching, name_lines, text, text_width
from safetymodel.diagrams.timing_chart import timing_svg
from safetymodel.diagrams.timing_lanes import PRESENT, Column, Lane, columns_of, lanes_of
from safetymodel.model.state import changes, initial_state
from safetymodel.model.step import holds, readings, steps
from safetymodel.model.system import Requirement, System

SVG = "{http://www.w3.org/2000/svg}"


@cache
def pool() -> System:
    return worded_specs.system_of(worded_specs.POOL_LIFT)


def requirement(system: System, name: str) -> Requirement:
    return next(r for r in system.requirements if r.name == name)


def breach(system: System, name: str) -> Trace:
    trace = worded_specs.judged(system, name).trace
    assert trace is not None
    return trace


def walk(system: System, happenings: int, budget: int, seed: int) -> Trace:
    """A random run; every kind of step is as likely as any other."""
    rng = random.Random(seed)
    start = state = initial_state(system)
    taken = []
    while sum(step.kind != "reaction" for step in taken) < happenings:
        offered = list(steps(system, state, budget))
        if not offered:
            break
        kind = rng.choice(sorted({step.kind for step in offered}))
        step = rng.choice([step for step in offered if step.kind == kind])
        taken.append(step)
        state = step.after
    return Trace(start, tuple(taken))


def parsed(svg: str) -> ElementTree.Element:
    """The SVG, read strictly: what is not well formed fails here."""
    return ElementTree.fromstring(svg)


def words(svg: str) -> list[str]:
    return [element.text or "" for element in parsed(svg).iter(f"{SVG}text")]


# -- columns and lanes ------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(6))
def test_columns_agree_with_the_trace(seed: int) -> None:
    system = pool()
    trace = walk(system, 30, 2, seed)
    columns = columns_of(system, trace)
    assert columns[0].kind == "start"
    assert columns[0].state == trace.start
    assert columns[-1].state == trace.end
    assert sum(column.kind == "reaction" for column in columns) == sum(s.kind == "reaction" for s in trace.steps)
    # The numbers run from 1 to the number of happenings without a hole.
    count = 0
    for column in columns:
        if column.number:
            first, _, last = column.number.partition("-")
            assert int(first) == count + 1
            count = int(last or first)
            assert (column.kind == "ticks") or not last
    assert count == trace.happenings
    assert columns[-1].elapsed == sum(step.kind == "tick" for step in trace.steps)
    assert [c.elapsed for c in columns] == sorted(c.elapsed for c in columns)


@pytest.mark.parametrize("seed", range(6))
def test_lanes_agree_with_the_states(seed: int) -> None:
    system = pool()
    trace = walk(system, 30, 2, seed)
    columns = columns_of(system, trace)
    claim = requirement(system, "P1")
    lanes = {lane.name: lane for lane in lanes_of(system, columns, claim)}
    changed = {
        system.subsystems[n].name
        for before, step in zip([trace.start, *(s.after for s in trace.steps)], trace.steps, strict=False)
        for n, _, _ in changes(before, step.after)
    }
    drawn = {name for name, lane in lanes.items() if lane.kind == "subsystem"}
    assert drawn == changed | {"chair", "belt"}  # P1 mentions these two
    for place, column in enumerate(columns):
        read = readings(system, column.state)
        for subsystem in system.subsystems:
            if subsystem.name in lanes:
                state = subsystem.states[column.state.states[subsystem.number]]
                assert lanes[subsystem.name].values[place] == state
        for fault in system.faults:
            up = bool(column.state.flags >> fault.number & 1)
            if f"fault {fault.name}" in lanes:
                assert lanes[f"fault {fault.name}"].values[place] == (PRESENT if up else "")
            else:
                assert not up
        for signal in system.signals:
            if f"signal {signal.name}" in lanes:
                shown = lanes[f"signal {signal.name}"].values[place]
                assert shown == ("true" if read[signal.number] else "false")
        assert lanes["never: moving and belt is loose"].values[place] == (
            "true" if holds(system, column.state, claim.subject) else "false"
        )


def test_a_jump_is_marked_where_it_moves() -> None:
    system = pool()
    for seed in range(200):
        trace = walk(system, 12, 2, seed)
        jumps = [step for step in trace.steps if step.kind == "jump"]
        if jumps:
            break
    assert jumps
    columns = columns_of(system, trace)
    lane = next(lane for lane in lanes_of(system, columns) if lane.name == "fault rope_breaks")
    assert len(lane.jumps) == len(jumps)
    for place in lane.jumps:
        assert columns[place].words == "fault moves chair"
        chair = system.subsystems[0]
        before, after = columns[place - 1].state.states[0], columns[place].state.states[0]
        assert (chair.states[before], chair.states[after]) == ("up", "down")


def test_every_part_of_a_claim_has_a_lane() -> None:
    system = pool()
    columns = columns_of(system, Trace(initial_state(system), ()))
    named = {
        r.name: [lane.name for lane in lanes_of(system, columns, r) if lane.kind == "claim"]
        for r in system.requirements
    }
    assert named["P2"] == ["always_possible: chair is up"]
    assert named["P3"] == ["cause: chair is lowering", "effect: chair is down"]
    assert named["P6"] == ["permissive: belt is closed", "for: chair is lowering"]
    assert named["P7"] == ["start: chair is down"]
    assert named["P9"] == ["never: belt is loose", "from: chair is lowering", "until: chair is up"]


def test_a_held_signal_has_a_lane() -> None:
    system = pool()
    trace = breach(system, "P6")
    assert [system.faults[s.number].name for s in trace.steps if s.kind == "fault"] == ["belt_switch_bridged"]
    lane = next(x for x in lanes_of(system, columns_of(system, trace)) if x.kind == "signal")
    assert lane.name == "signal belt_closed"
    assert lane.values[0] == "false"
    assert lane.values[-1] == "true"


def test_runs_of_a_lane_cover_it() -> None:
    lane = Lane("subsystem", "a", "a", tuple("xxyyyxz"))
    assert list(lane.runs(0, 7)) == [(0, 2, "x"), (2, 5, "y"), (5, 6, "x"), (6, 7, "z")]
    assert list(lane.runs(1, 4)) == [(1, 2, "x"), (2, 4, "y")]


# -- the drawing ------------------------------------------------------------------------------


def test_the_chart_shows_the_breach() -> None:
    system = pool()
    claim = requirement(system, "P3")
    trace = breach(system, "P3")
    svg = timing_svg(system, trace, "P3: It is down soon", claim)
    shown = words(svg)
    assert "P3: It is down soon" in shown
    assert "breach" in shown
    assert "lowering" in shown
    assert any(part.startswith("wait ") for part in shown)
    assert "0 s" in shown
    for name in ("chair", "cause: chair is lowering", "effect: chair is down", "time"):
        assert name in shown
    root = parsed(svg)
    assert root.get("role") == "img"
    assert root.get("aria-label") == "P3: It is down soon"
    title = root.find(f"{SVG}title")
    assert title is not None
    assert title.text == "P3: It is down soon"
    told = root.find(f"{SVG}desc")
    assert told is not None
    assert "attendant presses the down button" in (told.text or "")


def test_without_a_claim_nothing_is_called_a_breach() -> None:
    system = pool()
    svg = timing_svg(system, breach(system, "P3"), "a run")
    assert "breach" not in svg
    assert timing_chart.BREACH_FILL not in svg
    trapped = timing_svg(system, breach(system, "P2"), "P2", requirement(system, "P2"))
    assert "no way out" in words(trapped)
    assert "breach" not in words(trapped)


def test_the_time_axis_is_there_only_where_time_passes() -> None:
    system = worded_specs.hatch()
    trace = breach(system, "R1")
    assert "time" not in words(timing_svg(system, trace, "R1"))
    ticking = pool()
    trace = walk(ticking, 20, 0, 1)
    ticks = sum(step.kind == "tick" for step in trace.steps)
    assert ticks
    assert f"{ticks} s" in words(timing_svg(ticking, trace, "a walk"))  # a tick of this spec is 1 s


def test_a_run_of_no_steps_is_drawn() -> None:
    system = pool()
    svg = timing_svg(system, Trace(initial_state(system), ()), "nothing", requirement(system, "P5"))
    assert "breach" in words(svg)
    assert "chair" in words(svg)
    bare = timing_svg(system, Trace(initial_state(system), ()), "nothing")
    assert words(bare) == ["nothing", "start"]


def test_the_same_run_gives_the_same_bytes() -> None:
    system = worded_specs.system_of(worded_specs.POOL_LIFT)
    again = worded_specs.system_of(worded_specs.POOL_LIFT)
    assert system is not again
    trace = walk(system, 25, 2, 4)
    one = timing_svg(system, trace, "run", requirement(system, "P9"))
    assert one == timing_svg(again, walk(again, 25, 2, 4), "run", requirement(again, "P9"))
    assert one != timing_svg(system, walk(system, 25, 2, 5), "run", requirement(system, "P9"))


@pytest.mark.parametrize("seed", range(4))
def test_nothing_leaves_the_paper_and_no_words_overlap(seed: int) -> None:
    system = pool()
    svg = timing_svg(system, walk(system, 45, 3, seed), "A long walk", requirement(system, "P9"))
    root = parsed(svg)
    width, height = float(root.get("width", "0")), float(root.get("height", "0"))
    assert 640 <= width <= 1600
    boxes = []
    for element in root.findall(f".//{SVG}text"):
        size = float(element.get("font-size", "12"))
        assert size >= 11
        room = text_width(element.text or "", size) / 1.14  # of Arial itself
        x, y = float(element.get("x", "0")), float(element.get("y", "0"))
        if element in [child for group in root.findall(f"{SVG}g[@transform]") for child in group]:
            continue  # the key, checked below
        left = x - room * {"middle": 0.5, "end": 1.0}.get(element.get("text-anchor", ""), 0.0)
        assert left >= 0
        assert left + room <= width + 0.5, element.text
        assert size <= y <= height
        boxes.append((left, left + room, y - 0.7 * size, y, element.text))
    for (a, b, c, d, one), (e, f, g, h, other) in (
        (boxes[i], boxes[j]) for i in range(len(boxes)) for j in range(i + 1, len(boxes))
    ):
        assert b <= e + 0.5 or f <= a + 0.5 or d <= g or h <= c, (one, other)
    places = []
    for group in root.findall(f"{SVG}g[@transform]"):
        match = re.fullmatch(r"translate\((\S+) (\S+)\)", group.get("transform", ""))
        assert match
        meaning = next(group.iter(f"{SVG}text")).text or ""
        start = float(match[1])
        places.append((float(match[2]), start, start + 26 + text_width(meaning, 11)))
    assert len(places) >= 4
    assert all(end <= width for _, _, end in places)
    assert all(y1 < y2 or end1 < start2 for (y1, _, end1), (y2, start2, _) in pairwise(places))


def test_columns_are_as_wide_as_the_names_in_them() -> None:
    """No state, signal or happening of an ordinary spec is cut short."""
    system = pool()
    for seed in range(4):
        shown = words(timing_svg(system, walk(system, 30, 3, seed), "A walk", requirement(system, "P9")))
        assert not [word for word in shown if word.endswith("...")]
        assert {"closed", "loose", "true", "false"} <= set(shown)


def test_a_long_name_that_lasts_for_a_moment_widens_its_column() -> None:
    state = initial_state(pool())
    columns = (
        Column("start", state, None, "", "start", "", 0),
        *(Column("reaction", state, None, "", "", "", 0) for _ in range(3)),
    )
    name = "waiting_for_release"
    lanes = (Lane("subsystem", "a", "a", ("x", name, "x", "x")), Lane("subsystem", "b", "b", ("x", "x", "x", "y")))
    (strip,) = timing_chart._strips(columns, lanes, 1000)
    width = [after - before for before, after in pairwise(strip.edges)]
    assert width[1] >= text_width(name, 12)
    assert width[0] < 80
    assert width[2] == width[3] < 30


@pytest.mark.parametrize("seed", range(4))
def test_a_long_run_goes_on_in_strips_that_miss_nothing(seed: int) -> None:
    system = pool()
    trace = walk(system, 60, 3, seed)
    columns = columns_of(system, trace)
    shown = words(timing_svg(system, trace, "A long walk"))
    assert "continued" in shown
    numbers = [column.number for column in columns if column.number]
    assert [word for word in shown if re.fullmatch(r"[0-9]+(-[0-9]+)?", word)] == numbers
    strips = timing_chart._strips(columns, lanes_of(system, columns), 900)
    assert [s.first for s in strips] == [0, *(s.last for s in strips[:-1])]
    assert strips[-1].last == len(columns)
    assert all(columns[s.first].begins for s in strips)
    assert all(s.edges[-1] <= 900 for s in strips)


def test_reactions_take_narrower_columns_and_waits_wider_ones() -> None:
    system = worded_specs.system_of(
        "safetymodel: 1\ntitle: t\ntick: 1 s\nsubsystems:\n"
        "  a: {states: [p, q], events: {go: {}}, transitions: [{from: p, to: q, on: go}]}\n"
        "  b: {states: [p, q], transitions: [{from: p, to: q, if: a is q}]}\n"
        "  c: {states: [p, q], transitions: [{from: p, to: q, if: b is q}]}\n"
        "  d: {states: [p, q], transitions: [{from: p, to: q, after: 5 s, if: c is q}]}\n"
    )
    state, taken = initial_state(system), []
    for _ in range(9):
        step = next(iter(steps(system, state, 0)))
        taken.append(step)
        state = step.after
    columns = columns_of(system, Trace(initial_state(system), tuple(taken)))
    assert [c.kind for c in columns][:5] == ["start", "event", "reaction", "reaction", "ticks"]
    (strip,) = timing_chart._strips(columns, lanes_of(system, columns), 1000)
    width = [after - before for before, after in pairwise(strip.edges)]
    assert max(width[2], width[3]) < width[1] < width[4]


# -- hostile text -----------------------------------------------------------------------------

HOSTILE = "\"'<script>&amp;]]>\\N\x1b[31m\u202e\ud800\n--><svg onload=x>"


def test_hostile_text_shows_as_text() -> None:
    system = pool()
    chair, fault = system.subsystems[0], system.faults[0]
    hostile = replace(
        system,
        subsystems=(
            replace(chair, name=HOSTILE, text=HOSTILE, states=(HOSTILE, *chair.states[1:])),
            *system.subsystems[1:],
        ),
        events=tuple(replace(e, name=e.name + HOSTILE, by=HOSTILE, text=HOSTILE) for e in system.events),
        faults=(replace(fault, name=HOSTILE, text=HOSTILE), *system.faults[1:]),
    )
    svg = timing_svg(hostile, breach(system, "P6"), HOSTILE, requirement(hostile, "P6"))
    root = parsed(svg)
    assert {element.tag for element in root.iter()} <= {
        SVG + tag for tag in ("svg", "title", "desc", "rect", "text", "line", "g", "polygon", "path")
    }
    assert not [key for element in root.iter() for key in element.attrib if key.startswith("on")]
    assert "\x1b" not in svg
    assert "\u202e" not in svg
    svg.encode("utf-8")
    assert any("<script>" in word for word in words(svg))
    assert "\\x1b[31m\\u202e\\ud800" in (root.get("aria-label") or "")


def test_very_long_names_are_cut_not_spilled() -> None:
    system = pool()
    chair = system.subsystems[0]
    large = replace(chair, name="c" * 9000, states=("s" * 9000,) * 4)
    longer = replace(system, subsystems=(large, *system.subsystems[1:]))
    svg = timing_svg(longer, breach(system, "P3"), "t" * 200)
    assert float(parsed(svg).get("width", "0")) < 1600
    assert max(len(word) for word in words(svg)) < 250


# -- the pieces -------------------------------------------------------------------------------


def test_words_on_every_fill_keep_seven_to_one() -> None:
    """Success criterion 1.4.6 of WCAG 2.1."""
    fills = (timing_chart.CHANGED_FILL, timing_chart.WAIT_FILL, timing_chart.BREACH_FILL, timing_chart.FAULT_FILL)
    assert min(contrast(INK, fill) for fill in fills) >= 7
    assert contrast(timing_chart.ALARM, "#ffffff") >= 7
    assert contrast(timing_chart.QUIET, "#ffffff") >= 7


def test_cut_keeps_to_its_room() -> None:
    assert cut("short", 100, 12) == "short"
    for width in (0.0, 8.0, 30.0, 61.5):
        assert text_width(cut("a rather long name of a state", width, 12).removesuffix("..."), 12) <= width
    assert cut("a rather long name of a state", 61.5, 12).endswith("...")
    assert text_width("WWWW", 12) > text_width("iiii", 12)
    assert text_width("\u6f22\u5b57", 10) > text_width("ab", 10)


def test_names_break_at_dots_before_underscores() -> None:
    assert name_lines("console.switch_on", 80, 11, 3) == ["console.", "switch_on"]
    assert name_lines("mode_key.to_the_lift_post", 70, 11, 4) == ["mode_key.", "to_the_lift_", "post"]
    assert name_lines("wait 10 s", 90, 11, 3) == ["wait 10 s"]
    assert len(name_lines("a_b_" * 50, 40, 11, 3)) == 3
    assert name_lines("a_b_" * 50, 40, 11, 3)[2].endswith("...")
    assert name_lines("", 40, 11, 3) == [""]


def test_hatching_stays_in_its_rectangle() -> None:
    path = hatching(10, 20, 30, 50, 7)
    ends = [(float(x), float(y)) for x, y in re.findall(r"[ML](\S+?) ([^ML]+)", path)]
    assert len(ends) >= 20
    assert all(10 <= x <= 40 and 20 <= y <= 70 for x, y in ends)


def test_a_document_says_its_title_once_and_escapes() -> None:
    svg = document(10, 20, 'a "b" <c>', "what & where", [text(1, 2, "x < y")])
    root = parsed(svg)
    assert root.get("aria-label") == 'a "b" <c>'
    assert [e.text for e in root.findall(f"{SVG}desc")] == ["what & where"]
    assert words(svg) == ["x < y"]
