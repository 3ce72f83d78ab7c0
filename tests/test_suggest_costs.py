"""What suggested conditions cost, which simpler ones there are, and what is said first."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import pytest
from test_suggest_random import MOST_STATES, loaded

from safetymodel.claims.judge import find_chatter, judge
from safetymodel.cli import main
from safetymodel.explore.choice import explore
from safetymodel.explore.engine import Space
from safetymodel.insight.review import Review, review
from safetymodel.insight.suggest import simpler
from safetymodel.insight.suggest.search import suggest_for
from safetymodel.insight.suggest.simpler import simpler_conditions
from safetymodel.insight.suggest.suggested import Condition, Suggestion
from safetymodel.model.build import load_text
from safetymodel.model.formula import AllOf, AnyOf, SignalTrue, atoms
from safetymodel.model.system import System
from safetymodel.report.baseline import changes_between
from safetymodel.report.machine import finding_json, judgement_json
from safetymodel.traces.wording import formula_text

HOIST = """
safetymodel: 1
title: Hoist over a hatch
subsystems:
  hatch:
    states: [shut, open]
    events: {lift: {by: miller}, drop: {by: miller}}
    transitions: [{from: shut, to: open, on: lift, if: hoist is still}, {from: open, to: shut, on: drop}]
  pedal:
    states: [up, down]
    events: {press: {by: miller}, release: {by: miller}}
    transitions: [{from: up, to: down, on: press}, {from: down, to: up, on: release}]
  stop:
    states: [out, pushed]
    events: {push: {by: miller}, pull: {by: miller}}
    transitions: [{from: out, to: pushed, on: push}, {from: pushed, to: out, on: pull}]
  relay:
    role: control
    states: [dropped, up]
    transitions: [{from: dropped, to: up, if: not stopped}, {from: up, to: dropped, if: stopped}]
  hoist:
    role: actuator
    states: [still, running]
    transitions:
      - {from: still, to: running, if: pedal_down and relay is up}
      - {from: running, to: still, if: not pedal_down or relay is dropped}
signals:
  hatch_open: {reads: hatch is open}
  pedal_down: {reads: pedal is down}
  stopped: {reads: stop is pushed}
requirements:
  R1: {text: The hoist runs only over a shut hatch, never: hoist is running and hatch is open}
  R2: {text: The hoist can run, possible: hoist is running}
scenarios:
  lifting:
    steps: [pedal.press, check hoist is running, pedal.release]
    ends_with: hoist is still
"""

KILN = """
safetymodel: 1
title: Kiln with two valves in a row
subsystems:
  cock:
    states: [closed, open]
    events: {turn_on: {by: potter}, turn_off: {by: potter}}
    transitions: [{from: closed, to: open, on: turn_on}, {from: open, to: closed, on: turn_off}]
  door:
    states: [shut, ajar]
    events: {pull: {by: potter}, push: {by: potter}}
    transitions: [{from: shut, to: ajar, on: pull}, {from: ajar, to: shut, on: push}]
  burner:
    role: actuator
    states: ["off", fed]
    events: {start: {by: potter}, stop: {by: potter}}
    transitions:
      - {from: "off", to: fed, on: start, if: not door_open}
      - {from: fed, to: "off", on: stop}
      - {from: fed, to: "off", if: door_open}
signals:
  door_open: {reads: door is ajar}
faults:
  stays_shut: {signal: door_open, stuck: false}
requirements:
  K1: {text: No fire with the door open, never: burner is fed and cock is open and door is ajar, withstand: 1}
  K2: {text: The burner starts only by its button, start: burner is fed, only_by: [burner.stop]}
  K3: {text: The burner can be lit, possible: burner is fed and cock is open}
scenarios:
  burning:
    steps: [cock.turn_on, burner.start, check burner is fed]
