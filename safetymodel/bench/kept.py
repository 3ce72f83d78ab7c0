"""A difference kept: as a replay file for `bench --replay`, and as a pytest file that fails as long as it is there."""

from __future__ import annotations

import json
import os
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from safetymodel.bench.connect import open_device
from safetymodel.bench.map_file import spec_and_map
from safetymodel.bench.mapping import Mapping
from safetymodel.bench.run import Record, run
from safetymodel.bench.stimulus import Stimulus, read_stimuli, stimulus_name
from safetymodel.bench.told import length_text, told
from safetymodel.bench.tracking import Tracker
from safetymodel.files import cannot_write, json_text, write_whole
from safetymodel.model.system import System
from safetymodel.problems import Problem, printable
from safetymodel.span import Span
from safetymodel.spec.reader import read_bytes
from safetymodel.traces.save import in_docstring, relative_way

FORMAT = 1


@dataclass(frozen=True, slots=True)
class Setting:
    """How a run was called, so that it can be done again. ``map_file`` is empty for a device that speaks the names of
    the spec; ``defect`` belongs to a twin."""

    device: str
    map_file: str = ""
    defect: str = ""
    seed: int | None = None


def replay_text(system: System, record: Record, setting: Setting) -> str:
    """The replay file: what was done, what the device showed and what the model allowed, as JSON."""
    data: dict[str, Any] = {
        "format": FORMAT,
        "spec": {"file": system.file, "title": system.title, "sha256": system.sha256},
        "device": setting.device,
        "map": setting.map_file,
        "defect": setting.defect,
        "seed": setting.seed,
        "stimuli": [stimulus_name(system, stimulus) for stimulus in record.stimuli],
    }
    difference = record.difference
    if difference is not None:
        data["outputs_that_differ"] = list(difference.outputs)
        data["shown"] = dict(difference.shown)
        data["expected"] = [
            {s.name: s.states[state.states[s.number]] for s in system.subsystems} for state in difference.expected[:10]
        ]
    if record.error is not None:
        data["device_error"] = {"trouble": record.error.trouble, "message": record.error.message}
    return json_text(data)


@dataclass(frozen=True, slots=True)
class Replay:
    """What a replay file says; ``note`` where it was kept for another revision of the spec."""

    stimuli: tuple[Stimulus, ...] = ()
    note: str = ""


def read_replay(file: str, system: System) -> Replay | Problem:
    """A replay file, or what is wrong with it."""
    data = read_bytes(file)
    if isinstance(data, Problem):
        return data
    try:
        found = json.loads(data.decode("utf-8"))
    except UnicodeDecodeError:
        return _no_replay(file, "it is no UTF-8 text")
    except json.JSONDecodeError as error:
        return _no_replay(file, f"it is no JSON, or cut off: {error.msg.lower()}", error.lineno, error.colno)
    except (ValueError, RecursionError):
        return _no_replay(file, "its JSON cannot be read")
    if not isinstance(found, dict) or "format" not in found:
        return _no_replay(file, "it has no `format`")
    if found["format"] != FORMAT:
        told = printable(json.dumps(found["format"]))[:40]
        return _no_replay(file, f"its format is {told}, and this version reads format {FORMAT}")
    names = found.get("stimuli")
    if not isinstance(names, list) or not all(isinstance(name, str) for name in names):
        return _no_replay(file, "it has no list of names as `stimuli`")
    stimuli, problem = read_stimuli(system, names)
    if problem is not None:
        return Problem(problem.slug, Span(file, 1), f"{file}: {problem.message}", problem.hint)
    spec = found.get("spec")
    kept = str(spec.get("sha256", "")) if isinstance(spec, dict) else ""
    if kept == system.sha256:
        return Replay(stimuli)
    known = f", sha256 {printable(kept[:12])}" if kept else ""
    return Replay(stimuli, f"the replay file was kept for another revision of the spec{known}")


