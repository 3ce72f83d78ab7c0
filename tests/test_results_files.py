"""What `verify` leaves for other programs: JUnit XML, Markdown, JSON with a schema; and comparing with a baseline."""

from __future__ import annotations

import copy
import json
import xml.etree.ElementTree as ElementTree
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from worded_specs import HATCH_FILE

from safetymodel.cli import main
from safetymodel.comparison import baseline_exit_code
from safetymodel.pipeline import Run, Unread, results_json, verify
from safetymodel.report.baseline import Change, changes_between
from safetymodel.report.results_files import junit_xml, markdown, plain_markdown
from safetymodel.report.schemas import results_schema

SPECS = Path(__file__).resolve().parent.parent / "specs"
HOSTILE = """\
safetymodel: 1
title: '<b>"Kiln" & `oven`</b> | @all'
subsystems:
  door:
    states: [shut, open]
    events: {pull: {by: '<script>alert(1)</script>', text: "]]> & <b>"}}
    transitions: [{from: shut, to: open, on: pull}]
requirements:
  R1: {text: '| **bold** | ]]></failure> http://x', never: door is open}
  R2: {never: door is open, from: door is open, until: door is open}
"""


@pytest.fixture(scope="module")
def hatch() -> Run:
    run = verify(str(HATCH_FILE), second_opinion="off")
    assert isinstance(run, Run)
    return run


@pytest.fixture
def hostile(tmp_path: Path) -> Run:
    path = tmp_path / "hostile.yaml"
    path.write_text(HOSTILE)
    run = verify(str(path), second_opinion="off")
    assert isinstance(run, Run), [p.message for p in run.problems]
    return run


def ended(*arguments: str) -> int:
    with pytest.raises(SystemExit) as end:
        main(list(arguments))
    return int(end.value.code or 0)


def test_junit_has_a_case_for_each_requirement_and_scenario(hatch: Run) -> None:
    suites = ElementTree.fromstring(junit_xml([hatch]))
    (suite,) = suites
    cases = suite.findall("testcase")
    assert [c.get("name") for c in cases] == [
        "R1: The doors are never open together", "R2: The inner door can be used", "R3: The lamps warn", "hand_over",
    ]  # fmt: skip
    assert [len(c) for c in cases] == [1, 0, 0, 0]
    assert (suite.get("tests"), suite.get("failures"), suite.get("errors")) == ("4", "1", "0")
    failure = cases[0].find("failure")
    assert failure is not None
    assert "outer_latch_breaks" in (failure.get("message") or "")
    assert "nurse asks for the inner door" in (failure.text or "")
    assert "A model is not the vehicle" in (suite.findtext("system-out") or "")


def test_junit_of_hostile_text_and_of_an_unread_spec(hostile: Run, tmp_path: Path) -> None:
    unread = verify(str(tmp_path / "none.yaml"))
    assert isinstance(unread, Unread)
    suites = ElementTree.fromstring(junit_xml([hostile, unread]))
    names = [c.get("name") for c in suites.iter("testcase")]
    assert names == ["R1: | **bold** | ]]></failure> http://x", "R2", "the spec"]
    assert [suite.get("errors") for suite in suites] == ["0", "1"]
    assert sum(1 for _ in suites.iter("failure")) == 2  # broken, and empty


def test_undecided_is_an_error_in_junit(hatch: Run) -> None:
    run = verify(str(HATCH_FILE), engine="product", second_opinion="off", limits=None)
    assert isinstance(run, Run)
    from safetymodel.explore.engine import Limits

    few = verify(str(HATCH_FILE), engine="product", second_opinion="off", limits=Limits(states=50))
    assert isinstance(few, Run)
    (suite,) = ElementTree.fromstring(junit_xml([few]))
    assert int(suite.get("errors") or 0) >= 2
    assert any(c.get("name") == "everything was explored" for c in suite.iter("testcase"))


def test_markdown_shows_hostile_text_as_text(hostile: Run, hatch: Run) -> None:
    text = markdown([hostile])
    assert "<script>" not in "\n".join(line for line in text.splitlines() if not line.startswith("    "))
    rows = [line for line in text.splitlines() if line.startswith("| R")]
    assert len(rows) == 2
    assert all(len([c for i, c in enumerate(row) if c == "|" and row[i - 1] != "\\"]) == 7 for row in rows)
    assert plain_markdown("@all <b> *x* [y](http://z) a-b") == "&#64;all &lt;b&gt; \\*x\\* \\[y\\](http&#58;//z) a-b"
    plain = markdown([hatch])
    assert plain.startswith("# Two-door specimen hatch\n")
    assert "| R1 | **broken** | 1 |" in plain
    assert "    R1 is broken with up to 1 fault" in plain


