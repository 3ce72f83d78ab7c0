"""A driven run kept as a scenario: the text of a `scenarios:` section in format 1."""

from __future__ import annotations

import re
from fractions import Fraction
from pathlib import Path

from safetymodel.drive.session import Session
from safetymodel.model.formula import AllOf, Formula, InState
from safetymodel.model.state import changes, initial_state
from safetymodel.model.system import Scenario, ScenarioStep, System
from safetymodel.problems import printable
from safetymodel.span import Span
from safetymodel.traces.fold import folded
from safetymodel.traces.scenarios import ScenarioResult, run_scenario
from safetymodel.traces.wording import formula_text, step_text

_NAME = re.compile(r"[A-Za-z][A-Za-z0-9_]*\Z")


def scenario_name(path: Path) -> str:
    """A name of the format, made from a file's name."""
    name = re.sub(r"[^A-Za-z0-9_]+", "_", path.stem).strip("_")
    return name if _NAME.match(name) else f"driven_{name}".rstrip("_")


def wait_text(milliseconds: Fraction) -> str:
    """A duration as the format writes it, exactly."""
    for unit, size in (("min", 60_000), ("s", 1000), ("ms", 1)):
        value = milliseconds / size
        if value.denominator == 1:
            return f"{value.numerator} {unit}"
    return f"{_decimal(milliseconds)} ms"


def _decimal(value: Fraction) -> str:
    """An exact decimal number; the tick of a spec is always one."""
    places = 0
    while (value * 10**places).denominator != 1 and places < 30:
        places += 1
    digits = f"{int(value * 10**places):0{places + 1}d}"
    return f"{digits[:-places]}.{digits[-places:]}"


def scenario_of(session: Session, name: str) -> Scenario:
    """The run as a scenario. Moves within a window of time and orders of reaction cannot be written down in
    one; a scenario follows all of them. It ends with the states that differ from the initial ones, where
    all of them are the same whatever the order."""
    system = session.system
    place = Span(name, 1)
    steps: list[ScenarioStep] = []
    for group in folded(session.trace):
        if group.step is None:
            continue
        number = group.step.number
        match group.step.kind:
            case "event":
                steps.append(ScenarioStep("event", place, system.events[number].name, number))
            case "fault" | "jump":
                steps.append(ScenarioStep("fault", place, f"fault {system.faults[number].name}", number))
            case "tick":
                assert system.tick is not None
                text = f"wait {wait_text(group.ticks * system.tick)}"
                if steps and steps[-1].kind == "wait":  # a move in its window of time stood between
                    ticks = steps.pop().number + group.ticks
                    steps.append(ScenarioStep("wait", place, f"wait {wait_text(ticks * system.tick)}", ticks))
                else:
                    steps.append(ScenarioStep("wait", place, text, group.ticks))
            case _:
                pass
    scenario = Scenario(name, "", tuple(steps), _ending(session), place)
    if run_scenario(system, scenario).ok:
        return scenario
    return Scenario(name, "", tuple(steps), None, place)


def _ending(session: Session) -> Formula | None:
    moved = changes(initial_state(session.system), session.state)
    parts = tuple(InState(subsystem, (now,)) for subsystem, _, now in moved)
    if len(parts) < 2:
        return parts[0] if parts else None
    return AllOf(parts)


def tried(system: System, scenario: Scenario) -> ScenarioResult:
    """What comes of the scenario, in every order of reaction."""
    return run_scenario(system, scenario)


def scenario_text(session: Session, scenario: Scenario) -> str:
    """The scenario as a section of a spec, with what it cannot say as comments."""
    system = session.system
    lines = [
        f"# Driven by hand on the model {_comment(system.title)}, sha256 {system.sha256[:12]}.",
        "# Put it under `scenarios:` of the spec. `verify` runs it in every order of reaction.",
    ]
    lines += [f"# Here {_comment(step_text(system, g.step, g.before))}." for g in _window_moves(session)]
    lines += ["scenarios:", f"  {scenario.name}:", "    text: driven by hand"]
    if scenario.steps:
        lines.append("    steps:")
        lines += [f"      - {step.text}" for step in scenario.steps]
    else:
        lines.append("    steps: []")
    if scenario.ends_with is not None:
        lines.append(f"    ends_with: {formula_text(system, scenario.ends_with)}")
    return "\n".join(lines) + "\n"


def _window_moves(session: Session):  # type: ignore[no-untyped-def]
    return [g for g in folded(session.trace) if g.step is not None and g.step.kind == "time"]


def _comment(text: str) -> str:
    return printable(" ".join(text.split()))
