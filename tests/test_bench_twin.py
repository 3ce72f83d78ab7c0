"""The twin is a program of its own, and moves as the reference step function allows; each defect shows."""

from __future__ import annotations

import random
from fractions import Fraction
from pathlib import Path

import pytest
from random_systems import random_spec

from safetymodel.bench.defects import KINDS, Defect, defect_named, defects_of, some_defects
from safetymodel.bench.device import DeviceError
from safetymodel.bench.hunt import Bounds, hunt
from safetymodel.bench.mapping import mapping_by_names
from safetymodel.bench.parts import mentions, without
from safetymodel.bench.reactions import CannotTrack
from safetymodel.bench.run import run
from safetymodel.bench.stimulus import Stimulus, read_stimuli, stimulus_name
from safetymodel.bench.tracking import Tracker
from safetymodel.bench.twin import Twin
from safetymodel.model.build import load, load_text
from safetymodel.model.formula import TRUE, AllOf, AnyOf, Defined, Formula, InState, Not
from safetymodel.model.system import System
from safetymodel.problems import Problem

SPECS = Path(__file__).parent.parent / "specs"


def spec(name: str) -> System:
    system, _ = load(str(SPECS / name))
    assert system is not None
    return system


@pytest.mark.parametrize("seed", range(30))
def test_a_twin_follows_the_model_whatever_order_it_reacts_in(seed: int) -> None:
    rng = random.Random(seed)
    system, _ = load_text(random_spec(rng), "random.yaml")
    assert system is not None
    for order in (None, seed):
        twin = Twin(system, seed=order)
        try:
            twin.reset()
        except DeviceError:
            return  # its logic goes round for ever
        found = hunt(system, mapping_by_names(system), twin, seed, Bounds(steps=150), faults=len(system.faults))
        goes_round = found.record.error is not None and "round" in found.why
        assert found.ended in ("limit", "model") or goes_round, (found.why, found.record.difference)


def test_every_spec_of_the_project_has_a_twin_that_follows_it() -> None:
    looked = 0
    for path in sorted(SPECS.rglob("*.yaml")):
        system, _ = load(str(path))
        if system is None or len(system.subsystems) > 30:
            continue
        found = hunt(system, mapping_by_names(system), Twin(system, seed=3), 3, Bounds(steps=60))
        assert found.ended == "limit", (path.name, found.why, found.record.difference)
        assert found.steps == 60
        looked += 1
    assert looked > 10


HATCH_DEFECTS = {
    "drop:outer_door.closed-open:inner_shut": True,
    "drop:inner_bolt.out-in:panel_is_not_inner": True,
    "stuck:inner_shut:true": True,
    "stuck:outer_shut:false": True,
    "slow:lamp.clean_side.dark-lit": True,
    "swap:lamp.clean_side:lamp.dirty_side": False,  # the lamps are never seen apart
}


@pytest.mark.parametrize("name", HATCH_DEFECTS)
def test_a_defect_shows_where_it_can(name: str) -> None:
    system = spec("two-door-hatch.yaml")
    defect = defect_named(system, name)
    assert isinstance(defect, Defect), defect
    found = hunt(system, mapping_by_names(system), Twin(system, [defect]), 1, Bounds(steps=1_500))
    assert (found.ended == "difference") == HATCH_DEFECTS[name]


def test_defects_have_names_of_their_own_and_are_drawn_alike() -> None:
    system = spec("whimbrel.yaml")
    known = defects_of(system)
    assert len({d.name for d in known}) == len(known) > 350
    assert {d.kind for d in known} == set(KINDS)
    assert all(defect_named(system, d.name) == d for d in known[::37])
    assert some_defects(system, 30, 7) == some_defects(system, 30, 7) != some_defects(system, 30, 8)
    problem = defect_named(system, "stuck:brake_held:maybe")
    assert isinstance(problem, Problem)
    assert problem.slug == "unknown-defect"
    assert problem.hint == "did you mean stuck:brake_held:false?"


A, B, C = (InState(n, (0,)) for n in range(3))


