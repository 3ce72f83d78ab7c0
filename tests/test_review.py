"""`safetymodel review`: what it prints and writes, its exit codes, limits, and mistakes in the call."""

from __future__ import annotations

import json
import random
import re
from pathlib import Path

import jsonschema
import pytest
from random_systems import random_spec

from safetymodel.cli import main
from safetymodel.insight.review import review
from safetymodel.model.build import load_text
from safetymodel.report.markdown import as_markdown, escaped
from safetymodel.report.review_machine import review_json
from safetymodel.report.said import Grid, Words
from safetymodel.report.schemas import results_schema

SPECS = Path(__file__).resolve().parent.parent / "specs"
HATCH = str(SPECS / "two-door-hatch.yaml")

RACING = """
safetymodel: 1
title: "*Gate* <b>"
subsystems:
  gate:
    states: [open, shut]
    events: {swing: {by: "<i>wind</i>", text: slams it}}
    transitions: [{from: open, to: shut, on: swing}]
  latch:
    role: actuator
    states: [up, down]
    transitions: [{from: up, to: down, if: gate is shut and bell is quiet}]
  bell:
    role: actuator
    states: [quiet, rung]
    transitions: [{from: quiet, to: rung, if: gate is shut and latch is up}]
"""


def run(*arguments: str) -> int:
    with pytest.raises(SystemExit) as left:
        main(["review", *arguments])
    assert isinstance(left.value.code, int)
    return left.value.code


@pytest.fixture
def racing(tmp_path: Path) -> str:
    path = tmp_path / "gate.yaml"
    path.write_text(RACING)
    return str(path)


