"""Small specs with known breaches, for the tests of traces, scenarios, the terminal and driving by hand."""

from __future__ import annotations

from pathlib import Path

from safetymodel.claims.judge import judge
from safetymodel.claims.verdict import Judgement
from safetymodel.explore.engine import Limits
from safetymodel.explore.product import Product, ProductSpace
from safetymodel.model.build import load, load_text
from safetymodel.model.system import Event, Scenario, System

HATCH_FILE = Path(__file__).resolve().parent.parent / "specs" / "two-door-hatch.yaml"

POOL_LIFT = """\
safetymodel: 1
title: Pool lift
tick: 1 s
subsystems:
  chair:
    text: Chair
    states: [up, lowering, down, raising]
    events:
      lower: {by: attendant, text: presses the down button}
      lift: {by: attendant, text: presses the up button}
    transitions:
      - {from: up, to: lowering, on: lower, if: belt_closed and not flooded}
      - {from: lowering, to: down, after: 2 s..3 s}
      - {from: down, to: raising, on: lift, if: belt_closed}
      - {from: raising, to: up, after: 2 s}
  belt:
    text: Belt
    role: sensor
    states: [loose, closed]
    events:
      close: {by: swimmer, text: closes the belt}
      undo: {}
    transitions:
      - {from: loose, to: closed, on: close}
      - {from: closed, to: loose, on: undo, physically: chair is up|down}
  lamp:
    role: actuator
    states: [dark, lit]
    transitions:
      - {from: dark, to: lit, if: moving}
      - {from: lit, to: dark, if: not moving}
  pump:
    role: control
    states: [idle, wet]
    events:
      spill: {text: the pit floods}
    transitions:
      - {from: idle, to: wet, on: spill}
signals:
  belt_closed: {reads: belt is closed}
  flooded: {reads: pump is wet}
conditions:
  moving: chair is lowering or chair is raising
faults:
  belt_switch_bridged: {signal: belt_closed, stuck: true, text: belt switch bridged}
  chair_jammed: {subsystem: chair, stuck: down}
  rope_breaks: {subsystem: chair, jump: {from: up, to: down}, text: rope breaks}
  lamp_burnt: {subsystem: lamp, stuck: any}
requirements:
  P1: {text: Nobody moves unbelted, never: moving and belt is loose, withstand: 1}
  P2: {text: The chair comes back up, always_possible: chair is up, withstand: 1}
  P3: {text: It is down soon, cause: chair is lowering, effect: chair is down, within: 1 s}
  P4: {text: The lamp warns, cause: moving, effect: lamp is lit, within: reaction, withstand: 1}
  P5: {text: The lamp warns at once, never: moving and lamp is dark, prevent: true}
  P6: {text: Only a belted start, permissive: belt is closed, for: chair is lowering, withstand: 1}
  P7: {text: Only the attendant moves it, start: chair is down, only_by: [chair.lower]}
  P8: {text: It can be down while flooded, possible: chair is lowering and pump is wet and belt is loose}
  P9: {text: Belted until down, never: belt is loose, from: chair is lowering, until: chair is up}
scenarios:
  swim:
    steps: [belt.close, chair.lower, wait 3 s, check chair is down, blocked chair.lower, chair.lift, wait 2 s]
    ends_with: chair is up and lamp is dark
"""

LOCK_GATE = """\
safetymodel: 1
title: Canal lock
subsystems:
  upper:
    text: Upper gate
    role: barrier
    states: [shut, open]
    events:
      swing: {by: keeper, text: swings the upper gate}
    transitions:
      - {from: shut, to: open, on: swing, if: lower is shut, physically: level is high}
      - {from: open, to: shut, on: swing}
  lower:
    text: Lower gate
    role: barrier
    states: [shut, open]
    events:
      swing: {by: keeper, text: swings the lower gate}
    transitions:
      - {from: shut, to: open, on: swing, if: upper is shut, physically: level is low}
      - {from: open, to: shut, on: swing}
  level:
    text: Water level
    states: [high, low]
    events:
      drain: {joint: true, by: keeper, text: opens both paddles}
      fill: {by: keeper}
    transitions:
      - {from: high, to: low, on: drain, if: upper is shut}
      - {from: low, to: high, on: fill, if: lower is shut}
  paddle:
    states: [down, raised]
    events: {wind: {}}
    transitions:
      - {from: raised, to: down, on: level.drain}
      - {from: down, to: raised, on: wind}
  horn:
    states: [quiet, first, second]
    events: {sound: {}}
    transitions:
      - {from: quiet, to: first, if: call is rung and bell is quiet}
      - {from: first, to: quiet, if: call is silent}
  bell:
    states: [quiet, ringing]
    transitions:
      - {from: quiet, to: ringing, if: call is rung and horn is quiet}
      - {from: ringing, to: quiet, if: call is silent}
  call:
    states: [silent, rung]
    events: {ring: {by: boatman, text: rings}, stop: {by: boatman}}
    transitions:
      - {from: silent, to: rung, on: ring}
      - {from: rung, to: silent, on: stop}
  spinner:
    states: [rest, left, right]
    events: {push: {}}
    transitions:
      - {from: rest, to: left, on: push}
      - {from: left, to: right, if: call is silent}
      - {from: right, to: left, if: call is silent}
"""


def system_of(text: str, file: str = "small.yaml") -> System:
    """The system of a spec text that has no errors."""
    system, problems = load_text(text, file)
    assert system is not None, "\n".join(p.as_text() for p in problems)
    return system


def hatch() -> System:
    """The example of the page on the spec format."""
    system, problems = load(str(HATCH_FILE))
    assert system is not None, "\n".join(p.as_text() for p in problems)
    return system


def judged(system: System, name: str, budget: int | None = None) -> Judgement:
    """The verdict on one requirement by the explicit engine."""
    requirement = next(r for r in system.requirements if r.name == name)
    k = min(requirement.withstand if budget is None else budget, len(system.faults))
    return judge(ProductSpace(Product(system, k, Limits(states=200_000), None)), requirement)


def event_named(system: System, name: str) -> Event:
    return next(e for e in system.events if e.name == name)


def scenario_of(text: str, steps: str, ends_with: str = "") -> tuple[System, Scenario]:
    """A spec with one scenario more, called ``extra``, and that scenario."""
    if "\nscenarios:" not in text:
        text += "scenarios:\n"
    text += f"  extra:\n    steps: [{steps}]\n"
    if ends_with:
        text += f"    ends_with: {ends_with}\n"
    system = system_of(text)
    return system, next(s for s in system.scenarios if s.name == "extra")
