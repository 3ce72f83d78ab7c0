"""The JSON Schema for editors and the reader's own check come from one table; here they are held against each other."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator
from test_mutated_texts import COUNT, mutated

from safetymodel.model.build import load_text
from safetymodel.spec.reader import Node, Source, decode, parse
from safetymodel.spec.schema import FORMS, json_schema
from safetymodel.spec.starter import starter_text

SPECS = sorted((Path(__file__).resolve().parent.parent / "specs").rglob("*.yaml"))
SHAPE = {
    "missing-key",
    "wrong-type",
    "empty",
    "not-one-of",
    "out-of-range",
    "unknown-format",
    "unknown-key",
    "one-form",
}
"""Problems of shape: wherever the reader gives one, the JSON Schema refuses the file too."""

VALIDATOR = Draft202012Validator(json_schema())


def data_of(text: str) -> Any:
    """The data of a spec; None where it is not YAML."""
    source = decode(text.encode(), "x.yaml")
    assert isinstance(source, Source)
    root, problems = parse(source)
    if not isinstance(root, Node) or any(p.severity == "error" for p in problems):
        return None
    return root.data()


def spec_with(**sections: str) -> str:
    body = "".join(f"{name}: {value}\n" for name, value in sections.items())
    return f"safetymodel: 1\ntitle: T\nsubsystems: {{door: {{states: [shut, open], events: {{pull: }}}}}}\n{body}"


def test_it_is_a_schema_of_the_draft() -> None:
    Draft202012Validator.check_schema(json_schema())
    assert json_schema()["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    assert len(json_schema()["properties"]) == 11


def test_every_key_is_described() -> None:
    schema = json_schema()
    for part in (schema, *schema["$defs"].values()):
        for name, key in part["properties"].items():
            assert key.get("description"), name


@pytest.mark.parametrize("path", SPECS, ids=lambda p: p.stem)
def test_every_spec_is_accepted(path: Path) -> None:
    data = data_of(path.read_text(encoding="utf-8"))
    assert data is not None
    assert not [e.message for e in VALIDATOR.iter_errors(data)]


def test_the_starter_is_accepted() -> None:
    assert VALIDATOR.is_valid(data_of(starter_text("Kiln")))
    assert VALIDATOR.is_valid(data_of(spec_with()))


@pytest.mark.parametrize(
    "text",
    [
        "title: T\nsubsystems: {door: {states: [a]}}\n",
        "safetymodel: 2\ntitle: T\nsubsystems: {door: {states: [a]}}\n",
        "safetymodel: 1\ntitle: T\nsubsystems: {}\n",
        "safetymodel: 1\ntitle: T\nsubsystems: {door: {states: []}}\n",
        "safetymodel: 1\ntitle: T\nsubsystems: {door: {states: shut}}\n",
        "safetymodel: 1\ntitle: T\nsubsystems: {door-a: {states: [a]}}\n",
        spec_with(tick="300"),
        spec_with(tick="3 seconds"),
        spec_with(colour="red"),
        spec_with(requirements="{R1: {}}"),
        spec_with(requirements="{R1: {never: a, always: b}}"),
        spec_with(requirements="{R1: {never: }}"),
        spec_with(requirements="{R1: {cause: a, effect: b}}"),
        spec_with(requirements="{R1: {permissive: a}}"),
        spec_with(requirements="{R1: {start: a}}"),
        spec_with(requirements="{R1: {never: a, withstand: -1}}"),
        spec_with(requirements="{R1: {never: a, withstand: two}}"),
        spec_with(requirements="{R1: {never: a, prevent: yes}}"),
        spec_with(faults="{f: {signal: s}}"),
        spec_with(faults="{f: {subsystem: door, stuck: shut, jump: {from: shut, to: open}}}"),
        spec_with(faults="{f: {subsystem: door, stuck: shut, rate: 3}}"),
        spec_with(signals="{s: door is shut}"),
        spec_with(scenarios="{S: {steps: [{chek: a}]}}"),
        spec_with(conditions="[a]"),
    ],
)
def test_typical_mistakes_are_refused_by_both(text: str) -> None:
    assert not VALIDATOR.is_valid(data_of(text))
    system, _ = load_text(text, "x.yaml")
    assert system is None


def test_both_checks_agree_on_damaged_specs() -> None:
    compared = refused = 0
    for seed in range(0, COUNT, 3):
        text = mutated(seed)
        data = data_of(text)
        if data is None:
            continue
        compared += 1
        valid = VALIDATOR.is_valid(data)
        system, problems = load_text(text, "x.yaml")
        found = {p.slug for p in problems if p.severity == "error"}
        if found & SHAPE:
            assert not valid, (seed, found)
        if not valid:
            refused += 1
            assert system is None, (seed, [e.message for e in VALIDATOR.iter_errors(data)])
    assert compared >= 100
    assert refused >= 15


def test_forms_are_those_of_the_table() -> None:
    properties = json_schema()["$defs"]["Requirement"]["properties"]
    assert [{"required": [form]} for form in FORMS] == json_schema()["$defs"]["Requirement"]["oneOf"]
    assert set(FORMS) <= set(properties)
