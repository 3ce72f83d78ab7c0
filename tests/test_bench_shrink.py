"""Shortest sequences: what is left out, where else in the model the same would show, what may not be done."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

from plain_bench import some_wrong

from safetymodel.bench.defects import Defect, defect_named
from safetymodel.bench.device import Device, DeviceError
from safetymodel.bench.hunt import Bounds, hunt
from safetymodel.bench.mapping import mapping_by_names, shows_subsystem
from safetymodel.bench.run import run
from safetymodel.bench.shortest.failing import shorten_to_failure
from safetymodel.bench.shortest.shrink import Shrunk, shrink
from safetymodel.bench.shortest.ways import proper
from safetymodel.bench.stimulus import Stimulus, happenings_of, read_stimuli, stimulus_name
from safetymodel.bench.told import told
from safetymodel.bench.tracking import Tracker
from safetymodel.bench.twin import Twin
from safetymodel.model.build import load, load_text
from safetymodel.model.system import System

ROOT = Path(__file__).parent.parent
HATCH = str(ROOT / "specs" / "two-door-hatch.yaml")

LOCK = """\
safetymodel: 1
title: Lock chamber
tick: 1 s
subsystems:
  lower_gate:
    states: [shut, open]
    events: {haul: {}, push: {}}
    transitions:
      - {from: shut, to: open, on: haul, if: level_low and not (stop or barge_in)}
      - {from: open, to: shut, on: push}
  level:
    states: [high, middle, low]
    transitions:
      - {from: high, to: middle, after: 1 s..4 s, physically: sluice is open}
      - {from: middle, to: low, after: 2 s, physically: sluice is open}
  sluice:
    states: [shut, open]
    events: {wind_up: {}, wind_down: {}}
    transitions:
      - {from: shut, to: open, on: wind_up, if: not stop}
      - {from: open, to: shut, on: wind_down}
  barge:
    states: [away, waiting, inside]
    events: {come: {}, enter: {}, leave: {}, go: {}}
    transitions:
      - {from: away, to: waiting, on: come}
      - {from: waiting, to: inside, on: enter}
      - {from: inside, to: away, on: leave}
      - {from: waiting, to: away, on: go}
  button:
    states: [out, in]
    events: {press: {}, pull: {}}
    transitions:
      - {from: out, to: in, on: press}
      - {from: in, to: out, on: pull}
  lamp:
    states: [dark, lit]
    transitions:
      - {from: dark, to: lit, if: stop or barge is waiting}
      - {from: lit, to: dark, if: not stop and barge is not waiting}
signals:
  stop: {reads: button is in}
  level_low: {reads: level is low}
  barge_in: {reads: barge is inside}
faults:
  gate_drifts: {subsystem: lower_gate, jump: {from: shut, to: open}}
  stop_bridged: {signal: stop, stuck: false}
