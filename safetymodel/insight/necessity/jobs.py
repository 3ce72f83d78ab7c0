"""The work of finding out who notices what, in jobs that several processes can do at once."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass

from safetymodel.claims.clock import Clock
from safetymodel.claims.process import Answering
from safetymodel.claims.search import Walker
from safetymodel.claims.verdict import Trace, Word
from safetymodel.claims.watch import NOTHING
from safetymodel.explore.engine import WITHOUT_FAULTS, LimitReached, Limits, Progress
from safetymodel.explore.memory import within_memory
from safetymodel.explore.symbolic import Symbolic, SymbolicSpace
from safetymodel.insight.necessity.alone import Alone
from safetymodel.insight.necessity.altered import Alterations, Altered
from safetymodel.insight.necessity.batch import Found, look
from safetymodel.insight.necessity.changes import Change
from safetymodel.insight.necessity.kept import Rounds
from safetymodel.insight.necessity.mirrors import Asked
from safetymodel.insight.necessity.parts import Parts
from safetymodel.insight.necessity.record import Record, record_of
from safetymodel.insight.necessity.told import Telling
from safetymodel.insight.necessity.verdicts import Told
from safetymodel.insight.standing import word_of
from safetymodel.model.formula import InState


@dataclass(frozen=True, slots=True)
class Given:
    """What all jobs have in common; sent once to each process."""

    changes: tuple[Change, ...]
    everything: bool
    limits: Limits


@dataclass(frozen=True, slots=True)
class AskJob:
    """The verdict on a requirement (number) with mirrored faults."""

    requirement: int


@dataclass(frozen=True, slots=True)
class TellJob:
    """What can be told of each of these changes (numbers), which are all of one transition."""

    changes: tuple[int, ...]
    asked: Asked


@dataclass(frozen=True, slots=True)
class GlanceJob:
    """Who is seen at first sight to notice this change (number)."""

    change: int
    asked: Asked


@dataclass(frozen=True, slots=True)
class ShowJob:
    """Few subsystems that show that the requirement (number) is kept; None: whether the reactions of the system as it
    is come to an end from every state."""

    requirement: int | None
    asked: Asked


@dataclass(frozen=True, slots=True)
class WaysJob:
    """Which ways back surely stay with each of these changes (numbers); ``known``: what has been told of each."""

    changes: tuple[int, ...]
    asked: Asked
    known: tuple[Told, ...]


@dataclass(frozen=True, slots=True)
class AloneJob:
    """Who notices this change (number), explored by itself; ``known``: what has been told of it."""

    change: int
    asked: Asked
    known: Told


@dataclass(frozen=True, slots=True)
class LookJob:
    """Who notices each of these changes (numbers), explored together. ``may``: by the number of the change who may."""

    changes: tuple[int, ...]
    asked: Asked
    chatters: bool
    may: Mapping[int, Collection[str]]


@dataclass(frozen=True, slots=True)
class RunJob:
    """A shortest run to where this change (number) makes a difference."""

    change: int


Work = AskJob | TellJob | GlanceJob | ShowJob | WaysJob | AloneJob | LookJob | RunJob


def only_here(job: Work) -> bool:
    """What is told of one change helps with the next."""
    return isinstance(job, TellJob | GlanceJob)


@dataclass(frozen=True, slots=True)
class ToldOf:
    """A change (number): whether it makes any difference, whether more can happen with it, and what can be told."""

    change: int
    differs: bool
    more: bool
    told: Told

    @property
    def decided(self) -> bool:
        """Whether nobody has to be asked any more."""
        return self.told.decided or not self.differs


@dataclass(frozen=True, slots=True)
class Answer:
    """Of a job; where a limit ended it ``shortfall`` says which, and what was found until then is there.

    ``left``: of changes (numbers) what is known of them by now.
    ``chatters``: the logic can go round for ever as it is; ``rounds``: by all states, reached or not, it can.
    ``subsystems``: those that show that a requirement is kept, if there are few.
    """

    word: Word | None = None
    told: tuple[ToldOf, ...] = ()
    chatters: bool = False
    rounds: bool = False
    subsystems: frozenset[int] = frozenset()
    found: Found | None = None
    alone: Told | None = None
    left: tuple[tuple[int, Told], ...] = ()
    trace: Trace | None = None
    shortfall: str = ""


class Worker:
    """Does jobs over the states of the system with mirrored faults."""

    def __init__(
        self, space: SymbolicSpace, given: Given, progress: Progress | None = None, record: Record | None = None
    ) -> None:
        """``record``: of how the states were found, if that is known."""
        self.space = SymbolicSpace(space.symbolic, space.budget)
        self.space.on_work = self._check
        self.given = given
        self.progress = progress
        self.clock = Clock()
        """Of the job that is at work."""
        self._changes = {c.number: c for c in given.changes}
        self.record = record
        self._telling: Telling | None = None
        self._alone: Alone | None = None
        self._altered: dict[int, Altered] = {}

    def answer(self, job: Work, clock: Clock) -> Answer:
        """Within the time of the clock."""
        self.clock = clock
        told: list[ToldOf] = []
        left: list[tuple[int, Told]] = []
        try:
            with within_memory(self.space.symbolic.memory):
                match job:
                    case AskJob(requirement):
                        asked = self.space.system.requirements[requirement]
                        part = SymbolicSpace(self.space.symbolic, asked.withstand)
                        part.on_work = clock.check
                        return Answer(word=word_of(part, asked, clock))
                    case TellJob(changes, words):
                        telling = self.telling(words)
                        self._tell(telling, changes, told)
                        return Answer(told=tuple(told), chatters=telling.first.chatters)
                    case GlanceJob(change, words):
                        return Answer(told=self._glance(self.telling(words), change))
                    case ShowJob(number, words):
                        return self._shown(number, words)
                    case WaysJob():
                        left.extend(self._ways_kept(job))
                        return Answer(left=tuple(left))
                    case AloneJob(change, words, known):
                        return Answer(alone=self._by_itself(words).told(self._changed(change), known))
                    case LookJob():
                        return Answer(found=self._look(job))
                    case RunJob(change):
                        return Answer(trace=self._run(self._changed(change)))
        except LimitReached as limit:
            return Answer(told=tuple(told), left=tuple(left), shortfall=clock.reason if clock.over else str(limit))

    def telling(self, asked: Asked) -> Telling:
        """Made with the first change that is told."""
        if self._telling is None:
            self._telling = Telling(
                self.space, asked, self.given.changes, self.given.everything, self._check, self.record
            )
            self.record = self._telling.record
            self._altered = {a.change.number: a for a in self._telling.altered}
        return self._telling

    def _check(self) -> None:
        self.clock.check()

    def _tell(self, telling: Telling, changes: Collection[int], told: list[ToldOf]) -> None:
        left: list[Altered] = []
        for number in changes:
            self._check()
            altered = self._altered[number]
            if altered.differs:
                left.append(altered)
            else:
                told.append(ToldOf(number, False, False, Told({})))
        for altered in sorted(left, key=lambda a: not telling.leads_nowhere_new(a)):
            self._check()
            more = altered.more != altered.false
            told.append(ToldOf(altered.change.number, True, more, telling.tell_all(altered)))

    def _shown(self, number: int | None, asked: Asked) -> Answer:
        if number is None:
            return Answer(rounds=not Rounds(self.space).none)
        requirement = self.space.system.requirements[number]
        few = {requirement.name: asked.few(self.space.symbolic.encoding, requirement)}
        return Answer(subsystems=Parts(self.space, asked.words, few, self._check).subsystems(requirement))

    def learn(self, asked: Asked, jobs: Sequence[ShowJob], answers: Sequence[Answer]) -> None:
        """What was shown, here or elsewhere."""
        telling = self.telling(asked)
        for job, answer in zip(jobs, answers, strict=True):
            if answer.shortfall:
                continue
            if job.requirement is None:
                telling.rounds.known = not answer.rounds
            else:
                telling.parts.views[self.space.system.requirements[job.requirement].name] = answer.subsystems

    def _glance(self, telling: Telling, change: int) -> tuple[ToldOf, ...]:
        altered = self._altered[change]
        found = telling.glance(altered) if altered.differs else None
        more = altered.more != altered.false
        return () if found is None else (ToldOf(change, True, more, found),)

    def _ways_kept(self, job: WaysJob) -> Iterator[tuple[int, Told]]:
        for number, known in zip(job.changes, job.known, strict=True):
            yield number, self._by_itself(job.asked).ways_kept(self._changed(number), known)

    def _by_itself(self, asked: Asked) -> Alone:
        if self._alone is None:
            encoding = self.space.symbolic.encoding
            self.record = self.record or record_of(encoding, self.space.start, self._check, WITHOUT_FAULTS)
            self._alone = Alone(self.space, self.record, asked, self._check)
        return self._alone

    def _changed(self, change: int) -> Altered:
        if change not in self._altered:
            self._altered[change] = Alterations(self.space, self._check).of(self._changes[change])
        return self._altered[change]

    def _run(self, altered: Altered) -> Trace | None:
        """To where the transition can happen only with the change; where it never can, to where it only can without."""
        t = self.space.system.transitions[altered.change.transition]
        source = InState(t.subsystem, (t.source,))
        about = (source, t.interlock, t.physical, altered.change.interlock)
        target = altered.more if altered.more != altered.false else altered.less
        return Walker(self.space, NOTHING, self.clock).shortest({0: target}, about)

    def _look(self, job: LookJob) -> Found:
        return look(
            self.space.system,
            [self._changes[number] for number in job.changes],
            self.space.budget,
            job.asked,
            self.given.everything,
            job.chatters,
            self.clock,
            self.given.limits,
            self.progress,
            job.may,
        )


def working(symbolic: Symbolic, given: Given) -> Answering:
    """In another process."""
    return Worker(SymbolicSpace(symbolic), given).answer
