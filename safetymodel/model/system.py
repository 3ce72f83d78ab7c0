"""A composed system: every name resolved to a number, families unfolded, durations in ticks.

Numbers are positions in the tuples of :class:`System`, in the order of the spec file.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

from safetymodel.model.formula import Formula
from safetymodel.span import Span

Role = Literal["sensor", "actuator", "barrier", "control", "person", "supply"]
Form = Literal["never", "always", "possible", "always_possible", "permissive", "start", "cause"]


@dataclass(frozen=True, slots=True)
class Transition:
    """One way from one state to another of the same subsystem.

    ``event`` is None for an automatic transition. ``earliest`` and ``latest`` are ticks since
    the state was entered: it may fire from ``earliest`` (as a happening of time) and is due at
    ``latest``; both 0 without ``after``. ``interlock`` is the ``if``, ``physical`` the
    ``physically``.
    """

    number: int
    subsystem: int
    source: int
    target: int
    event: int | None
    interlock: Formula
    physical: Formula
    earliest: int
    latest: int
    span: Span
    text: str = ""
    controllable: bool = False
    """Whether the logic can hold it back by itself: it is marked so, or carries an `if`."""


@dataclass(frozen=True, slots=True)
class Subsystem:
    """One state machine. ``longest`` has a tick count per state: where its clock stops."""

    number: int
    name: str
    text: str
    role: Role | None
    states: tuple[str, ...]
    initial: int
    transitions: tuple[int, ...]
    longest: tuple[int, ...]
    span: Span
    family: str | None = None
    instance: str | None = None
    response: Fraction | None = None
    """How long the real part takes for a reaction, in ms; None where the spec does not say."""

    @property
    def label(self) -> str:
        """What people call it: its text, else its name."""
        return self.text or self.name.replace("_", " ")


@dataclass(frozen=True, slots=True)
class Event:
    """Something from outside the logic. ``movers``: each subsystem that names it, with its transitions on it."""

    number: int
    name: str
    subsystem: int
    by: str
    text: str
    joint: bool
    movers: tuple[tuple[int, tuple[int, ...]], ...]
    span: Span
    controllable: bool = False
    """Whether the logic can keep it from happening at all."""


@dataclass(frozen=True, slots=True)
class Signal:
    number: int
    name: str
    text: str
    reads: Formula
    span: Span
    indicates: tuple[int, ...] = ()
    """The faults (numbers, ascending) that it tells people of while it reads true."""
    response: Fraction | None = None
    """How long the real switch takes to show a change, in ms; None where the spec does not say."""


@dataclass(frozen=True, slots=True)
class Failure:
    """The numbers of a fault beside its rate; None where the spec does not give one.

    ``b10d`` in cycles, ``cycles`` in a year, ``probability`` that it is there at a demand,
    ``proof_test`` and ``diagnostic_test`` in hours, ``coverage`` between 0 and 1.
    """

    b10d: float | None = None
    cycles: float | None = None
    probability: float | None = None
    proof_test: float | None = None
    coverage: float | None = None
    diagnostic_test: float | None = None


@dataclass(frozen=True, slots=True)
class CommonCause:
    """A cause that brings about several faults (numbers) at once. ``beta``: its share of their rate, 0 to 1."""

    name: str
    text: str
    faults: tuple[int, ...]
    beta: float
    span: Span


@dataclass(frozen=True, slots=True)
class Fault:
    """A component failure.

    kind ``signal``: ``subject`` is a signal, held at ``value``. kind ``stuck``: no transition of
    subsystem ``subject`` leaves ``state`` (None: any state). kind ``jump``: subsystem ``subject``
    may move of itself from ``state`` to ``target``. ``rate`` is per hour. ``indications`` are what
    tells people of it, each once it comes true: its ``revealed_by``, and the signals and conditions that indicate it.
    """

    number: int
    name: str
    text: str
    kind: Literal["signal", "stuck", "jump"]
    subject: int
    span: Span
    value: bool = False
    state: int | None = None
    target: int = 0
    rate: float | None = None
    indications: tuple[Formula, ...] = ()
    failure: Failure = Failure()


@dataclass(frozen=True, slots=True)
class Function:
    """Something that the machine does, while ``active`` is true."""

    name: str
    text: str
    active: Formula
    span: Span


@dataclass(frozen=True, slots=True)
class Approach:
    """How a person comes near a danger: ``distance``, ``depth`` and ``height`` in mm, ``speed`` in mm/s (None: as the
    standard has it), ``stopping`` in ms."""

    distance: float
    span: Span
    speed: float | None = None
    depth: float | None = None
    height: float | None = None
    stopping: Fraction | None = None
    text: str = ""


@dataclass(frozen=True, slots=True)
class Hazard:
    name: str
    text: str
    severity: str
    span: Span


@dataclass(frozen=True, slots=True)
class Requirement:
    """One claim about the system.

    ``subject`` is P of ``never``, ``always``, ``possible``, ``always_possible``; A of
    ``permissive`` (its ``for``), ``start`` and ``cause``. ``allowed`` is P of ``permissive``.
    ``effect`` and ``within`` (ticks; None is ``reaction``) belong to ``cause``; ``only_by``
    (event numbers) to ``start``. ``begins`` and ``ends`` are ``from`` and ``until``.
    """

    number: int
    name: str
    text: str
    form: Form
    subject: Formula
    span: Span
    allowed: Formula | None = None
    effect: Formula | None = None
    within: int | None = None
    only_by: tuple[int, ...] = ()
    begins: Formula | None = None
    ends: Formula | None = None
    withstand: int = 0
    prevent: bool = False
    may_be_empty: bool = False
    hazards: tuple[str, ...] = ()
    source: str = ""
    wording: str = ""
    """The claim as the spec puts it, for example ``never: not sealed``."""
    approach: Approach | None = None

    @property
    def formulas(self) -> tuple[Formula, ...]:
        """Everything that it reads."""
        every = (self.subject, self.allowed, self.effect, self.begins, self.ends)
        return tuple(formula for formula in every if formula is not None)


@dataclass(frozen=True, slots=True)
class ScenarioStep:
    """``event`` and ``blocked`` carry an event number, ``fault`` a fault's, ``wait`` ticks, ``check`` a formula."""

    kind: Literal["event", "blocked", "fault", "wait", "check"]
    span: Span
    text: str
    number: int = 0
    formula: Formula | None = None