@pytest.mark.parametrize(
    ("formula", "place", "left"),
    [
        (AllOf((A, B)), 0, AllOf((B,))),
        (AnyOf((A, Not(B))), 1, AnyOf((A,))),
        (Not(AllOf((A, B))), 1, Not(AllOf((A,)))),
        (Defined("both", AllOf((A, AnyOf((B, C))))), 2, AllOf((A, AnyOf((B,))))),
        (A, 0, TRUE),
        (Not(Not(A)), 0, TRUE),
    ],
)
def test_a_condition_without_one_part(formula: Formula, place: int, left: Formula) -> None:
    path, _ = mentions(formula)[place]
    assert without(formula, path) == left


def test_what_the_twin_does_not_know() -> None:
    system = spec("two-door-hatch.yaml")
    twin = Twin(system)
    for call in (lambda: twin.apply("panel.ask_iner"), lambda: twin.read(["paneel"]), lambda: twin.write("x", True)):
        with pytest.raises(DeviceError) as caught:
            call()
        assert caught.value.trouble == "refused"
    with pytest.raises(DeviceError, match="ticks of 100 ms"):
        twin.wait(Fraction(50))
    twin.write("inner_shut", False)  # a force, until the reset
    assert twin.read(["inner_shut", "lamp.dirty_side"]) == {"inner_shut": False, "lamp.dirty_side": "lit"}
    twin.reset()
    assert twin.read(["inner_shut", "lamp.dirty_side", "sealed"]) == {
        "inner_shut": True, "lamp.dirty_side": "dark", "sealed": True,
    }  # fmt: skip


def test_stimuli_have_names_that_are_read_back() -> None:
    system = spec("two-door-hatch.yaml")
    names = ["panel.ask_outer", "wait 30 s", "fault outer_latch_breaks", "fault outer_latch_breaks", "outer_door.push"]
    stimuli, problem = read_stimuli(system, names)
    assert problem is None
    assert [s.kind for s in stimuli] == ["event", "wait", "fault", "jump", "event"]
    assert [stimulus_name(system, s) for s in stimuli] == names
    record = run(system, mapping_by_names(system), Twin(system), stimuli)
    assert record.difference is None
    assert record.shown[4]["outer_door"] == "open"
    for wrong, said in [
        ("panel.ask_outr", "did you mean panel.ask_outer?"),
        ("wait 50 ms", "this spec waits for whole ticks of 100 ms"),
        ("fault outer_latch", "did you mean fault outer_latch_breaks?"),
    ]:
        some, problem = read_stimuli(system, [names[0], wrong])
        assert len(some) == 1
        assert problem is not None
        assert (problem.slug, problem.hint) == ("unknown-stimulus", said)
        assert problem.message == f"stimulus 2, `{wrong}`, is none of this spec"


def test_a_logic_that_goes_round_for_ever_is_said() -> None:
    text = (
        "safetymodel: 1\ntitle: Round\nsubsystems:\n  a:\n    states: [x, y]\n    events: {go: {}}\n    transitions:\n"
        "      - {from: x, to: y, if: b is q}\n      - {from: y, to: x, if: b is q}\n"
        "  b: {states: [p, q], transitions: [{from: p, to: q, on: a.go}]}\n"
    )
    system, _ = load_text(text, "round.yaml")
    assert system is not None
    with pytest.raises(CannotTrack, match="round automatic transitions for ever"):
        Tracker(system).after(Tracker(system).start(), Stimulus("event", 0))
    found = hunt(system, mapping_by_names(system), Twin(system), 0, Bounds(steps=50))
    assert found.ended == "model"


def test_a_twin_that_never_comes_to_rest_is_found_at_its_reset_and_marked_in_the_list(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    from safetymodel.cli import main

    file = str(SPECS / "two-door-hatch.yaml")
    restless = "drop:inner_bolt.in-out:panel_is_inner"
    with pytest.raises(SystemExit):
        main(["twin", file, "--defects"])
    marked = [line for line in capsys.readouterr().out.splitlines() if "never comes to rest" in line]
    assert [line.split()[0] for line in marked] == [restless]
    with pytest.raises(SystemExit) as left:
        main(["bench", file, "--device", "twin", "--defect", restless, "--out", str(tmp_path)])
    assert left.value.code == 1
    assert "the model comes to rest here, the device does not" in capsys.readouterr().out
    assert len(list(tmp_path.iterdir())) == 2
