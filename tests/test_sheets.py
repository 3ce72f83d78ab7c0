"""Test plans against the reference step function and brute force; sheets, their files, and a sheet worked on twins."""

from __future__ import annotations

import csv
import io
import random
import re
from collections.abc import Iterator
from dataclasses import replace
from fractions import Fraction
from functools import cache
from pathlib import Path

import pytest
from random_systems import random_spec

from safetymodel.bench.defects import Defect, defect_named, defects_of
from safetymodel.bench.device import DeviceError
from safetymodel.bench.mapping import mapping_by_names
from safetymodel.bench.reactions import CannotTrack
from safetymodel.bench.sheets.commission import Commissioning, commission
from safetymodel.bench.sheets.follow import Follower
from safetymodel.bench.sheets.forcing import with_forces
from safetymodel.bench.sheets.goals import goals_of
from safetymodel.bench.sheets.modes import Asked
from safetymodel.bench.sheets.observed import with_results
from safetymodel.bench.sheets.plan import Planner
from safetymodel.bench.sheets.sheet_run import mapping_with_forces, run_sheet, worked_data
from safetymodel.bench.sheets.sheets import COLUMNS
from safetymodel.bench.sheets.stages import Goal
from safetymodel.bench.sheets.walks import HIDDEN, SEEN_BY_ORDER, Plan, Walk
from safetymodel.bench.sights import Sight, alone, assigned, part_list
from safetymodel.bench.stimulus import Stimulus
from safetymodel.bench.twin import Twin
from safetymodel.claims.breach_states import breach_of
from safetymodel.explore.choice import explore
from safetymodel.explore.engine import Limits
from safetymodel.model.able import able
from safetymodel.model.build import load_text
from safetymodel.model.state import State, initial_state
from safetymodel.model.step import (
    Step,
    due,
    happenings,
    holds,
    is_settled,
    reactions,
    steps,
)
from safetymodel.model.system import System
from safetymodel.problems import Problem
from safetymodel.report.markdown import escaped
from safetymodel.report.sheet_pages import in_print, sheet_csv, sheet_markdown, sheet_page
from safetymodel.report.sheets_said import worked_lines

SPECS = Path(__file__).resolve().parent.parent / "specs"
SEEDS = range(60)
MOST_STATES = 6_000


@cache
def commissioned(name: str) -> Commissioning:
    found = commission(str(SPECS / name))
    assert isinstance(found, Commissioning), found
    return found


@cache
def planned(seed: int) -> tuple[Plan, tuple[State, ...]] | None:
    """A plan of a random spec, and its states under one fault or force; None where there are too many."""
    system, problems = load_text(random_spec(random.Random(seed)), "random.yaml")
    assert system is not None, problems
    forced = with_forces(system)
    states = reached(forced.system)
    if states is None:
        return None
    try:
        Follower(system).start()
    except CannotTrack:
        return None
    space = explore(forced.system, (1,)).spaces[1]
    goals = goals_of(forced.system, forced.declared, Asked(mechanical=True))
    return Planner(forced, goals, space, lambda: None).plan(), states


def reached(system: System) -> tuple[State, ...] | None:
    seen = {initial_state(system): None}
    stack = list(seen)
    while stack:
        for step in steps(system, stack.pop(), 1):
            if step.after not in seen:
                seen[step.after] = None
                stack.append(step.after)
                if len(seen) > MOST_STATES:
                    return None
    return tuple(seen)


def plans() -> Iterator[tuple[Plan, tuple[State, ...]]]:
    for seed in SEEDS:
        found = planned(seed)
        if found is not None:
            yield found


# -- every walk is a run of the model, and shows what it says -----------------------------------------


def paths(system: System, state: State, stimulus: Stimulus) -> list[list[tuple[State, Step | None]]]:
    """Every way in which the machine can answer one stimulus: (state before, step), the last with the settled state."""
    if stimulus.kind in ("wait", "until"):
        ways: list[list[tuple[State, Step | None]]] = [[(state, None)]]
        ended: list[list[tuple[State, Step | None]]] = []
        for _ in range(stimulus.number):
            ended += [way for way in ways if is_seen(way[-1][0], stimulus)]
            ways = [way for way in ways if not is_seen(way[-1][0], stimulus)]
            ways = [way[:-1] + more for way in ways for more in answers(system, way[-1][0], "tick", 0)]
        return ended + ways
    found = answers(system, state, stimulus.kind, stimulus.number)
    return found or [[(state, None)]]


def is_seen(state: State, stimulus: Stimulus) -> bool:
    """Whether a wait ends in this state: what it waits for is seen."""
    return stimulus.seen is not None and state.states[stimulus.seen[0]] == stimulus.seen[1]


def answers(system: System, state: State, kind: str, number: int) -> list[list[tuple[State, Step | None]]]:
    found = []
    for step in happenings(system, state, 1):
        if step.kind == kind and (kind == "tick" or step.number == number):
            found.extend([(state, step), *rest] for rest in settlings(system, step.after))
    return found


def settlings(system: System, state: State) -> list[list[tuple[State, Step | None]]]:
    """Every order of reaction, and of moves in their window of time, to a settled state."""
    found: list[list[tuple[State, Step | None]]] = []
    stack: list[tuple[State, list[tuple[State, Step | None]]]] = [(state, [])]
    while stack:
        here, way = stack.pop()
        if len(way) > 60:
            raise RecursionError
        if is_settled(system, here):
            found.append([*way, (here, None)])
            more = [step for step in happenings(system, here, 1) if step.kind == "time"]
        else:
            more = list(reactions(system, here))
        stack.extend((step.after, [*way, (here, step)]) for step in more)
    return found


def sees(system: System, sight: Sight, way: list[tuple[State, Step | None]], stimulus: Stimulus) -> bool:
    """Whether one answer of the machine shows a sight that is no settled state."""
    before = way[0][0]
    if sight.kind == "try":
        return stimulus == Stimulus("event", sight.number) and holds(system, before, sight.formula)
    return any(
        step is not None
        and (
            (sight.kind == "fires" and sight.number in step.moved)
            or (sight.kind == "jumps" and step.kind == "jump" and step.number == sight.number)
        )
        and holds(system, state, sight.formula)
        for state, step in way
    )


