"""Differences by brute force: twins that are wrong in one way or in several, and the fewest happenings that show it."""

from __future__ import annotations

import random
from collections import deque
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass, replace

from random_systems import random_spec

from safetymodel.bench.defects import Defect, defects_of
from safetymodel.bench.device import DeviceError
from safetymodel.bench.mapping import Mapping, mapping_by_names
from safetymodel.bench.reactions import CannotTrack
from safetymodel.bench.run import Record, Rig
from safetymodel.bench.stimulus import Stimulus
from safetymodel.bench.tracking import Tracker
from safetymodel.bench.twin import Twin
from safetymodel.model.build import load_text
from safetymodel.model.formula import Not
from safetymodel.model.system import System, Transition


def look(twin: Twin) -> tuple[object, ...]:
    """All that decides what a twin does next."""
    parts = tuple((part.state, part.ticks) for part in twin._parts)
    return parts, tuple(twin._flags), tuple(sorted(twin._held.items())), tuple(sorted(twin._late.items()))


def fewest(system: System, mapping: Mapping, twin: Twin, tracker: Tracker, faults: int, most: int) -> int | None:
    """The fewest happenings that end in a difference, by everything that can be done, breadth first; None where there
    are none such, or more than so many situations."""
    stimuli = [Stimulus("event", e.number) for e in system.events if mapping.events[e.number] is not None]
    stimuli += [Stimulus("wait", 1)] if system.tick is not None else []
    stimuli += [Stimulus("fault", f.number) for f in system.faults if mapping.can_force(system, f.number)]
    stimuli += [
        Stimulus("jump", s.number) for s in stimuli if s.kind == "fault" and system.faults[s.number].kind == "jump"
    ]
    rig = Rig(system, mapping, twin, tracker)
    if rig.begin() is not None:
        return 0
    seen = {(look(twin), frozenset(rig.possible))}
    waiting: deque[tuple[Stimulus, ...]] = deque([()])
    while waiting:
        way = waiting.popleft()
        up = {s.number for s in way if s.kind == "fault"}
        for stimulus in stimuli:
            if stimulus.kind == "fault" and (stimulus.number in up or len(up) >= faults):
                continue
            if stimulus.kind == "jump" and stimulus.number not in up:
                continue
            rig.begin()
            if any(rig.give(s) is not None for s in (*way, stimulus)):
                return len(way) + 1
            here = look(twin), frozenset(rig.possible)
            if here not in seen:
                seen.add(here)
                waiting.append((*way, stimulus))
                if len(seen) > most:
                    return None
    return None


def wrong_twins(system: System, rng: random.Random) -> Iterator[tuple[str, Twin]]:
    """Twins with one defect, with two, with a condition turned round, and with a move to somewhere else."""
    for name, wrong, defects in _mistakes(system, rng):
        with suppress(DeviceError):  # it never comes to rest after its reset
            yield name, Twin(wrong, defects)


def _mistakes(system: System, rng: random.Random) -> Iterator[tuple[str, System, list[Defect]]]:
    defects = list(defects_of(system))
    rng.shuffle(defects)
    yield from ((defect.name, system, [defect]) for defect in defects[:6])
    for _ in range(2 if len(defects) > 1 else 0):
        pair = rng.sample(defects, 2)
        yield " and ".join(defect.name for defect in pair), system, pair
    for _ in range(3):
        t = rng.choice(system.transitions)
        target = rng.randrange(len(system.subsystems[t.subsystem].states))
        yield f"transition {t.number} to state {target}", _with(system, replace(t, target=target)), []
        t = rng.choice(system.transitions)
        yield f"transition {t.number} negated", _with(system, replace(t, interlock=Not(t.interlock))), []


def _with(system: System, transition: Transition) -> System:
    transitions = list(system.transitions)
    transitions[transition.number] = transition
    return replace(system, transitions=tuple(transitions))


def wandering(
    system: System, mapping: Mapping, twin: Twin, tracker: Tracker, rng: random.Random, faults: int
) -> Record | None:
    """A run by chance that ends in a difference; None where six of 150 stimuli do not."""
    stimuli = [Stimulus("event", e.number) for e in system.events for _ in range(3)]
    stimuli += [Stimulus("wait", ticks) for ticks in (1, 1, 2, 3)] if system.tick is not None else []
    rig = Rig(system, mapping, twin, tracker)
    for _ in range(6):
        struck: list[int] = []
        differs = rig.begin() is not None
        for _ in range(150):
            if differs:
                return rig.record
            stimulus = rng.choice(stimuli)
            if system.faults and rng.random() < 0.04 and len(struck) < faults:
                struck.append(rng.randrange(len(system.faults)))
                stimulus = Stimulus("fault", struck[-1])
            elif struck and rng.random() < 0.1 and system.faults[struck[0]].kind == "jump":
                stimulus = Stimulus("jump", struck[0])
            differs = rig.give(stimulus) is not None
    return None


def some_bench(seed: int) -> tuple[System, Mapping, Tracker, random.Random] | None:
    """A random spec with its map; every third map shows two thirds of the subsystems."""
    rng = random.Random(seed)
    system, _ = load_text(random_spec(rng), "random.yaml")
    if system is None:
        return None
    mapping = mapping_by_names(system)
    if seed % 3 == 2:
        shown = [output for output in mapping.outputs if output.subsystem is not None]
        mapping = replace(mapping, outputs=tuple(rng.sample(shown, max(1, len(shown) * 2 // 3))))
    return system, mapping, Tracker(system), rng


@dataclass(frozen=True)
class Wrong:
    """A wrong twin, a run that ends in a difference, and the fewest happenings that do; None where that takes long."""

    name: str
    system: System
    mapping: Mapping
    tracker: Tracker
    twin: Twin
    record: Record
    least: int | None


def some_wrong(seed: int, most: int) -> Iterator[Wrong]:
    """Wrong twins of a random spec that a run by chance finds; ``most`` situations are looked at for the shortest."""
    found = some_bench(seed)
    if found is None:
        return
    system, mapping, tracker, rng = found
    for name, twin in wrong_twins(system, rng):
        with suppress(CannotTrack, DeviceError):
            record = wandering(system, mapping, twin, tracker, rng, 1)
            if record is not None:
                least = fewest(system, mapping, twin, tracker, 1, most)
                yield Wrong(name, system, mapping, tracker, twin, record, least)
