"""Defects that a twin can be given, for practice and to try a bench: what somebody wires or programs wrongly."""

from __future__ import annotations

import random
import re
from dataclasses import dataclass
from typing import Literal

from safetymodel.bench.parts import Part, parts_of_transition
from safetymodel.model.system import System, Transition
from safetymodel.names import did_you_mean
from safetymodel.problems import Problem
from safetymodel.span import NOWHERE
from safetymodel.traces.wording import formula_text, move_text, transition_text

Kind = Literal["drop", "stuck", "swap", "slow"]
KINDS: tuple[Kind, ...] = ("drop", "stuck", "swap", "slow")


@dataclass(frozen=True, slots=True)
class Defect:
    """``drop``: ``part`` is missing from its condition; ``stuck``: signal ``number`` always reads ``value``; ``swap``:
    the outputs of subsystems ``number`` and ``other`` are crossed; ``slow``: transition ``number`` reacts a tick too
    late, or, in a model without time, only when the next thing happens."""

    kind: Kind
    name: str
    text: str
    number: int = 0
    value: bool = False
    other: int = 0
    part: Part | None = None


def defects_of(system: System) -> tuple[Defect, ...]:
    """Every defect that a twin of this system can have, in the order of the spec file, each with a name of its own."""
    found = [*_dropped(system), *_stuck(system), *_swapped(system), *_slow(system)]
    taken: dict[str, int] = {}
    named = []
    for defect in found:
        taken[defect.name] = taken.get(defect.name, 0) + 1
        count = taken[defect.name]
        name = defect.name if count == 1 else f"{defect.name}:{count}"
        named.append(Defect(defect.kind, name, defect.text, defect.number, defect.value, defect.other, defect.part))
    return tuple(named)


def defect_named(system: System, name: str) -> Defect | Problem:
    """The defect of that name."""
    known = defects_of(system)
    for defect in known:
        if defect.name == name:
            return defect
    kind = name.partition(":")[0]
    alike = [defect.name for defect in known if defect.kind == kind] or [defect.name for defect in known]
    hint = did_you_mean(name, alike) or "`safetymodel twin SPEC --defects` lists them"
    return Problem("unknown-defect", NOWHERE, f"a twin of this spec can have no defect {name}", hint)


def some_defects(system: System, count: int, seed: int) -> tuple[Defect, ...]:
    """So many defects drawn at random, the kinds in turn; the same for the same seed."""
    rng = random.Random(seed)
    known = defects_of(system)
    pools = [[d for d in known if d.kind == kind] for kind in KINDS]
    for pool in pools:
        rng.shuffle(pool)
    drawn: list[Defect] = []
    while len(drawn) < count and any(pools):
        for pool in pools:
            if pool and len(drawn) < count:
                drawn.append(pool.pop())
    return tuple(drawn)


def _dropped(system: System) -> list[Defect]:
    found = []
    for transition in system.transitions:
        for part in parts_of_transition(transition):
            if not part.interlock:
                continue
            wording = formula_text(system, part.formula)
            name = f"drop:{_move(system, transition)}:{_word(wording)}"
            text = f"{wording} is missing from the condition of {transition_text(system, transition)}"
            found.append(Defect("drop", name, text, part=part))
    return found


def _stuck(system: System) -> list[Defect]:
    return [
        Defect(
            "stuck",
            f"stuck:{s.name}:{str(value).lower()}",
            f"{s.name} always reads {str(value).lower()}",
            s.number,
            value,
        )
        for s in system.signals
        for value in (True, False)
    ]


def _swapped(system: System) -> list[Defect]:
    """Each subsystem crossed with the next one that has the same states."""
    found = []
    for this in system.subsystems:
        other = next((s for s in system.subsystems[this.number + 1 :] if s.states == this.states), None)
        if other is not None:
            text = f"the outputs of {this.name} and {other.name} are crossed"
            found.append(Defect("swap", f"swap:{this.name}:{other.name}", text, this.number, other=other.number))
    return found


def _slow(system: System) -> list[Defect]:
    late = "a tick too late" if system.tick is not None else "only when the next thing happens"
    return [
        Defect("slow", f"slow:{_move(system, t)}", f"{move_text(system, t)} reacts {late}", t.number)
        for t in system.transitions
        if t.event is None
    ]


def _move(system: System, transition: Transition) -> str:
    this = system.subsystems[transition.subsystem]
    return f"{this.name}.{this.states[transition.source]}-{this.states[transition.target]}"


def _word(text: str) -> str:
    return re.sub(r"[^A-Za-z0-9_.]+", "_", text).strip("_")
