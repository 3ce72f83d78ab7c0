"""What a timing chart shows of a run: its columns, its lanes, and what each lane reads in each column."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

from safetymodel.claims.verdict import Trace
from safetymodel.model.formula import Formula, HowMany, InState, SignalTrue, atoms
from safetymodel.model.state import State
from safetymodel.model.step import Step, evaluate, readings
from safetymodel.model.system import Requirement, System
from safetymodel.traces.fold import folded
from safetymodel.traces.wording import formula_text, short_name, step_text

ColumnKind = Literal["start", "event", "fault", "time", "ticks", "reaction"]
LaneKind = Literal["subsystem", "signal", "fault", "claim"]

PRESENT = "present"
"""What the lane of a fault reads once it has struck; before, it reads nothing."""


@dataclass(frozen=True, slots=True)
class Column:
    """A stretch of the run in which nothing changes: from a step to the next one.

    ``begins`` is true where a happening starts it (or the run does); reactions continue the column before.
    ``number`` counts happenings as the traces in words do (``5-14`` for ten ticks), ``words`` is the short name and
    ``sentence`` says who did what. ``elapsed`` is the time in ticks since the start, at the end of the column.
    """

    kind: ColumnKind
    state: State
    step: Step | None
    number: str
    words: str
    sentence: str
    elapsed: int

    @property
    def begins(self) -> bool:
        return self.kind != "reaction"


@dataclass(frozen=True, slots=True)
class Lane:
    """One row: ``values`` has what it reads in each column; a jump of this fault starts the columns ``jumps``."""

    kind: LaneKind
    name: str
    text: str
    values: tuple[str, ...]
    jumps: tuple[int, ...] = ()

    def runs(self, first: int, last: int) -> Iterator[tuple[int, int, str]]:
        """Stretches of one value within columns ``first`` to ``last`` - 1: (first, beyond the last, value)."""
        start = first
        for column in range(first + 1, last + 1):
            if column == last or self.values[column] != self.values[start]:
                yield start, column, self.values[start]
                start = column


def columns_of(system: System, trace: Trace) -> tuple[Column, ...]:
    """The columns of a run: the start, one for each happening (or run of ticks), one for each reaction."""
    found: list[Column] = []
    elapsed = 0
    for group in folded(trace):
        step = group.step
        if step is None:
            found.append(Column("start", group.landed, None, "", "start", "the start", elapsed))
        else:
            elapsed += group.ticks
            number = str(group.first) if group.first == group.last else f"{group.first}-{group.last}"
            ticks = max(group.ticks, 1)
            words, sentence = _words(system, step, ticks), step_text(system, step, group.before, ticks)
            found.append(Column(_kind(step), group.landed, step, number, words, sentence, elapsed))
        before = group.landed
        for reaction in group.reactions:
            sentence = step_text(system, reaction, before)
            found.append(Column("reaction", reaction.after, reaction, "", "", sentence, elapsed))
            before = reaction.after
    return tuple(found)


def _words(system: System, step: Step, ticks: int) -> str:
    if step.kind == "jump":
        return f"fault moves {system.subsystems[system.faults[step.number].subject].name}"
    return short_name(system, step, ticks)


def _kind(step: Step) -> ColumnKind:
    match step.kind:
        case "event" | "reaction" | "time":
            return step.kind
        case "fault" | "jump":
            return "fault"
        case "tick":
            return "ticks"


def lanes_of(system: System, columns: tuple[Column, ...], requirement: Requirement | None = None) -> tuple[Lane, ...]:
    """The lanes of a run, in the order of the spec.

    A lane for each subsystem that changes, and for each that the claim mentions; for each signal that the claim
    mentions or that a fault of the run holds; for each fault of the run; and for each part of the claim.
    """
    states = [column.state for column in columns]
    parts = claim_parts(requirement) if requirement is not None else ()
    changed = {n for one, other in pairwise(states) for n in range(len(one.states)) if one.states[n] != other.states[n]}
    signals: set[int] = set()
    for _, formula in parts:
        subsystems, read = _mentioned(formula)
        changed |= subsystems
        signals |= read
    up = states[-1].flags
    faults = [f for f in system.faults if up >> f.number & 1]
    signals |= {f.subject for f in faults if f.kind == "signal"}
    read_in = [readings(system, state) for state in states]
    return (
        *(
            Lane("subsystem", s.name, s.label, tuple(s.states[state.states[s.number]] for state in states))
            for s in system.subsystems
            if s.number in changed
        ),
        *(
            Lane("signal", f"signal {s.name}", s.text or s.name, tuple(_truth(values[s.number]) for values in read_in))
            for s in system.signals
            if s.number in signals
        ),
        *(
            Lane(
                "fault",
                f"fault {f.name}",
                f.text or f.name,
                tuple(PRESENT if state.flags >> f.number & 1 else "" for state in states),
                tuple(n for n, c in enumerate(columns) if _jumps(c, f.number)),
            )
            for f in faults
        ),
        *(
            Lane(
                "claim",
                f"{word}: {formula_text(system, formula)}",
                "what the requirement is about",
                tuple(_truth(evaluate(formula, state, v)) for state, v in zip(states, read_in, strict=True)),
            )
            for word, formula in parts
        ),
    )


def _truth(value: bool) -> str:
    return "true" if value else "false"


def _jumps(column: Column, fault: int) -> bool:
    return column.step is not None and column.step.kind == "jump" and column.step.number == fault


def claim_parts(requirement: Requirement) -> tuple[tuple[str, Formula], ...]:
    """The formulas of a claim, each under the word that the spec has for it."""
    subject: Formula = requirement.subject
    found: list[tuple[str, Formula | None]]
    match requirement.form:
        case "permissive":
            found = [("permissive", requirement.allowed), ("for", subject)]
        case "cause":
            found = [("cause", subject), ("effect", requirement.effect)]
        case form:
            found = [(form, subject)]
    found += [("from", requirement.begins), ("until", requirement.ends)]
    return tuple((word, formula) for word, formula in found if formula is not None)


def _mentioned(formula: Formula) -> tuple[set[int], set[int]]:
    """The subsystems and the signals that a formula names."""
    subsystems: set[int] = set()
    signals: set[int] = set()
    for atom in atoms(formula):
        match atom:
            case InState(subsystem, _, _):
                subsystems.add(subsystem)
            case HowMany(_, _, members, _):
                subsystems.update(member.subsystem for member in members)
            case SignalTrue(signal):
                signals.add(signal)
    return subsystems, signals
