"""Work in other processes beside this one, where a machine has the cores and the states took long to explore.

Each of them gets the system and the reached states, which are little once they are known, and then one job after the
other. What it answers is what would have been answered here: same order of bits, same engine, same questions.
"""

from __future__ import annotations

import pickle
import subprocess
import tempfile
import threading
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from types import TracebackType
from typing import Any, Generic, TypeVar

from safetymodel.claims import process
from safetymodel.claims.clock import Clock
from safetymodel.claims.judge import judge
from safetymodel.claims.verdict import EngineDisagreement, Judgement
from safetymodel.explore.engine import Space
from safetymodel.explore.memory import most_memory
from safetymodel.explore.ordering import growing_views
from safetymodel.explore.symbolic import Symbolic, SymbolicSpace
from safetymodel.model.system import Requirement, System

WORTH_SECONDS = 1.0
"""Seconds of exploring from which on a further process pays for its own start."""

J = TypeVar("J")
A = TypeVar("A")


def processes_for(space: Space[Any], seconds: float, jobs: int | None, memory: int | None) -> int:
    """How many processes work at once: ``jobs``, or unless told as many as there are cores where the states took long
    enough (``seconds``) to explore; never more than this machine has cores and memory for, and one where the user has
    set a limit of ``memory``."""
    if not isinstance(space, SymbolicSpace) or not space.complete or memory is not None or jobs == 1:
        return 1
    if jobs is None and seconds < WORTH_SECONDS:
        return 1
    most = room_for(space)
    return most if jobs is None else min(jobs, most)