"""


def spec(path: str) -> System:
    system, _ = load(path)
    assert system is not None
    return system


def built(text: str = LOCK) -> System:
    system, problems = load_text(text, "built.yaml")
    assert system is not None, problems
    return system


def shortened(system: System, twin: Twin, names: list[str], **changes: object) -> tuple[list[str], Shrunk]:
    """The names of the shortest sequence after a run of these, and what came of shortening it."""
    mapping, tracker = replace(mapping_by_names(system), **changes), Tracker(system)  # type: ignore[arg-type]
    stimuli, problem = read_stimuli(system, names)
    assert problem is None
    record = run(system, mapping, twin, stimuli, tracker)
    assert record.difference is not None
    short = shrink(system, mapping, twin, record, tracker)
    assert short.record.difference is not None
    return [stimulus_name(system, stimulus) for stimulus in short.record.stimuli], short


def twin_with(system: System, *names: str) -> Twin:
    defects = []
    for name in names:
        defect = defect_named(system, name)
        assert isinstance(defect, Defect), name
        defects.append(defect)
    return Twin(system, defects)


def test_a_jump_is_not_left_without_its_fault() -> None:
    """A jump of a fault that has not struck is nothing in the model: a device that is right would seem to differ."""
    system = built()
    strike, jump, bridge = Stimulus("fault", 0), Stimulus("jump", 0), Stimulus("fault", 1)
    come = Stimulus("event", next(e.number for e in system.events if e.name == "barge.come"))
    assert proper(system, [jump, come, jump]) == (strike, come, jump)
    assert proper(system, [strike, bridge, come, bridge, jump]) == (strike, bridge, come, jump)
    twin, mapping = Twin(system), mapping_by_names(system)
    assert run(system, mapping, twin, [jump, come, jump]).difference is not None
    assert run(system, mapping, twin, proper(system, [jump, come, jump])).difference is None


def test_a_signal_that_always_reads_alike_is_shown_where_that_is_nearest() -> None:
    """The gate, which reads the button, is far from the start; the lamp reads it too, and is near."""
    system = built(LOCK.replace("on: press}", "on: press, if: barge is waiting}"))
    far = ["barge.come", "sluice.wind_up", "wait 6 s", "button.press", "lower_gate.haul"]
    names, short = shortened(system, twin_with(system, "stuck:stop:false"), far)
    assert names[:2] == ["barge.come", "button.press"]
    assert len(names) == 3
    assert short.note == ""


def test_a_late_reaction_is_shown_where_that_is_nearest() -> None:
    """The button can only be pressed when the level is low, and none of this can be left out; a barge is nearer."""
    system = built(LOCK.replace("on: press}", "on: press, if: level_low}"))
    far = ["sluice.wind_up", "wait 6 s", "button.press", "button.pull"]
    names, _ = shortened(system, twin_with(system, "slow:lamp.lit-dark"), far)
    assert names in (["barge.come", "barge.go"], ["barge.come", "barge.enter"])


def test_where_a_subsystem_shows_nothing_it_may_have_gone_wrong_before_the_last_step() -> None:
    """What the sluice does shows in the level alone, and later."""
    system = built(
        LOCK.replace("on: press}", "on: press, if: barge_in}").replace("stop or barge is", "stop and barge is")
    )
    mapping = mapping_by_names(system)
    outputs = tuple(o for o in mapping.outputs if o.name in ("level", "lower_gate"))
    far = ["barge.come", "barge.enter", "button.press", "sluice.wind_up", "wait 4 s"]
    names, _ = shortened(system, twin_with(system, "drop:sluice.shut-open:not_stop"), far, outputs=outputs)
    assert names == far


PATHS = """\
safetymodel: 1
title: Three paths
tick: 1 s
subsystems:
  place:
    states: [home, north, east, south, west, side, goal]
    events: {walk: {}, hop: {}, jump: {}}
    transitions:
      - {from: home, to: north, on: walk}
      - {from: north, to: east, on: walk}
      - {from: east, to: south, on: walk}
      - {from: south, to: west, on: walk}
      - {from: west, to: goal, on: walk}
      - {from: home, to: side, on: hop}
      - {from: side, to: goal, after: 1 s..2 s}
      - {from: home, to: goal, on: jump}
  bell:
    states: [quiet, rings]
    events: {ring: {}}
    transitions: [{from: quiet, to: rings, on: ring, if: not there}]
