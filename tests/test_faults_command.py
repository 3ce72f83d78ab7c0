"""`safetymodel faults`: sets known from outside the project, and what the command prints and writes."""

from __future__ import annotations

import csv
import json
from dataclasses import replace
from itertools import product
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pytest

from safetymodel.cli import main
from safetymodel.diagrams.fault_tree import MOST_LEAVES, fault_tree
from safetymodel.faults.category import evidence
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


def test_common_causes_are_in_the_tree(tmp_path: Path) -> None:
    spec = str(SPECS / "two-channel-estop.yaml")
    assert run(["faults", spec, "--only", "R1,R10", "--runs", "off", "--trees", str(tmp_path)]) == 0
    svg = "{http://www.w3.org/2000/svg}"
    tree = ElementTree.fromstring((tmp_path / "fault-tree-R1.svg").read_text(encoding="utf-8"))
    circles = [e[0].text or "" for e in tree.iter(f"{svg}circle") if len(e)]
    pairs = ["channel_a_bridged", "channel_b_bridged", "k1_welded", "k2_welded"]
    assert [c for c in circles if "strikes" not in c] == pairs
    assert [c for c in circles if "strikes" in c] == [
        "cable_crushed: strikes channel_a_bridged, channel_b_bridged at once",
        "load_too_large: strikes k1_welded, k2_welded at once",
    ]
    words = [e.text or "" for e in tree.iter(f"{svg}text")]
    assert "common cause" in words
    assert any("sets with declared common causes are in it" in w for w in words)
    without = (tmp_path / "fault-tree-R10.svg").read_text(encoding="utf-8")  # no common cause brings its faults
    assert "common cause" not in without


def test_a_tree_that_common_causes_would_make_too_large_says_so() -> None:
    found = studied("two-channel-estop.yaml", 2, runs="off")
    system = found.system
    k1, k2 = (next(f.number for f in system.faults if f.name == name) for name in ("k1_welded", "k2_welded"))
    others = [f.number for f in system.faults if f.number not in (k1, k2)]
    sets = [FaultSet((k1, n)) for n in others for _ in range(5)] + [FaultSet((k2, n)) for n in others]
    assert 2 * len(sets) == MOST_LEAVES
    drawn = fault_tree(system, MinimalSets(found.found[0].requirement, 2, tuple(sets), True))
    assert isinstance(drawn, str)
    assert "the declared common causes are left out: too many sets" in drawn
    assert "load_too_large" not in drawn


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


def test_what_a_limit_left_open_is_not_told_as_known(capsys: pytest.CaptureFixture[str]) -> None:
    spec = str(SPECS / "two-door-hatch.yaml")
    assert run(["faults", spec, "--seconds", "0", "--numbers"]) == 3
    out = capsys.readouterr().out
    assert "no set of up to 2 faults defeats it" not in out  # three single faults do
    assert out.count("no figures: undecided: a limit ended the search before any set was found") == 3
    assert "nothing by itself" not in out
    assert "hidden faults" not in out
    assert "1 settled of 1 state found before a limit ended the search with up to 2 faults\n" in out
    assert run(["faults", spec, "--seconds", "0", "--json", "-"]) == 3
    data = json.loads(capsys.readouterr().out)
    assert data["hidden_faults"] == []
    assert len(data["undecided_faults"]) == 3
    assert {r["id"]: r["stands"] for r in data["requirements"]} == {"R1": None, "R2": None, "R3": None}
    assert all(effect["undecided"] == ["R1", "R2", "R3"] for effect in data["effects"])


def test_fewer_faults_than_have_to_be_withstood_are_no_pass(capsys: pytest.CaptureFixture[str]) -> None:
    spec = str(SPECS / "two-door-hatch.yaml")
    assert run(["faults", spec, "--up-to", "0"]) == 3
    out = capsys.readouterr().out
    assert "undecided: looked at without faults only, though it has to withstand 1" in out
    assert "nothing by itself" not in out
    assert "hidden faults" not in out
    assert "without any of the 3 faults that the spec declares" in out
    assert run(["faults", spec, "--up-to", "0", "--only", "R2"]) == 0  # which has to withstand none
    capsys.readouterr()
    assert run(["faults", str(SPECS / "two-channel-estop.yaml"), "--up-to", "1", "--runs", "off", "--json", "-"]) == 3
    stands = {r["id"]: r["stands"] for r in json.loads(capsys.readouterr().out)["requirements"]}
    assert [name for name, word in stands.items() if word is None] == ["R8"]  # `withstand: 2`