"""


def reviewed(text: str) -> Review:
    system, problems = load_text(text, "some.yaml")
    assert system is not None, problems
    return review(system, parts=["suggestions"])


def found_for(review: Review, name: str) -> list[Suggestion]:
    return [s for s in review.suggestions or () if s.requirement.name == name]


def results(system: System, spaces: Mapping[int, Space[Any]]) -> dict[str, Any]:
    """What `verify --json` says, as far as a baseline is held against it."""
    judgements = [judge(spaces[r.withstand], r) for r in system.requirements]
    findings = find_chatter(spaces[max(spaces)])
    return {
        "requirements": [judgement_json(system, judgement) for judgement in judgements],
        "findings": [finding_json(system, finding) for finding in findings],
    }


def costs_as_a_baseline_says(seed: int) -> Counter[str]:
    """The costs of every suggestion for one random spec are what `verify --baseline` would call worse."""
    seen: Counter[str] = Counter()
    system = loaded(seed)
    if system is None:
        return seen
    budgets = sorted({0, *(r.withstand for r in system.requirements)})
    spaces = explore(system, budgets).spaces
    if any(space.size(space.reached) > MOST_STATES for space in spaces.values()):
        return seen
    before = {r.name: judge(spaces[r.withstand], r) for r in system.requirements}
    old = results(system, spaces)
    for requirement in system.requirements:
        if before[requirement.name].word != "broken":
            continue
        for found in suggest_for(spaces, requirement, before):
            if found.outcome != "conditions":
                continue
            assert found.changed is not None
            new = results(found.changed, explore(found.changed, budgets).spaces)
            changes = changes_between(old, new)
            worse = {c.subject for c in changes if c.effect == "worse"} - {requirement.name}
            slugs = {"chatter", "never-settles"}
            if worse & slugs:  # what went round before may do so otherwise
                worse = worse - slugs | (set() if old["findings"] else {"chatter"})
            told = {c.requirement.name for c in found.worse} | ({"chatter"} if found.chatters else set())
            assert told == worse, f"{seed} {requirement.name}: {found.sentences}"
            seen["suggestions"] += 1
            seen["simpler"] += found.simpler
            seen["worse, with the same verdict"] += any(c.before == c.after for c in found.worse)
            assert not (found.simpler and found.costs)
    return seen


def test_costs_are_what_a_baseline_calls_worse() -> None:
    seen: Counter[str] = Counter()
    for seed in range(60):
        seen += costs_as_a_baseline_says(seed)
    assert seen["suggestions"] >= 20
    assert seen["worse, with the same verdict"] >= 1


def test_simpler_conditions_come_first() -> None:
    """The least restrictive one lets the hoist start over an open hatch while the stop is pushed, for the relay then
    drops; without that it is shorter, and the requirement is not even broken for a moment."""
    simpler, least = found_for(reviewed(HOIST), "R1")
    assert (simpler.simpler, simpler.least_restrictive) == (True, False)
    assert (least.simpler, least.least_restrictive) == (False, True)
    assert simpler.changed is not None
    texts = [formula_text(simpler.changed, s.conditions[0].formula) for s in (simpler, least)]
    assert texts == ["not hatch_open", "not hatch_open or stopped"]
    assert [formula_text(simpler.changed, b.formula) for b in simpler.beyond] == ["hatch_open and stopped"]
    assert "it also holds back hoist: still -> running while `hatch_open and stopped`" in "\n".join(simpler.sentences)
    assert (simpler.after, least.after) == ("holds", "reacts")
    assert "for at most 2 reaction steps" in "\n".join(least.sentences)
    assert "every scenario goes as before" in simpler.sentences[-1]


def test_no_simpler_conditions_where_they_would_cost_something() -> None:
    """A lamp that a start lights, and a hatch that is open from the first and is shut once for all: the lamp can be lit
    over an open hatch only by a start of a moment, while the stop drops the relay."""
    lamp = "  lamp: {states: [dark, lit], transitions: [{from: dark, to: lit, if: hoist is running}]}\nsignals:"
    text = (
        HOIST.replace("signals:", lamp)
        .replace("[shut, open]", "[open, shut]")
        .replace("steps: [", "steps: [hatch.drop, ")
    )
    text = text.replace("{from: shut, to: open, on: lift, if: hoist is still}, ", "").replace(
        "lift: {by: miller}, ", ""
    )
    assert [s.simpler for s in found_for(reviewed(text), "R1")] == [True, False]
    asked = "  R3: {text: A start shows, possible: lamp is lit and hatch is open}\nscenarios:"
    (least,) = found_for(reviewed(text.replace("scenarios:", asked)), "R1")
    assert least.least_restrictive
    assert not least.costs


def test_what_is_no_pass_says_so_first_and_why() -> None:
    review = reviewed(KILN)
    (cut,), (button,) = found_for(review, "K1"), found_for(review, "K2")
    assert (cut.after, cut.passes, cut.rank) == ("empty", False, 2)
    assert "makes K1 pass" in cut.sentences[0]
    assert "`cock is open` makes no difference in it" in cut.sentences[0]
    assert "no step ever makes it true" in button.sentences[0]


def test_a_scenario_that_fails_is_a_cost_and_said_before_the_conditions() -> None:
    (cut,) = found_for(reviewed(KILN), "K1")
    assert [(f.scenario.name, f.step) for f in cut.failing] == [("burning", "burner.start")]
    said = "It costs: scenario burning fails at `burner.start` (some.yaml:31): burner.start is blocked."
    leave = next(n for n, sentence in enumerate(cut.sentences) if sentence.startswith("Leave out"))
    assert cut.sentences.index(said) < leave
    assert not any("becomes worse" in sentence for sentence in cut.sentences)


def test_no_pass_is_listed_last() -> None:
    """K4 stands behind the others in the spec; one condition makes it pass."""
    more = "  K4: {text: Lit only with the door shut, permissive: door is shut, for: burner is fed}\n"
    text = KILN.replace("if: not door_open}", "}", 1).replace("on: start, }", "on: start, controllable: true}")
    review = reviewed(text.replace("scenarios:", f"{more}scenarios:"))
    assert [s.requirement.name for s in review.suggestions or ()] == ["K4", "K1", "K2"]


def test_the_same_condition_of_several_transitions_is_said_once() -> None:
    review = reviewed(
        HOIST.replace(
            "      - {from: running,",
            "      - {from: halted, to: running, if: pedal_down and relay is up}\n      - {from: running,",
        )
        .replace("to: still, if: not pedal_down or", "to: halted, if: not pedal_down or")
        .replace("[still, running]", "[still, running, halted]")
        .replace("hoist is still}", "hoist is not running}")
        .replace("ends_with: hoist is still", "ends_with: hoist is halted")
    )
    simpler, _ = found_for(review, "R1")
    assert len(simpler.conditions) == 2
    (said,) = (s for s in simpler.sentences if s.startswith("Add "))
    both = "hoist: still -> running (some.yaml:25) and hoist: halted -> running (some.yaml:26)"
    assert said == f"Add `not hatch_open` to the `if` of {both}; it reads signals alone."


def printed(tmp_path: Path, capsys: pytest.CaptureFixture[str], text: str, *options: str) -> list[str]:
    path = tmp_path / "some.yaml"
    path.write_text(text)
    with pytest.raises(SystemExit):
        main(["review", str(path), *options])
    return capsys.readouterr().out.splitlines()


def line(lines: Sequence[str], begins: str) -> str:
    return next(text.strip() for text in lines if text.strip().startswith(begins))


def test_at_a_glance_counts_requirements(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """R1 has two suggestions and is one requirement; an empty one is named too."""
    idle = "  R3: {text: Nothing, never: hoist is running and pedal is up and relay is dropped, withstand: 0}\n"
    text = HOIST.replace("scenarios:", f"{idle}scenarios:")
    lines = printed(tmp_path, capsys, text, "--only", "defects,suggestions")
    assert line(lines, "3 requirements") == "3 requirements: R1 is broken; R3 is empty"
    lines = printed(tmp_path, capsys, KILN, "--only", "defects,suggestions")
    assert line(lines, "3 requirements") == "3 requirements: K1 and K2 are broken"


def test_what_is_undecided_is_never_called_unbroken(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    lines = printed(tmp_path, capsys, HOIST, "--seconds", "0")
    told = "none is known to be broken; R1 and R2 are undecided"
    assert line(lines, "2 requirements") == f"2 requirements: {told}"
    assert line(lines, "none was looked for") == f"none was looked for: of 2 requirements {told}"
    assert line(lines, "defects:") == "defects: none found without faults, but not everything could be looked at"


def test_of_many_conditions_only_a_few_sets_of_simpler_ones_are_compared(monkeypatch: pytest.MonkeyPatch) -> None:
    system, problems = load_text(MANY_SIGNALS, "many.yaml")
    assert system is not None, problems
    space = explore(system, (0,)).spaces[0]
    whole = AnyOf(tuple(SignalTrue(number) for number in range(12)))
    conditions = [Condition(t, AllOf((SignalTrue(t), whole)), "signals", exact=True) for t in range(12)]
    tried = list(simpler_conditions(space, conditions))
    assert 0 < len(tried) <= simpler.MOST_TRIES
    for some in tried:
        assert sum(len(list(atoms(c.formula))) for c in some) < 12 * 13
        assert [c.transition for c in some] == list(range(12))


MANY_SIGNALS = (
    "safetymodel: 1\ntitle: Many\nsubsystems:\n"
    + "".join(
        f"  s{n}: {{states: [a, b], events: {{go{n}: {{}}}}, transitions: [{{from: a, to: b, on: go{n}}}]}}\n"
        for n in range(12)
    )
    + "signals:\n"
    + "".join(f"  r{n}: {{reads: s{n} is a}}\n" for n in range(12))
    + "requirements:\n  R1: {text: never all, never: "
    + " and ".join(f"s{n} is b" for n in range(12))
    + "}\n"
)
