"""One system that is all changed ones at once: a further subsystem beside each tells which change is made.

It stays as it was at the start, and at the start at most one of them all tells of a change. So a run of the varied
system is a run of one of the changed ones, or of the system as it is.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from safetymodel.insight.necessity.changes import Change
from safetymodel.model.formula import AllOf, AnyOf, Formula, InState
from safetymodel.model.state import State, initial_state
from safetymodel.model.system import Subsystem, System, Transition

PREFIX = "change of "
"""No name of a spec has a blank in it."""


@dataclass(frozen=True, slots=True)
class Varied:
    """``system`` has a further subsystem for each one that some change is about; ``chooser`` and ``state`` say by which
    state of which of them a change is told."""

    system: System
    changes: tuple[Change, ...]
    chooser: Mapping[int, int]
    state: Mapping[int, int]

    def where(self, change: int) -> Formula:
        """True of the states of that changed system."""
        return InState(self.chooser[change], (self.state[change],))

    def starts(self) -> Iterator[State]:
        """The initial state of each changed system, and of the system as it is."""
        plain = initial_state(self.system)
        yield plain
        for change in self.chooser:
            states = list(plain.states)
            states[self.chooser[change]] = self.state[change]
            yield plain._replace(states=tuple(states))


def varied(system: System, changes: Sequence[Change]) -> Varied:
    """All of these changes in one system."""
    about: dict[int, list[Change]] = {}
    for change in changes:
        about.setdefault(system.transitions[change.transition].subsystem, []).append(change)
    chooser, state = dict[int, int](), dict[int, int]()
    choosers: list[Subsystem] = []
    for subsystem, found in about.items():
        number = len(system.subsystems) + len(choosers)
        names = ("none", *(str(c.number) for c in found))
        name = PREFIX + system.subsystems[subsystem].name
        span = system.subsystems[subsystem].span
        choosers.append(Subsystem(number, name, "", None, names, 0, (), (0,) * len(names), span))
        for place, change in enumerate(found, 1):
            chooser[change.number], state[change.number] = number, place
    transitions = list(system.transitions)
    extra: dict[int, list[int]] = {}
    for t in system.transitions:
        mine = [c for c in changes if c.transition == t.number]
        if not mine:
            continue
        transitions[t.number] = _changed(t, mine, chooser, state)
        for change in mine:
            if change.kind == "late":
                here = InState(chooser[change.number], (state[change.number],))
                late = late_transition(system, t, len(transitions), AllOf((here, t.interlock)))
                extra.setdefault(t.subsystem, []).append(late.number)
                transitions.append(late)
    subsystems = tuple(
        replace(s, transitions=(*s.transitions, *extra[s.number])) if s.number in extra else s
        for s in system.subsystems
    )
    whole = replace(system, subsystems=(*subsystems, *choosers), transitions=tuple(transitions))
    return Varied(whole, tuple(changes), chooser, state)


def _changed(t: Transition, mine: Sequence[Change], chooser: Mapping[int, int], state: Mapping[int, int]) -> Transition:
    told = tuple(sorted(state[c.number] for c in mine))
    ways: list[Formula] = [AllOf((InState(chooser[mine[0].number], told, negated=True), t.interlock))]
    for change in mine:
        if change.kind in ("part", "negated"):
            ways.append(AllOf((InState(chooser[change.number], (state[change.number],)), change.interlock)))
    return replace(t, interlock=AnyOf(tuple(ways)))


def late_transition(system: System, t: Transition, number: int, interlock: Formula) -> Transition:
    """The same reaction at any moment from its time on, and never due: its clock stops before it would be."""
    longest = system.subsystems[t.subsystem].longest[t.source]
    return replace(t, number=number, interlock=interlock, latest=longest + 1)


def changed_system(system: System, change: Change) -> System:
    """The system with this one change."""
    transitions = list(system.transitions)
    t = transitions[change.transition]
    if change.kind == "late":
        transitions[t.number] = late_transition(system, t, t.number, t.interlock)
    else:
        transitions[t.number] = replace(t, interlock=change.interlock)
    return replace(system, transitions=tuple(transitions))
