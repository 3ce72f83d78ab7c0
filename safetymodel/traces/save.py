"""Traces kept: as plain data for other programs, and as pytest files that replay them."""

from __future__ import annotations

import os
import re
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from safetymodel.claims.verdict import Judgement, Trace
from safetymodel.files import cannot_write, json_text, write_whole
from safetymodel.model.state import State, changes
from safetymodel.model.step import Step
from safetymodel.model.system import System
from safetymodel.problems import Problem, printable
from safetymodel.span import NOWHERE
from safetymodel.traces.explain import run_lines
from safetymodel.traces.fold import folded
from safetymodel.traces.wording import counted, event_text, faults_text, step_text


def trace_json(system: System, trace: Trace) -> list[dict[str, Any]]:
    """The steps of a trace as plain data, in order, uninterrupted ticks folded into one entry.

    Every entry has ``kind``, ``name``, ``by``, ``text`` and ``changes`` (subsystem to [old, new]).
    ``name`` is the event's, the fault's (fault, jump) or the moved subsystem's (reaction, time),
    and empty for ticks. ``place`` is where the spec declares it, ``ticks`` how many were folded.
    """
    entries: list[dict[str, Any]] = []
    for group in folded(trace):
        state = group.landed
        if group.step is not None:
            entries.append(_entry(system, group.step, group.before, group.landed, group.ticks))
        for reaction in group.reactions:
            entries.append(_entry(system, reaction, state, reaction.after))
            state = reaction.after
    return entries


def _entry(system: System, step: Step, before: State, after: State, ticks: int = 0) -> dict[str, Any]:
    name, by, text, span = "", "", "", NOWHERE
    match step.kind:
        case "event":
            event = system.events[step.number]
            name, by, span = event.name, event.by, event.span
            text = event.text or event_text(event)
        case "fault" | "jump":
            fault = system.faults[step.number]
            name, span = fault.name, fault.span
            text = step_text(system, step, before) if step.kind == "jump" else fault.text
        case "reaction" | "time":
            transition = system.transitions[step.number]
            name, span = system.subsystems[transition.subsystem].name, transition.span
            text = step_text(system, step, before)
        case "tick":
            text = step_text(system, step, before, ticks)
    entry: dict[str, Any] = {
        "kind": step.kind,
        "name": name,
        "by": by,
        "text": text,
        "changes": {
            system.subsystems[n].name: [system.subsystems[n].states[old], system.subsystems[n].states[new]]
            for n, old, new in changes(before, after)
        },
    }
    if ticks:
        entry["ticks"] = ticks
    if span != NOWHERE:
        entry["place"] = span.short
    return entry


MOST_IN_NAME = 60
_DEVICES = {"con", "prn", "aux", "nul", *(f"{d}{n}" for d in ("com", "lpt") for n in range(1, 10))}
"""Names that some systems keep for devices."""


def file_stem(name: str, taken: set[str]) -> str:
    """A file name from a requirement's name that every file system takes, and that is not ``taken``.

    Names that differ only in case, or only in what had to be replaced, get a number.
    """
    stem = re.sub(r"[^A-Za-z0-9_]+", "_", name)[:MOST_IN_NAME].strip("_") or "requirement"
    if stem.lower() in _DEVICES:
        stem += "_"
    found, count = stem, 1
    while found.lower() in taken:
        count += 1
        found = f"{stem}_{count}"
    taken.add(found.lower())
    return found


def save_traces(system: System, judgements: Iterable[Judgement], directory: Path) -> tuple[Problem, ...]:
    """Write each counterexample into a directory, as ``SPEC_ID.json`` and as ``test_SPEC_ID.py``.

    The directory is made where it is missing; files of an earlier run on the same spec are replaced,
    those of another spec are not. What cannot be written comes back as problems.
    """
    try:
        directory.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        return (cannot_write(directory, error),)
    problems: list[Problem] = []
    taken: set[str] = set()
    spec = file_stem(Path(system.file).stem, set())
    for judgement in judgements:
        if judgement.trace is None:
            continue
        stem = f"{spec}_{file_stem(judgement.requirement.name, taken)}"
        while _is_of_another_spec(directory / f"test_{stem}.py", system):
            stem = f"{spec}_{file_stem(judgement.requirement.name, taken)}"
        files = (
            (directory / f"{stem}.json", trace_file_text(system, judgement)),
            (directory / f"test_{stem}.py", pytest_text(system, judgement, directory)),
        )
        for path, text in files:
            try:
                write_whole(path, text)
            except OSError as error:
                problems.append(cannot_write(path, error))
    return tuple(problems)


