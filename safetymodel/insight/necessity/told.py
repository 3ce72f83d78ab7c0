"""Each change by itself: who surely notices it, who surely does not, and who has to be asked."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from safetymodel.claims.part_proof import asks_of_every_run
from safetymodel.explore.cone import cone_of
from safetymodel.explore.decisions import Diagram
from safetymodel.explore.engine import no_limit
from safetymodel.explore.symbolic import SymbolicSpace
from safetymodel.insight.necessity.altered import Alterations, Altered
from safetymodel.insight.necessity.batch import PartOfSpace
from safetymodel.insight.necessity.changes import Change, Kind
from safetymodel.insight.necessity.first import FirstLook
from safetymodel.insight.necessity.kept import Grown, Kept, Rounds, TooLarge, grown, may_go_round
from safetymodel.insight.necessity.mirrors import Asked
from safetymodel.insight.necessity.parts import Parts
from safetymodel.insight.necessity.record import Record, record_of
from safetymodel.insight.necessity.stuck import Stuck
from safetymodel.insight.necessity.verdicts import Told
from safetymodel.insight.necessity.witness import Witnesses
from safetymodel.model.system import Requirement


class Telling:
    """Over the states of the system as it is, reached under the largest fault budget; where that goes round for ever
    as it is, little can be told."""

    def __init__(
        self,
        space: SymbolicSpace,
        asked: Asked,
        changes: Iterable[Change],
        everything: bool,
        on_work: Callable[[], None] = no_limit,
        record: Record | None = None,
    ) -> None:
        """``record``: of how the states were found, if that is known."""
        self.space = space
        self.everything = everything
        self.record = record = record or record_of(space.symbolic.encoding, space.start, on_work)
        self.first = FirstLook(space, record, asked, on_work)
        encoding = space.symbolic.encoding
        alterations = Alterations(space, on_work)
        self.altered = [alterations.of(change) for change in changes]
        harmed: dict[Kind, Diagram] = {}
        for altered in self.altered:
            if altered.lost & encoding.flags_at_most[0] != altered.false:
                continue
            harmed[altered.change.kind] = harmed.get(altered.change.kind, altered.false) | altered.lost
        self.requirements = [r for r in space.system.requirements if asked.words[r.name] != "broken"]
        self.words = asked.words
        self._kept: dict[str, Kept] = {}
        self._told: dict[int, list[tuple[Altered, Diagram, Told]]] = {}
        """By transition: changes of it, all that they come to, and what was told of them."""
        parts: dict[str, SymbolicSpace] = {}
        self._cones: dict[str, frozenset[int]] = {}
        for r in self.requirements:
            few = asked.few(encoding, r)
            part = PartOfSpace(space.symbolic, r.withstand, few)
            part.on_work = on_work
            parts[r.name] = part
            self._kept[r.name] = Kept(part, r, few, asked.words[r.name] == "holds")
            self._cones[r.name] = cone_of(space.system, r.formulas).subsystems
        self._witnesses = Witnesses(record, parts, harmed, on_work)
        self._no_faults = encoding.flags_at_most[0]
        self.rounds = Rounds(space)
        self._seen: set[int] = set()
        """Changes (numbers) that were glanced at."""
        few_of = {name: kept.few for name, kept in self._kept.items()}
        self.parts = Parts(space, self.words, few_of, on_work)
        scenarios = tuple(self._witnesses.runs)  # more will be made for others
        self._stuck = Stuck(space, record, self.requirements, self.words, few_of, scenarios, on_work)

    def leads_nowhere_new(self, altered: Altered) -> bool:
        return altered.new_at_once == altered.false

    def glance(self, altered: Altered) -> Told | None:
        """What is seen at first sight of one who notices, if there is any."""
        if altered.change.number in self._seen or self.first.chatters:
            return None
        self._seen.add(altered.change.number)
        stuck = self._stuck.noticed(altered, lambda requirement: self._concerned(requirement, altered))
        if stuck:
            return Told(stuck)
        soon = self.first.soon(altered)
        return Told(soon.found, soon.chatters) if soon.found or soon.chatters else None

    def tell_all(self, altered: Altered) -> Told:
        """What can be told of one change, the quickest first."""
        seen = None if self.everything else self.glance(altered)
        if seen is not None:
            return seen
        if altered.only_more or self.leads_nowhere_new(altered):
            return self.tell(altered)
        return self.unknown(altered)

    def unknown(self, altered: Altered) -> Told:
        """Without a look at the states that it comes to: by the few subsystems that show that requirements are kept,
        and by runs that show what still comes about. Of parts of conditions, most of which are noticed soon, nothing:
        that would take longer."""
        concerned = [r for r in self.requirements if self.first.chatters or self._concerned(r, altered)]
        if self.first.chatters or self._is_soon_seen(altered):
            return Told({}, False, frozenset(r.name for r in concerned), True)
        left: set[str] = set()
        silent: set[str] = set()
        for requirement in concerned:
            runs = requirement.form == "possible" and not min(requirement.withstand, self.space.budget)
            if runs or self.parts.keeps(requirement, altered):
                empty = self.words[requirement.name] == "empty"
                if not empty and self._witnesses.may_be_missing(requirement, altered, self._faults_needed(requirement)):
                    silent.add(requirement.name)
            else:
                left.add(requirement.name)
        return Told({}, False, frozenset(left), self.rounds.may(altered), frozenset(silent))

    def _is_soon_seen(self, altered: Altered) -> bool:
        return altered.change.kind == "part" and not self.everything

    def tell(self, altered: Altered) -> Told:
        """All that can be told without exploring the changed system by itself."""
        if self.first.chatters:
            return self.unknown(altered)
        alike = self._told.setdefault(altered.change.transition, [])
        for other, everywhere, told in alike:
            if altered.does_as(other, everywhere):
                return told
        concerned = [r for r in self.requirements if self._concerned(r, altered)]
        concerned.sort(key=lambda r: r.form == "always_possible")
        try:
            found = grown(self.space, altered)
        except TooLarge:
            return self.unknown(altered)
        told = self._tell(found, concerned)
        alike.append((altered, altered.reached | found.new, told))
        return told

    def _tell(self, found: Grown, concerned: list[Requirement]) -> Told:
        altered = found.altered
        sure = altered.only_more and not self.everything
        rounds = may_go_round(found)
        if sure and rounds:
            return Told({}, True)
        left: set[str] = set()
        silent: set[str] = set()
        # what a change does without faults is soon explored, and shows more than runs do
        soon = altered.lost & self._no_faults != altered.false and not self._is_soon_seen(altered)
        for requirement in concerned:
            if (left or silent) and not self.everything and requirement.form == "always_possible":
                # it has to be explored in any case, and that takes long to tell
                left.add(requirement.name)
                continue
            # what has to be so in every run stays so where there are fewer of them
            fewer = altered.only_less and asks_of_every_run(requirement)
            word = None if fewer else self._kept[requirement.name].may_become(found)
            if word is not None:
                if sure:
                    return Told({requirement.name: word})
                left.add(requirement.name)
            elif self.words[requirement.name] != "empty":
                search = self.everything or not (left or silent or soon) or self._faults_needed(requirement)
                if self._witnesses.may_be_missing(requirement, altered, search):
                    silent.add(requirement.name)
        return Told({}, False, frozenset(left), rounds, frozenset(silent))

    def _faults_needed(self, requirement: Requirement) -> bool:
        """Whether its situation comes about with faults only."""
        false = self.space.symbolic.encoding.decisions.false
        return any(members & self._no_faults == false for members in self._witnesses.wanted(requirement))

    def _concerned(self, requirement: Requirement, altered: Altered) -> bool:
        """What a requirement does not depend on makes no difference to it."""
        subsystem = self.space.system.transitions[altered.change.transition].subsystem
        return subsystem in self._cones[requirement.name]
