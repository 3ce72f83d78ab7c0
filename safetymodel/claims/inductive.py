"""Sets of states put to a solver of another kind: that the start is in them, that no step leads out of them, and that
nothing in them breaks a requirement.

An inductive invariant; Manna and Pnueli 1995, "Temporal Verification of Reactive Systems: Safety".
"""

from __future__ import annotations

from collections.abc import Iterator

from safetymodel.claims.breach_states import breach_of
from safetymodel.claims.clock import Clock
from safetymodel.claims.part_invariant import PartInvariant
from safetymodel.claims.search import Walker
from safetymodel.claims.verdict import Judgement, Opinion
from safetymodel.claims.watch import BREACH, INSIDE, NOTHING, Leap, Watch, is_plain, watch_of
from safetymodel.explore.clauses import Frame, Gates, Moves, set_literal
from safetymodel.explore.decisions import Diagram
from safetymodel.explore.engine import LimitReached
from safetymodel.explore.moves import Move, moves_of
from safetymodel.explore.symbolic import SymbolicSpace
from safetymodel.model.formula import Formula
from safetymodel.model.state import initial_state
from safetymodel.model.step import holds, is_settled


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
        self._parts: dict[frozenset[int], bool] = {}

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
        outside = {value: -self.members(self.after, members) for value, members in sets.items()}
        nowhere = -self.members(self.after, self.space.nothing())
        for value, members in sets.items():
            if value == BREACH:
                continue
            inside = [self.members(self.before, members)]
            rested = [*inside, self.rested(watch, value)]
            for move in self.all_moves():
                landing, source = value, inside
                if move.kind != "reaction":
                    source = rested
                    landing = next(b for meant, b in watch.classes if meant.covers(move.kind, move.number))(value)
                for conditions, new in self.outcomes(watch, landing):
                    for way in self.ways(move):
                        wrong = self.ask(
                            [*source, *way, *conditions, outside.get(new, nowhere)],
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

    def rested(self, watch: Watch, value: int) -> int:
        """Before a happening: that a settled state can have this value. It got it as it was entered, by the rules for
        the value that it would have had."""
        ways: list[int] = []
        for landing in watch.values:
            earlier: list[int] = []
            for formula, new in watch.settling(landing):
                literal = self.before.formula(formula)
                if new == value:
                    ways.append(self.gates.both([literal, *earlier]))
                earlier.append(-literal)
            if landing == value:
                ways.append(self.gates.both(earlier))
        return -self.gates.both([-way for way in ways])

    def no_leap(self, sets: dict[int, Diagram], leap: Leap, watch: Watch) -> str:
        """Whether no step from the sets does what the leap forbids."""
        for value, members in sets.items():
            if value == BREACH or (leap.values is not None and value not in leap.values):
                continue
            inside = [self.members(self.before, members), self.before.formula(leap.before)]
            rested = [*inside, self.rested(watch, value)]
            for move in self.all_moves():
                if leap.steps.covers(move.kind, move.number):
                    source = inside if move.kind == "reaction" else rested
                    for way in self.ways(move):
                        wrong = self.ask(
                            [*source, *way, self.after.formula(leap.after)],
                            f"a step ({move.kind} {move.number}) breaks the requirement",
                        )
                        if wrong:
                            return wrong
        return ""

    def excludes(self, members: Diagram, breach: Formula, settled_only: bool, *rested: int) -> str:
        """Whether no member (no settled one, of which ``rested`` is true) breaks the requirement."""
        where = [self.members(self.before, members), self.before.formula(breach)]
        if settled_only:
            where += [self.before.settled, *rested]
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

    def opinion_of_part(self, judgement: Judgement, part: PartInvariant) -> Opinion | None:
        """The same by what a run can be in if only some subsystems are looked at; None where that does not show it."""
        plain = is_plain(part.watch)
        closed = self._parts.get(part.subsystems) if plain else None
        if closed is None:
            closed = not self.closed(part.sets, part.watch)
            if plain:
                self._parts[part.subsystems] = closed
        if not closed or self.kept_by(part.sets, judgement):
            return None
        of = f"{len(part.subsystems)} of {len(self.system.subsystems)} subsystems"
        return Opinion("invariant of a part", True, of)

    def kept_by(self, sets: dict[int, Diagram], judgement: Judgement) -> str:
        """Empty where nothing in these sets, and no step from them, breaks the requirement; else what does."""
        requirement = judgement.requirement
        watch = watch_of(self.system, requirement)
        for leap in watch.leaps:
            wrong = self.no_leap(sets, leap, watch)
            if wrong:
                return wrong
        if requirement.form == "possible":
            return self.excludes(self.space.reached, requirement.subject, settled_only=True)
        if requirement.form in ("never", "always") or (requirement.form == "cause" and requirement.within is None):
            value = INSIDE if requirement.begins is not None else watch.first
            inside = sets.get(value, self.space.nothing())
            everywhere = judgement.word == "holds" or requirement.prevent
            return self.excludes(inside, breach_of(requirement), not everywhere, self.rested(watch, value))
        return ""
