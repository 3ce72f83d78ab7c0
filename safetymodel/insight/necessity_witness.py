"""Whether what a verdict needs to come about surely still does when one transition is changed.

A verdict is `empty` where its situation never comes about. It still does if it was found before the first state from
which the change takes a step; if only faults lead to such a state, and runs lead to it that pass none from which any of
these changes takes a step; or if a scenario leads to it without passing such a state.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from safetymodel.claims.breach_states import inside_window, turning
from safetymodel.claims.watch import OUTSIDE, window
from safetymodel.explore.decisions import Diagram
from safetymodel.explore.engine import EVERY_STEP
from safetymodel.explore.symbolic import SymbolicSpace
from safetymodel.insight.necessity_altered import Altered
from safetymodel.insight.necessity_changes import Kind
from safetymodel.insight.necessity_record import Record
from safetymodel.insight.standing import arising
from safetymodel.model.formula import FALSE
from safetymodel.model.state import State, initial_state
from safetymodel.model.step import steps
from safetymodel.model.system import Requirement, Scenario, System

Run = tuple[State, ...]
"""The states that a run passes."""


class Witnesses:
    """Of requirements that pass; each is asked in its own space, by name."""

    def __init__(self, record: Record, spaces: Mapping[str, SymbolicSpace], harmed: Mapping[Kind, Diagram]) -> None:
        """``harmed``: for each kind of change the states, all with faults, from which one or another takes a step, if
        it takes no other."""
        self.record = record
        self.spaces = spaces
        self.harmed = harmed
        self._no_faults = record.encoding.flags_at_most[0]
        self._untouched: dict[tuple[str, Kind], Diagram] = {}
        self._common: list[tuple[Diagram, Diagram]] = []
        """Rooms, and what runs in them lead to."""
        self._wanted: dict[str, tuple[tuple[Diagram, int], ...]] = {}
        system, start = record.encoding.system, initial_state(record.encoding.system)
        self._runs: list[Run] = [tuple(passed(system, scenario, start)) for scenario in system.scenarios]

    def may_be_missing(self, requirement: Requirement, altered: Altered) -> bool:
        """Whether something that the verdict needs may no longer come about."""
        if altered.only_more:
            return False
        wanted = self._wanted.get(requirement.name)
        if wanted is None:
            wanted = self._wanted[requirement.name] = self._found(requirement)
        until = self.record.first(altered.lost)
        late = [members for members, at in wanted if at >= until]
        if late and altered.lost & self._no_faults == altered.false:
            untouched = self._untouched_by(altered.change.kind, requirement)
            late = [members for members in late if members & untouched == altered.false]
        return not all(self._shown(requirement, altered, members) for members in late)

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
        space = self.spaces[requirement.name]
        on = space.where(requirement.subject)
        if requirement.form in ("permissive", "start"):
            kinds, events = turning(space.system, requirement.subject)
            sets: tuple[Diagram, ...] = (space.minus(space.before(on, kinds, events), on),)
        elif requirement.form == "possible":
            sets = (space.common(space.settled, on),)
        elif requirement.form == "always_possible":
            sets = (space.settled,)
        elif requirement.begins is not None:
            sets = arising(space, requirement, inside_window(space, requirement))
            return tuple((members, len(self.record.known) + 1) for members in sets)
        else:
            sets = arising(space, requirement, space.reached)
        return tuple((members, self.record.first(members)) for members in sets)

    def _shown(self, requirement: Requirement, altered: Altered, members: Diagram) -> bool:
        """Whether a scenario leads to the members."""
        return any(self._leads_to(members, run, requirement, altered) for run in self._runs)

    def _leads_to(self, members: Diagram, run: Run, requirement: Requirement, altered: Altered) -> bool:
        """Whether the run comes to the members, in a window while it is open, before a step of it may be lost."""
        space = self.spaces[requirement.name]
        begins = ends = members
        watched = requirement.begins is not None
        if watched:
            (opens, _), *_ = window(requirement).settling(OUTSIDE)
            begins = space.common(space.settled, space.where(opens))
            ends = space.common(space.settled, space.where(requirement.ends or FALSE))
        inside = not watched
        for state in run:
            if space.contains(altered.lost, state):
                break
            if watched:
                inside = space.contains(begins, state) or (inside and not space.contains(ends, state))
            if inside and space.contains(members, state):
                return True
        return False


def passed(system: System, scenario: Scenario, state: State) -> Iterator[State]:
    """The states that one run through a scenario passes, up to its first fault: of due reactions the first fires."""
    yield state
    for step in scenario.steps:
        wanted = [("event", step.number)] if step.kind == "event" else [("tick", 0)] * step.number
        if step.kind == "fault":
            return
        for kind, number in wanted if step.kind in ("event", "wait") else ():
            for reaction in _reactions(system, state):
                yield reaction
                state = reaction
            taken = [s for s in steps(system, state, 0) if s.kind == kind and (kind == "tick" or s.number == number)]
            if not taken:
                return
            state = taken[0].after
            yield state
    yield from _reactions(system, state)


def _reactions(system: System, state: State) -> Iterator[State]:
    seen = {state}
    while step := next((s for s in steps(system, state, 0) if s.kind == "reaction"), None):
        state = step.after
        if state in seen:
            return
        seen.add(state)
        yield state
