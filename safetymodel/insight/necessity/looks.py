"""Looks at single states and single steps that show at once that a requirement's verdict has become worse."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

from safetymodel.claims.breach_states import breach_of
from safetymodel.claims.verdict import Word
from safetymodel.claims.watch import INSIDE, opening, window
from safetymodel.explore.decisions import Diagram, disjoin
from safetymodel.explore.encoding import Encoding, Operation
from safetymodel.explore.engine import EVERY_STEP, no_limit
from safetymodel.explore.moves import Move
from safetymodel.explore.ordering import support
from safetymodel.explore.pooling import moved_by
from safetymodel.explore.saturation import Saturation
from safetymodel.insight.necessity.altered import Altered
from safetymodel.insight.necessity.mirrors import Asked
from safetymodel.model.formula import Not
from safetymodel.model.system import Requirement


@dataclass(frozen=True, slots=True)
class Look:
    """``states`` must not come about, since they break the requirement themselves or a step from them does. ``word`` is
    the verdict that is at least as bad then."""

    requirement: Requirement
    word: Word
    states: Diagram

    def seen(self, members: Diagram) -> Diagram:
        """The members that must not come about."""
        return members & self.states


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


class _Steps:
    """The steps that make the subject of a `permissive` true where that is not allowed, or of a `start` by what may not
    do so. Faults that do it by what they hold a signal at are left out."""

    def __init__(self, encoding: Encoding, requirement: Requirement, few: Diagram) -> None:
        """``encoding``: of the system as it is; ``few``: all states with no more faults than are looked at."""
        self._off = few & encoding.formula(Not(requirement.subject))
        if requirement.allowed is not None:
            self._off = self._off & encoding.formula(Not(requirement.allowed))
        self._on = few & encoding.formula(requirement.subject)
        self._may = requirement.only_by if requirement.form == "start" else None
        self._system = encoding.system
        self._read = support(requirement.subject, encoding.signal_support)
        self._false = encoding.decisions.false
        self._reacting: dict[Move, Diagram] = {}
        self._happening: dict[Move, Diagram] = {}
        for move, operation in encoding.moves:
            if self._counts(move):
                row = self._reacting if move.kind == "reaction" else self._happening
                row[move] = self._origin(operation)
        self._all = tuple(disjoin(row.values(), self._false) for row in (self._reacting, self._happening))

    def _counts(self, move: Move) -> bool:
        if self._may is not None and (move.kind == "reaction" or (move.kind == "event" and move.number in self._may)):
            return False
        moved = None if move.kind == "fault" else moved_by(move, self._system)
        return moved is not None and bool(moved & self._read)

    def _origin(self, operation: Operation) -> Diagram:
        return operation.source(self._on) & self._off

    def before(self, altered: Altered) -> Diagram:
        """From where a step of the changed system does so."""
        changed = altered.changed_moves
        reacting, happening = self._all
        if any(move in self._reacting or move in self._happening for move in changed):
            reacting, happening = (
                disjoin((origin for move, origin in row.items() if move not in changed), self._false)
                for row in (self._reacting, self._happening)
            )
        for move, operation, _ in altered.own:
            if self._counts(move):
                if move.kind == "reaction":
                    reacting = reacting | self._origin(operation)
                else:
                    happening = happening | self._origin(operation)
        return reacting | (happening & altered.encoding.calm)


class Looks:
    """At changed systems of one system."""

    def __init__(self, encoding: Encoding, asked: Asked, on_work: Callable[[], None] = no_limit) -> None:
        """``encoding``: of the system as it is."""
        self.encoding = encoding
        self.asked = asked
        self.on_work = on_work
        self._steps: dict[str, _Steps] = {}

    def of(self, altered: Altered, requirements: Iterable[Requirement]) -> tuple[Look | Watched, ...]:
        """One for each requirement that passes and whose form needs no more than that; the others have none. Those that
        cost most come last."""
        found: list[Look] = []
        watched: list[Watched] = []
        for requirement in requirements:
            if self.asked.words[requirement.name] not in ("holds", "reacts"):
                continue
            if requirement.begins is not None:
                watched.append(self._watched(altered, requirement))
                continue
            look = self._look(altered, requirement)
            if look is not None:
                found.append(look)
        return (*found, *watched)

    def _watched(self, altered: Altered, requirement: Requirement) -> Watched:
        encoding, word = self.encoding, self.asked.words[requirement.name]
        few, calm = self.asked.few(encoding, requirement), altered.encoding.calm
        begins = few & calm & encoding.formula(opening(requirement))
        room = few
        for ends, _ in window(requirement).settling(INSIDE):
            room = room & ~(calm & encoding.formula(ends))
        bad = few & encoding.formula(breach_of(requirement))
        if word == "reacts":
            bad = bad & calm
        worse: Word = "reacts" if word == "holds" and not requirement.prevent else "broken"
        return Watched(requirement, worse, begins, room, bad, Saturation(altered.encoding, self.on_work, EVERY_STEP))

    def _look(self, altered: Altered, requirement: Requirement) -> Look | None:
        encoding, word = self.encoding, self.asked.words[requirement.name]
        few = self.asked.few(encoding, requirement)
        if requirement.form in ("permissive", "start"):
            steps = self._steps.get(requirement.name)
            if steps is None:
                steps = self._steps[requirement.name] = _Steps(encoding, requirement, few)
            return Look(requirement, "broken", steps.before(altered))
        if requirement.form not in ("never", "always", "cause") or requirement.within is not None:
            return None
        bad = few & encoding.formula(breach_of(requirement))
        if requirement.prevent:
            return Look(requirement, "broken", bad)
        if word == "holds":
            return Look(requirement, "reacts", bad)
        return Look(requirement, "broken", bad & altered.encoding.calm)