def test_nothing_found(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(HATCH, "--only", "defects,response,matrix") == 0
    out = capsys.readouterr().out
    assert "none: no chatter, race, ambiguity, stuck state or dead part was found with up to 1 fault" in out
    assert "inner_bolt" in out
    assert "safe" not in re.sub(r"safetymodel", "", out)
    assert "A model is not the vehicle" in out


def test_a_race_is_shown_with_both_orders(racing: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(racing) == 1
    out = capsys.readouterr().out
    assert "race: latch: up -> down and bell: quiet -> rung are due at once" in out
    assert "one order: latch: up -> down; settles with latch is down and bell is quiet" in out
    assert "the other: bell: quiet -> rung; settles with latch is up and bell is rung" in out
    assert "stuck: from here no event can happen" in out


def test_json_has_everything(racing: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(racing, "--json", "-") == 1
    data = json.loads(capsys.readouterr().out)
    race = next(d for d in data["defects"] if d["kind"] == "race")
    assert len(race["runs"]) == 2
    assert all(place["line"] for place in race["places"])
    assert {e["name"] for e in data["matrix"]["effects"]} == {"latch", "bell"}
    cells = data["matrix"]["cells"]
    assert cells
    assert all(mark["words"] for c in cells for mark in c["marks"])
    assert data["response"] == []
    assert data["undecided"] == []


def test_a_broken_requirement_is_a_finding(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(HATCH, "--only", "suggestions") == 1
    out = capsys.readouterr().out
    assert "R1 is broken: The doors are never open together" in out
    assert "verified again with up to 1 fault" in out
    assert run(HATCH, "--only", "suggestions", "--json", "-") == 1
    (found,) = json.loads(capsys.readouterr().out)["suggestions"]
    assert found["requirement"] == "R1"
    assert found["conditions"]
    assert all(condition["place"]["line"] for condition in found["conditions"])


def test_files_are_written(racing: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    page, table, text, data = (tmp_path / name for name in ("m.html", "m.csv", "m.md", "m.json"))
    options = ["--matrix", str(page), "--matrix", str(table), "--markdown", str(text), "--json", str(data), "--quiet"]
    assert run(racing, *options) == 1
    assert "<!DOCTYPE html>" in page.read_text()
    assert "&lt;i&gt;wind&lt;/i&gt;" in page.read_text()
    assert "<i>wind" not in page.read_text()
    assert table.read_text().startswith("cause,kind,")
    assert text.read_text().startswith("# \\*Gate\\* \\<b\\>")
    assert "## Defects that need no requirement" in text.read_text()
    assert json.loads(data.read_text())["spec"]["title"] == "*Gate* <b>"
    assert "one order" not in capsys.readouterr().out


def test_parts(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(HATCH, "--only", "defects") == 0
    out = capsys.readouterr().out
    assert "Causes and effects" not in out
    assert "Response budget" not in out
    assert run(str(SPECS / "loading-bay.yaml"), "--only", "response") == 1
    assert "TOO NEAR" in capsys.readouterr().out
    assert run(str(SPECS / "loading-bay.yaml"), "--only", "matrix") == 0


def bay(tmp_path: Path, *changes: tuple[str, str]) -> str:
    text = (SPECS / "loading-bay.yaml").read_text()
    for old, new in changes:
        assert text.count(old) == 1
        text = text.replace(old, new)
    (tmp_path / "bay.yaml").write_text(text)
    return str(tmp_path / "bay.yaml")


def test_a_distance_that_is_not_shown(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    spec = bay(tmp_path, (", response: 20 ms", ""))
    assert run(spec, "--only", "response") == 3
    out = capsys.readouterr().out
    assert "distances: of R1 it is not shown" in out
    assert "not shown: 2,000 mm declared, 2,000 mm or more needed" in out
    assert "undecided: the distance of R1 (no `response` of pad_clear)" in out
    assert "suffices" not in out
    assert run(spec, "--only", "response", "--json", "-") == 3
    data = json.loads(capsys.readouterr().out)
    jsonschema.validate(data, results_schema("review"))
    assert data["response"][0]["distance"]["suffices"] is None
    assert data["response"][0]["distance"]["not_shown_because"] == "no `response` of pad_clear"


def test_the_distance_of_a_broken_requirement(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    broken = ("- {from: going_down, to: still, if: relay is dropped}", "- {from: going_down, to: still, if: false}")
    spec = bay(tmp_path, broken, ("distance: 2 m", "distance: 5 m"))
    assert run(spec, "--only", "response") == 1
    out = capsys.readouterr().out
    assert "not shown: 5,000 mm declared" in out
    assert "undecided: the distance of R1 (the requirement is broken)" in out


def test_what_is_not_known_is_not_said_to_be_fine(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(HATCH, "--only", "response", "--states", "500") == 3
    out = capsys.readouterr().out
    assert "no requirement is known to be broken only while the logic reacts" in out
    assert "not known of R3, undecided here" in out


def test_the_reaction_that_begins_the_longest_is_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    spec = bay(
        tmp_path, ("never: table is going_down and pad is occupied", "never: table is going_down and relay is dropped")
    )
    run(spec, "--only", "response")
    assert "longest after pad.step_on, then relay: up -> dropped: table: going_down -> still" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["--only", "defect"], "did you mean defects"),
        (["--only", ","], "name one of defects"),
        (["--matrix", "m.svg"], "neither .html nor .csv"),
        (["--only", "defects", "--matrix", "m.html"], "left out by --only"),
        (["--faults", "-1"], "--faults"),
        (["--memory", "little"], "is not a size"),
    ],
)
def test_mistakes_in_the_call(options: list[str], said: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(HATCH, *options) == 2
    printed = " ".join(re.sub("[^!-~]", " ", capsys.readouterr().err).split())
    assert said in printed


def test_a_spec_with_problems(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(str(tmp_path / "none.yaml")) == 2
    assert "none.yaml" in capsys.readouterr().err
    assert run(HATCH, "--matrix", str(tmp_path / "no" / "such" / "m.html"), "--quiet") == 2


def test_a_limit_leaves_it_undecided(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(str(SPECS / "whimbrel.yaml"), "--seconds", "0.01") == 3
    out = capsys.readouterr().out
    assert "undecided" in out
    assert "none: no chatter" not in out
    assert run(HATCH, "--engine", "product", "--states", "50", "--only", "defects,matrix") == 3
    out = capsys.readouterr().out
    assert "none: no chatter" not in out


def test_no_effects(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "door.yaml"
    path.write_text(
        "safetymodel: 1\ntitle: D\nsubsystems: {d: {states: [a, b], events: {e: {}}, "
        "transitions: [{from: a, to: b, on: e}, {from: b, to: a, on: e}]}}\n"
    )
    assert run(str(path)) == 0
    out = capsys.readouterr().out
    assert "declare `functions:`" in out
    assert run(str(path), "--matrix", str(tmp_path / "m.html"), "--quiet") == 0


def test_markdown_of_blocks() -> None:
    blocks = (
        Words((("T", "strong"), (" f", "quiet"))),
        None,
        Words((("Part", "strong"),)),
        Words((("a", "bad"), (": b|c", "")), 2),
        Words((("deep", ""),), 9),
        Words((("less", ""),), 4),
        Grid(("x", "y"), ((("1|2", ""), ("`", "")),)),
    )
    assert as_markdown(blocks) == (
        "# T f\n\n## Part\n\n- **a**: b\\|c\n  - deep\n  - less\n\n| x | y |\n|---|---|\n| 1\\|2 | \\` |\n"
    )
    assert escaped("<a>\x1b") == "\\<a\\>\\\\x1b"


def test_what_nobody_asked_for(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    bay, text = str(SPECS / "loading-bay.yaml"), tmp_path / "n.md"
    assert run(bay, "--only", "necessity", "--markdown", str(text)) == 1
    out = capsys.readouterr().out
    assert "3 of 4 parts of the conditions are noticed when left out (75 %)." in out
    assert "each is redundant, or a requirement is missing" in out
    assert "without `relay is up`: after pad.step_on it can happen, and could not before" in out
    assert "## Necessity" in text.read_text()
    assert run(bay, "--only", "necessity", "--quiet") == 1
    assert "is redundant" not in capsys.readouterr().out
    assert run(bay, "--only", "necessity", "--json", "-") == 1
    found = json.loads(capsys.readouterr().out)["necessity"]
    assert (found["parts"], found["parts_known"], found["parts_noticed"]) == (4, 4, 3)
    (part,) = (c for c in found["changes"] if c.get("part") == "relay is up")
    assert part["noticed_by"] == []
    assert part["becomes_possible"]
    assert [step["name"] for step in part["run"]] == ["pad.step_on", "relay"]
    assert {c["kind"] for c in found["changes"]} == {"part", "removed", "negated", "late"}
    assert all(c["place"]["line"] for c in found["changes"])


def test_without_requirements_nobody_can_notice(racing: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(racing, "--only", "necessity") == 0
    assert "there is no requirement that could notice anything" in capsys.readouterr().out


def test_the_default_time_is_no_verdict(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("safetymodel.insight.review.SECONDS_FOR_PARTS", 0.0)
    bay = str(SPECS / "loading-bay.yaml")
    assert run(bay, "--only", "necessity") == 3
    out = capsys.readouterr().out
    assert "of 4 it is not known" in out
    assert "`--runs always` takes what it needs" in out
    assert run(bay, "--only", "necessity", "--runs", "always") == 1


def test_the_first_lines_say_what_was_found(racing: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(HATCH) == 1
    assert capsys.readouterr().out.split("\n\n")[1].splitlines() == [
        "At a glance",
        "  defects: none found with up to 1 fault",
        "  3 requirements: R1 is broken",
        "  13 parts of the conditions: 8 noticed when left out, 5 with an effect that nobody asked for",
    ]
    assert run(racing) == 1  # a race, and no requirement: one line is no more than what follows
    assert "At a glance" not in capsys.readouterr().out


def test_every_review_fits_its_schema() -> None:
    schema = results_schema("review")
    jsonschema.Draft202012Validator.check_schema(schema)
    validator = jsonschema.Draft202012Validator(schema)
    small = [SPECS / "two-door-hatch.yaml", SPECS / "loading-bay.yaml", *sorted(SPECS.glob("textbook/*.yaml"))]
    texts = [path.read_text(encoding="utf-8") for path in small]
    texts += [RACING, *(random_spec(random.Random(seed)) for seed in range(8))]
    seen: set[str] = set()
    for text in texts:
        system, problems = load_text(text, "some.yaml")
        assert system is not None, problems
        found = json.loads(json.dumps(review_json(review(system, problems=problems))))
        assert not [error.message for error in validator.iter_errors(found)]
        seen |= {defect["kind"] for defect in found["defects"]} | {s["outcome"] for s in found["suggestions"]}
        seen |= {key for budget in found["response"] for key in budget}
        seen |= {key for change in found["necessity"]["changes"] for key in change}
        seen |= {mark["does"] for cell in found["matrix"]["cells"] for mark in cell["marks"]}
    # it looked at something
    assert seen >= {"dead-transition", "race", "conditions", "distance", "run", "part", "blocks", "latches"}, seen