def stands(system: System, sight: Sight, state: State) -> bool:
    waited = sight.clock is None or state.clocks[sight.clock[0]] >= sight.clock[1]
    return waited and holds(system, state, sight.formula)


def advance(system: System, goal: Goal, stage: int, way: list[tuple[State, Step | None]], stimulus: Stimulus) -> int:
    """How many stages of a goal are seen after one answer to one row."""
    stages, end = goal.stages, way[-1][0]
    if stage == len(stages):
        return stage
    if stage and stimulus.kind == "event" and stimulus.number in stages[stage].without:
        stage = 0
    if any(sight.kind != "at" and sees(system, sight, way, stimulus) for sight in stages[stage].ways):
        stage += 1
    while stage < len(stages):
        if stage and not holds(system, end, stages[stage].keep):
            stage = 0
        if not any(sight.kind == "at" and stands(system, sight, end) for sight in stages[stage].ways):
            break
        stage += 1
    return stage


def shown_by_force(plan: Plan, rows: tuple[Stimulus, ...], goal: Goal) -> list[bool]:
    """After each row, whether every run of the machine so far has shown the goal."""
    system = plan.forced.system
    idle = Stimulus("wait", 0)
    here = {(way[-1][0], advance(system, goal, 0, [way[-1]], idle)) for way in settlings(system, initial_state(system))}
    told = [all(stage == len(goal.stages) for _, stage in here)]
    for row in rows:
        here = {
            (way[-1][0], advance(system, goal, stage, way, row))
            for state, stage in here
            for way in paths(system, state, row)
        }
        told.append(all(stage == len(goal.stages) for _, stage in here))
    return told


def lateness_shows(plan: Plan, rows: tuple[Stimulus, ...], goal: Goal) -> bool:
    """Whether a machine that leaves a transition out at the end of the rows looks otherwise, in every order."""
    system, late = plan.forced.system, goal.stages[0].ways[0].number
    last = rows[-1]
    ticks = last.number if last.kind in ("wait", "until") else 0
    first = [replace(last, number=ticks - 1)] if ticks > 1 else []
    final = Stimulus("wait", 1) if ticks else last
    states = {way[-1][0] for way in settlings(system, initial_state(system))}
    for row in (*rows[:-1], *first):
        states = {way[-1][0] for state in states for way in paths(system, state, row)}
    states = {state for state in states if not is_seen(state, last)}
    ends = {way[-1][0].states for state in states for way in paths(system, state, final)}
    landed = [
        step.after
        for state in states
        for step in happenings(system, state, 1)
        if step.kind == ("tick" if ticks else final.kind) and (ticks or step.number == final.number)
    ]
    seen, rests = set(landed), set[tuple[int, ...]]()
    while landed:
        state = landed.pop()
        onward = [step for step in reactions(system, state) if late not in step.moved]
        if not onward:
            rests.add(state.states)
            if is_settled(system, state):
                onward = [s for s in happenings(system, state, 1) if s.kind == "time" and late not in s.moved]
        new = [step.after for step in onward if step.after not in seen]
        seen.update(new)
        landed += new
    return bool(rests) and not rests & ends


def test_every_goal_that_counts_as_shown_is_shown_by_every_run_of_its_walk() -> None:
    looked = prompt = 0
    for plan, _ in plans():
        claimed = {number for walk in plan.walks for row in walk.shows for number in row}
        assert claimed == {n for n, outcome in enumerate(plan.outcomes) if outcome == "shown"}
        for walk in plan.walks:
            for place, numbers in enumerate(walk.shows):
                for number in numbers:
                    try:
                        if plan.goals[number].kind == "prompt":
                            assert lateness_shows(plan, walk.rows[:place], plan.goals[number]), walk
                            prompt += 1
                            continue
                        told = shown_by_force(plan, walk.rows[:place], plan.goals[number])
                    except RecursionError:
                        continue
                    assert told[-1], (plan.goals[number].title, walk)
                    looked += 1
    assert looked > 150
    assert prompt > 10


def test_what_counts_as_untestable_is_untestable_by_brute_force() -> None:
    untestable = testable = 0
    for plan, states in plans():
        system = plan.forced.system
        for goal in plan.goals:
            sights = goal.stages[0].ways
            found = any(possible(system, sight, state) for sight in sights for state in states)
            if plan.outcomes[goal.number] == "untestable":
                assert not found, (goal.title, plan.reasons[goal.number])
                assert plan.reasons[goal.number]
                untestable += 1
            elif plan.outcomes[goal.number] != "forbidden":
                assert found, goal.title
                testable += 1
    assert untestable > 100
    assert testable > 300


def possible(system: System, sight: Sight, state: State) -> bool:
    """Whether a sight can be had from this state."""
    settled = is_settled(system, state)
    if sight.kind in ("at", "try"):
        return settled and stands(system, sight, state)
    if sight.kind == "jumps":
        fault = system.faults[sight.number]
        up = state.flags >> fault.number & 1 and state.states[fault.subject] == fault.state
        return settled and bool(up) and holds(system, state, sight.formula)
    transition = system.transitions[sight.number]
    if not holds(system, state, sight.formula):
        return False
    if sight.kind == "prompt":
        return list(due(system, state)) == [transition]
    if transition.event is None:
        return transition in due(system, state)
    return any(sight.number in step.moved for step in happenings(system, state, 1)) if settled else False


def test_walks_have_one_fault_at_most_and_no_forbidden_state() -> None:
    looked = 0
    for plan, _ in plans():
        for walk in plan.walks:
            assert sum(row.kind == "fault" for row in walk.rows) <= 1
            looked += 1
        assert plan.least <= plan.rows
    assert looked > 35


# -- parts of conditions ------------------------------------------------------------------------------


