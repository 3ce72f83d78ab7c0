"""Which requirement needs what: every part of every `if`, every transition, every reaction changed, one at a time."""

from __future__ import annotations

import time
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import replace
from itertools import chain, zip_longest
from typing import Any

from safetymodel.claims.beside import Beside
from safetymodel.claims.clock import Clock
from safetymodel.claims.part_proof import asks_of_every_run
from safetymodel.claims.verdict import Word
from safetymodel.explore.arranging import arranged
from safetymodel.explore.engine import LimitReached, Limits, Progress, Space
from safetymodel.explore.symbolic import SymbolicSpace
from safetymodel.insight.necessity.changes import Change, Kind, changes_of
from safetymodel.insight.necessity.effects import Effect, Necessity, Notice
from safetymodel.insight.necessity.jobs import (
    AloneJob,
    Answer,
    AskJob,
    Given,
    GlanceJob,
    LookJob,
    RunJob,
    ShowJob,
    TellJob,
    ToldOf,
    WaysJob,
    Work,
    Worker,
    only_here,
    working,
)
from safetymodel.insight.necessity.mirrors import Asked, Mirror, asked_again, asked_with, mirrors_of, with_mirrors
from safetymodel.insight.necessity.record import Record, Recorded
from safetymodel.insight.necessity.verdicts import Told
from safetymodel.insight.standing import word_of
from safetymodel.model.system import Subsystem, System

KINDS: tuple[Kind, ...] = ("part", "removed", "negated", "late")

GROUP = 80
"""Changes that are explored together: more of them share more work, fewer leave more known when time is up."""

GROUP_BESIDE = 20
"""The same where a further process explores while others are still told."""

SMALL = 40
"""States of all subsystems together up to which everybody who notices a change is named."""

SIFTED_FOR_EACH = 20
"""Nodes that are looked at for a better order of the bits, for each change and each node of what is reached: a small
part of what it takes to explore the change."""

Exploring = AloneJob | WaysJob

WAYS = 12
"""Changes whose ways back are looked for in one go."""

OPEN_COSTS = 3
"""A requirement that may break costs as much as so many others of which it is only not known whether their situation
arises."""

COSTLY = 24
"""What is likely to cost so much is explored last, so that more is known when time is up."""


def necessity(
    spaces: Mapping[int, Space[Any]],
    *,
    everything: bool | None = None,
    kinds: Collection[Kind] = KINDS,
    clock: Clock | None = None,
    limits: Limits | None = None,
    progress: Progress | None = None,
    words: Mapping[str, Word] | None = None,
    rest: Callable[[], Clock] | None = None,
    more: Callable[[], Clock] | None = None,
    runs: Callable[[], Clock] | None = None,
    processes: int = 1,
) -> Necessity:
    """Who notices what. ``spaces`` are the explored states for each fault budget that a requirement withstands;
    ``words`` the verdicts there, where they are known. ``rest`` gives the time for looking at the changes once the
    system itself is known, ``runs`` that for the runs of parts, ``more`` that for all but the parts of conditions,
    which come first, and for their runs, which come last; without, ``clock`` is for everything. ``processes`` work at
    once, with the same answers.

    A requirement notices where its verdict becomes worse: holds, reacts, empty, broken. Those that are broken as it is
    are not asked. ``everything``: each that notices is named, otherwise one at least; without, where that costs little.
    """
    started = time.monotonic()
    clock, limits = clock or Clock(), limits or Limits()
    most = max(spaces)
    declared = spaces[most].system
    mirrors = mirrors_of(declared) if most else ()
    system = with_mirrors(declared, mirrors)
    chosen = sorted((c for c in changes_of(system) if c.kind in kinds), key=lambda c: (KINDS.index(c.kind), c.number))
    if everything is None:
        everything = sum(len(s.states) for s in declared.subsystems) <= SMALL
    parts, others = [c for c in chosen if c.kind == "part"], [c for c in chosen if c.kind != "part"]
    looked = _Looked(system, chosen, GROUP if processes == 1 else GROUP_BESIDE, everything)
    shortfall = next((s.shortfall for s in spaces.values() if not s.complete), "")
    if not shortfall:
        try:
            if words is None:
                words = {r.name: word_of(spaces[r.withstand], r, clock) for r in system.requirements}
            space, record = _symbolic(spaces[most], system, len(chosen), clock, limits)
        except LimitReached as limit:
            shortfall = clock.reason if clock.over else str(limit)
        else:
            given = Given(tuple(chosen), everything, limits)
            looked.worker = Worker(space, given, progress, record)
            maker = f"{working.__module__}:{working.__name__}"
            with Beside[Work, Answer](
                space.symbolic, maker, given, looked.answer, processes - 1, only_here
            ) as looked.beside:
                try:
                    looked.asked = _asked(system, mirrors, words, looked.beside, clock)
                    looked.begun = True
                    clock = rest() if rest is not None else clock
                    looked.stage(parts, clock, progress, looked.shows() if others else [])
                    clock = more() if more is not None else clock
                    looked.glance(others, parts if processes > 1 else [], clock)
                    looked.stage(_in_turns(others), clock, progress)
                except LimitReached as limit:
                    shortfall = clock.reason if clock.over else str(limit)
                if looked.begun:
                    runs = runs or (lambda: clock)
                    looked.runs(parts, runs())
                    looked.runs(others, (more or runs)())
    effects = tuple(looked.effects[c.number] for c in sorted(chosen, key=lambda c: c.number))
    spent = time.monotonic() - started
    return Necessity(system, effects, everything, spent, shortfall, mirrors, tuple(sorted(looked.asked.plain)))


