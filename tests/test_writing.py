"""A description that is printed and read again is the same description, places aside."""

from __future__ import annotations

import random
import re
from dataclasses import fields, replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from random_systems import random_spec

from safetymodel.spec.describe import read_text
from safetymodel.spec.description import (
    CommonCauseText,
    ConditionText,
    Description,
    Duration,
    EventText,
    FailureText,
    FaultText,
    HazardText,
    Name,
    Quantity,
    RequirementText,
    ScenarioText,
    SignalText,
    StepText,
    SubsystemText,
    TransitionText,
    Written,
)
from safetymodel.spec.durations import milliseconds, quantity
from safetymodel.spec.expressions import RESERVED, Misread, parse_expression
from safetymodel.spec.reader import Source
from safetymodel.spec.writer import quoted, written_text

SPECS = sorted(Path(__file__).parent.parent.glob("specs/**/*.yaml"))


def read_back(description: Description) -> Description:
    text = written_text(description)
    again, problems = read_text(text.encode(), "again.yaml")
    assert again is not None, text
    assert not problems, "\n".join([text, *(p.as_text() for p in problems)])
    return again


def described(data: bytes) -> Description:
    description, problems = read_text(data, "spec.yaml")
    assert description is not None
    assert not problems, [p.as_text() for p in problems]
    return description


def test_specs_are_found() -> None:
    assert len(SPECS) >= 10


@pytest.mark.parametrize("path", SPECS, ids=lambda path: path.stem)
def test_every_spec_survives(path: Path) -> None:
    description = described(path.read_bytes())
    assert read_back(description) == description


def test_random_specs_survive() -> None:
    rng = random.Random(20)
    for _ in range(30):
        description = described(random_spec(rng).encode())
        assert read_back(description) == description


def test_a_difference_is_seen() -> None:
    one = described(random_spec(random.Random(1)).encode())
    other = described(random_spec(random.Random(2)).encode())
    assert read_back(one) != other


WORDS = (
    "on",
    "off",
    "yes",
    "no",
    "null",
    "Null",
    "true_",
    "y",
    "n",
    "is",
    "of",
    "e1",
    "Door",
    "a_b",
    "x9",
    "in",
    "any",
)
names = st.one_of(st.sampled_from(WORDS), st.from_regex(r"[A-Za-z][A-Za-z0-9_]{0,8}", fullmatch=True)).filter(
    lambda name: name.lower() not in ("true", "false", "not", "and", "or")
)
texts = st.text(st.characters(exclude_categories=("Cs", "Cc", "Zl", "Zp", "Cf")), max_size=25).map(
    lambda text: " ".join(text.split())
)
unquoted_dangers = st.sampled_from(
    (
        "",
        "- a",
        "a: b",
        "# no",
        "{x",
        "[",
        "&a",
        "*a",
        "!tag",
        "| x",
        "> y",
        "'",
        '"',
        "%",
        "@",
        "null",
        "true",
        "1e3",
        "a #b",
    )
)
labels = st.one_of(texts, unquoted_dangers)


@st.composite
def durations(draw: st.DrawFn) -> Duration:
    number = draw(st.sampled_from(("0", "1", "2.5", "300", "0.001", "12.50")))
    text = number + draw(st.sampled_from(("", " "))) + draw(st.sampled_from(("ms", "s", "min")))
    value = milliseconds(text)
    assert value is not None
    return Duration(value, text)


@st.composite
def expressions(draw: st.DrawFn) -> Written:
    blank = st.sampled_from((" ", "  ", "\n", " \n  "))
    text = ""
    for count in range(draw(st.integers(1, 3))):
        if count:
            text += draw(blank) + draw(st.sampled_from(("and", "or", "and not", "or not"))) + draw(blank)
        name, states = (
            draw(names.filter(lambda name: name not in RESERVED)),
            draw(st.lists(names, min_size=1, max_size=3)),
        )
        listed = "|".join(states)
        text += draw(
            st.sampled_from(
                (
                    f"sig_{name}",
                    f"fault {name}",
                    f"sub.{name} is {listed}",
                    f"sub_{name} is not {listed}",
                    f"(every fam is {listed})",
                    f"at least 2 of fam are {listed}",
                    "true",
                )
            )
        )
    return written(text)


def written(text: str) -> Written:
    tree = parse_expression(text)
    assert not isinstance(tree, Misread), (text, tree)
    return Written(text, tree)


def some(strategy: st.SearchStrategy[Any]) -> st.SearchStrategy[Any]:
    return st.one_of(st.none(), strategy)


def named(strategy: Any, most: int = 3, least: int = 0) -> st.SearchStrategy[tuple[Any, ...]]:
    return st.lists(strategy, min_size=least, max_size=most, unique_by=lambda item: item.name.text).map(tuple)


one_name = names.map(Name)
several = st.lists(one_name, min_size=1, max_size=3).map(tuple)


