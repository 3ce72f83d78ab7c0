"""Which requirement needs what: every part of every `if`, every transition, every reaction changed, one at a time."""

from __future__ import annotations

import time
from collections.abc import Callable, Collection, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from typing import Any

from safetymodel.claims.clock import Clock
from safetymodel.claims.search import Walker
from safetymodel.claims.verdict import Trace, Word
from safetymodel.claims.watch import NOTHING
from safetymodel.explore.decisions import Diagram
from safetymodel.explore.engine import LimitReached, Limits, Progress, Space
from safetymodel.explore.symbolic import Symbolic, SymbolicSpace, within_memory
from safetymodel.insight.necessity_altered import Altered
from safetymodel.insight.necessity_batch import look
from safetymodel.insight.necessity_changes import Change, Kind, changes_of
from safetymodel.insight.necessity_mirrors import Asked, Mirror, asked_with, mirrors_of, with_mirrors
from safetymodel.insight.necessity_told import Telling
from safetymodel.insight.standing import word_of
from safetymodel.model.system import Requirement, System

KINDS: tuple[Kind, ...] = ("part", "removed", "negated", "late")

GROUP = 80
"""Changes that are explored together: more of them share more work, fewer leave more known when time is up."""


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


def necessity(
    spaces: Mapping[int, Space[Any]],
    *,
    everything: bool = False,
    kinds: Collection[Kind] = KINDS,
    clock: Clock | None = None,
    limits: Limits | None = None,
    progress: Progress | None = None,
    words: Mapping[str, Word] | None = None,
    rest: Callable[[], Clock] | None = None,
    runs: Callable[[], Clock] | None = None,
) -> Necessity:
    """Who notices what. ``spaces`` are the explored states for each fault budget that a requirement withstands;
    ``words`` the verdicts there, where they are known. ``rest`` gives the time for looking at the changes once the
    system itself is known, ``runs`` that for the runs after it; without, ``clock`` is for everything.

    A requirement notices where its verdict becomes worse: holds, reacts, empty, broken. Those that are broken as it is
    are not asked.
    """
    started = time.monotonic()
    clock, limits = clock or Clock(), limits or Limits()
    most = max(spaces)
    declared = spaces[most].system
    mirrors = mirrors_of(declared) if most else ()
    system = with_mirrors(declared, mirrors)
    chosen = sorted((c for c in changes_of(system) if c.kind in kinds), key=lambda c: (KINDS.index(c.kind), c.number))
    looked = _Looked(system, chosen)
    asked = Asked({}, frozenset())
    shortfall = next((s.shortfall for s in spaces.values() if not s.complete), "")
    if not shortfall:
        try:
            if words is None:
                words = {r.name: word_of(spaces[r.withstand], r, clock) for r in system.requirements}
            space = _symbolic(spaces[most], system, clock.within(limits))
            with within_memory(space.symbolic.memory):
                asked = asked_with(space, mirrors, words, clock)
                clock = rest() if rest is not None else clock
                looked.first(space, asked, everything, clock)
            for group in looked.groups():
                looked.batch(group, most, asked, everything, clock, limits, progress)
        except LimitReached as limit:
            shortfall = clock.reason if clock.over else str(limit)
        if looked.space is not None:
            with suppress(LimitReached), within_memory(looked.space.symbolic.memory):
                looked.runs(looked.space, runs() if runs is not None else clock)
    effects = tuple(looked.effects[c.number] for c in sorted(chosen, key=lambda c: c.number))
    spent = time.monotonic() - started
    return Necessity(system, effects, everything, spent, shortfall, mirrors, tuple(sorted(asked.plain)))


def _symbolic(space: Space[Any], system: System, limits: Limits) -> SymbolicSpace:
    """The states of the system with mirrored faults."""
    if isinstance(space, SymbolicSpace) and space.system == system:
        return space
    found = SymbolicSpace(Symbolic(system, space.budget, limits))
    if not found.complete:
        raise LimitReached(found.shortfall)
    return found


class _Looked:
    """What is known so far."""

    def __init__(self, system: System, changes: Sequence[Change]) -> None:
        self.system = system
        self.requirements = {r.name: r for r in system.requirements}
        self.effects = {c.number: Effect(c, known=False) for c in changes}
        self.open: list[Change] = []
        """Those of which nothing is known yet."""
        self.space: SymbolicSpace | None = None
        """Where runs can be searched, once the first look is over."""
        self.chatters = False
        """Whether the logic can go round for ever as it is."""
        self._differing: dict[int, Diagram] = {}
        self._may: dict[int, frozenset[str]] = {}
        """Who may notice an open change."""

    def first(self, space: SymbolicSpace, asked: Asked, everything: bool, clock: Clock) -> None:
        """What makes no difference at all, and what can be told of each change by itself."""
        changes = [effect.change for effect in self.effects.values()]
        telling = Telling(space, asked, changes, everything, clock.check)
        self.space, self.chatters = space, telling.first.chatters
        left: list[Altered] = []
        for altered in telling.altered:
            clock.check()
            number = altered.change.number
            if not altered.differs:
                self.effects[number] = replace(self.effects[number], known=True, differs=False)
                continue
            more = altered.more != altered.false
            self._differing[number] = altered.more if more else altered.less
            self.effects[number] = replace(self.effects[number], more=more)
            left.append(altered)
        for altered in sorted(left, key=lambda a: not telling.leads_nowhere_new(a)):
            clock.check()
            told = telling.tell_all(altered)
            if told.decided:
                self._note(altered.change, told.found, asked.words, told.chatters)
            else:
                self.open.append(altered.change)
                self._may[altered.change.number] = told.open

    def groups(self) -> list[list[Change]]:
        """What is still open, in parts that are looked at one after the other."""
        return [self.open[begin : begin + GROUP] for begin in range(0, len(self.open), GROUP)]

    def batch(
        self,
        group: list[Change],
        budget: int,
        asked: Asked,
        everything: bool,
        clock: Clock,
        limits: Limits,
        progress: Progress | None,
    ) -> None:
        """A group of changes at once."""
        found = look(self.system, group, budget, asked, everything, self.chatters, clock, limits, progress, self._may)
        for change in group:
            self._note(change, found.noticed[change.number], asked.words, change.number in found.chatter)

    def _note(self, change: Change, found: Mapping[str, Word], words: Mapping[str, Word], chatters: bool) -> None:
        notices = tuple(
            Notice(requirement, words[name], found[name])
            for name, requirement in self.requirements.items()
            if name in found
        )
        self.effects[change.number] = replace(
            self.effects[change.number], notices=notices, known=True, chatters=chatters
        )

    def runs(self, space: SymbolicSpace, clock: Clock) -> None:
        """Shortest runs to where those make a difference that nobody notices: they show what they are for."""
        for number, effect in self.effects.items():
            if effect.differs and effect.unasked:
                trace = Walker(space, NOTHING, clock).shortest({0: self._differing[number]})
                self.effects[number] = replace(effect, trace=trace)