@pytest.mark.parametrize(
    "name", ["two-door-hatch.yaml", "two-channel-estop.yaml", "textbook/railway-crossing-broken.yaml"]
)
def test_results_fit_their_schemas(name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    spec, file = str(SPECS / name), str(tmp_path / "out.json")
    calls = (
        ("verify", ["verify", spec, "--json", file, "--quiet"]),
        ("verify", ["verify", spec, str(tmp_path / "none.yaml"), "--json", file, "--quiet"]),
        ("faults", ["faults", spec, "--up-to", "2", "--json", file]),
        ("review", ["review", spec, "--json", file]),
        ("compare", ["compare", spec, str(SPECS / "two-door-hatch.yaml"), "--json", file]),
    )
    for kind, arguments in calls:
        assert ended(*arguments) in (0, 1, 2)
        schema = results_schema(kind)
        jsonschema.Draft202012Validator.check_schema(schema)
        jsonschema.validate(json.loads(Path(file).read_text()), schema)
        capsys.readouterr()
        assert ended("schema", kind) == 0
        assert json.loads(capsys.readouterr().out) == schema


def data_of(run: Run) -> dict[str, Any]:
    data = json.loads(results_json([run]))
    assert isinstance(data, dict)
    return data


Damage = Callable[[dict[str, Any]], object]

WORSE: tuple[tuple[str, Damage], ...] = (
    ("verdict was holds, is now broken", lambda d: d["requirements"][1].update(verdict="broken", passes=False)),
    ("verdict was reacts, is now undecided", lambda d: d["requirements"][2].update(verdict="undecided", passes=False)),
    ("verdict was holds, is now reacts", lambda d: d["requirements"][1].update(verdict="reacts")),
    ("is broken in 3 happenings", lambda d: d["requirements"][0].update(happenings=3)),
    ("is broken in 4 happenings without any fault, it was", lambda d: d["requirements"][0].update(faults=[])),
    ("for 3 reaction steps", lambda d: d["requirements"][2]["longest_moment"].update(reactions=3)),
    ("without end", lambda d: d["requirements"][2]["longest_moment"].update(reactions=None)),
    ("has to withstand 0 faults", lambda d: d["requirements"][0].update(withstand=0)),
    ("was judged with up to 0 faults", lambda d: d["requirements"][0].update(budget=0)),
    ("claims something else: `never: true`", lambda d: d["requirements"][0].update(claim="never: true")),
    ("claims something else: sealed means", lambda d: d["requirements"][0]["where"].update(sealed="true")),
    ("no longer stands against H1", lambda d: d["requirements"][0].update(hazards=[])),
    ("is no longer required", lambda d: d["requirements"].pop(0)),
    ("scenario no longer works", lambda d: d["scenarios"][0].update(ok=False)),
    ("scenario is no longer there", lambda d: d["scenarios"].clear()),
    ("goes round", lambda d: d["findings"].append({"slug": "chatter", "message": "it goes round for ever"})),
)


@pytest.mark.parametrize(("said", "damage"), WORSE, ids=[said for said, _ in WORSE])
def test_everything_that_gets_worse_is_told(said: str, damage: Damage, hatch: Run) -> None:
    before = data_of(hatch)
    after = copy.deepcopy(before)
    assert changes_between(before, after) == ()
    damage(after)
    (change,) = changes_between(before, after)
    assert change.effect == "worse"
    assert said in change.text
    assert [c.effect for c in changes_between(after, before) if c.effect == "worse"] in ([], ["worse"])


def without_latch(data: dict[str, Any]) -> None:
    data["declared"] = [d for d in data["declared"] if d["name"] != "outer_latch_breaks"]


def test_what_is_undecided_is_never_better(hatch: Run) -> None:
    before = data_of(hatch)
    after = copy.deepcopy(before)
    after["requirements"][0].update(verdict="undecided")
    (change,) = changes_between(before, after)
    assert (change.effect, change.subject) == ("other", "R1")
    assert "is now undecided" in change.text


@pytest.mark.parametrize(
    "damage",
    [
        lambda r: r.update(verdict="reacts", passes=True),
        lambda r: r.update(happenings=9),
        lambda r: r.update(verdict="holds", passes=True),
    ],
)
def test_nothing_is_better_because_a_fault_is_gone(damage: Damage, hatch: Run) -> None:
    before = data_of(hatch)
    after = copy.deepcopy(before)
    damage(after["requirements"][0])
    assert [c.effect for c in changes_between(before, after)] == ["better"]
    without_latch(after)
    gone, lost = changes_between(before, after)
    assert (gone.effect, gone.subject) == ("other", "R1")
    assert "outer_latch_breaks is no longer declared" in gone.text
    assert (lost.effect, lost.text) == ("worse", "is no longer declared")
    for fault in (d for d in before["declared"] if d["name"] == "outer_latch_breaks"):
        other = copy.deepcopy(fault)
        other["values"]["does"] = "holds outer_shut true"
        after["declared"].append(other)
    effects = {c.subject: c.effect for c in changes_between(before, after)}
    assert effects == {"R1": "other", "fault outer_latch_breaks": "worse"}


def test_a_requirement_that_never_meets_the_lost_fault_can_be_better(hatch: Run) -> None:
    before = data_of(hatch)
    after = copy.deepcopy(before)
    without_latch(after)
    after["requirements"][2].update(verdict="holds")  # judged without faults
    assert {c.subject: c.effect for c in changes_between(before, after)}["R3"] == "better"


def test_a_requirement_that_asks_more(hatch: Run) -> None:
    before = data_of(hatch)
    after = copy.deepcopy(before)
    after["requirements"][1].update(prevent=True, hazards=["H1"])
    found = [(c.effect, c.text) for c in changes_between(before, after)]
    assert found == [
        ("better", "no longer accepts a breach for a moment: `prevent: true` is new"),
        ("other", "also stands against H1"),
    ]


def test_undecided_beside_broken_leaves_the_baseline_undecided(hatch: Run) -> None:
    """R1 is broken as before, R2 is not known: that is no pass."""
    judgements = (hatch.judgements[0], replace(hatch.judgements[1], word="undecided"), hatch.judgements[2])
    run = replace(hatch, judgements=judgements)
    assert baseline_exit_code([hatch], []) == 0
    assert baseline_exit_code([run], [("hatch.yaml", Change("other", "R2", "verdict was broken"))]) == 3
    assert baseline_exit_code([run], [("hatch.yaml", Change("worse", "R1", "is broken in 3"))]) == 1
    assert baseline_exit_code([replace(hatch, shortfall="a limit")], []) == 3


def test_a_new_requirement_has_to_pass(hatch: Run) -> None:
    after = data_of(hatch)
    before = copy.deepcopy(after)
    del before["requirements"][0]  # the broken one is new
    (change,) = changes_between(before, after)
    assert (change.effect, change.text) == ("worse", "is new, and is broken")
    before = copy.deepcopy(after)
    del before["requirements"][1]
    (change,) = changes_between(before, after)
    assert change.effect == "other"


def test_the_exit_codes_with_a_baseline(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    baseline = str(tmp_path / "known.json")
    verify_it = ("verify", str(HATCH_FILE), "--quiet", "--second-opinion", "off")
    assert ended(*verify_it, "--json", baseline) == 1
    assert ended(*verify_it, "--baseline", baseline) == 0
    assert "Nothing got worse than in the baseline." in capsys.readouterr().out
    spec = tmp_path / "changed.yaml"
    spec.write_text(HATCH_FILE.read_text().replace("R3: {text", "R3: {prevent: true, text"))
    assert ended("verify", str(spec), "--quiet", "--baseline", baseline) == 1
    out = capsys.readouterr().out
    assert "verdict was reacts, is now broken" in out
    assert "got worse than in the baseline" in out
    assert ended(*verify_it, "--baseline", str(tmp_path / "none.json")) == 2
    assert "there is no file" in capsys.readouterr().err
    for text in ("{", "[1]", '{"format": 1}', '{"format": 9, "spec": {}, "requirements": []}', "[" * 100_000):
        (tmp_path / "bad.json").write_text(text)
        assert ended(*verify_it, "--baseline", str(tmp_path / "bad.json")) == 2
        assert "[bad-baseline]" in capsys.readouterr().err
    (tmp_path / "bad.json").write_text('{"format": 1, "spec": {"file": "x"}, "requirements": [{"id": "R1"}]}')
    assert ended(*verify_it, "--baseline", str(tmp_path / "bad.json")) == 1
    assert "make it anew" in capsys.readouterr().out