@st.composite
def transitions(draw: st.DrawFn) -> TransitionText:
    after = draw(some(st.tuples(durations(), durations())))
    if after is not None:
        after = tuple(sorted(after, key=lambda d: d.ms))
    return TransitionText(
        sources=draw(several),
        target=draw(one_name),
        on=None if after is not None else draw(some(one_name)),
        interlock=draw(some(expressions())),
        physical=draw(some(expressions())),
        after=after,
        text=draw(labels),
    )


def quantities(unit: str, most: float = 1e6) -> st.SearchStrategy[Quantity]:
    numbers = st.floats(min_value=1e-3, max_value=most, exclude_max=True).map(lambda value: f"{value!r} {unit}")
    return numbers.map(lambda text: Quantity(quantity(text) or 0.0, text))


@st.composite
def failures(draw: st.DrawFn) -> tuple[float | None, FailureText]:
    kind = draw(st.sampled_from(("none", "probability", "rate", "b10d")))
    if kind == "none":
        return None, FailureText()
    if kind == "probability":
        return None, FailureText(probability=draw(quantities("/ demand", 1)))
    rate = draw(st.floats(min_value=0, max_value=1e6)) if kind == "rate" else None
    worn = kind == "b10d"
    diagnosed = draw(st.booleans())
    return rate, FailureText(
        b10d=draw(quantities("cycles")) if worn else None,
        cycles=draw(quantities(draw(st.sampled_from(("/ h", "/ day", "/year"))))) if worn else None,
        proof_test=draw(some(quantities(draw(st.sampled_from(("h", "days", "year")))))),
        coverage=draw(quantities("%", 100)) if diagnosed else None,
        diagnostic_test=draw(quantities("h")) if diagnosed else None,
    )


@st.composite
def faults(draw: st.DrawFn) -> FaultText:
    name, text = draw(one_name), draw(labels)
    rate, failure = draw(failures())
    kind = draw(st.sampled_from(("signal", "stuck", "jump")))
    if kind == "signal":
        found = FaultText(name, text, signal=draw(one_name), value=draw(st.booleans()))
    elif kind == "stuck":
        found = FaultText(name, text, subsystem=draw(one_name), stuck=draw(one_name))
    else:
        found = FaultText(name, text, subsystem=draw(one_name), jump=(draw(one_name), draw(one_name)))
    return replace(found, rate=rate, failure=failure, revealed_by=draw(some(expressions())))


@st.composite
def requirements(draw: st.DrawFn) -> RequirementText:
    form = draw(st.sampled_from(("never", "always", "possible", "always_possible", "permissive", "start", "cause")))
    begins = draw(some(expressions())) if form in ("never", "always") else None
    return RequirementText(
        name=draw(one_name),
        form=form,
        subject=draw(expressions()),
        text=draw(labels),
        allowed=draw(expressions()) if form == "permissive" else None,
        effect=draw(expressions()) if form == "cause" else None,
        within=draw(some(durations())) if form == "cause" else None,
        only_by=draw(several) if form == "start" else (),
        begins=begins,
        ends=draw(some(expressions())) if begins is not None else None,
        withstand=draw(st.integers(0, 64)),
        prevent=draw(st.booleans()) if form in ("never", "always", "cause") else False,
        may_be_empty=draw(st.booleans()),
        hazards=draw(st.one_of(st.just(()), several)),
        source=draw(labels),
    )


@st.composite
def steps(draw: st.DrawFn) -> StepText:
    kind = draw(st.sampled_from(("event", "blocked", "fault", "wait", "check")))
    if kind == "check":
        check = draw(expressions())
        return StepText("check", f"check {check.text}", check=check)
    if kind == "wait":
        wait = draw(durations())
        return StepText("wait", f"wait {wait.text}", wait=wait)
    name = draw(names)
    if kind == "fault":
        return StepText("fault", f"fault {name}", Name(name))
    event = f"sub.{name}"
    return StepText(kind, event if kind == "event" else f"blocked {event}", Name(event))


subsystems = st.builds(
    SubsystemText,
    name=one_name,
    states=several,
    text=labels,
    role=some(st.sampled_from(("sensor", "actuator", "barrier", "control", "person", "supply"))),
    initial=some(one_name),
    instances=st.one_of(st.just(()), several),
    events=named(st.builds(EventText, one_name, labels, labels, st.booleans())),
    transitions=st.lists(transitions(), max_size=3).map(tuple),
)
descriptions = st.builds(
    Description,
    title=labels.map(lambda text: text or "untitled"),
    text=labels,
    tick=some(durations().filter(lambda d: d.ms > Fraction(0))),
    subsystems=named(subsystems, least=1),
    signals=named(st.builds(SignalText, one_name, expressions(), labels, st.one_of(st.just(()), several))),
    conditions=named(st.builds(ConditionText, one_name, expressions())),
    faults=named(faults()),
    common_causes=named(
        st.builds(
            CommonCauseText,
            name=one_name,
            faults=st.lists(one_name, min_size=2, max_size=3).map(tuple),
            beta=quantities("%", 100),
            text=labels,
        )
    ),
    mission_time=some(quantities("years")),
    hazards=named(st.builds(HazardText, one_name, labels, labels)),
    requirements=named(requirements(), most=4),
    scenarios=named(
        st.builds(ScenarioText, one_name, st.lists(steps(), max_size=4).map(tuple), labels, some(expressions()))
    ),
    source=st.just(Source("none", "")),
)


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])
@given(descriptions)
def test_any_description_survives(description: Description) -> None:
    text = written_text(description)
    again = read_back(description)
    same = again == description  # compared outside the assertion: a diff of two such trees takes minutes
    assert same, text
    assert written_text(again) == text


