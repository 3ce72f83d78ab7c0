"""Re-stepping a trace through the reference step function: by its steps, or by the names of them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from safetymodel.claims.recheck import recheck
from safetymodel.claims.verdict import Judgement, Trace
from safetymodel.model.state import State, changes, initial_state
from safetymodel.model.step import Step, happenings, is_settled, steps
from safetymodel.model.system import System
from safetymodel.traces.wording import event_text, step_text

Entry = Mapping[str, Any]
"""One step by names, as :func:`safetymodel.traces.save.trace_json` writes it."""


def replay(system: System, trace: Trace, budget: int) -> str | None:
    """Why the trace is not a run of the model under this fault budget; None where it is one."""
    if trace.start != initial_state(system):
        return "it does not begin at the initial state"
    state = trace.start
    for position, step in enumerate(trace.steps, 1):
        if step not in steps(system, state, budget):
            return f"step {position}, {step_text(system, step, state)}, is not one that the model offers"
        state = step.after
    return None


def trace_named(system: System, entries: Sequence[Entry]) -> tuple[Trace, str | None]:
    """The run that the entries name, as far as the model offers it, and why it goes no further
    (None: to the end). Names and changes are compared, never numbers, so a spec may be renumbered."""
    state = start = initial_state(system)
    budget = sum(entry.get("kind") == "fault" for entry in entries)
    taken: list[Step] = []
    for position, entry in enumerate(entries, 1):
        for _ in range(int(entry.get("ticks", 1))):
            step = _offered(system, state, entry, budget)
            if step is None:
                return Trace(start, tuple(taken)), _refusal(system, state, entry, position, budget)
            taken.append(step)
            state = step.after
    return Trace(start, tuple(taken)), None


def replay_named(system: System, entries: Sequence[Entry]) -> str | None:
    """Why the named steps are not a run of the model; None where they are one."""
    return trace_named(system, entries)[1]


def breach_named(system: System, requirement: str, entries: Sequence[Entry], reason: str = "") -> str | None:
    """Why the named steps do not break the requirement; None where they do.

    ``reason`` is that of the judgement from which the steps were saved.
    """
    claim = next((r for r in system.requirements if r.name == requirement), None)
    if claim is None:
        return f"the spec has no requirement {requirement}"
    trace, refused = trace_named(system, entries)
    if refused is not None:
        return refused
    budget = sum(entry.get("kind") == "fault" for entry in entries)
    return recheck(system, Judgement(claim, budget, "broken", trace=trace, reason=reason)) or None


def step_names(system: System, step: Step, before: State) -> tuple[str, str, dict[str, list[str]]]:
    """What tells a step from the others that are offered: kind, name and changes."""
    match step.kind:
        case "event":
            name = system.events[step.number].name
        case "fault" | "jump":
            name = system.faults[step.number].name
        case "reaction" | "time":
            name = system.subsystems[system.transitions[step.number].subsystem].name
        case "tick":
            name = ""
    moved = {
        system.subsystems[n].name: [system.subsystems[n].states[old], system.subsystems[n].states[new]]
        for n, old, new in changes(before, step.after)
    }
    return step.kind, name, moved


def _offered(system: System, state: State, entry: Entry, budget: int) -> Step | None:
    wanted = (entry.get("kind"), entry.get("name", ""), dict(entry.get("changes", {})))
    for step in steps(system, state, budget):
        if step_names(system, step, state) == wanted:
            return step
    return None


def _refusal(system: System, state: State, entry: Entry, position: int, budget: int) -> str:
    """Why an entry cannot be taken, as far as it can be told."""
    what = f"entry {position} ({entry.get('kind')} {entry.get('name', '')}".rstrip() + ")"
    known = {e.name: e for e in system.events}
    if entry.get("kind") == "event" and entry.get("name") not in known:
        return f"{what}: the spec has no such event"
    settled = is_settled(system, state)
    if settled and entry.get("kind") == "reaction":
        return f"{what}: the logic has settled, no reaction is due"
    if not settled and entry.get("kind") != "reaction":
        due = next(iter(steps(system, state, budget)))
        return f"{what}: the logic has not settled, {step_text(system, due, state)} is due"
    if settled and entry.get("kind") == "event":
        event = known[str(entry["name"])]
        moves = [s for s in happenings(system, state, budget) if s.kind == "event" and s.number == event.number]
        if not moves:
            return f"{what}: {event_text(event)} is blocked there"
    return f"{what}: the model does not offer it with these changes"
