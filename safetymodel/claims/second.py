"""A second opinion on a verdict, by another road than the one that found it.

A broken requirement's run is re-stepped by the reference step function (:mod:`claims.recheck`). For
one that is true, either the other engine judges it too, or the set of reached states is put to a
solver of another kind: that it contains the start, that no step leads out of it, and that nothing in
it breaks the requirement. (An inductive invariant; Manna and Pnueli 1995, "Temporal Verification of
Reactive Systems: Safety".)
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import Any

from safetymodel.claims.breach_states import breach_of
from safetymodel.claims.clock import Clock
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
from safetymodel.explore.engine import LimitReached, Space
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
        """The second opinion on a verdict that is true of every run."""
        requirement = judgement.requirement
        watch = watch_of(self.system, requirement)
        # a watch of one value remembers nothing on the way: a run is where it would be without it
        plain = watch.values == (watch.first,)
        sets: dict[int, Diagram] = Walker(self.space, NOTHING if plain else watch, self.clock).reached()
        if not plain or self._closed is None:
            wrong = self.closed(sets, NOTHING if plain else watch)
            if wrong:
                return Opinion("invariant", False, wrong)
            self._closed = plain or self._closed
        for leap in watch.leaps:
            wrong = self.no_leap(sets, leap)
            if wrong:
                return Opinion("invariant", False, wrong)
        if requirement.form == "possible":
            wrong = self.excludes(self.space.reached, requirement.subject, settled_only=True)
            if wrong:
                return Opinion("invariant", False, wrong)
        if requirement.form in ("never", "always") or (requirement.form == "cause" and requirement.within is None):
            inside = sets.get(INSIDE if requirement.begins is not None else watch.first, self.space.nothing())
            everywhere = judgement.word == "holds" or requirement.prevent
            wrong = self.excludes(inside, breach_of(requirement), settled_only=not everywhere)
            if wrong:
                return Opinion("invariant", False, wrong)
        return Opinion("invariant", True)


def no_time(judgement: Judgement, reason: str) -> Judgement:
    """The judgement without a second opinion, and why."""
    return replace(judgement, second=Opinion("none", None, reason))


def by_other_engine(
    judgements: tuple[Judgement, ...], mine: Mapping[int, Space[Any]], theirs: Mapping[int, Space[Any]], clock: Clock
) -> tuple[Judgement, ...]:
    """Each judgement held against that of the other engine: verdict, happenings, counts of states."""
    from safetymodel.claims.judge import judge

    found = []
    for judgement in judgements:
        own, other = mine[judgement.budget], theirs[judgement.budget]
        if judgement.word == "undecided" or not other.complete:
            found.append(no_time(judgement, other.shortfall or judgement.reason))
            continue
        wrong = ""
        again = judge(other, judgement.requirement, clock)
        if again.word == "undecided":
            found.append(no_time(judgement, again.reason))
            continue
        counts = [(space.size(space.settled), space.size(space.reached)) for space in (own, other)]
        distances = [j.trace.happenings if j.trace else None for j in (judgement, again)]
        if again.word != judgement.word:
            wrong = f"one engine says {judgement.word}, the other {again.word}"
        elif counts[0] != counts[1]:
            wrong = f"one engine counts {counts[0]} states, the other {counts[1]}"
        elif distances[0] != distances[1]:
            wrong = f"one engine finds {distances[0]} happenings, the other {distances[1]}"
        found.append(replace(judgement, second=Opinion("other engine", not wrong, wrong)))
    return tuple(found)


def by_invariant(
    judgements: tuple[Judgement, ...], spaces: Mapping[int, Space[Any]], clock: Clock
) -> tuple[Judgement, ...]:
    """Each judgement by the road that fits it: its run re-stepped, the reached set put to the solver,
    or a run that shows what is possible. The fewest faults first: there are the fewest states to look at."""
    checks: dict[int, Inductive] = {}
    found: dict[int, Judgement] = {}
    for place, judgement in sorted(enumerate(judgements), key=lambda pair: (pair[1].budget, pair[0])):
        space = spaces[judgement.budget]
        assert isinstance(space, SymbolicSpace)
        try:
            opinion = _opinion(judgement, space, checks, clock)
        except LimitReached as limit:
            opinion = Opinion("none", None, str(limit))
        found[place] = replace(judgement, second=opinion)
    return tuple(found[place] for place in range(len(judgements)))


def _opinion(judgement: Judgement, space: SymbolicSpace, checks: dict[int, Inductive], clock: Clock) -> Opinion:
    requirement = judgement.requirement
    if judgement.word == "undecided":
        return Opinion("none", None, "nothing was shown")
    if judgement.trace is not None:
        return Opinion("re-stepped", True)
    clock.check()
    if requirement.form == "always_possible" and judgement.word != "empty":
        return Opinion("none", None, "too large for the other engine, and not a matter of an invariant")
    if requirement.form == "possible" and judgement.word == "holds":
        if space.budget:
            return Opinion("none", None, "too large for the other engine, and not a matter of one run")
        return _witnessed(space, requirement, clock)
    if judgement.budget not in checks:
        checks[judgement.budget] = Inductive(space, clock)
    return checks[judgement.budget].opinion(judgement)


def _witnessed(space: SymbolicSpace, requirement: Requirement, clock: Clock) -> Opinion:
    """A ``possible`` without faults: a run to P, each step of it taken by the reference step function."""
    good = space.common(space.settled, space.where(requirement.subject))
    trace = Walker(space, NOTHING, clock).shortest({0: good})
    if trace is None or not holds(space.system, trace.end, requirement.subject):
        return Opinion("witness", False, "no run leads to what is called possible")
    return Opinion("witness", True, f"a run of {trace.happenings} happenings")
