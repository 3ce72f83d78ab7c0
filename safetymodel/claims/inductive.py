"""Sets of states put to a solver of another kind: that the start is in them, that no step leads out of them, and that
nothing in them breaks a requirement.

An inductive invariant; Manna and Pnueli 1995, "Temporal Verification of Reactive Systems: Safety".
"""

from __future__ import annotations

from collections.abc import Iterator

from safetymodel.claims.breach_states import breach_of
from safetymodel.claims.clock import Clock
from safetymodel.claims.part_invariant import TooLarge, closed_part
from safetymodel.claims.search import Walker
from safetymodel.claims.verdict import Judgement, Opinion
from safetymodel.claims.watch import (
    BREACH,
    INSIDE,
    NOTHING,
    Leap,
    Watch,
    deadline,
    latest_happening,
    permission,
    window,
)
from safetymodel.explore.clauses import Frame, Gates, Moves, set_literal
from safetymodel.explore.decisions import Diagram
from safetymodel.explore.engine import LimitReached
from safetymodel.explore.moves import Move, moves_of
from safetymodel.explore.symbolic import SymbolicSpace
from safetymodel.model.formula import Formula
from safetymodel.model.state import initial_state
from safetymodel.model.step import holds, is_settled
from safetymodel.model.system import Requirement, System


def watch_of(system: System, requirement: Requirement) -> Watch:
    """What has to be remembered along a run to judge the requirement."""
    if requirement.form in ("never", "always"):
        return window(requirement) if requirement.begins is not None else NOTHING
    if requirement.form == "permissive":
        return permission(requirement)
    if requirement.form == "start":
        return latest_happening(system, requirement)
    if requirement.form == "cause" and requirement.within is not None:
        return deadline(requirement)
    return NOTHING


def is_plain(watch: Watch) -> bool:
    """Whether it remembers nothing on the way: then a run is where it would be without it."""
    return watch.values == (watch.first,)


