"""Which requirements surely stay as good as they are when one transition is changed, told by the few subsystems that
show that they are kept (`claims.part_proof`).

A change of another subsystem leaves such a proof alone. Where the change concerns one of them the set is made larger
until no step of the changed system leads out of it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from safetymodel.claims.part_invariant import PartInvariant, TooLarge
from safetymodel.claims.part_proof import asks_of_every_run, part_proof, proof_through
from safetymodel.claims.verdict import Word
from safetymodel.explore.decisions import Diagram
from safetymodel.explore.moves import Move
from safetymodel.explore.symbolic import SymbolicSpace
from safetymodel.insight.necessity.altered import Altered
from safetymodel.model.system import Requirement


@dataclass(frozen=True, slots=True)
class _Turned:
    """What a change does to any state, reached or not: its moves, where it settles now, where it reacts now."""

    moves: tuple[Move, ...]
    calmed: Diagram
    due: Diagram


class Parts:
    """Of requirements that pass; ``few``: for each (name) all states with no more faults than it withstands."""

    def __init__(
        self,
        space: SymbolicSpace,
        words: Mapping[str, Word],
        few: Mapping[str, Diagram],
        on_work: Callable[[], None],
    ) -> None:
        self.space = space
        self.words = words
        self.few = few
        self.on_work = on_work
        self._proofs: dict[str, PartInvariant | None] = {}
        self.views: dict[str, frozenset[int]] = {}
        """The subsystems that show it, where somebody else has looked for them; none where none were found."""
        self._turned: tuple[int, _Turned] | None = None

    def keeps(self, requirement: Requirement, altered: Altered) -> bool:
        """Whether the verdict surely becomes no worse, unless its situation does not come about any more."""
        if not asks_of_every_run(requirement):
            return False
        proof = self._proof(requirement)
        if proof is None:
            return False
        turned = self._turned_by(altered)
        if not proof.touched(turned.moves, turned.calmed, turned.due):
            return True
        try:
            changed = proof.changed(altered.encoding, turned.moves, turned.calmed, turned.due)
        except TooLarge:
            return False
        return changed.keeps(requirement, self.words[requirement.name])

    def subsystems(self, requirement: Requirement) -> frozenset[int]:
        """Those that show that it is kept; none where none are found."""
        proof = self._proof(requirement)
        return frozenset() if proof is None else proof.subsystems

    def _proof(self, requirement: Requirement) -> PartInvariant | None:
        name = requirement.name
        if name not in self._proofs:
            few, word, view = self.few[name], self.words[name], self.views.get(name)
            if view is None:
                found = part_proof(self.space, requirement, word, few, self.on_work)
            else:
                found = proof_through(self.space, requirement, word, few, view, self.on_work) if view else None
            self._proofs[name] = found
        return self._proofs[name]

    def _turned_by(self, altered: Altered) -> _Turned:
        number = altered.change.number
        if self._turned is None or self._turned[0] != number:
            old, new = self.space.symbolic.encoding, altered.encoding
            few, transition = old.flags_at_most[self.space.budget], altered.change.transition
            moves = tuple(move for move, _, _ in altered.own)
            calmed = new.calm & old.transient & few
            due = new.due[transition] & ~old.due[transition] & few
            self._turned = (number, _Turned(moves, calmed, due))
        return self._turned[1]