def _symbolic(
    space: Space[Any], system: System, changes: int, clock: Clock, limits: Limits
) -> tuple[SymbolicSpace, Record | None]:
    """The states of the system with mirrored faults, in a good order of bits for so many changes; and how they were
    found, if they are explored here."""
    order = None
    if isinstance(space, SymbolicSpace):
        encoding = space.symbolic.encoding
        most = SIFTED_FOR_EACH * changes * space.reached.node_count()
        with arranged(encoding, space.reached, most, clock.check, much=True) as better:
            if better is None and space.system == system:
                return space, None
            order = encoding.order if better is None else better.order
    explored = Recorded(system, space.budget, clock.within(limits), order=order)
    if explored.shortfall:
        raise LimitReached(explored.shortfall)
    return SymbolicSpace(explored), explored.record


def _asked(
    system: System,
    mirrors: tuple[Mirror, ...],
    words: Mapping[str, Word],
    beside: Beside[Work, Answer],
    clock: Clock,
) -> Asked:
    """How each requirement is asked. ``words``: the verdicts without mirrored faults."""
    concerned = asked_again(system, mirrors, words)
    answers = beside.done([AskJob(r.number) for r in concerned], clock)
    for answer in answers:
        if answer.shortfall:
            raise LimitReached(answer.shortfall)
    again = {r.name: a.word for r, a in zip(concerned, answers, strict=True) if a.word is not None}
    return asked_with(mirrors, words, again)


def _in_turns(changes: Collection[Change]) -> list[Change]:
    """What is taken away, which takes longest to explore, in turns with the rest, which takes longest to tell."""
    removed, rest = [c for c in changes if c.kind == "removed"], [c for c in changes if c.kind != "removed"]
    return [c for c in chain.from_iterable(zip_longest(removed, rest)) if c is not None]


def _cost(known: Told) -> int:
    """How long it is likely to take to explore a change of which so much is known, against others."""
    return OPEN_COSTS * len(known.open) + len(known.silent)


def _raise_shortfall(answers: Sequence[Answer]) -> None:
    for answer in answers:
        if answer.shortfall:
            raise LimitReached(answer.shortfall)


