"""The way of a session kept as a scenario of the spec format."""

from __future__ import annotations

import re
from pathlib import Path

from safetymodel.drive.session import Session
from safetymodel.files import cannot_write, write_whole
from safetymodel.model.formula import InState, conjoin
from safetymodel.model.step import Step
from safetymodel.model.system import Scenario, ScenarioStep
from safetymodel.problems import Problem, printable
from safetymodel.span import NOWHERE, Span
from safetymodel.traces.fold import folded
from safetymodel.traces.scenarios import run_scenario
from safetymodel.traces.wording import formula_text, short_name, step_text


def scenario_of(session: Session, name: str) -> tuple[Scenario, tuple[tuple[int, str], ...]]:
    """The session as a scenario, and remarks on what a scenario cannot say: (place among the steps, text).

    ``ends_with`` names each subsystem that has left its first settled state; it is left out where the
    scenario, which follows every order of reaction, would not end so in all of them.
    """
    system = session.system
    steps: list[ScenarioStep] = []
    remarks: list[tuple[int, str]] = []
    first = session.moves[0]
    begun = first.steps[-1].after if first.steps else first.before
    for group in folded(session.trace):
        if group.step is None:
            continue
        ticks = group.ticks
        if ticks and steps and steps[-1].kind == "wait" and not any(at == len(steps) for at, _ in remarks):
            ticks += steps.pop().number
        kept = _scenario_step(session, group.step, ticks)
        if kept is not None:
            steps.append(kept)
        else:
            text = step_text(system, group.step, group.before)
            remarks.append((len(steps), f"{text}: a scenario follows this, and its staying away, while it waits"))
    pairs = enumerate(zip(begun.states, session.state.states, strict=True))
    changed = tuple(InState(n, (now,)) for n, (old, now) in pairs if old != now)
    ends = conjoin(changed) if changed and session.settled else None
    scenario = Scenario(name, f"Stepped by hand in {system.title}", tuple(steps), ends, NOWHERE)
    result = run_scenario(system, scenario)
    if not result.ok:
        remarks.append((len(steps), "some order of reaction does not go this way, see what `verify` says of it"))
        if ends is not None and all(outcome.ok for outcome in result.steps[:-1]):
            scenario = Scenario(name, scenario.text, scenario.steps, None, NOWHERE)
            remarks[-1] = (len(steps), f"not in every order of reaction: {formula_text(system, ends)}")
    return scenario, tuple(remarks)


def _scenario_step(session: Session, step: Step, ticks: int) -> ScenarioStep | None:
    text = short_name(session.system, step, ticks)
    match step.kind:
        case "event":
            return ScenarioStep("event", NOWHERE, text, number=step.number)
        case "fault" | "jump":
            return ScenarioStep("fault", NOWHERE, text, number=step.number)
        case "tick":
            return ScenarioStep("wait", NOWHERE, text, number=ticks)
        case _:
            return None


def scenario_text(session: Session, name: str) -> str:
    """The session as the ``scenarios:`` section of a spec, format 1."""
    system = session.system
    scenario, remarks = scenario_of(session, name)
    lines = [
        f"# Stepped by hand. Put it under `scenarios:` of {_comment(Path(system.file).name)}",
        f"# (sha256 {system.sha256} when it was stepped).",
        "scenarios:",
        f"  {name}:",
        f"    text: {_quoted(scenario.text)}",
    ]
    if not scenario.steps:
        lines.append("    steps: []")
    else:
        lines.append("    steps:")
    for place in range(len(scenario.steps) + 1):
        lines.extend(f"      # {_comment(text)}" for at, text in remarks if at == place)
        if place < len(scenario.steps):
            lines.append(f"      - {scenario.steps[place].text}")
    if scenario.ends_with is not None:
        lines.append(f"    ends_with: {formula_text(system, scenario.ends_with)}")
    return "\n".join(lines) + "\n"


def _comment(text: str) -> str:
    return " ".join(printable(text).split())


def _quoted(text: str) -> str:
    """A double-quoted YAML scalar on one line."""
    plain = " ".join(printable(text).split())
    escaped = plain.replace("\\", "\\\\").replace('"', '\\"')
    return f'"{escaped}"'


def scenario_name(path: Path) -> str:
    """A name for the scenario from that of its file."""
    name = re.sub(r"[^A-Za-z0-9_]+", "_", path.stem).strip("_")
    return name if re.fullmatch(r"[A-Za-z][A-Za-z0-9_]*", name) else "by_hand"


def save(session: Session, path: Path) -> Problem | None:
    """Write the session's scenario to a new file; a problem where it exists already or cannot be written."""
    if path.exists() or path.is_symlink():
        place = Span(str(path), 1)
        return Problem("file-exists", place, f"{path} is there already, and is left as it is", "name another file")
    try:
        write_whole(path, scenario_text(session, scenario_name(path)))
    except OSError as error:
        return cannot_write(path, error)
    return None
