"""`safetymodel faults`: sets known from outside the project, and what the command prints and writes."""

from __future__ import annotations

import csv
import json
from itertools import product
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pytest

from safetymodel.cli import main
from safetymodel.diagrams.fault_tree import MOST_LEAVES, fault_tree
from safetymodel.faults.sets import FaultSet, MinimalSets
from safetymodel.faults.study import Study, study
from safetymodel.model.build import load, load_text
from safetymodel.problems import Problem

SPECS = Path(__file__).resolve().parent.parent / "specs"


def studied(name: str, order: int, **options: Any) -> Study:
    system, problems = load(str(SPECS / name))
    assert system is not None, [p.as_text() for p in problems]
    return study(system, order, **options)


def sets_of(found: Study, requirement: str) -> set[frozenset[str]]:
    sets = next(f for f in found.found if f.requirement.name == requirement)
    assert sets.complete
    return {frozenset(found.system.faults[n].name for n in s.faults) for s in sets.sets}


def as_sets(*texts: str) -> set[frozenset[str]]:
    return {frozenset(text.split()) for text in texts}


@pytest.mark.parametrize("engine", ["product", "symbolic"])
def test_the_pressure_tank(engine: Any) -> None:
    # NUREG-0492 (Vesely et al. 1981), chapter VIII; values from memory, check against the printed handbook;
    # the exact top value recomputed by arithmetic
    found = studied("textbook/pressure-tank.yaml", 4, engine=engine)
    assert sets_of(found, "R1") == as_sets("T", "K2", "S K1", "S R", "S S1")
    assert sets_of(found, "R2") == set()
    probability = found.figures[0].probability
    assert probability is not None
    assert probability.exact == pytest.approx(3.501584875e-5, rel=1e-9)


def test_the_full_tree_of_the_pressure_tank() -> None:
    # Barlow and Chatterjee 1973; values from memory, check against the printed report: 5 singles and 24 pairs
    found = studied("textbook/pressure-tank-full-tree.yaml", 3, runs="off")
    singles = as_sets(*(f"f{n}" for n in range(1, 6)))
    pairs = as_sets(*(f"f{a} f{b}" for a, b in product(range(6, 9), range(9, 17))))
    assert len(pairs) == 24
    assert sets_of(found, "R1") == singles | pairs
    probability = found.figures[0].probability
    assert probability is not None
    assert probability.exact == pytest.approx(4.00118e-5, rel=1e-6)


def test_the_door_of_a_radiation_room() -> None:
    # worked out by hand from the circuit: one switch in the supply, the other over two contactors in series
    found = studied("textbook/door-interlock-toy.yaml", 4)
    assert sets_of(found, "R1") == as_sets("SW1 SW2", "SW1 K1 K2")


def test_masking_through_doors_in_series() -> None:
    """Fault masking, after ISO/TR 24119 (from memory, check against the printed report)."""
    found = studied("doors-in-series.yaml", 2)
    word = {e.requirement.name: e.word for e in found.evidence}
    assert word == {"R1": "3", "R2": "4"}
    shows = {e.fault.name: e.reveal.word for e in found.effects if e.reveal}
    assert {shows[f"{c}{n}_bridged"] for c in "ab" for n in (1, 2)} == {"in some runs"}
    assert {shows[f"{c}3_bridged"] for c in "ab"} == {"at demand"}


def test_a_unit_that_does_not_forget_and_is_not_shared_is_found_for_every_door() -> None:
    text = (SPECS / "doors-in-series.yaml").read_text(encoding="utf-8")
    text = text.replace("shared_a: a1 and a2", "shared_a: a1").replace("shared_b: b1 and b2", "shared_b: b1")
    text = text.replace("(door_1 is open or door_2 is open)", "door_1 is open").split("\nscenarios:")[0]
    system, problems = load_text(text, "doors.yaml")
    assert system is not None, [p.as_text() for p in problems]
    word = {e.requirement.name: e.word for e in study(system, 2).evidence}
    assert word == {"R1": "4", "R2": "4"}


CATEGORIES = """
safetymodel: 1
title: Categories
subsystems:
  door:
    states: [shut, open]
    events: {pull: {by: nurse}, push: {by: nurse}}
    transitions:
      - {from: shut, to: open, on: pull}
      - {from: open, to: shut, on: push}
  motor:
    states: [still, turning]
    events: {start: {by: nurse}}
    transitions:
      - {from: still, to: turning, on: start, if: shut}
      - {from: turning, to: still, if: not shut}
signals:
  shut: {reads: door is shut}
  twin: {reads: door is shut}
faults:
  bridged: {signal: shut, stuck: trueREVEALED}
requirements:
  R1: {never: motor is turning and door is open}
  R2: {never: twin and door is openR2}
"""


@pytest.mark.parametrize(
    ("revealed", "order", "word"),
    [("", 1, "B or 1"), (", revealed_by: shut and not twin", 1, "2"), ("", 0, "undecided")],
)
def test_categories_of_one_channel(revealed: str, order: int, word: str) -> None:
    text = CATEGORIES.replace("REVEALED", revealed).replace("R2}", "}")
    system, problems = load_text(text, "one.yaml")
    assert system is not None, [p.as_text() for p in problems]
    found = {e.requirement.name: e.word for e in study(system, order).evidence}
    assert found["R1"] == word