def _no_replay(file: str, why: str, line: int = 1, column: int = 1) -> Problem:
    place = Span(file, line, column)
    return Problem("not-a-replay", place, f"{file} is no replay file: {why}", "`bench --out DIR` writes one")


def replay_on(
    spec: str,
    device: str,
    stimuli: list[str],
    map_file: str = "",
    defect: str = "",
    timeout: float = 5.0,
    folder: str = "",
) -> str | None:
    """Do these things to a device; what differs from the model, in words, or None. For pytest files that were kept.

    ``folder`` is the one in which a command is run and a module looked for; this one unless told.
    Raises ValueError where the spec, the map or the call has problems, DeviceError where the device fails.
    """
    system, mapping = spec_and_map(spec, map_file, device)
    given, problem = read_stimuli(system, stimuli)
    opened = problem or open_device(device, system, timeout, defect or None, folder=folder)
    if isinstance(opened, Problem):
        raise ValueError(opened.as_text())
    tracker = Tracker(system)
    try:
        record = run(system, mapping, opened, given, tracker)
    finally:
        opened.close()
    if record.error is not None:
        raise record.error
    return None if record.difference is None else words(system, mapping, record, tracker)


def words(system: System, mapping: Mapping, record: Record, tracker: Tracker) -> str:
    """A run in plain lines."""
    lines = []
    for line in told(system, mapping, record, tracker):
        number = f"{line.number:>7}  " if line.number else " " * 9
        place = f"  ({line.place})" if line.place else ""
        lines.append(f"{number}{'    ' * line.depth}{line.text}{place}".rstrip())
    return printable("\n".join(lines))


def pytest_text(system: System, mapping: Mapping, record: Record, setting: Setting, tracker: Tracker, out: Path) -> str:
    """The difference as a pytest file: it fails while the device differs, and guards the mending afterwards."""
    doc = "\n".join(
        [
            f"The device differed from the model of {system.title} after {length_text(record.stimuli)}.",
            "",
            words(system, mapping, record, tracker),
            "",
            "The test fails while the device differs. When it is mended, keep it: it guards the mending.",
        ]
    )
    names = "".join(f"    {stimulus_name(system, stimulus)!a},\n" for stimulus in record.stimuli)
    map_line = f"str(HERE / {relative_way(Path(setting.map_file), out)!a})" if setting.map_file else '""'
    return _TEMPLATE.format(
        doc=in_docstring(doc),
        spec=ascii(relative_way(Path(system.file), out)),
        map=map_line,
        device=ascii(setting.device),
        defect=ascii(setting.defect),
        folder=ascii(relative_way(Path(os.getcwd()) / "here", out).removesuffix("here").rstrip("/")),
        stimuli=names,
    )


_TEMPLATE = '''"""{doc}
"""

from pathlib import Path

from safetymodel.bench import replay_on

HERE = Path(__file__).parent
SPEC = str(HERE / {spec})
MAP = {map}
DEVICE = {device}
DEFECT = {defect}
FOLDER = str(HERE / {folder})  # where a command of the device is run, or its module looked for
STIMULI = [
{stimuli}]


def test_the_device_follows_the_model():
    difference = replay_on(SPEC, DEVICE, STIMULI, MAP, DEFECT, folder=FOLDER)
    assert difference is None, difference
'''


def save(
    system: System, mapping: Mapping, record: Record, setting: Setting, tracker: Tracker, out: Path, stem: str
) -> tuple[tuple[Path, ...], tuple[Problem, ...]]:
    """Write ``STEM.json``, and for a difference ``test_STEM.py``; the files, and what went wrong."""
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        return (), (cannot_write(out, error),)
    texts = [(out / f"{stem}.json", replay_text(system, record, setting))]
    if record.difference is not None:
        texts.append((out / f"test_{stem}.py", pytest_text(system, mapping, record, setting, tracker, out)))
    paths: list[Path] = []
    problems: list[Problem] = []
    for path, text in texts:
        try:
            write_whole(path, text)
            paths.append(path)
        except OSError as error:
            problems.append(cannot_write(path, error))
    return tuple(paths), tuple(problems)
