"""Whether what a verdict needs to come about surely still does when one transition is changed.

A verdict is `empty` where its situation never comes about. It still does if it was found before the first state from
which the change takes a step; if only faults lead to such a state, and runs lead to it that pass none from which any of
these changes takes a step; or if a known run leads to it that is still one: a scenario, or one that was made for
another change (`runs`).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from safetymodel.claims.breach_states import inside_window, turning
from safetymodel.claims.watch import opening
from safetymodel.explore.decisions import Diagram
from safetymodel.explore.engine import EVERY_STEP, no_limit
from safetymodel.explore.moves import Move
from safetymodel.explore.ordering import support
from safetymodel.explore.pooling import moved_by
from safetymodel.explore.symbolic import SymbolicSpace
from safetymodel.insight.necessity.altered import Altered
from safetymodel.insight.necessity.changes import Kind
from safetymodel.insight.necessity.record import Record
from safetymodel.insight.necessity.runs import Run, Runs, run_of
from safetymodel.insight.standing import arising
from safetymodel.model.formula import FALSE
from safetymodel.model.state import State, initial_state
from safetymodel.model.step import Step, steps
from safetymodel.model.system import Requirement, Scenario, System

MOST_RUNS = 60
"""Runs that are kept."""


class Witnesses:
    """Of requirements that pass; each is asked in its own space, by name."""

    def __init__(
        self,
        record: Record,
        spaces: Mapping[str, SymbolicSpace],
        harmed: Mapping[Kind, Diagram],
        on_work: Callable[[], None] = no_limit,
    ) -> None:
        """``harmed``: for each kind of change the states, all with faults, from which one or another takes a step, if
        it takes no other."""
        self.record = record
        self.spaces = spaces
        self.harmed = harmed
        self._false = record.encoding.decisions.false
        self._no_faults = record.encoding.flags_at_most[0]
        self._untouched: dict[tuple[str, Kind], Diagram] = {}
        self._common: list[tuple[Diagram, Diagram]] = []
        """Rooms, and what runs in them lead to."""
        self._wanted: dict[str, tuple[tuple[Diagram, int], ...]] = {}
        encoding, start = record.encoding, initial_state(record.encoding.system)
        self._maker = Runs(record, on_work)
        self.runs: list[Run] = []
        for scenario in encoding.system.scenarios:
            states, moves = passed(encoding.system, scenario, start)
            self.runs.append(run_of(encoding, tuple(encoding.single(s) for s in states), moves))
        self._inside: dict[tuple[str, int], tuple[int, ...]] = {}

    def may_be_missing(self, requirement: Requirement, altered: Altered, search: bool = True) -> bool:
        """Whether something that the verdict needs may no longer come about; ``search``: make new runs to see."""
        if altered.only_more:
            return False
        until = self.record.first(altered.lost)
        late = [members for members, at in self._found(requirement) if at >= until]
        if late and altered.lost & self._no_faults == altered.false:
            untouched = self._untouched_by(altered.change.kind, requirement)
            late = [members for members in late if members & untouched == altered.false]
        return not all(self._shown(requirement, altered, members, search) for members in late)

    def _untouched_by(self, kind: Kind, requirement: Requirement) -> Diagram:
        """What runs lead to that none of these changes touches; in a window: inside it."""
        if (requirement.name, kind) not in self._untouched:
            space = self.spaces[requirement.name].inside(~self.harmed[kind])
            reached = next((found for room, found in self._common if room == space.reached), None)
            if reached is None:
                reached = space.spread(space.common(space.start, space.reached), EVERY_STEP, None, space.reached)
                self._common.append((space.reached, reached))
            if requirement.begins is not None:
                reached = inside_window(space.inside(reached), requirement)
            self._untouched[requirement.name, kind] = reached
        return self._untouched[requirement.name, kind]

    def _found(self, requirement: Requirement) -> tuple[tuple[Diagram, int], ...]:
        """What is needed, and when it was found; in a window that is never, since being reached is not enough."""
        found = self._wanted.get(requirement.name)
        if found is None:
            sets = needed(self.spaces[requirement.name], requirement)
            never = len(self.record.known) + 1
            first = (never if requirement.begins is not None else self.record.first(members) for members in sets)
            found = self._wanted[requirement.name] = tuple(zip(sets, first, strict=True))
        return found

    def wanted(self, requirement: Requirement) -> tuple[Diagram, ...]:
        """Sets of reached states, of each of which one has to come about."""
        return tuple(members for members, _ in self._found(requirement))

    def _shown(self, requirement: Requirement, altered: Altered, members: Diagram, search: bool) -> bool:
        """Whether a run leads to the members that is still one."""
        false = altered.false
        for number, run in enumerate(self.runs):
            if members & run.passed != false and self._leads_to(members, number, requirement, altered):
                return True
        if not search or len(self.runs) >= MOST_RUNS:
            return False
        target = members
        if requirement.begins is not None:
            begins = members & self._begins(requirement)
            target = begins if begins != false else members
        made = self._maker.to(target, altered)
        if made is None:
            return False
        self.runs.append(made)
        return self._leads_to(members, len(self.runs) - 1, requirement, altered)

    def _leads_to(self, members: Diagram, number: int, requirement: Requirement, altered: Altered) -> bool:
        """Whether the run comes to one of the members that keeps all its steps, in a window while it is open, as long
        as it is still a run."""
        run, members = self.runs[number], members & ~doubtful(requirement, altered)
        until = run.still(altered)
        places = range(until) if requirement.begins is None else self._while_open(requirement, number)
        return any(place < until and members & run.states[place] != altered.false for place in places)

    def _begins(self, requirement: Requirement) -> Diagram:
        space = self.spaces[requirement.name]
        return space.common(space.settled, space.where(opening(requirement)))

    def _while_open(self, requirement: Requirement, number: int) -> tuple[int, ...]:
        """The places of a run at which the window of the requirement is open."""
        key = (requirement.name, number)
        if key not in self._inside:
            space, found, inside = self.spaces[requirement.name], list[int](), False
            begins = self._begins(requirement)
            ends = space.common(space.settled, space.where(requirement.ends or FALSE))
            for place, state in enumerate(self.runs[number].states):
                inside = state & begins != self._false or (inside and state & ends == self._false)
                if inside:
                    found.append(place)
            self._inside[key] = tuple(found)
        return self._inside[key]


def needed(space: SymbolicSpace, requirement: Requirement) -> tuple[Diagram, ...]:
    """Of each of these sets of reached states some member has to come about, in a window while it is open, or the
    verdict becomes worse; where a step has to follow it is still there."""
    on = space.where(requirement.subject)
    if requirement.form in ("permissive", "start"):
        kinds, events = turning(space.system, requirement.subject)
        return (space.minus(space.before(on, kinds, events), on),)
    if requirement.form == "possible":
        return (space.common(space.settled, on),)
    if requirement.form == "always_possible":
        return (space.settled,)
    inside = space.reached if requirement.begins is None else inside_window(space, requirement)
    return arising(space, requirement, inside)


def doubtful(requirement: Requirement, altered: Altered) -> Diagram:
    """Those of the needed states that may no longer do when the changed system comes to them: it has not settled there,
    or has only there, or the step that has to follow may be gone."""
    if requirement.form in ("permissive", "start"):
        read = support(requirement.subject, altered.encoding.signal_support)
        if any((moved_by(move, altered.encoding.system) or set()) & read for move in altered.changed_moves):
            return altered.lost
    return altered.calmed | altered.stirred


def passed(system: System, scenario: Scenario, state: State) -> tuple[tuple[State, ...], tuple[Move, ...]]:
    """The states that one run through a scenario passes, up to its first fault, and the moves between them: of due
    reactions the first fires."""
    states, moves = [state], list[Move]()

    def take(step: Step) -> None:
        states.append(step.after)
        moves.append(Move(step.kind, step.number))

    def react() -> bool:
        """Whether they come to an end."""
        seen = {states[-1]}
        while due := next((s for s in steps(system, states[-1], 0) if s.kind == "reaction"), None):
            take(due)
            if due.after in seen:
                return False
            seen.add(due.after)
        return True

    for step in scenario.steps:
        wanted = [("event", step.number)] if step.kind == "event" else [("tick", 0)] * step.number
        if step.kind == "fault" or not react():
            break
        for kind, number in wanted if step.kind in ("event", "wait") else ():
            here = steps(system, states[-1], 0) if react() else iter(())
            taken = next((s for s in here if s.kind == kind and (kind == "tick" or s.number == number)), None)
            if taken is None:
                return tuple(states), tuple(moves)
            take(taken)
    react()
    return tuple(states), tuple(moves)
