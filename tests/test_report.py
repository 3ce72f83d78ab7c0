"""The page of evidence as text: complete without scripts, self-contained, and nothing of a spec is markup in it."""

from __future__ import annotations

import json
import re
from html.parser import HTMLParser
from pathlib import Path

import pytest
from random_revisions import pair

from safetymodel.cli import main
from safetymodel.evidence import Wanted, report, scenario_trace
from safetymodel.model.build import load, load_text
from safetymodel.model.state import State
from safetymodel.model.step import happenings, is_settled, reactions, ticked
from safetymodel.model.system import System
from safetymodel.pipeline import Run
from safetymodel.report.evidence_page import hash_of, safe_json
from safetymodel.report.model_player import part_json, work_out
from safetymodel.report.page_runs import run_rows
from safetymodel.traces.scenarios import run_scenario
from safetymodel.traces.wording import event_text

SPECS = Path(__file__).resolve().parent.parent / "specs"
HATCH = SPECS / "two-door-hatch.yaml"
NASTY = "</script><script>alert(1)</script><img src=x onerror=alert(2)>\\\"'&lt;{{7*7}}{% raw %}]]>-->"
HOSTILE = f"""\
safetymodel: 1
title: '{NASTY.replace("'", "''")}'
text: '{NASTY.replace("'", "''")}'
subsystems:
  door:
    text: '{NASTY.replace("'", "''")}'
    states: [shut, open]
    events:
      pull: {{by: '{NASTY.replace("'", "''")}', text: '{NASTY.replace("'", "''")}'}}
      push: {{by: '{NASTY.replace("'", "''")}', text: '{NASTY.replace("'", "''")}'}}
    transitions:
      - {{from: shut, to: open, on: pull}}
      - {{from: open, to: shut, on: push, if: closing}}
signals:
  closing: {{reads: door is open, text: '{NASTY.replace("'", "''")}'}}
faults:
  lost: {{signal: closing, stuck: false, text: '{NASTY.replace("'", "''")}'}}
hazards:
  H1: {{text: '{NASTY.replace("'", "''")}', severity: '{NASTY.replace("'", "''")}'}}
requirements:
  R1: {{text: '{NASTY.replace("'", "''")}', never: door is open, hazard: H1, source: '{NASTY.replace("'", "''")}'}}
  R2: {{text: stays shut, never: door is open, from: door is open}}
scenarios:
  s: {{text: '{NASTY.replace("'", "''")}', steps: [door.pull, door.push], ends_with: door is shut}}
  wrong: {{steps: [door.push]}}
"""


