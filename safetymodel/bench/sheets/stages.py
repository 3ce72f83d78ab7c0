"""What a test plan has to show, as data: goals, each with stages of what has to be seen one after the other."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from safetymodel.bench.sights import Sight
from safetymodel.model.formula import (
    TRUE,
    Formula,
)

Section = Literal["readback", "causes", "release", "faults", "power", "stops", "egress", "steps"]

SECTIONS: tuple[tuple[Section, str], ...] = (
    ("readback", "Input read-back"),
    ("causes", "Each cause alone"),
    ("release", "Release and reset"),
    ("faults", "Single faults, channel by channel"),
    ("power", "Power lost and back"),
    ("stops", "Emergency stop in every mode"),
    ("egress", "Egress from every mode"),
    ("steps", "Every sequence of steps"),
)

Kind = Literal[
    "reads", "taken", "prompt", "blocks", "decides", "restart", "latch", "fault", "turns", "told", "power", "stop",
    "egress",
]  # fmt: skip


@dataclass(frozen=True, slots=True)
class Stage:
    """One of ``ways`` has to be seen; on the way to it ``keep`` is true in every settled state, and none of the events
    ``without`` is used."""

    ways: tuple[Sight, ...]
    keep: Formula = TRUE
    without: frozenset[int] = frozenset()


@dataclass(frozen=True, slots=True)
class Goal:
    """Its ``stages`` have to be seen one after the other, in one walk.

    ``own`` are signals that a tester should not force for it, since it is they that are tested. ``transition``,
    ``part`` belong to ``blocks`` and ``decides``. ``source`` is where the spec says it. ``otherwise`` is what counts
    instead where no reached state shows it for sure.
    """

    number: int
    kind: Kind
    section: Section
    title: str
    stages: tuple[Stage, ...]
    source: str
    own: frozenset[int] = frozenset()
    transition: int | None = None
    part: Formula | None = None
    otherwise: Goal | None = None