class _Looked:
    """What is known so far."""

    beside: Beside[Work, Answer]
    worker: Worker

    def __init__(self, system: System, changes: Sequence[Change], together: int, everything: bool) -> None:
        self.system = system
        self.everything = everything
        self.requirements = {r.name: r for r in system.requirements}
        self.effects = {c.number: Effect(c, known=False) for c in changes}
        self.together = together
        """Changes that are explored together."""
        self.asked = Asked({}, frozenset())
        self.begun = False
        """Whether it is known how each requirement is asked."""
        self._later: dict[int, Told] = {}
        """By the number of each change that is still to be explored: what is known of it."""
        self._waiting: list[int] = []
        """Those of them whose ways back have to be looked for."""
        self._run: set[int] = set()
        """Numbers of the changes for which a run has been looked for."""
        self._may: dict[int, frozenset[str]] = {}
        """By the number of each change that is still open: who may notice it."""

    def shows(self) -> list[ShowJob]:
        """What those are told by that are not parts of conditions; it takes nothing but what is known."""
        if self.everything:
            return []
        kept = [r for r in self.requirements.values() if asks_of_every_run(r) and self.asked.words[r.name] != "broken"]
        return [ShowJob(None, self.asked), *(ShowJob(r.number, self.asked) for r in kept)]

    def glance(self, changes: Sequence[Change], shown: Sequence[Change], clock: Clock) -> None:
        """Note those of which it is seen at first sight who notices them; beside it runs are looked for that have to be
        ``shown``."""
        if self.everything:
            return
        glances = [GlanceJob(c.number, self.asked) for c in changes]
        runs = self._runs(shown)
        answers = self.beside.done([*glances, *runs], clock)
        for told in (told for answer in answers[: len(glances)] for told in answer.told):
            self._heard(told)
        self._found_runs(runs, answers[len(glances) :])
        _raise_shortfall(answers)

    def _heard(self, told: ToldOf) -> None:
        self.effects[told.change] = replace(self.effects[told.change], differs=told.differs, more=told.more)
        if told.decided:
            self._note(told.change, told.told.found, told.told.chatters)
        else:
            self._may[told.change] = told.told.left

    def stage(
        self, changes: Sequence[Change], clock: Clock, progress: Progress | None, shows: Sequence[ShowJob] = ()
    ) -> None:
        """Some of the changes: what can be told of each, then each that is left explored by itself, then those together
        that take more faults than one. ``shows``: looked for beside what is told."""

        def tell(job: Work) -> None:
            if progress and isinstance(job, TellJob | AloneJob):
                first = job.changes[0] if isinstance(job, TellJob) else job.change
                progress(f"necessity: {self._subsystem(first).name}", 0)

        by_transition: dict[tuple[int, bool], list[int]] = {}
        for change in (c for c in changes if not self.effects[c.number].known):
            by_transition.setdefault((change.transition, change.kind == "removed"), []).append(change.number)
        jobs = [TellJob(tuple(numbers), self.asked) for numbers in by_transition.values()]
        self._may, self._later, self._waiting = {}, {}, []
        answers = self.beside.done([*jobs, *shows], clock, tell)
        for told in (told for answer in answers for told in answer.told):
            self._heard(told)
        added = len(jobs) + len(shows)
        self._explored(self.beside.jobs[added:], answers[added:])
        _raise_shortfall(answers)
        self.worker.learn(self.asked, shows, answers[len(jobs) : added])
        self._explore(self._ways_of(len(self._waiting)), clock, tell)
        later = [AloneJob(number, self.asked, known) for number, known in self._later.items()]
        self._explore(self._from_both_ends(later), clock, tell)
        self._together(sorted(self._may), any(answer.chatters for answer in answers), clock)

    def _subsystem(self, change: int) -> Subsystem:
        """That which the changed transition (of the change with this number) moves."""
        t = self.system.transitions[self.effects[change].change.transition]
        return self.system.subsystems[t.subsystem]

    def _from_both_ends(self, jobs: Sequence[AloneJob]) -> list[AloneJob]:
        """What takes long stands in the middle; changes of one device, and of others that are built alike, stand
        together: what one of them comes to another often comes to as well."""
        alike: dict[str, list[AloneJob]] = {}
        for job in sorted(jobs, key=lambda job: self.effects[job.change].change.transition):
            subsystem = self._subsystem(job.change)
            alike.setdefault(subsystem.family or subsystem.name, []).append(job)
        rows = sorted(alike.values(), key=lambda row: sum(_cost(job.known) for job in row))
        return [job for row in (*rows[::2], *reversed(rows[1::2])) for job in row]

    def _explore(self, jobs: Sequence[Exploring], clock: Clock, tell: Callable[[Work], None]) -> None:
        answers = self.beside.done(jobs, clock, tell)
        self._explored(jobs, answers)
        _raise_shortfall(answers)

    def _ways_of(self, number: int) -> list[WaysJob]:
        """A look at the ways back of so many of those that wait for it."""
        some, self._waiting = self._waiting[:number], self._waiting[number:]
        return [WaysJob(tuple(some), self.asked, tuple(self._later[n] for n in some))] if some else []

    def _explored(self, jobs: Sequence[Work], answers: Sequence[Answer]) -> None:
        """Note what is known by now."""
        for job, answer in zip(jobs, answers, strict=True):
            if isinstance(job, AloneJob):
                if answer.alone is not None:
                    self._later.pop(job.change, None)
                    self._found(job.change, answer.alone)
                continue
            for number, known in answer.left:
                self._found(number, known)
                if not known.decided:
                    self._later[number] = known

    def _found(self, number: int, known: Told) -> None:
        if known.decided:
            self._note(number, known.found, known.chatters)
            self._may.pop(number, None)
            self._later.pop(number, None)
        else:
            self._may[number] = known.left

    def _together(self, left: Sequence[int], goes_round: bool, clock: Clock) -> None:
        """What is left, in groups."""
        groups = [tuple(left[at : at + self.together]) for at in range(0, len(left), self.together)]
        jobs = [LookJob(group, self.asked, goes_round, {n: self._may[n] for n in group}) for group in groups]
        answers = self.beside.done(jobs, clock)
        for job, answer in zip(jobs, answers, strict=True):
            if answer.found is not None:
                for number in job.changes:
                    self._note(number, answer.found.noticed[number], number in answer.found.chatter)
        _raise_shortfall(answers)

    def answer(self, job: Work, clock: Clock) -> Answer:
        """In this process. What is left open is a job of its own, unless everybody who notices is asked for."""
        answer = self.worker.answer(job, clock)
        if isinstance(job, TellJob) and not self.everything and not answer.chatters:
            for told in answer.told:
                if told.decided:
                    continue
                open_ones = told.told.open
                only_ways = all(self.requirements[name].form == "always_possible" for name in open_ones)
                part = self.effects[told.change].change.kind == "part"
                if not only_ways and (part or _cost(told.told) < COSTLY):
                    self.beside.add(AloneJob(told.change, self.asked, told.told))
                    continue
                # nobody is likely to notice it, or it takes long
                self._later[told.change] = told.told
                if open_ones and only_ways:
                    self._waiting.append(told.change)
                    if len(self._waiting) == WAYS:
                        for ways in self._ways_of(WAYS):
                            self.beside.add(ways)
                else:
                    self.beside.offer(AloneJob(told.change, self.asked, told.told))
        return answer

    def _note(self, number: int, found: Mapping[str, Word], chatters: bool) -> None:
        notices = tuple(
            Notice(requirement, self.asked.words[name], found[name])
            for name, requirement in self.requirements.items()
            if name in found
        )
        self.effects[number] = replace(self.effects[number], notices=notices, known=True, chatters=chatters)

    def runs(self, changes: Sequence[Change], clock: Clock) -> None:
        """Shortest runs to where those make a difference that nobody notices: they show what they are for."""
        runs = self._runs(changes)
        self._found_runs(runs, self.beside.done(runs, clock))

    def _runs(self, changes: Sequence[Change]) -> list[RunJob]:
        """Those that nobody has looked for yet."""
        effects = [self.effects[change.number] for change in changes]
        wanted = [effect.change.number for effect in effects if effect.differs and effect.unasked]
        return [RunJob(number) for number in wanted if number not in self._run]

    def _found_runs(self, runs: Sequence[RunJob], answers: Sequence[Answer]) -> None:
        for run, answer in zip(runs, answers, strict=True):
            self.effects[run.change] = replace(self.effects[run.change], trace=answer.trace)
            if not answer.shortfall:
                self._run.add(run.change)