EMPTY = CATEGORIES.replace("REVEALED", "").replace("R2: {never: twin and door is openR2}", "R2: {EMPTY}")


@pytest.mark.parametrize(
    ("claim", "why"),
    [
        ("never: motor is turning and door is open and door is shut", "motor is turning makes no difference"),
        ("always: door is shut, from: motor is turning and motor is still", "the watch of it never begins"),
        ("start: motor is turning and motor is still, only_by: [motor.start]", "no step ever makes it true"),
        ("permissive: door is shut, for: motor is turning and motor is still", "no step ever makes it true"),
        ("cause: motor is turning and motor is still, effect: shut, within: reaction", "its situation never arises"),
    ],
)
def test_what_is_empty_behaves_as_no_category(
    claim: str, why: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "empty.yaml"
    file.write_text(EMPTY.replace("EMPTY", claim), encoding="utf-8")
    asked = ["faults", str(file), "--only", "R2"]
    assert run(asked) == 1
    out = capsys.readouterr().out
    lines = [line.split() for line in out.splitlines() if line.startswith("R2")]
    assert lines[0][1:3] == ["empty", "none"]
    assert lines[1][1:3] == ["none", "(empty)"]
    assert out.count(why) == 2
    assert "over 2" not in out
    assert "no single declared fault" not in out
    assert run([*asked, "--json", "-"]) == 1
    data = json.loads(capsys.readouterr().out)
    assert data["requirements"][0]["stands"] is False
    assert data["requirements"][0]["empty_because"]
    assert data["categories"][0]["behaves_as"] == "none"
    file.write_text(EMPTY.replace("EMPTY", f"{claim}, may_be_empty: true"), encoding="utf-8")
    assert run(asked) == 0
    assert "accepted by the spec: may_be_empty" in capsys.readouterr().out


def test_how_a_fault_shows_left_undecided_is_no_category_and_no_pass() -> None:
    text = CATEGORIES.replace("REVEALED", ", revealed_by: shut and not twin").replace("R2}", "}")
    system, problems = load_text(text, "one.yaml")
    assert system is not None, [p.as_text() for p in problems]
    whole = study(system, 1)
    assert [e.word for e in whole.evidence] == ["2", "3"]
    late = tuple(replace(e.reveal, word="undecided", reason="no time was left") for e in whole.effects if e.reveal)
    assert [(e.word, e.short) for e in evidence(whole.found, late)] == [
        ("undecided", "how its faults show was not found out: no time was left"),
        ("3", whole.evidence[1].short),  # no single fault defeats R2, however it shows
    ]
    cut = replace(whole, effects=tuple(replace(e, reveal=r) for e, r in zip(whole.effects, late, strict=True)))
    assert whole.complete
    assert not cut.complete


def test_a_spec_without_faults_says_so(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "none.yaml"
    text = CATEGORIES.replace("faults:\n  bridged: {signal: shut, stuck: trueREVEALED}\n", "")
    file.write_text(text.replace("twin and door is openR2}", "shut and not twin, withstand: 1}"), encoding="utf-8")
    run(["faults", str(file), "--numbers"])
    out = capsys.readouterr().out
    assert "of the 0 faults" not in out
    assert "over 2" not in out
    assert "R1           none declared" in out
    assert "it has to withstand 1, and the spec declares no fault" in out
    assert "without faults, since the spec declares none" in out
    run(["faults", str(file), "--json", "-"])
    assert {c["behaves_as"] for c in json.loads(capsys.readouterr().out)["categories"]} == {"undecided"}


def test_sets_are_counted_in_words_that_are_no_fraction(capsys: pytest.CaptureFixture[str]) -> None:
    run(["faults", str(SPECS / "two-door-hatch.yaml"), "--runs", "off"])
    assert "3 single faults" in capsys.readouterr().out
    run(["faults", str(SPECS / "textbook/pressure-tank.yaml"), "--runs", "off"])
    assert "2 single faults, 3 pairs" in capsys.readouterr().out
    run(["faults", str(SPECS / "textbook/door-interlock-toy.yaml"), "--runs", "off", "--up-to", "3"])
    assert "1 pair, 1 set of 3 faults" in capsys.readouterr().out