class Tags(HTMLParser):
    """Every tag and attribute, and the text outside of scripts and styles."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.text: list[str] = []
        self.inside: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag in ("script", "style"):
            self.inside.append(tag)

    def handle_endtag(self, tag: str) -> None:
        if self.inside and self.inside[-1] == tag:
            self.inside.pop()

    def handle_data(self, data: str) -> None:
        if not self.inside:
            self.text.append(data)


def parsed(page: str) -> Tags:
    tags = Tags()
    tags.feed(page)
    return tags


def page_of(path: Path, **options: object) -> str:
    found = report(str(path), Wanted(**options), second_opinion="off")  # type: ignore[arg-type]
    assert isinstance(found, tuple)
    return found[0]


@pytest.fixture(scope="module")
def hatch() -> str:
    return page_of(HATCH)


def test_it_begins_with_what_was_shown_for_which_file_under_which_limits(hatch: str) -> None:
    system, _ = load(str(HATCH))
    assert system is not None
    text = " ".join(" ".join(parsed(hatch).text).split())
    order = [
        "Evidence: Two-door specimen hatch", "3 requirements: 1 holds, 1 reacts, 1 is broken.", system.sha256,
        "safetymodel 0.1.0", "1,803 settled of 7,816 states without faults", "A model is not the vehicle",
        "Limits and assumptions", "3 component faults are declared", "Requirements", "From hazard to check",
        "How requirements are broken", "Who does what, in which order", "nurse", "asks for the inner door",
        "Why it could happen", "Component faults", "R1: minimal fault sets", "The logic read back",
        "Causes and effects", "Signatures",
    ]  # fmt: skip
    place = 0
    for words in order:
        found = text.find(words, place)
        assert found >= 0, words
        place = found
    assert "safe." not in text.lower().replace("unsafe.", "")


def test_it_is_one_file_and_allows_its_own_script_alone(hatch: str) -> None:
    tags = parsed(hatch).tags
    assert not [
        attrs for _, attrs in tags if any(key in attrs for key in ("src", "srcset", "data", "action", "background"))
    ]
    links = [attrs["href"] or "" for _, attrs in tags if "href" in attrs]
    assert links
    assert all(link.startswith("#") for link in links)
    ids = [attrs["id"] for _, attrs in tags if "id" in attrs]
    assert len(ids) == len(set(ids))
    assert {link[1:] for link in links} <= set(ids)
    assert not [key for _, attrs in tags for key in attrs if key.startswith("on")]
    policy = next(attrs["content"] for tag, attrs in tags if tag == "meta" and "http-equiv" in attrs)
    scripts = re.findall(r"<script>(.*?)</script>", hatch, re.DOTALL)
    assert len(scripts) == 1
    assert policy == (
        f"default-src 'none'; style-src 'unsafe-inline'; script-src '{hash_of(scripts[0])}'; "
        "base-uri 'none'; form-action 'none'"
    )
    assert not re.search(r"https?://(?!www\.w3\.org/2000/svg)", hatch)


def test_text_of_a_hostile_spec_is_text(tmp_path: Path) -> None:
    path = tmp_path / "hostile.yaml"
    path.write_text(HOSTILE)
    page = page_of(path)
    tags = parsed(page)
    assert [tag for tag, _ in tags.tags].count("script") == 2  # the data and our own
    assert not [tag for tag, _ in tags.tags if tag == "img"]
    assert not [key for _, attrs in tags.tags for key in attrs if key.startswith("on")]
    text = "".join(tags.text)
    assert text.count("<script>alert(1)</script>") >= 10
    assert "{{7*7}}" in text
    data = re.search(r'<script type="application/json" id="data">(.*?)</script>', page, re.DOTALL)
    assert data is not None
    assert "<" not in data[1]
    assert NASTY in json.loads(data[1])["subsystems"][0][1]
    assert "no requirement stands" not in text
    assert "fails" in text  # the scenario that does not work is told


def test_json_ends_no_element() -> None:
    text = safe_json({"a": "</script><!--&\u2028"})
    assert not re.search(r"[<>&\u2028]", text)
    assert json.loads(text) == {"a": "</script><!--&\\u2028"}, "what cannot be seen is shown"


def test_parts_can_be_left_out_and_that_is_said(tmp_path: Path) -> None:
    page = page_of(HATCH, without=("faults", "review", "sheets", "diagrams", "player"))
    text = " ".join(parsed(page).text)
    for part in ("faults", "review", "sheets", "diagrams", "player"):
        assert f"{part}: not asked for" in text
    assert page.count("<svg") < page_of(HATCH).count("<svg"), "what is left out is not drawn either"


def test_a_spec_without_requirements_faults_or_hazards(tmp_path: Path) -> None:
    path = tmp_path / "bare.yaml"
    path.write_text("safetymodel: 1\ntitle: Bare\nsubsystems: {lamp: {states: [dark]}}\n")
    text = " ".join(parsed(page_of(path)).text)
    for words in ("The spec makes no requirements", "The spec names no hazards", "The spec has no scenarios"):
        assert words in text


def test_a_hazard_that_nothing_stands_against_is_told(tmp_path: Path) -> None:
    path = tmp_path / "open.yaml"
    path.write_text(HATCH.read_text().replace("hazard: H1, ", ""))
    text = " ".join(parsed(page_of(path, without=("faults", "review", "sheets", "diagrams", "player"))).text)
    assert "no requirement stands against this hazard" in text
    assert "Requirements that name no hazard: R1, R2, R3" in " ".join(text.split())


def test_each_requirement_leads_to_the_steps_that_test_it(hatch: str) -> None:
    section = hatch[hatch.index('id="hazards"') : hatch.index('id="breaches"')]
    steps = re.findall(r'data-label="sheet">([^<]*)</td>', section)
    assert len(steps) == 1
    assert re.fullmatch(r"\d+[a-z]?\.\d+(\.\d+)?(, \d+[a-z]?\.\d+(\.\d+)?)*( and \d+ more)?", steps[0]), steps


def ended(*arguments: str) -> int:
    with pytest.raises(SystemExit) as end:
        main(["report", *arguments])
    return int(end.value.code or 0)


def test_the_command(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    monkeypatch.chdir(tmp_path)
    small = ("--without", "faults,review,sheets,diagrams,player")
    assert ended(str(HATCH), *small) == 1
    assert capsys.readouterr().out.startswith("wrote two-door-hatch-evidence.html (0.")
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1000000000")
    assert ended(str(SPECS / "platform-lift.yaml"), "-o", "a.html", *small) in (0, 1)
    page = (tmp_path / "a.html").read_text()
    assert "2001-09-09" in page
    assert ended(str(HATCH), "--player", "pannel") == 2
    assert "did you mean panel?" in capsys.readouterr().err
    assert ended(str(HATCH), "--without", "fault") == 2
    assert ended("none.yaml") == 2
    assert ended(str(HATCH), "-o", "none/a.html", *small) == 2
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.html", "two-door-hatch-evidence.html"]


# -- the model to be tried ---------------------------------------------------------------------------


def test_the_model_to_be_tried_is_the_model() -> None:
    """Every way in it is a happening of the reference step function with the reactions to it, and none is missing."""
    looked = waits = refused = 0
    for seed in range(40):
        system, _ = load_text(pair(seed, 1)[1], "random.yaml")
        budget = 0 if system is None else min(1, len(system.faults))
        part = None if system is None else work_out(system, (), budget, most=60)
        if system is None or part is None:
            continue
        for number, row in enumerate(part.ways):
            state = part.states[number]
            assert is_settled(system, state)
            steps = list(happenings(system, state, budget))
            blocked = dict(part.blocked[number])
            endless = {text for text, reasons in blocked.items() if "for ever" in reasons[0]}
            if any(kind != "event" and text in endless for kind, text, _ in row) or endless - words(system):
                continue  # faults and time that never settle are told too, and are no matter of this test
            real = {
                s
                for step in steps
                if step.kind != "tick"
                and not (step.kind == "event" and event_text(system.events[step.number]) in endless)
                for s in settled(system, step.after)
            }
            passed = waited(system, state, budget)
            waits += bool(passed)
            assert {part.states[n] for _, _, targets in row for n in targets} == real | passed
            able = {step.number for step in steps if step.kind == "event"}
            assert blocked.keys() - endless == {event_text(e) for e in system.events if e.number not in able}
            assert all(reasons for _, reasons in part.blocked[number])
            looked += 1
            refused += len(blocked)
        data = part_json(part)
        assert [list(s.states) for s in part.states] == data["states"]
    assert looked > 200
    assert refused > 100
    assert waits > 50


def words(system: System) -> set[str]:
    return {event_text(event) for event in system.events}


def waited(system: System, state: State, budget: int) -> set[State]:
    """Where time alone leads, at the first moment at which something happens of itself or could."""

    def open_windows(there: State) -> set[int]:
        return {s.number for s in happenings(system, there, budget) if s.kind == "time"}

    windows = open_windows(state)
    while system.tick is not None and ticked(system, state) != state:
        state = ticked(system, state)
        if not is_settled(system, state) or open_windows(state) != windows:
            return settled(system, state)
    return set()


def settled(system: System, state: State) -> set[State]:
    seen, todo, ends = {state}, [state], set[State]()
    while todo:
        here = todo.pop()
        onward = [step.after for step in reactions(system, here)]
        if not onward:
            ends.add(here)
        for after in onward:
            if after not in seen:
                seen.add(after)
                todo.append(after)
    return ends


def test_time_passes_until_something_happens() -> None:
    system, _ = load(str(HATCH))
    assert system is not None
    part = work_out(system)
    assert part is not None
    assert part.whole
    passed = {text for row in part.ways for kind, text, _ in row if kind == "time"}
    assert passed == {"30 s pass, until something happens of itself"}


def test_a_scenario_that_works_has_a_run() -> None:
    for name in ("two-door-hatch.yaml", "whimbrel.yaml"):
        system, _ = load(str(SPECS / name))
        assert system is not None
        for scenario in system.scenarios:
            assert run_scenario(system, scenario).ok
            trace = scenario_trace(system, scenario)
            assert trace is not None
            rows = run_rows(system, trace)
            said = [row for row in rows if row.kind == "event"]
            assert len(said) == sum(step.kind == "event" for step in scenario.steps)


def test_the_run_that_a_verification_told_is_in_the_page(hatch: str) -> None:
    found = report(
        str(HATCH), Wanted(without=("faults", "review", "sheets", "diagrams", "player")), second_opinion="off"
    )
    assert isinstance(found, tuple)
    run = found[1]
    assert isinstance(run, Run)
    trace = run.judgements[0].trace
    assert trace is not None
    rows = run_rows(run.system, trace)
    assert sum(1 for row in rows if row.number) == trace.happenings
    section = hatch[hatch.index('id="breach-R1"') : hatch.index('id="scenarios"')]
    for row in rows:
        assert row.what.split(" (")[0].split(" [")[0] in section


def test_a_page_under_limits_says_what_was_not_judged(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.chdir(tmp_path)
    small = ("--without", "faults,review,sheets,diagrams,player")
    assert ended(str(HATCH), "-o", "cut.html", "--seconds", "0", *small) == 3
    text = " ".join("".join(parsed(Path("cut.html").read_text(encoding="utf-8")).text).split())
    assert "Of 3 requirements 3 could not be judged within the limits." in text
    assert "No requirement was found broken; R1, R2 and R3 could not be judged." in text
    assert "was judged over all states" not in text
    assert ended(str(HATCH), "-o", "whole.html", *small) == 1
    text = " ".join("".join(parsed(Path("whole.html").read_text(encoding="utf-8")).text).split())
    assert "Each requirement was judged over all states that the model can reach" in text
    assert "could not be judged" not in text
