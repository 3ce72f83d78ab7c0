"""What surely goes with a transition that is taken away, told by few subsystems: states that are not left any more, and
situations that do not arise any more.

Through a few subsystems alone more seems possible than there is, so what does not come about there never does.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence

from safetymodel.claims.part_invariant import PartInvariant, TooLarge
from safetymodel.claims.verdict import Word
from safetymodel.claims.watch import NOTHING
from safetymodel.explore.decisions import Diagram
from safetymodel.explore.engine import REACTION
from safetymodel.explore.ordering import reading_way, reads_of, support
from safetymodel.explore.rounds import going_on
from safetymodel.explore.symbolic import SymbolicSpace
from safetymodel.insight.necessity.altered import Altered
from safetymodel.insight.necessity.record import Record
from safetymodel.insight.necessity.runs import Run
from safetymodel.insight.standing import must_arise
from safetymodel.model.system import Requirement

MOST_SUBSYSTEMS = 8
"""More are not looked at together."""


class Stuck:
    """Of requirements that pass; ``few``: for each (name) all states with no more faults than it withstands."""

    def __init__(
        self,
        space: SymbolicSpace,
        record: Record,
        requirements: Iterable[Requirement],
        words: Mapping[str, Word],
        few: Mapping[str, Diagram],
        runs: Sequence[Run],
        on_work: Callable[[], None],
    ) -> None:
        """``runs``: known ones of the system as it is."""
        self.space = space
        self.record = record
        self.requirements = tuple(requirements)
        self.words = words
        self.few = few
        self.runs = runs
        self.on_work = on_work
        self._signals = record.encoding.signal_support
        self._reads = reads_of(space.system)
        self._no_faults = record.encoding.flags_at_most[0]
        self._false = record.encoding.decisions.false

    def noticed(self, altered: Altered, concerned: Callable[[Requirement], bool]) -> dict[str, Word]:
        """A requirement that surely notices, with the verdict that it then has; empty where none is found so."""
        if altered.change.kind != "removed":
            return {}
        asked = [r for r in self.requirements if self.words[r.name] != "empty" and concerned(r)]
        return self._not_left(altered, asked) or self._not_arising(altered, asked)

    def _not_left(self, altered: Altered, asked: list[Requirement]) -> dict[str, Word]:
        """From some state that is still reached something cannot be brought about any more."""
        asked = [r for r in asked if r.form == "always_possible"]
        if not asked:
            return {}
        subject = self.space.system.transitions[altered.change.transition].subsystem
        views = {r.name: reading_way(self._reads, support(r.subject, self._signals), subject) for r in asked}
        good = {r.name: altered.encoding.formula(r.subject) for r in asked}
        tried: set[tuple[str, int]] = set()
        for place, here in self._still_reached(altered, subject):
            parts: dict[frozenset[int], PartInvariant | None] = {}
            for requirement in asked:
                name = requirement.name
                view = views[name]
                if (name, place) in tried or len(view) > MOST_SUBSYSTEMS or here & good[name] != altered.false:
                    continue
                tried.add((name, place))
                if view not in parts:
                    parts[view] = self._part(altered, view, self._no_faults, here)
                part = parts[view]
                if part is not None and not self._meets(part, good[name]) and self._settles(altered, here):
                    return {name: "broken"}
        return {}

    def _settles(self, altered: Altered, here: Diagram) -> bool:
        """Whether all reactions from there come to an end."""
        passed = altered.grown(here, altered.encoding.transient, REACTION)
        return going_on(altered.encoding, passed, self.on_work) == altered.false

    def _still_reached(self, altered: Altered, subsystem: int) -> Iterator[tuple[int, Diagram]]:
        """Single states without faults that the changed system comes to, each after the number of the state in which
        the subsystem then is: from where the transition could first happen, and from runs that never take it."""
        encoding = altered.encoding
        states = [encoding.in_state(subsystem, n) for n in range(len(self.space.system.subsystems[subsystem].states))]
        for here in (self._first(altered), *self._on_runs(altered)):
            if here & self._no_faults != altered.false:
                yield next(n for n, state in enumerate(states) if state & here != altered.false), here

    def _on_runs(self, altered: Altered) -> Iterator[Diagram]:
        for run in self.runs:
            yield from run.states[: run.still(altered)]

    def _first(self, altered: Altered) -> Diagram:
        """One state without faults in which the transition can happen, or has to, and to which a run leads on which it
        could not."""
        lost = altered.lost & self._no_faults
        if lost == altered.false:
            return lost
        at = self.record.first(lost)
        found = lost & self.record.known[at] if at < len(self.record.known) else lost
        return altered.encoding.decisions.one(found)

    def _not_arising(self, altered: Altered, asked: list[Requirement]) -> dict[str, Word]:
        subject = self.space.system.transitions[altered.change.transition].subsystem
        parts: dict[tuple[frozenset[int], Diagram], PartInvariant | None] = {}
        for requirement in asked:
            formulas = must_arise(requirement)
            read = frozenset().union(*(support(formula, self._signals) for formula in formulas))
            if subject not in read or len(read) > MOST_SUBSYSTEMS:
                continue
            key = (read, self.few[requirement.name])
            if key not in parts:
                parts[key] = self._part(altered, *key, self.space.start)
            part = parts[key]
            if part is None:
                continue
            if not all(self._meets(part, altered.encoding.formula(formula)) for formula in formulas):
                return {requirement.name: "broken" if requirement.form == "possible" else "empty"}
        return {}

    def _part(self, altered: Altered, subsystems: frozenset[int], few: Diagram, start: Diagram) -> PartInvariant | None:
        try:
            return PartInvariant(altered.encoding, subsystems, NOTHING, few, start, self.on_work)
        except TooLarge:
            return None

    def _meets(self, part: PartInvariant, members: Diagram) -> bool:
        return any(found & members != self._false for found in part.sets.values())