def test_a_part_has_an_independent_effect_exactly_where_turning_it_turns_the_condition() -> None:
    looked = 0
    for plan, states in plans():
        system = plan.forced.system
        for transition in system.transitions:
            condition = transition.interlock
            for part in part_list(condition):
                for state in states[:40]:
                    value = holds(system, state, part)
                    turned = holds(system, state, assigned(system, condition, part, not value))
                    now = holds(system, state, condition)
                    for outcome in (False, True):
                        expected = now == outcome and turned != outcome
                        assert holds(system, state, alone(system, condition, part, outcome)) == expected
                        looked += 1
    assert looked > 5_000


def test_a_dead_switch_does_not_hide_behind_another() -> None:
    """Of two switches of one door each has to be the only one that blocks, with the other forced, not itself."""
    found = commissioned("pass-through.yaml")
    plan, system = found.plan, found.plan.forced.system
    for name, other in (("inner_shut", "inner_bolted"), ("inner_bolted", "inner_shut")):
        title = f"{name} alone blocks outer_bolt: shot -> drawn"
        goal = next(goal for goal in plan.goals if goal.title == title)
        walk = next(w for w in plan.walks if any(goal.number in row for row in w.shows))
        assert walk.fault is not None
        assert system.signals[system.faults[walk.fault].subject].name == other


# -- sheets -------------------------------------------------------------------------------------------


def test_the_figures_of_the_textbook_specs() -> None:
    """BS 7925-2 / ISO/IEC/IEEE 29119-4: 6, 10, 16 sequences; Baier and Katoen's crossing: walk 8, closed tour 10."""
    clock = commissioned("textbook/clock-switch-coverage.yaml").figures
    crossing = commissioned("textbook/railway-crossing-broken.yaml").figures
    assert clock is not None
    assert crossing is not None
    assert [one.sequences for one in clock.switches] == [6, 10, 16]
    assert (clock.steps, clock.tour) == (6, 6)
    assert (crossing.steps, crossing.walk, crossing.tour) == (7, 8, 10)


def test_a_walk_through_every_pair_of_steps() -> None:
    found = commission(str(SPECS / "textbook/clock-switch-coverage.yaml"), switches=1)
    assert isinstance(found, Commissioning)
    assert found.figures is not None
    assert found.figures.switches[1].taken == 10
    assert found.sheet.chapters[-2].title == "Every sequence of steps"
    refused = commission(str(SPECS / "textbook/railway-crossing-timed.yaml"), switches=1)
    assert isinstance(refused, tuple)
    assert [p.slug for p in refused if p.severity == "error"] == ["no-settled-model"]


@pytest.mark.parametrize(
    ("options", "slug"),
    [({"modes": ["panell"]}, "unknown-subsystem"), ({"stops": ["panel.ask_iner"]}, "unknown-event")],
)
def test_names_that_the_spec_does_not_have(options: dict[str, list[str]], slug: str) -> None:
    found = commission(str(SPECS / "pass-through.yaml"), **options)  # type: ignore[arg-type]
    assert isinstance(found, tuple)
    assert found[-1].slug == slug
    assert found[-1].hint


def test_the_order_of_work_and_the_columns() -> None:
    sheet = commissioned("two-channel-estop.yaml").sheet
    assert [chapter.title for chapter in sheet.chapters] == [
        "Wiring",
        "Input read-back",
        "Each cause alone",
        "Release and reset",
        "Single faults, channel by channel",
        "Power lost and back",
        "Emergency stop in every mode",
        "Egress from every mode",
        "Bypass check",
    ]
    rows = list(csv.reader(io.StringIO(sheet_csv(sheet, COLUMNS))))
    assert rows[0] == list(COLUMNS)
    assert {len(row) for row in rows} == {len(COLUMNS)}
    blank = [COLUMNS.index(name) for name in ("observed", "pass or fail", "tester", "witness", "date")]
    assert all(not row[place] for row in rows[1:] for place in blank)
    walked = [row for row in rows[1:] if row[0].count(".") == 2 and not row[0].startswith("end")]
    assert len(walked) == sheet.rows


def test_every_step_that_is_named_has_a_row() -> None:
    """Input read-back, and what is shown where: what the initial state shows is looked at before the first row."""
    sheet = commissioned("two-door-hatch.yaml").sheet
    rows = {line.step for chapter in sheet.chapters for part in chapter.parts for line in part.lines}
    checks = next(c.checks for c in sheet.chapters if c.title == "Input read-back")
    told = [step for _, step in sheet.where] + [expected for _, expected in checks]
    named = [step for text in told for step in re.findall(r"\d+(?:\.\d+)+", text)]
    assert len(named) > 20
    assert set(named) <= rows
    assert ("inner_shut", "true before 2.1.1; false in step 2.1.2") in checks


def test_every_force_is_listed_to_be_put_back() -> None:
    found = commissioned("two-channel-estop.yaml")
    forced = [walk for walk in found.plan.walks if walk.fault is not None]
    assert len(forced) > 5
    assert len(found.sheet.put_back) == len(forced)
    text = sheet_markdown(found.sheet, COLUMNS)
    assert all(f"| {step} |" in text.split("## To be put back")[1] for step, _ in found.sheet.put_back)


def test_hostile_text_stays_text() -> None:
    text = (SPECS / "two-door-hatch.yaml").read_text(encoding="utf-8")
    evil = text.replace("text: pulls the inner door open", 'text: "=1+1 <script>alert(1)</script> | **x**"', 1)
    assert evil != text
    path = SPECS / "two-door-hatch.yaml"
    system, problems = load_text(evil, str(path))
    assert system is not None, problems
    forced = with_forces(system)
    space = explore(forced.system, (1,)).spaces[1]
    plan = Planner(forced, goals_of(forced.system, forced.declared), space, lambda: None).plan()
    from safetymodel.bench.sheets.sheets import sheet_of

    sheet = sheet_of(plan)
    assert "<script>" not in sheet_page(sheet)
    assert "&lt;script&gt;" in sheet_page(sheet)
    assert "<script>" not in sheet_markdown(sheet, COLUMNS)


def test_a_limit_leaves_a_sheet_that_says_so() -> None:
    forced = with_forces(commissioned("xray-cabinet.yaml").system)
    space = explore(forced.system, (1,), limits=Limits(states=500), engine="product").spaces[1]
    plan = Planner(forced, goals_of(forced.system, forced.declared), space, lambda: None).plan()
    assert "untestable" not in plan.outcomes


