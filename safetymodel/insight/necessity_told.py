"""Each change by itself: who surely notices it, who surely does not, and who has to be asked."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

from safetymodel.claims.verdict import Word
from safetymodel.explore.cone import cone_of
from safetymodel.explore.decisions import Diagram
from safetymodel.explore.engine import no_limit
from safetymodel.explore.symbolic import SymbolicSpace
from safetymodel.insight.necessity_altered import Alterations, Altered
from safetymodel.insight.necessity_batch import PartOfSpace
from safetymodel.insight.necessity_changes import Change, Kind
from safetymodel.insight.necessity_first import FirstLook
from safetymodel.insight.necessity_kept import Grown, Kept, TooLarge, grown, may_go_round
from safetymodel.insight.necessity_mirrors import Asked
from safetymodel.insight.necessity_record import Record
from safetymodel.insight.necessity_witness import Witnesses
from safetymodel.model.system import Requirement


@dataclass(frozen=True, slots=True)
class Told:
    """``found``: requirements (names) that notice, with the verdict that they then have at best; ``chatters``: the
    logic can then go round for ever. ``open``: those that may notice, ``rounds``: whether it may go round."""

    found: dict[str, Word]
    chatters: bool = False
    open: frozenset[str] = frozenset()
    rounds: bool = False

    @property
    def noticed(self) -> bool:
        return bool(self.found) or self.chatters

    @property
    def decided(self) -> bool:
        return self.noticed or not (self.open or self.rounds)


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
    ) -> None:
        self.space = space
        self.everything = everything
        record = Record(space.symbolic.encoding, space.start, on_work)
        self.first = FirstLook(space, record, asked, on_work)
        encoding = space.symbolic.encoding
        alterations = Alterations(space, on_work)
        self.altered = [alterations.of(change) for change in changes]
        harmed: dict[Kind, Diagram] = {}
        for altered in self.altered:
            if altered.lost & encoding.flags_at_most[0] != altered.false:
                continue
            harmed[altered.change.kind] = harmed.get(altered.change.kind, altered.false) | altered.lost
        declared = asked.declared(encoding)
        self.requirements = [r for r in space.system.requirements if asked.words[r.name] != "broken"]
        self.words = asked.words
        self._kept: dict[str, Kept] = {}
        self._told: dict[int, list[tuple[Altered, Diagram, Told]]] = {}
        """By transition: changes of it, all that they come to, and what was told of them."""
        parts: dict[str, SymbolicSpace] = {}
        self._cones: dict[str, frozenset[int]] = {}
        for r in self.requirements:
            few = encoding.flags_at_most[min(r.withstand, encoding.budget)]
            few = few & declared if r.name in asked.plain else few
            part = PartOfSpace(space.symbolic, r.withstand, few)
            part.on_work = on_work
            parts[r.name] = part
            self._kept[r.name] = Kept(part, r, few, asked.words[r.name] == "holds")
            self._cones[r.name] = cone_of(space.system, r.formulas).subsystems
        self._witnesses = Witnesses(record, parts, harmed)

    def leads_nowhere_new(self, altered: Altered) -> bool:
        return altered.strays(altered.reached) & ~altered.reached == altered.false

    def tell_all(self, altered: Altered) -> Told:
        """What can be told of one change, the quickest first. Where it takes steps away and leads to new states too, it
        is left open: to explore many together costs less."""
        told = self.unknown(altered)
        if self.leads_nowhere_new(altered):
            told = self.tell(altered)
        if not told.decided and not self.everything:
            soon = self.first.soon(altered)
            if soon.found or soon.chatters:
                return Told(soon.found, soon.chatters)
        return self.tell(altered) if not told.decided and altered.only_more else told

    def unknown(self, altered: Altered) -> Told:
        """As long as nothing is."""
        return Told({}, False, frozenset(r.name for r in self.requirements if self._concerned(r, altered)), True)

    def tell(self, altered: Altered) -> Told:
        """All that can be told without exploring the changed system by itself."""
        if self.first.chatters:
            return Told({}, False, frozenset(r.name for r in self.requirements), True)
        alike = self._told.setdefault(altered.change.transition, [])
        for other, everywhere, told in alike:
            if altered.does_as(other, everywhere):
                return told
        concerned = [r for r in self.requirements if self._concerned(r, altered)]
        try:
            found = grown(altered)
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
        for requirement in concerned:
            word = self._may_become(requirement, found)
            if word is not None:
                if sure:
                    return Told({requirement.name: word})
                left.add(requirement.name)
        return Told({}, False, frozenset(left), rounds)

    def _concerned(self, requirement: Requirement, altered: Altered) -> bool:
        """What a requirement does not depend on makes no difference to it."""
        subsystem = self.space.system.transitions[altered.change.transition].subsystem
        return subsystem in self._cones[requirement.name]

    def _may_become(self, requirement: Requirement, found: Grown) -> Word | None:
        """A worse verdict that it may get; None where it surely stays as good as it is."""
        word = self._kept[requirement.name].may_become(found)
        if self.words[requirement.name] == "empty":
            return word
        if word is None and self._witnesses.may_be_missing(requirement, found.altered):
            return "empty"
        return word