def test_broken_without_faults_is_no_category() -> None:
    system, _ = load_text(CATEGORIES.replace("REVEALED", "").replace("R2}", " or door is open}"), "none.yaml")
    assert system is not None
    found = study(system, 2)
    assert {e.requirement.name: e.word for e in found.evidence}["R2"] == "none"
    assert sets_of(found, "R2") == {frozenset()}


def run(arguments: list[str]) -> int:
    with pytest.raises(SystemExit) as left:
        main(arguments)
    assert isinstance(left.value.code, int)
    return left.value.code


def test_json_is_as_documented(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["faults", str(SPECS / "two-door-hatch.yaml"), "--up-to", "2", "--json", "-"]) == 1
    data = json.loads(capsys.readouterr().out)
    assert data["up_to"] == 2
    found = {r["id"]: r["minimal_fault_sets"] for r in data["requirements"]}
    assert found["R1"] == [["inner_bolt_jammed"], ["inner_switch_bridged"], ["outer_latch_breaks"]]
    first = data["requirements"][0]
    assert [r["faults"] for r in first["runs"]] == found["R1"]
    assert all(step["kind"] for r in first["runs"] for step in r["trace"])
    assert data["effects"][0]["fault"] == "inner_switch_bridged"
    assert data["effects"][0]["signals"] == ["inner_shut"]
    assert data["hidden_faults"] == ["inner_switch_bridged", "inner_bolt_jammed", "outer_latch_breaks"]


def test_sets_and_their_members_are_sorted_and_no_fault_is_an_empty_set(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "spec.yaml"
    file.write_text(CATEGORIES.replace("REVEALED", "").replace("R2}", " or door is open}"), encoding="utf-8")
    assert run(["faults", str(file), "--json", "-"]) == 1
    data = json.loads(capsys.readouterr().out)
    assert {r["id"]: r["minimal_fault_sets"] for r in data["requirements"]} == {"R1": [["bridged"]], "R2": [[]]}


def test_csv_has_a_row_for_each_set(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "sets.csv"
    assert run(["faults", str(SPECS / "textbook/pressure-tank.yaml"), "--csv", str(file)]) == 0
    with file.open(encoding="utf-8") as stream:
        rows = list(csv.DictReader(stream))
    assert [row["faults"] for row in rows] == ["T", "K2", "S K1", "S R", "S S1"]
    assert [row["happenings"] for row in rows] == ["8", "9", "10", "10", "10"]
    assert float(rows[0]["probability"]) == 5e-6


def test_trees_are_written(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = tmp_path / "new" / "trees"
    assert run(["faults", str(SPECS / "textbook/pressure-tank.yaml"), "--trees", str(folder)]) == 0
    (path,) = folder.iterdir()
    tree = ElementTree.fromstring(path.read_text(encoding="utf-8"))
    circles = [e for e in tree.iter("{http://www.w3.org/2000/svg}circle") if len(e)]
    assert sorted(e[0].text or "" for e in circles) == sorted(["T", "K2", "S", "K1", "S", "R", "S", "S1"])
    assert "3x" in path.read_text(encoding="utf-8")  # the pressure switch is one failure under three gates


def test_a_tree_that_is_too_large_is_refused_with_a_hint() -> None:
    found = studied("textbook/pressure-tank.yaml", 2, runs="off")
    sets = MinimalSets(found.found[0].requirement, 2, tuple(FaultSet((0, 1)) for _ in range(MOST_LEAVES)), True)
    refused = fault_tree(found.system, sets)
    assert isinstance(refused, Problem)
    assert refused.slug == "graph-too-large"


def test_runs_are_told_on_request(capsys: pytest.CaptureFixture[str]) -> None:
    spec = str(SPECS / "textbook/door-interlock-toy.yaml")
    assert run(["faults", spec, "--only", "R1", "--show", "R1", "--up-to", "3"]) == 0
    out = capsys.readouterr().out
    assert "SW1 bridged [fault SW1]" in out
    assert "behaves as" in out
    assert "MTTFd of each channel" in out  # what the standard asks for and no model shows
    assert run(["faults", spec, "--only", "R1", "--runs", "off"]) == 0
    assert "no run was searched" in capsys.readouterr().out


def test_mistakes_of_the_call(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["faults", str(SPECS / "two-door-hatch.yaml"), "--only", "R11"]) == 2
    said = capsys.readouterr().err
    assert "there is no requirement R11" in said
    assert "did you mean R1?" in said
    assert run(["faults", str(SPECS / "two-door-hatch.yaml"), "--show", "R9"]) == 2
    assert run(["faults", "nowhere.yaml"]) == 2
    assert "Traceback" not in capsys.readouterr().err


def test_a_limit_is_never_a_pass(capsys: pytest.CaptureFixture[str]) -> None:
    spec = str(SPECS / "textbook/door-interlock-toy.yaml")
    assert run(["faults", spec, "--states", "10", "--engine", "product"]) == 3
    out = capsys.readouterr().out
    assert "undecided" in out
    assert "the limit of 10 states was reached" in out
