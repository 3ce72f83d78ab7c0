"""Looks at single states and single steps that show at once that a requirement's verdict has become worse."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from safetymodel.claims.breach_states import breach_of
from safetymodel.claims.verdict import Word
from safetymodel.explore.decisions import Diagram
from safetymodel.explore.encoding import Encoding, Operation
from safetymodel.insight.necessity_mirrors import Asked
from safetymodel.model.formula import Formula, HowMany, InState, Not, SignalTrue, atoms
from safetymodel.model.system import Requirement, System


@dataclass(frozen=True, slots=True)
class Look:
    """``states`` must not come about; nor a step from ``off`` to ``on`` (of happenings those not ``listed``, where
    that is asked). ``word`` is the verdict that is at least as bad then."""

    requirement: Requirement
    word: Word
    states: Diagram | None = None
    off: Diagram | None = None
    on: Diagram | None = None
    listed: frozenset[int] | None = None
    steps: tuple[tuple[Diagram, Operation], ...] = ()
    nothing: Diagram | None = None

    def seen(self, members: Diagram) -> Diagram:
        """The members that must not come about, or to which one of their own steps must not lead."""
        if self.states is not None:
            return members & self.states
        assert self.on is not None
        assert self.nothing is not None
        found = self.nothing
        for before, operation in self.steps:
            found = found | (operation.image(members & before) & self.on)
        return found

    def ended(self, members: Diagram, operation: Operation, kind: str, number: int) -> Diagram:
        """Where this one step of the members is a breach, or ends in one."""
        if self.states is not None:
            return operation.image(members) & self.states
        assert self.on is not None
        assert self.off is not None
        if self.listed is not None and (kind == "reaction" or (kind == "event" and number in self.listed)):
            return members & ~members
        return operation.image(members & self.off) & self.on


def looks_of(encoding: Encoding, requirements: Iterable[Requirement], asked: Asked) -> tuple[Look, ...]:
    """One for each requirement that passes and whose form needs no more than that; the others have none."""
    found = []
    declared = asked.declared(encoding)
    for requirement in requirements:
        word = asked.words[requirement.name]
        if word in ("holds", "reacts"):
            few = encoding.flags_at_most[min(requirement.withstand, encoding.budget)]
            if requirement.name in asked.plain:
                few = few & declared
            look = _look(encoding, requirement, word, few)
            if look is not None:
                found.append(look)
    return tuple(found)


def _look(encoding: Encoding, requirement: Requirement, word: Word, few: Diagram) -> Look | None:
    match requirement.form:
        case "never" | "always" if requirement.begins is None:
            pass
        case "cause" if requirement.within is None:
            pass
        case "permissive":
            assert requirement.allowed is not None
            off = few & encoding.formula(Not(requirement.subject)) & encoding.formula(Not(requirement.allowed))
            return _of_steps(encoding, requirement, few, off, None)
        case "start":
            off = few & encoding.formula(Not(requirement.subject))
            return _of_steps(encoding, requirement, few, off, frozenset(requirement.only_by))
        case _:
            return None
    bad = few & encoding.formula(breach_of(requirement))
    if requirement.prevent:
        return Look(requirement, "broken", bad)
    return Look(requirement, "reacts", bad) if word == "holds" else Look(requirement, "broken", bad & encoding.calm)


def _of_steps(
    encoding: Encoding, requirement: Requirement, few: Diagram, off: Diagram, listed: frozenset[int] | None
) -> Look:
    concerned = subsystems_in(encoding.system, requirement.subject)
    steps = []
    for move, operation in encoding.moves:
        if move.kind in ("fault", "tick") or not moved_by(encoding.system, move.kind, move.number) & concerned:
            continue
        if listed is not None and (move.kind == "reaction" or (move.kind == "event" and move.number in listed)):
            continue
        steps.append((off if move.kind == "reaction" else off & encoding.calm, operation))
    on = few & encoding.formula(requirement.subject)
    return Look(requirement, "broken", None, off, on, listed, tuple(steps), encoding.decisions.false)


def moved_by(system: System, kind: str, number: int) -> frozenset[int]:
    """The subsystems that a move can move."""
    if kind == "event":
        return frozenset(s for s, _ in system.events[number].movers)
    if kind == "jump":
        return frozenset([system.faults[number].subject])
    return frozenset([system.transitions[number].subsystem])


def subsystems_in(system: System, formula: Formula) -> frozenset[int]:
    """The subsystems whose states the formula depends on."""
    found: set[int] = set()
    pending = [formula]
    while pending:
        for atom in atoms(pending.pop()):
            match atom:
                case InState(subsystem, _, _):
                    found.add(subsystem)
                case HowMany(_, _, members, _):
                    found.update(member.subsystem for member in members)
                case SignalTrue(signal):
                    pending.append(system.signals[signal].reads)
                case _:
                    pass
    return frozenset(found)
