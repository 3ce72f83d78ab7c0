"""A spec file as checked data: names still names, families still families. Places do not count in comparisons."""

from __future__ import annotations

from dataclasses import dataclass, field
from fractions import Fraction

from safetymodel.span import NOWHERE, Span
from safetymodel.spec.expressions import Expression
from safetymodel.spec.reader import Node, Source


@dataclass(frozen=True, slots=True)
class Name:
    text: str
    span: Span = field(default=NOWHERE, compare=False)


@dataclass(frozen=True, slots=True)
class Written:
    """An expression: its text, its tree, and where it stands."""

    text: str
    tree: Expression
    node: Node | None = field(default=None, compare=False, repr=False)
    source: Source | None = field(default=None, compare=False, repr=False)

    def place(self, offset: int = 0, length: int | None = None) -> Span:
        """Where the characters from ``offset`` on stand in the file."""
        if self.node is None or self.source is None:
            return NOWHERE
        return self.source.inside(self.node, offset, len(self.text) if length is None else length)


@dataclass(frozen=True, slots=True)
class Duration:
    """A length of time in ms, exactly."""

    ms: Fraction
    text: str
    span: Span = field(default=NOWHERE, compare=False)


@dataclass(frozen=True, slots=True)
class Quantity:
    """A number with a unit: hours, cycles, cycles in a year, mm, mm/s, or a share or probability between 0 and 1."""

    value: float
    text: str
    span: Span = field(default=NOWHERE, compare=False)


@dataclass(frozen=True, slots=True)
class FailureText:
    """The numbers of a fault beside its rate, as they are written; the keys of the format."""

    b10d: Quantity | None = None
    cycles: Quantity | None = None
    probability: Quantity | None = None
    proof_test: Quantity | None = None
    coverage: Quantity | None = None
    diagnostic_test: Quantity | None = None


@dataclass(frozen=True, slots=True)
class EventText:
    name: Name
    by: str = ""
    text: str = ""
    joint: bool = False
    controllable: bool = False


@dataclass(frozen=True, slots=True)
class TransitionText:
    sources: tuple[Name, ...]
    target: Name
    on: Name | None = None
    interlock: Written | None = None
    physical: Written | None = None
    after: tuple[Duration, Duration] | None = None
    controllable: bool = False
    text: str = ""
    span: Span = field(default=NOWHERE, compare=False)


@dataclass(frozen=True, slots=True)
class SubsystemText:
    name: Name
    states: tuple[Name, ...]
    text: str = ""
    role: str | None = None
    initial: Name | None = None
    instances: tuple[Name, ...] = ()
    events: tuple[EventText, ...] = ()
    transitions: tuple[TransitionText, ...] = ()
    response: Duration | None = None


@dataclass(frozen=True, slots=True)
class SignalText:
    """``indicates`` names faults, or is the word ``any`` alone."""

    name: Name
    reads: Written
    text: str = ""
    indicates: tuple[Name, ...] = ()
    response: Duration | None = None


@dataclass(frozen=True, slots=True)
class ConditionText:
    """``indicates`` as of a signal."""

    name: Name
    meaning: Written
    text: str = ""
    indicates: tuple[Name, ...] = ()


@dataclass(frozen=True, slots=True)
class FaultText:
    """Exactly one of: ``signal`` with ``value``; ``subsystem`` with ``stuck``; ``subsystem`` with ``jump``."""

    name: Name
    text: str = ""
    signal: Name | None = None
    value: bool | None = None
    subsystem: Name | None = None
    stuck: Name | None = None
    jump: tuple[Name, Name] | None = None
    rate: float | None = None
    revealed_by: Written | None = None
    failure: FailureText = FailureText()


@dataclass(frozen=True, slots=True)
class CommonCauseText:
    name: Name
    faults: tuple[Name, ...]
    beta: Quantity
    text: str = ""


@dataclass(frozen=True, slots=True)
class FunctionText:
    name: Name
    active: Written
    text: str = ""


@dataclass(frozen=True, slots=True)
class ApproachText:
    """How a person comes near: lengths in mm, the speed in mm/s."""

    distance: Quantity
    speed: Quantity | None = None
    depth: Quantity | None = None
    height: Quantity | None = None
    stopping: Duration | None = None
    text: str = ""
    span: Span = field(default=NOWHERE, compare=False)


@dataclass(frozen=True, slots=True)
class HazardText:
    name: Name
    text: str = ""
    severity: str = ""


@dataclass(frozen=True, slots=True)
class RequirementText:
    name: Name
    form: str
    subject: Written
    text: str = ""
    allowed: Written | None = None
    effect: Written | None = None
    within: Duration | None = None
    only_by: tuple[Name, ...] = ()
    begins: Written | None = None
    ends: Written | None = None
    withstand: int = 0
    prevent: bool = False
    may_be_empty: bool = False
    hazards: tuple[Name, ...] = ()
    source: str = ""
    approach: ApproachText | None = None


@dataclass(frozen=True, slots=True)
class StepText:
    """``event``, ``blocked`` and ``fault`` carry a name, ``wait`` a duration, ``check`` an expression."""

    kind: str
    text: str
    name: Name | None = None
    wait: Duration | None = None
    check: Written | None = None
    span: Span = field(default=NOWHERE, compare=False)


@dataclass(frozen=True, slots=True)
class ScenarioText:
    name: Name
    steps: tuple[StepText, ...]
    text: str = ""
    ends_with: Written | None = None


@dataclass(frozen=True, slots=True)
class Description:
    """A whole spec file. ``ghosts`` are names whose declarations had mistakes: not to be called undeclared."""

    title: str
    text: str
    tick: Duration | None
    subsystems: tuple[SubsystemText, ...]
    signals: tuple[SignalText, ...]
    conditions: tuple[ConditionText, ...]
    faults: tuple[FaultText, ...]
    hazards: tuple[HazardText, ...]
    requirements: tuple[RequirementText, ...]
    scenarios: tuple[ScenarioText, ...]
    source: Source = field(compare=False, repr=False)
    ghosts: frozenset[str] = field(default=frozenset(), compare=False)
    common_causes: tuple[CommonCauseText, ...] = ()
    mission_time: Quantity | None = None
    functions: tuple[FunctionText, ...] = ()
