"""What counts as exercised: only what a bench that saw the outputs could have told; what is missing has a name."""

from __future__ import annotations

import random
from collections.abc import Mapping, Sequence
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest
from random_systems import random_spec

from safetymodel.bench.coverage import Coverage, Share
from safetymodel.bench.defects import Defect, defect_named, defects_of
from safetymodel.bench.device import DeviceError, Value
from safetymodel.bench.hunt import Bounds, Hunt, hunt
from safetymodel.bench.mapping import mapping_by_names
from safetymodel.bench.parts import part_text
from safetymodel.bench.reactions import CannotTrack
from safetymodel.bench.tracking import Tracker
from safetymodel.bench.twin import Twin
from safetymodel.model.build import load, load_text
from safetymodel.model.system import System

ROOT = Path(__file__).parent.parent

SLUICE = """\
safetymodel: 1
title: Sluice
subsystems:
  horn:
    states: [silent, sounding]
    events: {ask: {}, hush: {}}
    transitions:
      - {from: silent, to: sounding, on: ask, if: stop_free}
      - {from: sounding, to: silent, on: hush}
      - {from: sounding, to: silent, if: not stop_free}
  paddle:
    states: [down, up]
    events: {raise: {}, drop: {}}
    transitions:
      - {from: down, to: up, on: raise, if: stop_free}
      - {from: up, to: down, on: drop}
  stop:
    states: [free, tripped]
    events: {press: {}, reset: {}}
    transitions:
      - {from: free, to: tripped, on: press}
      - {from: tripped, to: free, on: reset}
signals: {stop_free: {reads: stop is free}}
faults: {paddle_jammed: {subsystem: paddle, stuck: up}}
"""


def built(text: str) -> System:
    system, problems = load_text(text, "sluice.yaml")
    assert system is not None, problems
    return system


def driven(system: System, steps: int = 400, **changes: Any) -> dict[str, Share]:
    found = hunt(system, replace(mapping_by_names(system), **changes), Twin(system), 0, Bounds(steps=steps))
    assert found.ended == "limit"
    return {share.what: share for share in found.coverage}


def test_no_more_is_seen_than_there_is_and_what_is_missing_has_a_name_and_a_place() -> None:
    """A jammed paddle is no blocked attempt: no condition of `drop` keeps it up."""
    shares = driven(built(SLUICE))
    for share in shares.values():
        assert share.seen + len(share.missing) == share.of
    blocked = shares["transitions on events seen blocked"]
    assert (blocked.seen, blocked.of) == (2, 2)
    short = driven(built(SLUICE), steps=1)
    named = [(m.name, m.place) for m in short["transitions taken"].missing]
    assert ("paddle: up -> down on paddle.drop", "sluice.yaml:16") in named
    assert "stop is tripped" in [m.name for m in short["states entered"].missing]


def test_a_part_that_no_output_shows_to_be_left_out_makes_no_difference() -> None:
    """Without `stop_free` the horn starts and is silent again within one reaction."""
    system = built(SLUICE)
    defect = defect_named(system, "drop:horn.silent-sounding:stop_free")
    assert isinstance(defect, Defect)
    assert hunt(system, mapping_by_names(system), Twin(system, [defect]), 0, Bounds(steps=400)).ended == "limit"
    share = driven(system)["parts seen to make the difference"]
    assert [m.name for m in share.missing] == ["stop_free of horn: silent -> sounding"]


def test_what_goes_otherwise_unseen_counts_when_something_shows_it() -> None:
    """The paddle has no output; the water that it lets in has, later on."""
    system = built(
        SLUICE.replace("subsystems:\n", "tick: 1 s\nsubsystems:\n").replace(
            "signals:",
            "  water:\n    states: [low, high]\n"
            "    transitions: [{from: low, to: high, after: 3 s, physically: paddle is up}]\nsignals:",
        )
    )
    outputs = mapping_by_names(system).outputs
    hidden = driven(system, outputs=tuple(o for o in outputs if o.name in ("horn", "stop")))
    assert "stop_free of paddle: down -> up" in [m.name for m in hidden["parts seen to make the difference"].missing]
    later = driven(system, 1_000, outputs=tuple(o for o in outputs if o.name != "paddle"))
    assert [m.name for m in later["parts seen to make the difference"].missing] == [
        "stop_free of horn: silent -> sounding"
    ]


class Heard(Twin):
    """Keeps all that was done to it, and what it showed."""

    def __init__(self, system: System) -> None:
        self.heard: list[tuple[str, Any]] = []
        super().__init__(system)

    def reset(self) -> None:
        self.heard.append(("reset", None))
        super().reset()

    def apply(self, point: str) -> None:
        self.heard.append(("apply", point))
        super().apply(point)

    def wait(self, milliseconds: Fraction) -> None:
        self.heard.append(("wait", milliseconds))
        super().wait(milliseconds)

    def read(self, points: Sequence[str]) -> Mapping[str, Value]:
        shown = dict(super().read(points))
        self.heard.append(("read", (points, shown)))
        return shown


def differs(twin: Twin, heard: list[tuple[str, Any]]) -> bool:
    """Whether another twin shows something else when the same is done to it."""
    try:
        for call, what in heard:
            if call == "reset":
                twin.reset()
            elif call == "read":
                if dict(twin.read(what[0])) != what[1]:
                    return True
            else:
                getattr(twin, call)(what)
    except DeviceError:
        return True
    return False


@pytest.mark.parametrize("every", [1, 2])
def test_a_twin_without_a_part_that_counts_shows_something_else_in_the_same_run(every: int) -> None:
    """On random models, with all outputs and with each second one; what does not count hardly ever shows (where it
    does, an order of reaction would have hidden it)."""
    told: dict[tuple[bool, bool], int] = {}
    for seed in range(30):
        system, _ = load_text(random_spec(random.Random(seed)), "random.yaml")
        assert system is not None
        try:
            Tracker(system).start()
        except CannotTrack:
            continue
        twin, mapping = Heard(system), mapping_by_names(system)
        found = hunt(system, replace(mapping, outputs=mapping.outputs[::every]), twin, seed, Bounds(steps=120))
        if found.ended == "limit" and not found.uncertain:
            for name, counts in _counted(system, found).items():
                defect = defect_named(system, name)
                assert isinstance(defect, Defect)
                shows = differs(Twin(system, [defect]), twin.heard)
                assert shows or not counts, (seed, name)
                told[counts, shows] = told.get((counts, shows), 0) + 1
    assert told[True, True] > 10
    assert told.get((False, True), 0) < 0.3 * told[True, True]


def _counted(system: System, found: Hunt) -> dict[str, bool]:
    """The defects that leave a part out; whether the part counted as making the difference."""
    parts = Coverage(system, Tracker(system)).parts
    missing = [(m.name, m.place) for m in found.coverage[-1].missing]
    named = [(part_text(system, part), system.transitions[part.transition].span.short) for part in parts]
    once = [name for name in named if named.count(name) == 1]
    drops = [defect for defect in defects_of(system) if defect.kind == "drop" and defect.part is not None]
    places = {defect.name: named[parts.index(defect.part)] for defect in drops if defect.part in parts}
    return {name: place not in missing for name, place in places.items() if place in once}


def test_the_sum_of_a_run_of_the_coach_adds_up() -> None:
    system, _ = load(str(ROOT / "specs" / "whimbrel.yaml"))
    assert system is not None
    for share in driven(system, steps=300).values():
        assert share.seen + len(share.missing) == share.of