class Inductive:
    """The reached sets of one symbolic space, held against the clauses of its system."""

    def __init__(self, space: SymbolicSpace, clock: Clock) -> None:
        self.space = space
        self.clock = clock
        self.system = space.system
        self.gates = Gates()
        self.before = Frame(self.gates, self.system)
        self.after = Frame(self.gates, self.system)
        self.moves = Moves(self.gates, self.before, self.after, space.budget)
        self._ways: dict[Move, list[list[int]]] = {}
        self._closed: bool | None = None
        self._parts: dict[frozenset[int], dict[int, Diagram] | None] = {}

    def ways(self, move: Move) -> list[list[int]]:
        found = self._ways.get(move)
        if found is None:
            found = self._ways[move] = self.moves.of(move.kind, move.number)
        return found

    def all_moves(self) -> Iterator[Move]:
        for move in moves_of(self.system):
            if self.space.budget or move.kind not in ("fault", "jump"):
                yield move

    def members(self, frame: Frame, members: Diagram) -> int:
        return set_literal(self.gates, frame, self.space.symbolic.encoding, members)

    def ask(self, assumptions: list[int], what: str) -> str:
        """Empty where the assumptions contradict each other; else what is wrong with that."""
        self.clock.check()
        answer = self.gates.impossible(assumptions)
        if answer is None:
            raise LimitReached("a question to the second solver was too hard")
        return "" if answer else what

    def closed(self, sets: dict[int, Diagram], watch: Watch) -> str:
        """Whether the sets contain the start and every step from them stays in them, the watch included."""
        state = initial_state(self.system)
        value = watch.first
        if is_settled(self.system, state):
            rules = watch.settling(value)
            value = next((new for formula, new in rules if holds(self.system, state, formula)), value)
        if value not in sets or not self.space.contains(sets[value], state):
            return "the reached states do not contain the start"
        for value, members in sets.items():
            if value == BREACH:
                continue
            inside = self.members(self.before, members)
            for move in self.all_moves():
                landing = value
                if move.kind != "reaction":
                    landing = next(b for meant, b in watch.classes if meant.covers(move.kind, move.number))(value)
                for conditions, new in self.outcomes(watch, landing):
                    outside = -self.members(self.after, sets.get(new, self.space.nothing()))
                    for way in self.ways(move):
                        wrong = self.ask(
                            [inside, *way, *conditions, outside],
                            f"a step ({move.kind} {move.number}) leads out of the reached states",
                        )
                        if wrong:
                            return wrong
        return ""

    def outcomes(self, watch: Watch, value: int) -> Iterator[tuple[list[int], int]]:
        """What a run that lands with this value may have after it: conditions on the landing, new value."""
        rules = watch.settling(value)
        if not rules:
            yield [], value
            return
        earlier: list[int] = []
        for formula, new in rules:
            literal = self.after.formula(formula)
            yield [self.after.settled, literal, *earlier], new
            earlier.append(-literal)
        yield [-self.gates.both([self.after.settled, -self.gates.both(earlier)])], value

    def no_leap(self, sets: dict[int, Diagram], leap: Leap) -> str:
        """Whether no step from the sets does what the leap forbids."""
        for value, members in sets.items():
            if value == BREACH or (leap.values is not None and value not in leap.values):
                continue
            source = [self.members(self.before, members), self.before.formula(leap.before)]
            for move in self.all_moves():
                if leap.steps.covers(move.kind, move.number):
                    for way in self.ways(move):
                        wrong = self.ask(
                            [*source, *way, self.after.formula(leap.after)],
                            f"a step ({move.kind} {move.number}) breaks the requirement",
                        )
                        if wrong:
                            return wrong
        return ""

    def excludes(self, members: Diagram, breach: Formula, settled_only: bool) -> str:
        """Whether no member (no settled one) breaks the requirement."""
        where = [self.members(self.before, members), self.before.formula(breach)]
        if settled_only:
            where.append(self.before.settled)
        return self.ask(where, "a reached state breaks the requirement")

    def opinion(self, judgement: Judgement) -> Opinion:
        """The second opinion on a verdict that is true of every run, by all states that are reached."""
        watch = watch_of(self.system, judgement.requirement)
        plain = is_plain(watch)
        sets: dict[int, Diagram] = Walker(self.space, NOTHING if plain else watch, self.clock).reached()
        if not plain or self._closed is None:
            wrong = self.closed(sets, NOTHING if plain else watch)
            if wrong:
                return Opinion("invariant", False, wrong)
            self._closed = plain or self._closed
        wrong = self.kept_by(sets, judgement)
        return Opinion("invariant", False, wrong) if wrong else Opinion("invariant", True)

    def opinion_of_part(self, judgement: Judgement, subsystems: frozenset[int]) -> Opinion | None:
        """The same by what a run can be in if only these subsystems are looked at; None where that does not show it."""
        sets = self._part(subsystems, watch_of(self.system, judgement.requirement))
        if sets is None or self.kept_by(sets, judgement):
            return None
        of = f"{len(subsystems)} of {len(self.system.subsystems)} subsystems"
        return Opinion("invariant of a part", True, of)

    def _part(self, subsystems: frozenset[int], watch: Watch) -> dict[int, Diagram] | None:
        """A set of states that no step leads out of, seen through these subsystems; None where none is found."""
        plain = is_plain(watch)
        if plain and subsystems in self._parts:
            return self._parts[subsystems]
        seen_by = NOTHING if plain else watch
        try:
            sets: dict[int, Diagram] | None = closed_part(self.space, subsystems, seen_by, self.clock.check)
        except TooLarge:
            sets = None
        if sets is not None and self.closed(sets, seen_by):
            sets = None
        if plain:
            self._parts[subsystems] = sets
        return sets

    def kept_by(self, sets: dict[int, Diagram], judgement: Judgement) -> str:
        """Empty where nothing in these sets, and no step from them, breaks the requirement; else what does."""
        requirement = judgement.requirement
        watch = watch_of(self.system, requirement)
        for leap in watch.leaps:
            wrong = self.no_leap(sets, leap)
            if wrong:
                return wrong
        if requirement.form == "possible":
            return self.excludes(self.space.reached, requirement.subject, settled_only=True)
        if requirement.form in ("never", "always") or (requirement.form == "cause" and requirement.within is None):
            inside = sets.get(INSIDE if requirement.begins is not None else watch.first, self.space.nothing())
            everywhere = judgement.word == "holds" or requirement.prevent
            return self.excludes(inside, breach_of(requirement), settled_only=not everywhere)
        return ""
