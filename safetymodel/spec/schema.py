"""The shape of format 1, as one table: files are held against it (`fit`), and models are made of it (`models`)."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, TypeAlias

FORMAT = 1

_NUMBER = r"[0-9]+(\.[0-9]+)?"
_TIME = rf"\s*{_NUMBER}\s*(ms|s|min)\s*"
NAME = r"[A-Za-z][A-Za-z0-9_]{0,99}"
DOTTED = rf"{NAME}(\.{NAME}){{0,2}}"


@dataclass(frozen=True, slots=True)
class Form:
    """Text of a certain form: a regular expression that must match all of it.

    ``slug`` is the problem of a text of another form, ``wanted`` its description for people.
    """

    pattern: str
    slug: str
    wanted: str


@dataclass(frozen=True, slots=True)
class Words:
    """Any text for people; a number or truth value is taken as it is written."""


@dataclass(frozen=True, slots=True)
class Condition:
    """An expression; its grammar is looked at later."""


@dataclass(frozen=True, slots=True)
class Truth:
    """`true` or `false`, not quoted."""


@dataclass(frozen=True, slots=True)
class Whole:
    """A whole number between two bounds."""

    least: int
    most: int


@dataclass(frozen=True, slots=True)
class Choice:
    """One of some words."""

    words: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class StuckAt:
    """A truth value or the name of a state."""


@dataclass(frozen=True, slots=True)
class Listing:
    """A list; ``alone`` lets one item stand without brackets."""

    item: Shape
    empty: bool = False
    alone: bool = False


@dataclass(frozen=True, slots=True)
class Table:
    """Names, each with a value of the same shape."""

    item: Shape
    empty: bool = True
    null_item: bool = False
    names: str = NAME
    """The form of a name."""


@dataclass(frozen=True, slots=True)
class Key:
    name: str
    shape: Shape
    about: str = ""
    required: bool = False


@dataclass(frozen=True, slots=True)
class Record:
    """A section with known keys. ``rules`` are further demands, as the JSON Schema puts them."""

    title: str
    about: str
    keys: tuple[Key, ...]
    rules: tuple[tuple[str, Any], ...] = field(default=(), compare=False, hash=False)

    def key(self, name: str) -> Key | None:
        return next((key for key in self.keys if key.name == name), None)


@dataclass(frozen=True, slots=True)
class MapOr:
    """A map of known keys, or in short one value."""

    map: Record
    value: Shape


Shape: TypeAlias = Form | Words | Condition | Truth | Whole | Choice | StuckAt | Listing | Table | Record | MapOr

_NAME = Form(NAME, "bad-name", "a name")
_DOTTED = Form(DOTTED, "bad-name", "a name, or names joined by dots")
_DURATION = Form(_TIME, "bad-duration", "a duration such as `300 ms`, `2 s` or `1 min`")
_AFTER = Form(rf"{_TIME}(\.\.{_TIME})?", "bad-duration", "a duration such as `300 ms`, or a range `100 ms..300 ms`")
_DEADLINE = Form(rf"({_TIME}|reaction)", "bad-duration", "a duration such as `300 ms`, or `reaction`")
_RATE = Form(rf"\s*{_NUMBER}([eE][-+]?[0-9]+)?\s*/\s*h\s*", "bad-rate", "a rate such as `2.0e-7 / h`")
_SCIENTIFIC = rf"{_NUMBER}([eE][-+]?[0-9]+)?"


def _measure(units: str, wanted: str) -> Form:
    """A number and its unit."""
    return Form(rf"\s*{_SCIENTIFIC}\s*{units}\s*", "bad-quantity", wanted)


_CYCLES = _measure("cycles", "a number of cycles such as `1.3e6 cycles`")
_CYCLE_RATE = _measure(r"/\s*(h|day|year)", "cycles in a time, such as `2.0e4 / year` or `12 / day`")
_DEMAND = _measure(r"/\s*demand", "a probability such as `1.0e-4 / demand`")
_SPAN = _measure("(h|days?|years?)", "a time such as `8760 h`, `30 days` or `1 year`")
_SHARE = _measure("%", "a share such as `90 %`")
_LENGTH = _measure("(mm|cm|m)", "a length such as `850 mm`")
_SPEED = _measure(r"(mm|m)\s*/\s*s", "a speed such as `1600 mm / s`")
_WORDS, _CONDITION, _TRUTH = Words(), Condition(), Truth()
_TEXT = Key("text", _WORDS, "a label for people")

FORMS = ("never", "always", "possible", "always_possible", "permissive", "start", "cause")
"""The forms of a requirement: exactly one of these keys."""

COMPANIONS: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("permissive", ("for",)),
    ("start", ("only_by",)),
    ("cause", ("effect", "within")),
)
"""Keys that a form needs beside itself."""

PAIRS = (
    ("b10d", "cycles"),
    ("cycles", "b10d"),
    ("coverage", "diagnostic_test"),
    ("diagnostic_test", "coverage"),
)
"""Numbers of a fault that mean nothing without another."""

EXCLUSIVE: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("b10d", ("rate",)),
    ("probability", ("rate", "b10d", "proof_test", "coverage")),
)
"""Numbers of a fault that exclude others."""

EVENT = Record(
    "Event",
    "Something that happens from outside the logic.",
    (
        Key("by", _WORDS, "who or what makes it happen"),
        _TEXT,
        Key("joint", _TRUTH, "true: it happens only when every subsystem that names it can move"),
        Key("controllable", _TRUTH, "true: the logic can keep it from happening"),
    ),
)
TRANSITION = Record(
    "Transition",
    "One way from one state to another.",
    (
        Key("from", Listing(_NAME, alone=True), "the state it leaves, or a list of them", required=True),
        Key("to", _NAME, "the state it enters", required=True),
        Key("on", _DOTTED, "the event it waits for; without, it happens of itself"),
        Key("if", _CONDITION, "the interlock condition: what the logic demands"),
        Key("physically", _CONDITION, "the physical condition: what nature demands"),
        Key("after", _AFTER, "how long the state lasts first"),
        Key("controllable", _TRUTH, "true: the logic can hold it back, though it has no `if` yet"),
        _TEXT,
    ),
)
SUBSYSTEM = Record(
    "Subsystem",
    "One state machine, or with `instances` a family of alike ones.",
    (
        _TEXT,
        Key(
            "role",
            Choice(("sensor", "actuator", "barrier", "control", "person", "supply")),
            "what kind of thing it is",
        ),
        Key("instances", Listing(_NAME), "the names of the members of a family"),
        Key("states", Listing(_NAME), "the states; the first is initial", required=True),
        Key("initial", _NAME, "the initial state, where it is not the first"),
        Key("events", Table(EVENT, null_item=True), "events that belong to this subsystem"),
        Key("transitions", Listing(TRANSITION, empty=True), "the ways between the states"),
        Key("response", _DURATION, "how long the real part takes to react, or as a sensor to show; no model time"),
    ),
)
SIGNAL = Record(
    "Signal",
    "A true/false reading that the logic sees.",
    (
        Key("reads", _CONDITION, "what it shows without faults", required=True),
        Key("indicates", Listing(_NAME, alone=True), "the faults that it tells people of while it is true, or `any`"),
        Key("response", _DURATION, "how long the real switch takes to show a change; no time of the model"),
        _TEXT,
    ),
)
CONDITION = Record(
    "Definition",
    "A name for an expression, with more about it.",
    (
        Key("means", _CONDITION, "the expression", required=True),
        Key("indicates", Listing(_NAME, alone=True), "the faults that it tells people of while it is true, or `any`"),
        _TEXT,
    ),
)
JUMP = Record(
    "Jump",
    "A move that a failed component makes of itself.",
    (Key("from", _NAME, "where it begins", required=True), Key("to", _NAME, "where it ends", required=True)),
)
FAULT = Record(
    "Fault",
    "A component failure.",
    (
        Key("signal", _NAME, "the signal that fails"),
        Key("subsystem", _DOTTED, "the subsystem that fails"),
        Key("stuck", StuckAt(), "for a signal `true` or `false`; for a subsystem a state, or `any`"),
        Key("jump", JUMP, "the move that the subsystem makes of itself"),
        Key("rate", _RATE, "failures in an hour"),
        Key("revealed_by", _CONDITION, "what tells people of it once it comes true"),
        Key("b10d", _CYCLES, "cycles after which a tenth of such parts have failed dangerously"),
        Key("cycles", _CYCLE_RATE, "with b10d: how often the part is worked"),
        Key("probability", _DEMAND, "instead of a rate: that it is there when it matters"),
        Key("proof_test", _SPAN, "with a rate: time between tests that find it in any case"),
        Key("coverage", _SHARE, "with a rate: share of these failures that diagnostics find"),
        Key("diagnostic_test", _SPAN, "with coverage: time between two runs of the diagnostics"),
        _TEXT,
    ),
    (
        (
            "oneOf",
            [
                {"required": ["signal", "stuck"], "properties": {"subsystem": False, "jump": False}},
                {"required": ["subsystem", "stuck"], "properties": {"signal": False, "jump": False}},
                {"required": ["subsystem", "jump"], "properties": {"signal": False, "stuck": False}},
            ],
        ),
        ("dependentRequired", {key: [other] for key, other in PAIRS}),
        ("dependentSchemas", {key: {"properties": dict.fromkeys(others, False)} for key, others in EXCLUSIVE}),
    ),
)
COMMON_CAUSE = Record(
    "CommonCause",
    "A cause that brings about several faults at once.",
    (
        Key("faults", Listing(_NAME), "the faults of the group, two or more", required=True),
        Key("beta", _SHARE, "the share of their rate that strikes them all at once", required=True),
        _TEXT,
    ),
)
FUNCTION = Record(
    "Function",
    "Something that the machine does: a column of the cause-and-effect matrix.",
    (Key("active", _CONDITION, "while this is true, it is being done", required=True), _TEXT),
)
APPROACH = Record(
    "Approach",
    "How a person comes near while the danger ends, for the minimum distance of a pad or guard (ISO 13855).",
    (
        Key("distance", _LENGTH, "how far from the danger the pad or guard is", required=True),
        Key("speed", _SPEED, "how fast a person comes near; 1600 mm / s unless told"),
        Key("depth", _LENGTH, "how far a person gets before being noticed"),
        Key("height", _LENGTH, "instead of depth, of a pad or a level field: its height over the floor"),
        Key(
            "stopping", _DURATION, "how long the danger lasts after the last reaction, where no part of the model says"
        ),
        _TEXT,
    ),
    (("dependentSchemas", {"height": {"properties": {"depth": False}}}),),
)
HAZARD = Record(
    "Hazard", "What can happen to people or things.", (_TEXT, Key("severity", _WORDS, "how bad, in your own words"))
)
REQUIREMENT = Record(
    "Requirement",
    "One claim, in exactly one form.",
    (
        _TEXT,
        Key("never", _CONDITION, "false in every settled state"),
        Key("always", _CONDITION, "true in every settled state"),
        Key("from", _CONDITION, "with never, always: watch from here"),
        Key("until", _CONDITION, "with never, always: watch up to here"),
        Key("possible", _CONDITION, "some reachable settled state has it"),
        Key("always_possible", _CONDITION, "it can be brought about from everywhere"),
        Key("permissive", _CONDITION, "must be true just before `for` becomes true"),
        Key("for", _CONDITION, "with permissive: what is permitted"),
        Key("start", _CONDITION, "becomes true only by the events of `only_by`"),
        Key("only_by", Listing(_DOTTED, alone=True), "with start: the allowed events"),
        Key("cause", _CONDITION, "brings about `effect` in the time `within`"),
        Key("effect", _CONDITION, "with cause: what must follow"),
        Key("within", _DEADLINE, "with cause: a duration, or `reaction`"),
        Key("withstand", Whole(0, 64), "holds under every choice of up to so many faults"),
        Key("prevent", _TRUTH, "true: not even for a moment while the logic reacts"),
        Key("may_be_empty", _TRUTH, "true: passes although its situation never arises"),
        Key("hazard", Listing(_NAME, alone=True), "the hazards it is against"),
        Key("source", Listing(_WORDS, alone=True, empty=True), "where the demand comes from"),
        Key("approach", APPROACH, "with never, always, cause: how a person comes near meanwhile"),
    ),
    (
        ("oneOf", [{"required": [form]} for form in FORMS]),
        ("dependentRequired", {form: list(keys) for form, keys in COMPANIONS}),
    ),
)
CHECK = Record(
    "Check",
    "A check as a map, where its expression needs quotes.",
    (Key("check", _CONDITION, "what must be true here", required=True),),
)
SCENARIO = Record(
    "Scenario",
    "A run that must work.",
    (
        _TEXT,
        Key(
            "steps",
            Listing(MapOr(CHECK, _WORDS), empty=True),
            "an event, `wait 3 s`, `fault NAME`, `blocked EVENT` or `check EXPRESSION` each",
            required=True,
        ),
        Key("ends_with", _CONDITION, "what must be true after the last step"),
    ),
)
DOCUMENT = Record(
    "Document",
    "A spec file of format 1.",
    (
        Key("safetymodel", Whole(FORMAT, FORMAT), "the number of the format: 1", required=True),
        Key("title", _WORDS, "the name of the system", required=True),
        Key("text", _WORDS, "shown in the report"),
        Key("tick", _DURATION, "the unit of time, where it is coarser than the tool would choose"),
        Key("subsystems", Table(SUBSYSTEM, empty=False), "the state machines", required=True),
        Key("signals", Table(SIGNAL), "what the logic sees"),
        Key("conditions", Table(MapOr(CONDITION, _CONDITION)), "definitions: a name for an expression"),
        Key("functions", Table(FUNCTION), "what the machine does, for the cause-and-effect matrix"),
        Key("faults", Table(FAULT), "component failures"),
        Key("common_causes", Table(COMMON_CAUSE), "groups of faults with a common cause"),
        Key("mission_time", _SPAN, "how long a fault without a proof test can stay; 20 years unless told"),
        Key("hazards", Table(HAZARD, null_item=True), "what can happen"),
        Key("requirements", Table(REQUIREMENT), "claims to be looked at"),
        Key("scenarios", Table(SCENARIO), "runs that must work"),
    ),
)


def may_be_null(shape: Shape) -> bool:
    """Whether a key of this shape may be written without a value: an empty section, an empty text."""
    return isinstance(shape, Words) or (isinstance(shape, Table | Listing) and shape.empty)