@dataclass(frozen=True, slots=True)
class Scenario:
    name: str
    text: str
    steps: tuple[ScenarioStep, ...]
    ends_with: Formula | None
    span: Span


@dataclass(frozen=True, slots=True)
class System:
    """The whole composed system.

    ``tick`` is the length of a tick in ms (None: the model has no durations, time never ticks).
    ``signal_order`` lists signal numbers so that each comes after those that it reads.
    """

    title: str
    text: str
    file: str
    sha256: str
    tick: Fraction | None
    subsystems: tuple[Subsystem, ...]
    events: tuple[Event, ...]
    transitions: tuple[Transition, ...]
    signals: tuple[Signal, ...]
    signal_order: tuple[int, ...]
    conditions: tuple[tuple[str, Formula], ...]
    faults: tuple[Fault, ...]
    hazards: tuple[Hazard, ...]
    requirements: tuple[Requirement, ...]
    scenarios: tuple[Scenario, ...]
    families: tuple[tuple[str, tuple[int, ...]], ...] = ()
    common_causes: tuple[CommonCause, ...] = ()
    mission_time: float | None = None
    """Hours that a fault without a proof test can stay; None where the spec does not say."""
    functions: tuple[Function, ...] = ()

    def subsystem_named(self, name: str) -> Subsystem | None:
        return next((s for s in self.subsystems if s.name == name), None)