def _is_of_another_spec(path: Path, system: System) -> bool:
    """Whether a pytest file of this name is there already and is not about this spec."""
    try:
        return _spec_line(system, path.parent) not in path.read_text(encoding="utf-8")
    except FileNotFoundError:
        return False
    except (OSError, ValueError):
        return path.is_file()


def _spec_line(system: System, directory: Path) -> str:
    return f"SPEC = Path(__file__).parent / {_python(relative_way(Path(system.file), directory))}\n"


def trace_file_text(system: System, judgement: Judgement) -> str:
    """One counterexample as a JSON text."""
    assert judgement.trace is not None
    data = {
        "format": 1,
        "spec": {"file": system.file, "title": system.title, "sha256": system.sha256},
        "requirement": judgement.requirement.name,
        "verdict": judgement.word,
        "budget": judgement.budget,
        "happenings": judgement.trace.happenings,
        "trace": trace_json(system, judgement.trace),
    }
    return json_text(data)


def pytest_text(system: System, judgement: Judgement, directory: Path) -> str:
    """One counterexample as a pytest file that finds the spec by a path relative to itself."""
    assert judgement.trace is not None
    requirement = judgement.requirement
    up = f"{counted(judgement.trace.happenings, 'happening')} {faults_text(judgement.budget)}"
    told = []
    for line in run_lines(system, judgement.trace):
        number = f"{line.number:>7}  " if line.number else " " * 9
        told.append(f"{number}{'    ' * line.depth}{line.text}".rstrip())
    title = requirement.text or requirement.wording
    doc = "\n".join(
        [
            f"{requirement.name} of {system.title} was broken in {up}: {title}.",
            "",
            *told,
            "",
            "The tests pass while the breach is there. When the spec is mended, turn the last one round, so that it",
            "guards the mending; if the steps themselves have gone, the first test says at which one.",
        ]
    )
    entries = "".join(f"    {_python(_replayed(entry))},\n" for entry in trace_json(system, judgement.trace))
    return TEMPLATE.format(
        doc=in_docstring(doc),
        spec=_spec_line(system, directory),
        sha256=_python(system.sha256),
        requirement=_python(requirement.name),
        reason=_python(judgement.reason),
        entries=entries,
    )


TEMPLATE = '''"""{doc}
"""

from pathlib import Path

from safetymodel.model.build import load
from safetymodel.traces.replay import breach_named, replay_named

{spec}SHA256_WHEN_SAVED = {sha256}
REQUIREMENT = {requirement}
REASON = {reason}
STEPS = [
{entries}]


def the_system():
    system, problems = load(str(SPEC))
    assert system is not None, [problem.message for problem in problems]
    return system


def test_the_model_still_offers_these_steps():
    assert replay_named(the_system(), STEPS) is None


def test_the_steps_still_break_the_requirement():
    """Mended? Then say `is not None` here."""
    assert breach_named(the_system(), REQUIREMENT, STEPS, REASON) is None
'''


def _replayed(entry: dict[str, Any]) -> dict[str, Any]:
    """What a replay compares of an entry; its words stand in the docstring, its place is the spec's affair."""
    return {key: entry[key] for key in ("kind", "name", "changes", "ticks") if entry.get(key)}


def _python(value: Any) -> str:
    """A Python literal in plain ASCII."""
    return ascii(value)


def in_docstring(text: str) -> str:
    """Text that can stand in a docstring without ending it or leaving it."""
    plain = printable(text).replace("\\", "\\\\").replace('"""', "'''")
    return plain[:-1] + "'" if plain.endswith('"') else plain


def relative_way(spec: Path, directory: Path) -> str:
    """The way from a directory to the spec, links on the way followed, so that `..` means the same to all."""
    there, here = os.path.realpath(spec.parent), os.path.realpath(directory)
    try:
        return (Path(os.path.relpath(there, here)) / spec.name).as_posix()
    except ValueError:  # another drive
        return (Path(there) / spec.name).as_posix()
