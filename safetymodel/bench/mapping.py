"""Which point of a device is which event, signal, fault or state of a spec, as data; `map_file` reads it."""

from __future__ import annotations

from collections.abc import Mapping as MappingOf
from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

from safetymodel.bench.device import Value
from safetymodel.model.formula import Formula, InState, Not
from safetymodel.model.system import System


@dataclass(frozen=True, slots=True)
class Action:
    """``value`` belongs to ``set``."""

    kind: Literal["apply", "set"]
    point: str
    value: Value = True


@dataclass(frozen=True, slots=True)
class Input:
    signal: int
    point: str
    inverted: bool = False


@dataclass(frozen=True, slots=True)
class Output:
    """``means`` says for each value that the point can show what is then true of the model.

    ``subsystem`` is its number where the output shows one, ``states`` then the state numbers of each value.
    """

    name: str
    point: str
    means: tuple[tuple[Value, Formula], ...]
    subsystem: int | None = None
    states: tuple[tuple[Value, frozenset[int]], ...] = ()


@dataclass(frozen=True, slots=True)
class Mapping:
    """``events`` and ``faults`` have an entry for each of the spec, None where the device has no point for it.

    ``settle`` and ``at_most`` are in ms of real time, ``slack`` in ticks.
    """

    events: tuple[Action | None, ...]
    faults: tuple[Action | None, ...]
    inputs: tuple[Input, ...]
    outputs: tuple[Output, ...]
    reset: Action | None = None
    settle: Fraction = Fraction(0)
    at_most: Fraction = Fraction(0)
    slack: int = 0
    tick: str | None = None

    @property
    def points(self) -> tuple[str, ...]:
        """The points that are read, each once."""
        return tuple(dict.fromkeys(output.point for output in self.outputs))

    def can_force(self, system: System, fault: int) -> bool:
        """Whether the bench can bring the fault about: by a point, or by an input that it plays itself."""
        if self.faults[fault] is not None:
            return True
        this = system.faults[fault]
        return this.kind == "signal" and any(i.signal == this.subject for i in self.inputs)


def mapping_by_names(system: System) -> Mapping:
    """For a device that speaks the names of the spec: its points are event names, ``fault NAME``, and the names of the
    subsystems, which show their states by name."""
    return Mapping(
        events=tuple(Action("apply", event.name) for event in system.events),
        faults=tuple(Action("apply", f"fault {fault.name}") for fault in system.faults),
        inputs=(),
        outputs=tuple(
            shows_subsystem(system, s.number, s.name, {state: state for state in s.states}) for s in system.subsystems
        ),
    )


def shows_subsystem(system: System, number: int, point: str, values: MappingOf[str, Value]) -> Output:
    """The output that shows a subsystem's state; ``values`` is what the point shows in each state."""
    this = system.subsystems[number]
    states: dict[Value, list[int]] = {}
    for place, name in enumerate(this.states):
        states.setdefault(values[name], []).append(place)
    means = tuple((value, InState(number, tuple(places))) for value, places in states.items())
    return Output(this.name, point, means, number, tuple((value, frozenset(p)) for value, p in states.items()))


def shows_truth(name: str, point: str, formula: Formula, inverted: bool = False) -> Output:
    """The output that shows whether something is true of the model."""
    return Output(name, point, ((not inverted, formula), (inverted, Not(formula))))
