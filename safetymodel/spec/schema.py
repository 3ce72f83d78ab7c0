"""The shape of format 1, as types: what the JSON Schema for editors is made of, and what a file is held against."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, StrictBool, StrictInt, StrictStr, ValidationError

FORMAT = 1

NAME = r"^[A-Za-z][A-Za-z0-9_]*$"
DOTTED = r"^[A-Za-z][A-Za-z0-9_]*(\.[A-Za-z][A-Za-z0-9_]*){0,2}$"
DURATION = r"^\s*[0-9]+(\.[0-9]+)?\s*(ms|s|min)\s*$"
SPAN_OF_TIME = r"^\s*[0-9]+(\.[0-9]+)?\s*(ms|s|min)\s*(\.\.\s*[0-9]+(\.[0-9]+)?\s*(ms|s|min)\s*)?$"
DEADLINE = rf"({DURATION}|^reaction$)"
RATE = r"^\s*[0-9]+(\.[0-9]+)?([eE][-+]?[0-9]+)?\s*/\s*h\s*$"

Name = Annotated[StrictStr, Field(pattern=NAME, description="a letter, then letters, digits, `_`")]
Dotted = Annotated[StrictStr, Field(pattern=DOTTED, description="a name, or FAMILY.INSTANCE, or SUBSYSTEM.EVENT")]
Words = Annotated[StrictStr | StrictInt | StrictBool, Field(description="text for people")]
Condition = Annotated[StrictStr | StrictBool, Field(description="an expression, for example `door is closed`")]
Duration = Annotated[StrictStr, Field(pattern=DURATION, description="a number and `ms`, `s` or `min`")]
Deadline = Annotated[StrictStr, Field(pattern=DEADLINE, description="a duration, or `reaction`")]
Count = Annotated[StrictInt, Field(ge=0, le=64, description="a number of faults")]


class Shape(BaseModel):
    model_config = ConfigDict(extra="forbid")


class Event(Shape):
    """Something that happens from outside the logic."""

    by: Words | None = None
    text: Words | None = None
    joint: StrictBool = False


class Transition(Shape):
    """One way from one state to another."""

    model_config = ConfigDict(extra="forbid", populate_by_name=True)
    source: Name | Annotated[list[Name], Field(min_length=1)] = Field(alias="from")
    to: Name
    on: Dotted | None = None
    if_: Condition | None = Field(None, alias="if", description="the interlock condition")
    physically: Condition | None = None
    after: Annotated[StrictStr, Field(pattern=SPAN_OF_TIME, description="`300 ms` or `100 ms..300 ms`")] | None = None
    text: Words | None = None


class Subsystem(Shape):
    """One state machine, or with `instances` a family of alike ones."""

    states: Annotated[list[Name], Field(min_length=1)]
    text: Words | None = None
    role: Literal["sensor", "actuator", "barrier", "control", "person", "supply"] | None = None
    initial: Name | None = None
    instances: Annotated[list[Name], Field(min_length=1)] | None = None
    events: dict[Name, Event | None] | None = None
    transitions: list[Transition] | None = None


class Signal(Shape):
    """A true/false reading that the logic sees."""

    reads: Condition
    text: Words | None = None


class Jump(Shape):
    """A move that a failed component makes of itself."""

    model_config = ConfigDict(extra="forbid", populate_by_name=True)
    source: Name = Field(alias="from")
    to: Name


class Fault(Shape):
    """A component failure."""

    signal: Name | None = None
    subsystem: Dotted | None = None
    stuck: StrictBool | Name | None = None
    jump: Jump | None = None
    rate: Annotated[StrictStr, Field(pattern=RATE, description="a number `/ h`")] | None = None
    text: Words | None = None


class Hazard(Shape):
    """What can happen to people or things."""

    text: Words | None = None
    severity: Words | None = None


class Requirement(Shape):
    """One claim, in exactly one form."""

    model_config = ConfigDict(extra="forbid", populate_by_name=True)
    text: Words | None = None
    never: Condition | None = None
    always: Condition | None = None
    possible: Condition | None = None
    always_possible: Condition | None = None
    permissive: Condition | None = None
    for_: Condition | None = Field(None, alias="for")
    start: Condition | None = None
    only_by: Dotted | Annotated[list[Dotted], Field(min_length=1)] | None = None
    cause: Condition | None = None
    effect: Condition | None = None
    within: Deadline | None = None
    from_: Condition | None = Field(None, alias="from")
    until: Condition | None = None
    withstand: Count = 0
    prevent: StrictBool = False
    may_be_empty: StrictBool = False
    hazard: Name | Annotated[list[Name], Field(min_length=1)] | None = None
    source: Words | list[Words] | None = None


class Check(Shape):
    """A step that is written as a map, because its expression needs quotes."""

    check: Condition


class Scenario(Shape):
    """A run that must work."""

    steps: list[StrictStr | Check]
    text: Words | None = None
    ends_with: Condition | None = None


class Document(Shape):
    """A spec file of format 1."""

    model_config = ConfigDict(extra="forbid", title="safetymodel spec, format 1")
    safetymodel: Annotated[StrictInt, Field(ge=FORMAT, le=FORMAT, description="the number of the format: 1")]
    title: Words
    subsystems: Annotated[dict[Name, Subsystem], Field(min_length=1)]
    text: Words | None = None
    tick: Duration | None = None
    signals: dict[Name, Signal] | None = None
    conditions: dict[Name, Condition] | None = None
    faults: dict[Name, Fault] | None = None
    hazards: dict[Name, Hazard | None] | None = None
    requirements: dict[Name, Requirement] | None = None
    scenarios: dict[Name, Scenario] | None = None


def json_schema() -> dict[str, Any]:
    """The JSON Schema (draft 2020-12) of format 1, for editors."""
    schema = Document.model_json_schema(by_alias=True)
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **schema}


class Misfit:
    """Where data does not fit the shape: the path to it, what kind of misfit, what would fit."""

    __slots__ = ("expected", "found", "kind", "path")

    def __init__(self, path: tuple[str | int, ...], kind: str, expected: str, found: object) -> None:
        self.path, self.kind, self.expected, self.found = path, kind, expected, found


_EXPECTED = {
    "dict_type": "a section of `key: value` lines",
    "model_type": "a section of `key: value` lines",
    "model_attributes_type": "a section of `key: value` lines",
    "list_type": "a list in brackets, for example [a, b]",
    "string_type": "a word or text",
    "bool_type": "true or false",
    "int_type": "a whole number",
}
_STEPS = "a list of steps"


def misfits(data: object) -> tuple[Misfit, ...]:
    """Every place where the data of a file does not fit format 1, in the order of the file as far as known."""
    try:
        Document.model_validate(data)
    except ValidationError as error:
        found: dict[tuple[str | int, ...], Misfit] = {}
        for detail in error.errors(include_url=False):
            misfit = _misfit(detail, data)
            other = found.get(misfit.path)
            if other is None:
                found[misfit.path] = misfit
            elif misfit.expected and misfit.expected not in other.expected:
                other.expected = f"{other.expected} or {misfit.expected}"
        return tuple(found.values())
    return ()


def _misfit(detail: Any, data: object) -> Misfit:
    kind, context = detail["type"], detail.get("ctx", {})
    path = _path_in(detail["loc"], data)
    if kind == "extra_forbidden":
        return Misfit(path, "unknown-key", "", detail["input"])
    if kind == "missing":
        return Misfit(path, "missing-key", "", detail["input"])
    if kind == "string_pattern_mismatch":
        return Misfit(path, "bad-form", _FORMS.get(context.get("pattern", ""), "another form"), detail["input"])
    if kind == "literal_error":
        return Misfit(path, "not-one-of", str(context.get("expected", "")).replace("'", ""), detail["input"])
    if kind == "too_short":
        return Misfit(path, "empty", "at least one entry", detail["input"])
    if kind in ("greater_than_equal", "less_than_equal"):
        bound = "or more" if kind == "greater_than_equal" else "or less"
        return Misfit(path, "out-of-range", f"{context.get('ge', context.get('le'))} {bound}", detail["input"])
    return Misfit(path, "wrong-type", _EXPECTED.get(kind, "something else"), detail["input"])


_FORMS = {
    NAME: "a name (a letter, then letters, digits, `_`)",
    DOTTED: "a name, or two joined by a dot",
    DURATION: "a duration (a number and `ms`, `s` or `min`)",
    SPAN_OF_TIME: "a duration such as `300 ms`, or a range such as `100 ms..300 ms`",
    RATE: "a rate such as `2.0e-7 / h`",
    DEADLINE: "a duration such as `300 ms`, or `reaction`",
}


def _path_in(location: tuple[str | int, ...], data: object) -> tuple[str | int, ...]:
    """The part of pydantic's location that names places of the data (it adds names of types)."""
    path: list[str | int] = []
    here = data
    for position, piece in enumerate(location):
        last = position == len(location) - 1
        inside = piece in here if isinstance(here, dict) else isinstance(piece, int) and isinstance(here, list)
        if inside and (isinstance(here, dict) or (isinstance(here, list) and int(piece) < len(here))):
            here = here[piece]  # type: ignore[index]
        elif piece == "[key]":
            path.append("[key]")
            break
        elif not (last and isinstance(here, dict) and isinstance(piece, str) and not _is_type(piece)):
            continue
        path.append(piece)
    return tuple(path)


def _is_type(piece: str) -> bool:
    return any(mark in piece for mark in "[]()") or piece in ("str", "int", "bool", "Jump", "Check", "Event", "Hazard")


def allowed_keys(path: tuple[str | int, ...]) -> tuple[str, ...]:
    """The keys that are allowed in the map at this path."""
    shapes: dict[str, type[Shape]] = {
        "subsystems": Subsystem,
        "signals": Signal,
        "faults": Fault,
        "hazards": Hazard,
        "requirements": Requirement,
        "scenarios": Scenario,
    }
    shape: type[Shape] = Document
    if len(path) >= 2:
        shape = shapes.get(str(path[0]), Document)
        if len(path) >= 4:
            inner: dict[str, type[Shape]] = {"events": Event, "transitions": Transition, "steps": Check}
            shape = inner.get(str(path[2]), shape)
        elif len(path) == 3 and path[2] == "jump":
            shape = Jump
    return tuple(info.alias or name for name, info in shape.model_fields.items())