signals: {there: {reads: place is goal}}
"""


def test_what_the_map_has_no_point_for_is_on_no_way_and_a_window_of_time_is_waited_for() -> None:
    system = built(PATHS)
    events = mapping_by_names(system).events
    twin = twin_with(system, "drop:bell.quiet-rings:not_there")
    far = [*["place.walk"] * 5, "bell.ring"]
    assert shortened(system, twin, far)[0] == ["place.jump", "bell.ring"]
    names, short = shortened(system, twin, far, events=(*events[:2], None, *events[3:]))
    assert names == ["place.hop", "wait 2 s", "bell.ring"]
    assert all(stimulus.kind != "until" for stimulus in short.record.stimuli)


def test_waits_become_one_unless_something_is_to_be_seen_between_them() -> None:
    system = spec(HATCH)
    names, _ = shortened(system, twin_with(system, "slow:panel.outer-idle"), ["panel.ask_outer", *["wait 10 s"] * 3])
    assert names == ["panel.ask_outer", "wait 30 s"]


def test_what_a_point_shows_is_told_as_the_state_that_it_stands_for() -> None:
    system = built()
    mapping, tracker, twin = mapping_by_names(system), Tracker(system), twin_with(system, "stuck:stop:true")
    numbers = {"dark": "0", "lit": "1"}
    lamp = shows_subsystem(system, system.subsystem_named("lamp").number, "input 4", numbers)  # type: ignore[union-attr]
    outputs = tuple(lamp if output.name == "lamp" else output for output in mapping.outputs)

    class Numbered(Twin):
        def read(self, points: Sequence[str]) -> dict[str, bool | int | str]:
            shown = dict(super().read(["lamp" if point == "input 4" else point for point in points]))
            return {**shown, "input 4": numbers[str(shown["lamp"])]}

    mapping = replace(mapping, outputs=outputs)
    record = run(system, mapping, Numbered(system, twin.defects), [], tracker)
    texts = [line.text for line in told(system, mapping, record, tracker)]
    assert "lamp: the model says dark, the device shows lit (input 4 is 1)" in texts


def test_time_that_runs_out_is_said() -> None:
    system = built()
    mapping, tracker, twin = mapping_by_names(system), Tracker(system), twin_with(system, "stuck:stop:false")
    stimuli, _ = read_stimuli(system, ["barge.come", "button.press", "button.pull", "barge.go", "button.press"])
    record = run(system, mapping, twin, stimuli, tracker)
    short = shrink(system, mapping, twin, record, tracker, seconds=0)
    assert short.record == record
    assert "time ran out" in short.note


def test_sequences_of_random_models_are_nearly_the_shortest_that_there_are() -> None:
    """Against everything that can be done, breadth first; twins with one defect, with two, and wrong in other ways."""
    gaps: list[int] = []
    for seed in range(110, 132):
        for wrong in some_wrong(seed, most=600):
            if wrong.least is not None:
                short = shrink(wrong.system, wrong.mapping, wrong.twin, wrong.record, wrong.tracker)
                gaps.append(happenings_of(short.record.stimuli) - wrong.least)
                assert 0 <= gaps[-1] <= 2, (seed, wrong.name)
    assert len(gaps) > 60
    assert gaps.count(0) > 0.95 * len(gaps)


def test_a_way_round_is_shortened_by_the_model() -> None:
    """No piece of this way can be left out, and yet there is a shorter one."""
    text = """\
safetymodel: 1
title: Detour
subsystems:
  place:
    states: [home, north, east, goal]
    events: {walk: {}, turn: {}, jump: {}}
    transitions:
      - {from: home, to: north, on: walk}
      - {from: north, to: east, on: turn}
      - {from: east, to: goal, on: walk}
      - {from: home, to: goal, on: jump}
  bell:
    states: [quiet, rings]
    events: {ring: {}}
    transitions: [{from: quiet, to: rings, on: ring, if: not there}]
