"""What has been found out: who notices each change, and what the reader needs to tell why."""

from __future__ import annotations

from dataclasses import dataclass

from safetymodel.claims.verdict import Trace, Word
from safetymodel.insight.necessity.changes import Change, Kind
from safetymodel.insight.necessity.mirrors import Mirror
from safetymodel.model.system import Requirement, System


@dataclass(frozen=True, slots=True)
class Notice:
    """A requirement that notices a change, and the verdict that it then has (or a worse one)."""

    requirement: Requirement
    before: Word
    after: Word


@dataclass(frozen=True, slots=True)
class Effect:
    """Who notices one change.

    ``known`` is False where a limit was reached first. ``differs`` is False where it makes no difference in any
    reached state. ``more``: there are states in which the transition can happen only with the change. ``trace``, where
    nobody notices, is a shortest run to one of these, or where there is none to one in which it only can without.
    ``chatters``: the logic can then go round for ever, and cannot as it is; `verify` tells of that whatever the
    requirements are, so no more of them are asked.
    """

    change: Change
    notices: tuple[Notice, ...] = ()
    known: bool = True
    differs: bool = True
    more: bool = False
    trace: Trace | None = None
    chatters: bool = False

    @property
    def noticed(self) -> bool:
        """By a requirement, or by the look for chatter."""
        return bool(self.notices) or self.chatters

    @property
    def unasked(self) -> bool:
        """Whether nobody notices."""
        return self.known and not self.noticed


@dataclass(frozen=True, slots=True)
class Necessity:
    """All changes of the system under the fault budget that each requirement has to withstand.

    ``everything``: every requirement that notices is named; otherwise one at least. ``shortfall`` says which limit was
    reached, if one was. ``system`` has the faults of ``mirrored`` too; ``unmirrored`` names the requirements that were
    asked without them, since they do not pass with them as they do without.
    """

    system: System
    effects: tuple[Effect, ...]
    everything: bool
    seconds: float
    shortfall: str = ""
    mirrored: tuple[Mirror, ...] = ()
    unmirrored: tuple[str, ...] = ()

    def of_kind(self, kind: Kind) -> tuple[Effect, ...]:
        return tuple(e for e in self.effects if e.change.kind == kind)

    @property
    def parts(self) -> int:
        """Parts of all `if`s."""
        return len(self.of_kind("part"))

    @property
    def noticed_parts(self) -> int:
        """Parts without which a requirement is worse off, or the logic can go round for ever."""
        return sum(e.noticed for e in self.of_kind("part"))

    @property
    def unasked(self) -> tuple[Effect, ...]:
        """The parts that nobody asked for: each is redundant, or a requirement is missing."""
        return tuple(e for e in self.of_kind("part") if e.unasked)