# -- a sheet worked on the twin -----------------------------------------------------------------------


def worked(name: str, *defects: str) -> bool:
    """Whether a twin with these defects passes the sheet."""
    found = commissioned(name)
    forced = found.plan.forced
    chosen = [defect_named(found.system, defect) for defect in defects]
    assert not any(isinstance(defect, Problem) for defect in chosen)
    try:
        twin = Twin(forced.system, [defect for defect in chosen if isinstance(defect, Defect)])
    except DeviceError:
        return False
    mapping = mapping_with_forces(forced, mapping_by_names(found.system), by_names=True)
    return run_sheet(found.plan, mapping, twin).passed


def test_a_sound_twin_passes() -> None:
    for name in ("two-door-hatch.yaml", "pass-through.yaml", "two-channel-estop.yaml", "xray-cabinet.yaml"):
        assert worked(name)


LIFT = """
safetymodel: 1
title: Pool lift
tick: 1 s
subsystems:
  seat:
    states: [up, middle, down]
    transitions:
      - {from: up, to: middle, after: 1 s..3 s, physically: pump is on}
      - {from: middle, to: down, after: 2 s..4 s, physically: pump is on}
  pump:
    states: [off, on]
    events: {start: {}, stop: {}}
    transitions:
      - {from: off, to: on, on: start}
      - {from: on, to: off, on: stop, if: not low}
signals:
  low: {reads: seat is down}
"""


def test_a_walk_goes_on_after_a_window_of_time(tmp_path: Path) -> None:
    """What moves in a window is waited for; whatever the moment, the sheet is passed by a sound machine, and not by one
    whose seat is too slow or whose condition is missing."""
    (tmp_path / "lift.yaml").write_text(LIFT, encoding="utf-8")
    found = commission(str(tmp_path / "lift.yaml"))
    assert isinstance(found, Commissioning)
    assert set(found.plan.outcomes) == {"shown"}
    untils = [row for walk in found.plan.walks for row in walk.rows if row.kind == "until"]
    assert untils
    assert "wait until seat is down, then go on at once" in sheet_markdown(found.sheet, COLUMNS)
    forced = found.plan.forced
    mapping = mapping_with_forces(forced, mapping_by_names(found.system), by_names=True)
    for seed in (None, 1, 2, 3, 4, 5):
        assert run_sheet(found.plan, mapping, Twin(forced.system, seed=seed)).passed
        for defect in defects_of(found.system):
            twin = Twin(forced.system, [defect], seed)
            if seed is None or defect.kind != "slow":  # in a window, slow is not always too late
                assert not run_sheet(found.plan, mapping, twin).passed, (seed, defect.text)


def test_what_is_waited_for_need_not_be_shown(tmp_path: Path) -> None:
    """A map without the seat: the ticks pass, the possible states are followed, and a sound machine passes."""
    (tmp_path / "lift.yaml").write_text(LIFT, encoding="utf-8")
    found = commission(str(tmp_path / "lift.yaml"))
    assert isinstance(found, Commissioning)
    forced = found.plan.forced
    whole = mapping_with_forces(forced, mapping_by_names(found.system), by_names=True)
    blind = replace(whole, outputs=tuple(output for output in whole.outputs if output.name == "pump"))
    assert len(blind.outputs) == 1
    for seed in (None, 1, 2, 3):
        assert run_sheet(found.plan, blind, Twin(forced.system, seed=seed)).passed
    stuck = defect_named(found.system, "stuck:low:false")
    assert isinstance(stuck, Defect)
    assert not run_sheet(found.plan, blind, Twin(forced.system, [stuck])).passed


def test_a_wait_for_what_is_seen_ends_though_each_tick_may_have_been_none(tmp_path: Path) -> None:
    """With slack every tick alone may not have passed yet; all together are enough, and a dead machine is found."""
    (tmp_path / "lift.yaml").write_text(LIFT, encoding="utf-8")
    found = commission(str(tmp_path / "lift.yaml"))
    assert isinstance(found, Commissioning)
    forced = found.plan.forced
    loose = replace(mapping_with_forces(forced, mapping_by_names(found.system), by_names=True), slack=1)
    assert run_sheet(found.plan, loose, Twin(forced.system)).passed

    class Dead(Twin):
        def wait(self, milliseconds: Fraction) -> None:
            """Nothing moves with time."""

    assert not run_sheet(found.plan, loose, Dead(forced.system)).passed


def test_rows_that_only_lead_on_are_printed_together_and_none_is_lost() -> None:
    merged = 0
    for chapter in commissioned("platform-lift.yaml").sheet.chapters:
        for part in chapter.parts:
            groups = in_print(part.lines)
            assert [line for group in groups for line in group] == list(part.lines)
            for group in groups:
                assert len(group) == 1 or not any(line.shows or line.restart or line.reset for line in group)
                merged += len(group) > 1
    assert merged > 10


def test_windows_of_time_cost_the_platform_lift_no_goal() -> None:
    outcomes = commissioned("platform-lift.yaml").plan.outcomes
    assert outcomes.count("by order") == 0
    assert outcomes.count("shown") >= 200


def test_a_dead_switch_is_found_though_another_reads_the_same() -> None:
    for name in ("inner_shut", "inner_bolted"):
        assert not worked("pass-through.yaml", f"stuck:{name}:true")


def test_every_dropped_part_of_the_pass_through_is_found() -> None:
    found = commissioned("pass-through.yaml")
    dropped = [defect for defect in defects_of(found.system) if defect.kind == "drop"]
    assert len(dropped) > 10
    assert not [defect.name for defect in dropped if worked("pass-through.yaml", defect.name)]


