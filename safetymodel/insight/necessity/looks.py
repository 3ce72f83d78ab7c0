"""Looks at single states and single steps that show at once that a requirement's verdict has become worse."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

from safetymodel.claims.breach_states import breach_of
from safetymodel.claims.verdict import Word
from safetymodel.claims.watch import INSIDE, opening, window
from safetymodel.explore.decisions import Diagram
from safetymodel.explore.encoding import Encoding, Operation
from safetymodel.explore.engine import EVERY_STEP, no_limit
from safetymodel.explore.saturation import Saturation
from safetymodel.insight.necessity.mirrors import Asked
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


@dataclass(frozen=True, slots=True)
class Watched:
    """The same for what is watched from a settled state in ``begins`` on, up to one in ``ends``."""

    requirement: Requirement
    word: Word
    begins: Diagram
    room: Diagram
    bad: Diagram
    saturation: Saturation

    def seen(self, members: Diagram) -> Diagram:
        """The members that must not come about to which steps among them lead inside the window."""
        entries = members & self.begins
        if entries == entries & ~entries or members & self.bad & self.room == entries & ~entries:
            return entries & ~entries
        return self.saturation.grow(entries, members & self.room) & self.bad


def looks_of(
    encoding: Encoding,
    requirements: Iterable[Requirement],
    asked: Asked,
    on_work: Callable[[], None] = no_limit,
) -> tuple[Look | Watched, ...]:
    """One for each requirement that passes and whose form needs no more than that; the others have none. Those that
    cost most come last."""
    found: list[Look] = []
    watched: list[Watched] = []
    for requirement in requirements:
        word = asked.words[requirement.name]
        if word in ("holds", "reacts"):
            few = asked.few(encoding, requirement)
            if requirement.begins is not None:
                watched.append(_watched(encoding, requirement, word, few, on_work))
                continue
            look = _look(encoding, requirement, word, few)
            if look is not None:
                found.append(look)
    return (*found, *watched)


def _watched(
    encoding: Encoding, requirement: Requirement, word: Word, few: Diagram, on_work: Callable[[], None]
) -> Watched:
    begins = few & encoding.calm & encoding.formula(opening(requirement))
    room = few
    for ends, _ in window(requirement).settling(INSIDE):
        room = room & ~(encoding.calm & encoding.formula(ends))
    bad = few & encoding.formula(breach_of(requirement))
    if word == "reacts":
        bad = bad & encoding.calm
    worse: Word = "reacts" if word == "holds" and not requirement.prevent else "broken"
    return Watched(requirement, worse, begins, room, bad, Saturation(encoding, on_work, EVERY_STEP))


def _look(encoding: Encoding, requirement: Requirement, word: Word, few: Diagram) -> Look | None:
    match requirement.form:
        case "never" | "always":
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