@given(st.text(st.characters(exclude_categories=("Cs",)), max_size=40))
def test_any_text_can_be_quoted(text: str) -> None:
    from ruamel.yaml import YAML

    assert YAML(typ="safe", pure=True).load(f"key: {{in: {quoted(text)}, out: 1}}") == {"key": {"in": text, "out": 1}}


EVERY_KEY = """
safetymodel: 1
title: "true"
text: about it
tick: 50 ms
subsystems:
  fam:
    {text: a family, role: sensor, instances: [i, j], states: [a, b, "null"], initial: b, events: {
      e: {by: her, text: does it, joint: true, controllable: true}, f: {}}, transitions: [
      {from: [a, b], to: a, on: e, if: s, physically: fam.i is a, text: goes},
      {from: a, to: b, after: 100 ms..1 s}, {from: a, to: b, after: 0 s}], response: 40 ms}
signals:
  {s: {reads: c, text: switch, response: 2.5 ms}, t: {reads: true, indicates: any}, u: {reads: c, indicates: [f1, f2]}}
conditions:
  {c: "not  d", d2: {means: c or t, indicates: any, text: told}, d3: {means: c, indicates: [f1, f2]}}
functions: {go: {active: c or d, text: goes}, stay: {active: c}}
faults:
  f1: {signal: s, stuck: true, rate: 2.0e-7 / h, text: bridged}
  f2: {signal: s, stuck: false, revealed_by: t}
  f3: {subsystem: fam.i, stuck: any}
  f4: {subsystem: fam.i, jump: {from: a, to: b}, rate: 0 / h}
  f5: {signal: s, stuck: true, b10d: 2.0e7 cycles, cycles: 12 / day, proof_test: 1 year}
  f6: {signal: s, stuck: true, rate: 1 / h, coverage: 90 %, diagnostic_test: 24 h}
  f7: {signal: s, stuck: true, probability: 1.0e-4 / demand}
common_causes: {g: {faults: [f1, f2], beta: 2 %, text: heat}}
mission_time: 20 years
hazards: {H1: {text: harm, severity: high}, H2: }
requirements:
  R1: {text: t, never: x, from: y, until: z, withstand: 2, prevent: true, may_be_empty: true, hazard: H1, source: s}
  R2:
    {always: x, from: true, hazard: [H1, H2], source: [one, two], approach: {
      distance: 1.5 m, speed: 2000 mm / s, depth: 85 cm, stopping: 300 ms, text: a curtain}}
  R3: {possible: x}
  R4: {always_possible: x}
  R5: {permissive: x, for: y}
  R6: {start: x, only_by: fam.i.e}
  R7: {cause: x, effect: y, within: reaction}
  R8: {cause: x, effect: y, within: 1.5 s, approach: {distance: 900 mm, height: 100 mm}}
scenarios:
  one: {text: t, ends_with: x, steps: [fam.i.e, blocked fam.j.e, wait 1 s, fault f1, check x or y]}
  two: {steps: []}
"""


def test_every_key_survives() -> None:
    description = described(EVERY_KEY.encode())
    again = read_back(description)
    for name in (field.name for field in fields(description) if field.compare):
        assert getattr(again, name) == getattr(description, name), name
    printed = written_text(description)
    for key in set(re.findall(r"\b([a-z_]+):", EVERY_KEY)):
        assert f"{key}: " in printed or f"{key}:\n" in printed, key


def test_a_check_keeps_its_spaces() -> None:
    lines = ("- check   a is b", "- {check: 'a  is b'}", "- check a is b", "- wait  1 s", "-   blocked a.e")
    spec = "safetymodel: 1\ntitle: t\nsubsystems: {a: {states: [b]}}\nscenarios:\n  s:\n    steps:\n"
    description = described((spec + "".join(f"      {line}\n" for line in lines)).encode())
    assert len(description.scenarios[0].steps) == len(lines)
    assert read_back(description) == description


def test_plain_words_stay_plain() -> None:
    for text in ("door is closed|open", "300 ms", "100 ms..300 ms", "2e-07 / h", "presses the stop", "not (a or b)"):
        assert quoted(text) == text
    for text in ("true", "Null", "12", "a, b", "a: b", "a #b", " a", "a ", "", "- a", "é\u2028"):
        assert quoted(text).startswith('"')