TWO_SWITCHES = """
safetymodel: 1
title: Two switches of one leaf
subsystems:
  leaf: {states: [shut, open], events: {pull: {by: user}, push: {by: user}},
         transitions: [{from: shut, to: open, on: pull}, {from: open, to: shut, on: push}]}
  watch:
    states: [agree, differ]
    transitions:
      - {from: agree, to: differ, if: switches_differ}
      - {from: differ, to: agree, if: not switches_differ}
signals:
  leaf_a: {reads: leaf is shut}
  leaf_b: {reads: leaf is shut}
conditions:
  switches_differ: leaf_a and not leaf_b or leaf_b and not leaf_a
"""


def test_each_place_of_a_part_that_stands_twice_in_a_condition_is_shown_to_decide(tmp_path: Path) -> None:
    path = tmp_path / "switches.yaml"
    path.write_text(TWO_SWITCHES, encoding="utf-8")
    found = commission(str(path))
    assert isinstance(found, Commissioning)
    plan = found.plan
    placed = [goal for goal in plan.goals if " in place " in goal.title]
    assert len(placed) == 8
    assert {plan.outcomes[goal.number] for goal in placed} == {"shown"}
    mapping = mapping_with_forces(plan.forced, mapping_by_names(found.system), by_names=True)
    for defect in defects_of(found.system):
        if defect.kind == "drop":
            try:
                twin = Twin(plan.forced.system, [defect])
            except DeviceError:
                continue  # it does not come to rest after its reset
            assert run_sheet(plan, mapping, twin).failed, defect.text


def test_every_dropped_part_that_the_plan_shows_is_found() -> None:
    name = "xray-cabinet.yaml"
    found = commissioned(name)
    plan, looked = found.plan, 0
    for defect in defects_of(found.system):
        if defect.kind != "drop" or defect.part is None:
            continue
        wanted = [
            plan.outcomes[goal.number] == "shown"
            for goal in plan.goals
            if goal.kind == "blocks"
            and goal.transition == defect.part.transition
            and goal.part in part_list(defect.part.formula)
            and found.system.transitions[goal.transition].event is not None
        ]
        if wanted and all(wanted):
            looked += 1
            assert not worked(name, defect.name), defect.text
    assert looked > 3


def test_what_a_later_reaction_hides_does_not_count_as_shown() -> None:
    """The valve shuts again at once where its guard is open, so a missing condition of the event shows nowhere."""
    text = """
safetymodel: 1
title: Valve
subsystems:
  guard:
    states: [shut, open]
    events: {pull: {}, push: {}}
    transitions:
      - {from: shut, to: open, on: pull}
      - {from: open, to: shut, on: push}
  valve:
    states: [shut, open]
    events: {turn: {}, back: {}}
    transitions:
      - {from: shut, to: open, on: turn, if: guard_shut}
      - {from: open, to: shut, on: back}
      - {from: open, to: shut, if: not guard_shut}
signals:
  guard_shut: {reads: guard is shut}
"""
    system, problems = load_text(text, "valve.yaml")
    assert system is not None, problems
    forced = with_forces(system)
    space = explore(forced.system, (1,)).spaces[1]
    plan = Planner(forced, goals_of(forced.system, forced.declared), space, lambda: None).plan()
    goal = next(g for g in plan.goals if g.title == "guard_shut alone blocks valve: shut -> open on valve.turn")
    assert plan.outcomes[goal.number] == "hidden"


def test_a_row_without_a_point_is_not_run_and_no_pass() -> None:
    found = commissioned("xray-cabinet.yaml")
    forced = found.plan.forced
    assert any(walk.fault is not None and forced.is_own(walk.fault) for walk in found.plan.walks)
    mapping = mapping_with_forces(forced, mapping_by_names(found.system), by_names=False)
    done = run_sheet(found.plan, mapping, Twin(forced.system))
    assert not done.passed
    words = {one.word for one in done.worked}
    assert "pass" in words
    assert words <= {"pass", "not run"}
    helps = "has to be forced (true|false): name the point where the bench can play it under `inputs` of the map file"
    assert all(re.search(helps, one.reason) for one in done.worked if one.word == "not run")


def test_able_is_what_the_plan_asks() -> None:
    """The formula that stands for a transition that can move agrees with the step function in every state."""
    looked = 0
    for plan, states in plans():
        system = plan.forced.system
        for state in states[:30]:
            for transition in system.transitions:
                if transition.event is None and not transition.latest:
                    assert holds(system, state, able(system, transition)) == (transition in due(system, state))
                    looked += 1
    assert looked > 500


# -- the command --------------------------------------------------------------------------------------


def sheets(*arguments: str) -> int:
    from safetymodel.cli import main

    with pytest.raises(SystemExit) as left:
        main(["sheets", *arguments])
    assert isinstance(left.value.code, int)
    return left.value.code