def room_for(space: Space[Any]) -> int:
    """How many processes this machine has cores and memory for, at most :data:`MOST_PROCESSES`."""
    assert isinstance(space, SymbolicSpace)
    return max(1, min(process.at_once(), most_memory(None) // space.symbolic.memory))


class Beside(Generic[J, A]):
    """Jobs, done here and beside; each by whoever is free next: here the first of those that are left, there the last,
    since neighbours are often alike and what one has found is of use for the next.

    ``maker`` names what makes the answering function there, as ``room:function``: it gets the explored states and what
    is ``given``, and gives back an :data:`process.Answering`. ``here`` does a job in this process. Jobs and answers are
    pickled on their way.
    """

    def __init__(
        self,
        symbolic: Symbolic | None,
        maker: str,
        given: object,
        here: Callable[[J, Clock], A],
        others: int,
        only_here: Callable[[J], bool] = lambda _: False,
        spare: process.Spare | None = None,
    ) -> None:
        """``symbolic`` is not needed without ``others``, the number of further processes. ``only_here``: of the jobs
        that are not worth it there. ``spare`` may have processes that are already started."""
        self._here = here
        self._only_here = only_here
        self._spare = spare or process.Spare(0)
        self._jobs: list[J] = []
        self._clock = Clock()
        self._waiting: deque[int] = deque()
        self._offered: deque[J] = deque()
        self._done: dict[int, A] = {}
        self._wrong: list[str] = []
        self._stopping = False
        self._moved = threading.Condition()
        self._directory: tempfile.TemporaryDirectory[str] | None = None
        self._processes: list[subprocess.Popen[bytes]] = []
        self._threads: list[threading.Thread] = []
        if not others:
            return
        assert symbolic is not None
        self._directory = tempfile.TemporaryDirectory(prefix="safetymodel-")
        handed = symbolic.handed(Path(self._directory.name) / "reached")
        for _ in range(others):
            thread = threading.Thread(target=self._feed, args=((handed, maker, given),), daemon=True)
            self._threads.append(thread)
            thread.start()

    def __enter__(self) -> Beside[J, A]:
        return self

    def __exit__(self, kind: type[BaseException] | None, value: BaseException | None, at: TracebackType | None) -> None:
        with self._moved:
            self._stopping = True
            self._moved.notify_all()
        for each in self._processes:
            each.kill()
        for thread in self._threads:
            thread.join()
        if self._directory is not None:
            self._directory.cleanup()

    def add(self, job: J) -> None:
        """One more, found while others are done here."""
        with self._moved:
            self._waiting.append(len(self._jobs))
            self._jobs.append(job)
            self._moved.notify_all()

    def offer(self, job: J) -> None:
        """One to be done by whoever has nothing else to do as long as another process is at work: then it is one of
        :attr:`jobs`."""
        with self._moved:
            self._offered.append(job)
            self._moved.notify_all()

    @property
    def jobs(self) -> tuple[J, ...]:
        """Those that the last answers belong to, added and taken ones last."""
        return tuple(self._jobs)

    def done(self, jobs: Sequence[J], clock: Clock, tell: Callable[[J], None] | None = None) -> tuple[A, ...]:
        """The answers, in the order of the jobs, those of added and taken ones after them; ``tell`` is called before
        each that is done here.

        Raises EngineDisagreement where an answer shows our own mistake. What a job raises here goes through.
        """
        self.begin(jobs, clock)
        return self.finish(tell)

    def begin(self, jobs: Sequence[J], clock: Clock) -> None:
        """Give these to the others, while something else is done here; :meth:`finish` has the answers."""
        with self._moved:
            self._jobs, self._clock, self._done = list(jobs), clock, {}
            self._waiting.extend(range(len(jobs)))
            self._moved.notify_all()

    def finish(self, tell: Callable[[J], None] | None = None) -> tuple[A, ...]:
        """Do here what nobody has begun, and wait for the rest: as :meth:`done`."""
        try:
            while (number := self._next_here()) is not None:
                if tell is not None:
                    tell(self._jobs[number])
                answer = self._here(self._jobs[number], self._clock)
                with self._moved:
                    self._done[number] = answer
        finally:
            with self._moved:
                self._waiting.clear()
                self._offered.clear()
        if self._wrong:
            raise EngineDisagreement(self._wrong[0])
        return tuple(self._done[number] for number in range(len(self._jobs)))

    def _next_here(self) -> int | None:
        """The first that is left, perhaps one that a process gives back as it breaks down; None when all are done."""
        with self._moved:
            while not self._wrong and len(self._done) < len(self._jobs):
                if self._waiting:
                    return self._waiting.popleft()
                if self._offered:
                    return self._taken(self._offered.popleft())
                self._moved.wait()
            self._offered.clear()
            return None

    def _next_there(self) -> int | None:
        """The last that is left, as soon as there is one; None when no more will come."""
        with self._moved:
            while not self._stopping and not self._wrong:
                number = next((n for n in reversed(self._waiting) if not self._only_here(self._jobs[n])), None)
                if number is not None:
                    self._waiting.remove(number)
                    return number
                if self._offered:
                    return self._taken(self._offered.pop())
                self._moved.wait()
            return None

    def _taken(self, job: J) -> int:
        self._jobs.append(job)
        return len(self._jobs) - 1

    def _feed(self, given: object) -> None:
        """In a thread of its own: start one process, and keep it at work."""
        number: int | None = None
        try:
            beside = self._spare.take() or process.start()
            self._processes.append(beside)
            if self._stopping:
                beside.kill()
            assert beside.stdin is not None
            assert beside.stdout is not None
            with beside:
                process.send(beside.stdin, given)
                pickle.load(beside.stdout)  # it is ready: until then the others take the jobs
                while (number := self._next_there()) is not None:
                    process.send(beside.stdin, (self._jobs[number], process.told(self._clock)))
                    right, answer = pickle.load(beside.stdout)
                    with self._moved:
                        if right:
                            self._done[number] = answer
                        else:
                            self._wrong.append(str(answer))
                        number = None
                        self._moved.notify_all()
        except (OSError, EOFError, pickle.PickleError, AttributeError, ImportError, LookupError, TypeError, ValueError):
            with self._moved:
                if number is not None:
                    self._waiting.append(number)
                self._moved.notify_all()


@dataclass(frozen=True, slots=True)
class Job:
    """A requirement to judge under a fault budget."""

    requirement: Requirement
    budget: int


@dataclass(frozen=True, slots=True)
class Errand:
    """Something else that needs nothing but the explored states: ``function``, named as ``room:function``, gets the
    space of each budget, what is ``given``, and a clock. ``title`` is said while it is done."""

    title: str
    function: str
    given: object


Asked = tuple[int, int] | Errand
"""A requirement by its number, with a budget; or an errand."""


def _place(job: Job, system: System) -> tuple[int, int]:
    """Where it stands in the row, from both ends of which jobs are taken, so that what looks for ways back is done by
    one process and what has to be watched along a run by another. (Not with a limit of time: then as many verdicts as
    can be are worth more.) Ways back through the longest chain of reading are likely to take longest: nobody shall wait
    for them at the end."""
    requirement = job.requirement
    if requirement.form == "always_possible" or (requirement.form == "possible" and job.budget):
        return 0, -len(growing_views(system, (requirement.subject,)))
    return (2 if requirement.within is not None or requirement.begins is not None else 1), 0


class Shared:
    """Requirements, judged here and beside."""

    def __init__(
        self,
        spaces: Mapping[int, Space[Any]],
        jobs: Sequence[Job],
        clock: Clock,
        others: int,
        spare: process.Spare | None = None,
    ) -> None:
        self._spaces = spaces
        self._jobs = jobs
        self._clock = clock
        self._order = list(range(len(jobs)))
        space = next(iter(spaces.values()))
        if others and clock.seconds is None:
            self._order.sort(key=lambda number: _place(jobs[number], space.system))
        symbolic = space.symbolic if isinstance(space, SymbolicSpace) else None
        budgets = {budget: space.budget for budget, space in spaces.items()}
        maker = f"{__name__}:judging"
        self.beside: Beside[Asked, Any] = Beside(symbolic, maker, budgets, self._answer, others, spare=spare)

    def __enter__(self) -> Shared:
        return self

    def __exit__(self, kind: type[BaseException] | None, value: BaseException | None, at: TracebackType | None) -> None:
        self.beside.__exit__(kind, value, at)

    def judged(self, tell: Callable[[Requirement], None]) -> tuple[Judgement, ...]:
        """The judgements, in the order of the jobs. Raises EngineDisagreement as :func:`judge` does."""
        system = next(iter(self._spaces.values())).system
        found = self.beside.done(
            [(self._jobs[number].requirement.number, self._jobs[number].budget) for number in self._order],
            self._clock,
            lambda job: tell(system.requirements[job[0]]) if isinstance(job, tuple) else None,
        )
        judgements = dict(zip(self._order, found, strict=True))
        return tuple(replace(judgements[n], requirement=job.requirement) for n, job in enumerate(self._jobs))

    def send(self, errands: Sequence[Errand], clock: Clock) -> None:
        """Have these done, beside where there are other processes, once all is judged."""
        self.beside.begin(errands, clock)

    def brought(self, tell: Callable[[str], None]) -> tuple[Any, ...]:
        """What the errands bring, in their order; what nobody has begun is done here."""
        return self.beside.finish(lambda job: tell(job.title) if isinstance(job, Errand) else None)

    def _answer(self, job: Asked, clock: Clock) -> object:
        return _answered(job, self._spaces, clock)


def _answered(job: Asked, spaces: Mapping[int, Space[Any]], clock: Clock) -> object:
    if isinstance(job, Errand):
        for each in spaces.values():
            each.on_work = clock.check
        return process.named(job.function)(spaces, job.given, clock)
    number, budget = job
    space = spaces[budget]
    space.on_work = clock.check
    return judge(space, space.system.requirements[number], clock)


def judging(symbolic: Symbolic, budgets: Mapping[int, int]) -> process.Answering:
    """Judges there. ``budgets``: under which budget to judge for each that is asked for."""
    spaces = {budget: SymbolicSpace(symbolic, own) for budget, own in budgets.items()}
    return lambda job, clock: _answered(job, spaces, clock)