signals: {there: {reads: place is goal}}
"""
    system = built(text)
    mapping, twin, tracker = (
        mapping_by_names(system),
        twin_with(system, "drop:bell.quiet-rings:not_there"),
        Tracker(system),
    )
    walk, turn, jump, ring = (Stimulus("event", n) for n in range(4))
    record = run(system, mapping, twin, [walk, turn, walk, ring], tracker)
    assert record.difference is not None
    short = shrink(system, mapping, twin, record, tracker)
    assert short.record.stimuli == (jump, ring)
    assert short.note == ""


def test_waits_are_shortened_too() -> None:
    system = spec(HATCH)
    mapping, twin = mapping_by_names(system), twin_with(system, "slow:panel.outer-idle")
    ask = next(e.number for e in system.events if e.name == "panel.ask_outer")
    record = run(system, mapping, twin, [Stimulus("event", ask), Stimulus("wait", 300)])
    assert record.difference is not None
    record = run(
        system,
        mapping,
        twin,
        [Stimulus("wait", 400), Stimulus("event", ask), Stimulus("wait", 100), Stimulus("wait", 200)],
    )
    short = shrink(system, mapping, twin, record)
    assert happenings_of(short.record.stimuli) == 301


def test_a_difference_that_does_not_come_again_is_said() -> None:
    system = spec(HATCH)

    class Moody(Twin):
        resets = 0

        def reset(self) -> None:
            super().reset()
            self.resets += 1

        def read(self, points: object) -> dict[str, bool | int | str]:
            shown = dict(super().read(points))  # type: ignore[arg-type]
            if self.resets == 2:
                shown["panel"] = "outer"
            return shown

    twin = Moody(system)
    found = hunt(system, mapping_by_names(system), twin, 0, Bounds(steps=50))
    assert found.ended == "difference"
    short = shrink(system, mapping_by_names(system), twin, found.record)
    assert short.record == found.record
    assert "did not differ again" in short.note


GATE = """\
safetymodel: 1
title: Gate
tick: 1 s
subsystems:
  water:
    states: [low, high]
    transitions:
      - {from: low, to: high, after: 5 s, physically: paddle is up}
      - {from: high, to: low, physically: paddle is down}
  paddle:
    states: [down, up]
    events: {raise: {}, drop: {}}
    transitions: [{from: down, to: up, on: raise}, {from: up, to: down, on: drop}]
  gate:
    states: [shut, open]
    events: {swing: {}, close: {}}
    transitions: [{from: shut, to: open, on: swing, if: level_high}, {from: open, to: shut, on: close}]
  horn:
    states: [silent, sounding, done]
    events: {ask: {}}
    transitions:
      - {from: silent, to: sounding, on: ask}
      - {from: sounding, to: done, after: 2 s}
      - {from: done, to: silent, after: 6 s}
  stop:
    states: [free, tripped]
    events: {press: {}, pull: {}}
    transitions: [{from: free, to: tripped, on: press}, {from: tripped, to: free, on: pull}]
signals: {level_high: {reads: water is high}}
faults: {level_bridged: {signal: level_high, stuck: true}}
"""


def test_what_the_condition_does_not_name_may_matter() -> None:
    """A stop that does not stay while the gate is open: with the switch bridged the gate opens without any water."""
    system = built(GATE)

    class Loose(Twin):
        def apply(self, point: str) -> None:
            behind = self.read(["gate"])["gate"] == "open" and point == "stop.press"
            super().apply(point)
            if behind:
                super().apply("stop.pull")

    names, _ = shortened(system, Loose(system), ["horn.ask", "paddle.raise", "wait 5 s", "gate.swing", "stop.press"])
    assert names == ["fault level_bridged", "gate.swing", "stop.press"]


def test_a_clock_that_is_wrong_may_show_at_another_timer() -> None:
    """A tick is lost in each long wait: the horn shows it in nine happenings, the water in six."""
    system = built(GATE)

    class Slow(Twin):
        def wait(self, milliseconds: Fraction) -> None:
            super().wait(milliseconds - 1000 if milliseconds >= 5000 else milliseconds)

    names, _ = shortened(system, Slow(system), ["horn.ask", "wait 8 s"])
    assert names == ["paddle.raise", "wait 5 s"]


def test_the_way_to_where_a_device_fails_is_shortened_on_new_ones() -> None:
    system = spec(HATCH)
    mapping, tracker, made = mapping_by_names(system), Tracker(system), []

    class Failing(Twin):
        def apply(self, point: str) -> None:
            is_open = self.read(["inner_door"])["inner_door"] == "open"
            if "broken" in vars(self) or (is_open and point == "panel.ask_outer"):
                self.broken = True
                raise DeviceError("lost", "gone")
            super().apply(point)

    def start() -> Device:
        made.append(Failing(system))
        return made[-1]

    names = ["outer_door.pull", "panel.ask_inner", "wait 10 s", "inner_door.pull", "panel.ask_inner", "panel.ask_outer"]
    stimuli, _ = read_stimuli(system, names)
    record = run(system, mapping, start(), stimuli, tracker)
    short = shorten_to_failure(system, mapping, start, record, tracker, 20.0, None)
    shown = [stimulus_name(system, stimulus) for stimulus in short.record.stimuli]
    assert shown == ["panel.ask_inner", "inner_door.pull", "panel.ask_outer"]
    assert short.record.error is not None
    assert len(made) == short.tried + 1