def test_exit_codes_and_files(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    spec, out = str(SPECS / "two-door-hatch.yaml"), tmp_path / "out"
    assert sheets(spec, "--out", str(out), "--json", str(tmp_path / "sheet.json")) == 0
    assert sorted(path.name for path in out.iterdir()) == ["sheet.csv", "sheet.html", "sheet.md"]
    assert '"untested"' in (tmp_path / "sheet.json").read_text(encoding="utf-8")
    assert "wrote" in capsys.readouterr().out
    assert sheets(str(tmp_path / "none.yaml")) == 2
    assert sheets(spec, "--out", "/dev/null/out") == 2
    assert "cannot write" in capsys.readouterr().err
    assert sheets(spec, "--out", str(out), "--seconds", "0") == 3
    text = (out / "sheet.md").read_text(encoding="utf-8")
    assert "The plan is not whole" in text
    assert "no reachable state can show it" not in text


def test_a_sheet_on_a_twin_by_the_command(capsys: pytest.CaptureFixture[str]) -> None:
    from safetymodel.cli import main

    spec = str(SPECS / "pass-through.yaml")
    for more, code, said in (
        ((), 0, "no difference on the sheet"),
        (("--defect", "stuck:outer_shut:true"), 1, "differs"),
        (("--defect", "nonsense"), 2, "can have no defect"),
        (("--modes", "panel", "--stops", "panel.ask_inner"), 0, "no difference on the sheet"),
        (("--modes", "panell"), 2, "the spec has no subsystem panell"),
        (("--stops", "panel.ask_iner"), 2, "the spec has no event panel.ask_iner"),
    ):
        with pytest.raises(SystemExit) as left:
            main(["bench", spec, "--device", "twin", "--sheet", *more])
        shown = capsys.readouterr()
        assert left.value.code == code
        assert said in shown.out + shown.err


def test_a_spec_in_which_nothing_happens_has_an_empty_sheet(tmp_path: Path) -> None:
    path = tmp_path / "none.yaml"
    path.write_text("safetymodel: 1\ntitle: T\nsubsystems: {a: {states: [x]}}\n")
    commissioned = commission(str(path))
    assert isinstance(commissioned, Commissioning)
    assert not commissioned.plan.walks


def benched_sheet(*arguments: str) -> int:
    from safetymodel.cli import main

    with pytest.raises(SystemExit) as left:
        main(["bench", *arguments, "--sheet"])
    assert isinstance(left.value.code, int)
    return left.value.code


@pytest.mark.parametrize(
    "options",
    [("--steps", "5"), ("--seed", "0"), ("--faults", "1"), ("--minutes", "1"), ("--replay", "x"), ("--no-shrink",)],
)
def test_options_of_a_fuzz_run_are_refused_with_a_sheet(
    options: tuple[str, ...], capsys: pytest.CaptureFixture[str]
) -> None:
    assert benched_sheet(str(SPECS / "pass-through.yaml"), "--device", "twin", *options) == 2
    assert f"error: {options[0]} cannot go with --sheet" in capsys.readouterr().err


def test_a_sheet_that_a_bench_has_worked_is_filled_in(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    spec, out = str(SPECS / "pass-through.yaml"), tmp_path / "out"
    told = ("--device", "twin", "--defect", "stuck:inner_shut:true", "--out", str(out))
    assert benched_sheet(spec, *told) == 1
    printed = capsys.readouterr().out
    failed = next(line for line in printed.splitlines() if line.startswith("step "))
    assert f"wrote {out / 'sheet.html'}" in printed
    rows = list(csv.reader(io.StringIO((out / "sheet.csv").read_text(encoding="utf-8"))))
    of = {row[0]: row[COLUMNS.index("observed") : COLUMNS.index("pass or fail") + 1] for row in rows[1:]}
    step = failed.split(",")[0].removeprefix("step ")
    assert of[step] == [failed.split("; ")[1], "fail"]
    walk, place = step.rsplit(".", 1)
    assert of[f"{walk}.{int(place) - 1}"] == ["as expected", "pass"]
    assert of[f"{walk}.{int(place) + 1}"] == ["", ""], "what comes after it was not done"
    assert of["1.1"] == ["", ""], "wiring is for people"
    page = (out / "sheet.html").read_text(encoding="utf-8")
    assert "<td>as expected</td><td>pass</td>" in page
    assert "Worked by a bench on twin: 8 walks, 7 pass, 1 fail." in page


class Dying(Twin):
    """Breaks off at the tenth thing that it is asked to do."""

    left = 10

    def apply(self, point: str) -> None:
        self.left -= 1
        if not self.left:
            raise DeviceError("lost", "the device is gone")
        super().apply(point)


def test_a_sheet_run_that_ends_early_says_what_was_not_begun() -> None:
    found = commissioned("pass-through.yaml")
    forced = found.plan.forced
    mapping = mapping_with_forces(forced, mapping_by_names(found.system), by_names=True)
    done = run_sheet(found.plan, mapping, Dying(forced.system))
    data = worked_data(done, found.sheet)
    left = len(found.plan.walks) - len(done.worked)
    assert left > 0
    assert data["walks_not_begun"] == left
    assert f"1 ended, {left} not begun" in worked_lines(data, quiet=False)[-2]
    lines = [line for c in with_results(found.sheet, done, "x").chapters for part in c.parts for line in part.lines]
    assert [line.observed for line in lines].count("not begun") == left
    assert sum(line.verdict == "pass" for line in lines) == sum(one.rows for one in done.worked) - 1


LOCK = """
safetymodel: 1
title: Sluice
subsystems:
  water:
    states: [low, high]
    transitions:
      - {from: low, to: high, physically: inlet is up}
      - {from: high, to: low, physically: outlet is up}
  inlet:
    text: Inlet paddle
    states: [down, up]
    events: {raise: {}, drop: {}}
    transitions:
      - {from: down, to: up, on: raise, if: outlet_down and stop_free}
      - {from: up, to: down, on: drop}
      - {from: up, to: down, if: not stop_free}
  outlet:
    text: Outlet paddle
    states: [down, up]
    events: {raise: {}, drop: {}}
    transitions:
      - {from: down, to: up, on: raise, if: inlet_down and stop_free}
      - {from: up, to: down, on: drop}
      - {from: up, to: down, if: not stop_free}
  gate:
    states: [shut, open]
    events: {pull: {}, push: {}}
    transitions:
      - {from: shut, to: open, on: pull, if: level_high and horn_done}
      - {from: open, to: shut, on: push}
  horn:
    states: [silent, done]
    events: {ask: {}, rest: {}}
    transitions:
      - {from: silent, to: done, on: ask, if: stop_free}
      - {from: done, to: silent, on: rest}
      - {from: done, to: silent, if: not stop_free}
  stop:
    text: Stop button
    role: control
    states: [free, tripped]
    events: {press: {}, reset: {}}
    transitions:
      - {from: free, to: tripped, on: press}
      - {from: tripped, to: free, on: reset, if: inlet_down and outlet_down}
signals:
  inlet_down: {reads: inlet is down}
  outlet_down: {reads: outlet is down}
  level_high: {reads: water is high}
  horn_done: {reads: horn is done}
  stop_free: {reads: stop is free}
faults:
  level_high_bridged: {signal: level_high, stuck: true, text: level switch bridged}
  level_high_broken: {signal: level_high, stuck: false, text: level switch broken}
  inlet_jammed: {subsystem: inlet, stuck: up, text: inlet jammed}
requirements:
  R1: {text: The chamber can be emptied again, always_possible: water is low}
"""


def sluice(tmp_path: Path, text: str = LOCK) -> Commissioning:
    path = tmp_path / "sluice.yaml"
    path.write_text(text, encoding="utf-8")
    found = commission(str(path))
    assert isinstance(found, Commissioning), found
    return found


def test_a_stop_is_not_asked_for_where_it_is_called_already(tmp_path: Path) -> None:
    plan = sluice(tmp_path).plan
    titles = [goal.title for goal in plan.goals]
    assert "stop.press while stop is free" in titles
    assert "stop.press while stop is tripped" not in titles
    assert "R1: The chamber can be emptied again, beginning while stop is tripped" in titles


def test_an_event_that_moves_nothing_in_a_mode_is_said_to_move_nothing(tmp_path: Path) -> None:
    press = "{from: free, to: tripped, on: press"
    text = LOCK.replace(press, f"{press}, physically: inlet is down")
    text += "  R2: {text: The inlet is opened by hand, start: inlet is up, only_by: [inlet.raise]}\n"
    plan = sluice(tmp_path, text).plan
    goal = next(g for g in plan.goals if g.title == "stop.press while inlet is up")
    assert plan.reasons[goal.number] == "unreachable: the event moves nothing there"


def test_what_is_held_where_it_is_not_yet_is_made_ready(tmp_path: Path) -> None:
    lines = [line for c in sluice(tmp_path).sheet.chapters for part in c.parts for line in part.lines]
    held = [(line, line.stimulus) for line in lines if "inlet jammed" in line.stimulus]
    assert held
    forced = with_forces(sluice(tmp_path).system)
    from safetymodel.bench.sheets.forcing import force_text

    down = initial_state(forced.system)
    up = down._replace(states=tuple(1 if n == 1 else s for n, s in enumerate(down.states)))
    number = next(f.number for f in forced.system.faults if f.name == "inlet_jammed")
    assert force_text(forced, number, (down,)).startswith("make ready to hold Inlet paddle once it is up, as by")
    assert force_text(forced, number, (up,)).startswith("hold Inlet paddle in up, as by")


# -- what a machine would show that lacks what blocks it -------------------------------------------------


def rests_of(system: System, state: State, event: int, taken: int) -> tuple[set[tuple[int, ...]], set[tuple[int, ...]]]:
    """In which combinations of states the machine can come to rest after an event that is blocked for a transition, as
    the model has it and as a machine has it that takes it; by the reference step function."""
    t = system.transitions[taken]
    landed = [step.after for step in happenings(system, state, 1) if step.kind == "event" and step.number == event]
    right = {way[-1][0].states for after in landed or [state] for way in settlings(system, after)}
    wrong = set()
    for after in landed or [state]:
        states = tuple(t.target if n == t.subsystem else s for n, s in enumerate(after.states))
        clocks = tuple(0 if n == t.subsystem else c for n, c in enumerate(after.clocks))
        wrong |= {way[-1][0].states for way in settlings(system, State(states, clocks, after.flags))}
    return right, wrong


def test_what_is_said_to_be_hidden_is_so_in_every_state_and_what_depends_on_the_order_is_seen_in_some() -> None:
    """A part that blocks an event, by brute force over all reached states in which it alone does."""
    hidden = by_order = 0
    for plan, states in [*plans(), *hiding_plans()]:
        system = plan.forced.system
        for goal in plan.goals:
            reason = plan.reasons.get(goal.number, "")
            if reason not in (HIDDEN, SEEN_BY_ORDER):
                continue
            (sight,) = goal.stages[0].ways
            assert goal.transition is not None
            shows = [
                wrong <= right
                for state in states
                if is_settled(system, state) and holds(system, state, sight.formula)
                for right, wrong in [rests_of(system, state, sight.number, goal.transition)]
            ]
            assert shows
            if reason == HIDDEN:
                assert all(shows), goal.title
                hidden += 1
            else:
                assert not all(shows), goal.title
                by_order += 1
    assert hidden > 0
    assert by_order > 0


def hiding_plans() -> Iterator[tuple[Plan, tuple[State, ...]]]:
    system, problems = load_text(LOCK, "sluice.yaml")
    assert system is not None, problems
    forced = with_forces(system)
    space = explore(forced.system, (1,)).spaces[1]
    states = reached(forced.system)
    assert states is not None
    yield Planner(forced, goals_of(forced.system, forced.declared), space, lambda: None).plan(), states


def test_what_shows_only_in_some_order_of_reaction_is_not_called_hidden(tmp_path: Path) -> None:
    """The outlet drops again at once while the stop is tripped; only with high water may some water run first."""
    found = sluice(tmp_path)
    reasons = {u.goal: (u.outcome, u.reason) for u in found.sheet.untested}
    assert reasons["stop_free alone blocks outlet: down -> up on outlet.raise"] == ("by order", SEEN_BY_ORDER)


def test_a_place_where_it_shows_is_looked_for_where_the_nearest_hides_it(tmp_path: Path) -> None:
    """Without `key_in` the flap falls shut again at once, unless a stay holds it, which is one row farther."""
    text = """
safetymodel: 1
title: Flap
subsystems:
  key: {states: [in, out], events: {pull: {}}, transitions: [{from: in, to: out, on: pull}]}
  stay: {states: [off, on], events: {set: {}}, transitions: [{from: off, to: on, on: set}]}
  flap:
    states: [shut, open]
    events: {lift: {}}
    transitions:
      - {from: shut, to: open, on: lift, if: key_in}
      - {from: open, to: shut, if: not key_in and stay_off}
signals:
  key_in: {reads: key is in}
  stay_off: {reads: stay is off}
"""
    found = sluice(tmp_path, text)
    where = dict(found.sheet.where)
    step = where["key_in alone blocks flap: shut -> open on flap.lift"]
    line = next(x for c in found.sheet.chapters for part in c.parts for x in part.lines if x.step == step)
    assert line.event == "flap.lift"


# -- faults that mislead ------------------------------------------------------------------------------


def test_a_bridged_switch_is_forced_where_a_condition_turns_by_it(tmp_path: Path) -> None:
    found = sluice(tmp_path)
    where = dict(found.sheet.where)
    lines = {line.step: line for c in found.sheet.chapters for part in c.parts for line in part.lines}
    bridged = lines[where["level switch bridged [fault level_high_bridged]: a condition turns by it alone"]]
    assert (bridged.event, bridged.expected) == ("gate.pull", "gate: shut -> open at once")
    broken = lines[where["level switch broken [fault level_high_broken]: a condition turns by it alone"]]
    assert (broken.event, broken.expected) == ("gate.pull", "nothing moves: it is blocked")


def test_a_fault_that_others_mask_is_told_so(tmp_path: Path) -> None:
    """Of two switches on one guard one alone makes no difference; it is present where the other acts."""
    text = """
safetymodel: 1
title: Guard
subsystems:
  guard: {states: [shut, open], events: {pull: {}}, transitions: [{from: shut, to: open, on: pull}]}
  saw: {states: [off, on], events: {start: {}}, transitions: [{from: off, to: on, on: start, if: a and b}]}
signals: {a: {reads: guard is shut}, b: {reads: guard is shut}}
faults: {bridged: {signal: a, stuck: true}}
"""
    found = sluice(tmp_path, text)
    where = dict(found.sheet.where)
    line = next(
        line
        for c in found.sheet.chapters
        for part in c.parts
        for line in part.lines
        if line.step == where["bridged [fault bridged]: present where a condition asks for it"]
    )
    assert (line.event, line.expected) == ("saw.start", "nothing moves: it is blocked")
    assert "bridged [fault bridged]: present, though no condition asks for it" not in where
    reasons = {u.goal: u.reason for u in found.sheet.untested}
    told = "no condition turns by it alone: wherever it reads wrongly, other parts decide"
    assert reasons["bridged [fault bridged]: a condition turns by it alone"] == told


def test_no_walk_through_all_sequences_is_made_where_it_leads_into_a_hazard(tmp_path: Path) -> None:
    path = tmp_path / "lamp.yaml"
    path.write_text(
        """
safetymodel: 1
title: Lamp
subsystems:
  lamp:
    states: [off, on]
    events: {turn: {}}
    transitions: [{from: off, to: on, on: turn}, {from: on, to: off, on: turn}]
requirements: {R1: {text: Dark, never: lamp is on}}
""",
        encoding="utf-8",
    )
    found = commission(str(path), switches=0)
    assert isinstance(found, tuple)
    assert [(p.slug, "breaks R1" in p.message) for p in found] == [("leads-into-hazard", True)]


def test_no_walk_leads_into_what_a_requirement_forbids(tmp_path: Path) -> None:
    looked = 0
    unsafe = LOCK + "  R3: {text: The gate is opened at high water only, never: gate is open and water is low}\n"
    for plan in (*(plan for plan, _ in plans()), sluice(tmp_path, unsafe).plan):
        system, follower = plan.forced.system, Follower(plan.forced.system)
        forbidden = [
            breach_of(r)
            for r in system.requirements
            if r.form in ("never", "always") and r.begins is None and r.ends is None
        ]
        for walk in plan.walks:
            here = follower.start().after
            for row in walk.rows:
                here = follower.row(here, row).after
                assert not any(holds(system, state, formula) for state in here for formula in forbidden)
                looked += bool(forbidden)
    assert looked > 100
    sheet = sluice(tmp_path, unsafe).sheet
    outcomes = {u.goal: u.outcome for u in sheet.untested}
    assert outcomes["level switch bridged [fault level_high_bridged]: a condition turns by it alone"] == "forbidden"


# -- after a walk -------------------------------------------------------------------------------------


def let_go_by_force(system: System, states: set[State]) -> set[State]:
    return {way[-1][0] for state in states for way in settlings(system, state._replace(flags=0))}


def test_the_rows_back_lead_to_the_initial_state_in_every_run() -> None:
    looked = 0
    some = [commissioned(name).plan for name in ("two-door-hatch.yaml", "pass-through.yaml")]
    for plan in (*some, *(plan for plan, _ in [*plans(), *hiding_plans()])):
        for walk in plan.walks:
            try:
                looked += walk.back is not None and leads_home(plan.forced.system, walk)
            except RecursionError:
                continue
    assert looked > 15


def leads_home(system: System, walk: Walk) -> bool:
    start = {way[-1][0] for way in settlings(system, initial_state(system))}
    here = set(start)
    for row in walk.rows:
        here = {way[-1][0] for state in here for way in paths(system, state, row)}
    here = let_go_by_force(system, here)
    for row in walk.back or ():
        assert row.kind in ("event", "wait", "until")
        here = {way[-1][0] for state in here for way in paths(system, state, row)}
    assert {state.states for state in here} <= {state.states for state in start}
    return bool(walk.back)


def test_what_moves_when_a_force_is_taken_off_stands_beside_it(tmp_path: Path) -> None:
    """A paddle is up though the stop is tripped, since `stop_free` is forced: it drops when the force is taken off."""
    sheet = sluice(tmp_path).sheet
    parts = [part for chapter in sheet.chapters for part in chapter.parts if part.removals]
    told = {removal: part for part in parts for removal in part.removals}
    falls = next(text for text in told if text.startswith("take the force off stop_free (was held true); "))
    assert re.search(r"; then (inlet|outlet): up -> down at once$", falls)
    assert "stop.reset" in told[falls].back
    text, page = sheet_markdown(sheet, COLUMNS), sheet_page(sheet)
    for part in parts:
        assert f"Back to the initial state: {escaped(part.back)}." in text
        assert f"Back to the initial state: {part.back}." in page
    assert any(row[0] == f"after {parts[0].number}" for row in csv.reader(io.StringIO(sheet_csv(sheet, COLUMNS))))


def test_no_way_back_is_said_so(tmp_path: Path) -> None:
    text = """
safetymodel: 1
title: Fuse
subsystems:
  fuse: {states: [whole, blown], events: {blow: {}}, transitions: [{from: whole, to: blown, on: blow}]}
"""
    (part,) = (part for chapter in sluice(tmp_path, text).sheet.chapters for part in chapter.parts)
    assert part.back == "no way back was found with the events of the model: start the machine anew"
