"""Judging in other processes beside this one, where a machine has the cores and the states took long to explore.

Each of them gets the system and the reached states, which are little once they are known, and then one requirement
after the other. What it answers is what would have been answered here: same order of bits, same engine, same questions.
"""

from __future__ import annotations

import os
import pickle
import subprocess
import sys
import tempfile
import threading
import time
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from types import TracebackType
from typing import IO, Any

from safetymodel.claims.clock import Clock
from safetymodel.claims.judge import EngineDisagreement, judge
from safetymodel.claims.verdict import Judgement
from safetymodel.explore.engine import Space
from safetymodel.explore.symbolic import SHARE_OF_MACHINE, Handed, Symbolic, SymbolicSpace, machine_memory
from safetymodel.model.system import Requirement

MOST_PROCESSES = 4


@dataclass(frozen=True, slots=True)
class Job:
    """A requirement to judge under a fault budget."""

    requirement: Requirement
    budget: int


def room_for(space: Space[Any]) -> int:
    """How many processes this machine has cores and memory for, at most :data:`MOST_PROCESSES`."""
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    assert isinstance(space, SymbolicSpace)
    held = int(machine_memory() * SHARE_OF_MACHINE) // space.symbolic.memory
    return max(1, min(cores, MOST_PROCESSES, held))


class Shared:
    """Jobs, done here and beside; each by whoever is free next."""

    def __init__(self, spaces: Mapping[int, Space[Any]], jobs: Sequence[Job], clock: Clock, others: int) -> None:
        self.clock = clock
        self._spaces = spaces
        self._jobs = jobs
        self._waiting = deque(range(len(jobs)))
        self._done: dict[int, Judgement] = {}
        self._wrong: list[str] = []
        self._stopping = False
        self._directory = tempfile.TemporaryDirectory(prefix="safetymodel-")
        self._processes: list[subprocess.Popen[bytes]] = []
        self._threads: list[threading.Thread] = []
        space = next(iter(spaces.values()))
        assert isinstance(space, SymbolicSpace)
        handed = space.symbolic.handed(Path(self._directory.name) / "reached")
        budgets = {budget: space.budget for budget, space in spaces.items()}
        for _ in range(others):
            thread = threading.Thread(target=self._feed, args=((handed, budgets),), daemon=True)
            self._threads.append(thread)
            thread.start()

    def __enter__(self) -> Shared:
        return self

    def __exit__(self, kind: type[BaseException] | None, value: BaseException | None, at: TracebackType | None) -> None:
        self._stopping = True
        for process in self._processes:
            process.kill()
        for thread in self._threads:
            thread.join()
        self._directory.cleanup()

    def judged(self, tell: Callable[[Requirement], None]) -> tuple[Judgement, ...]:
        """The judgements, in the order of the jobs. Raises EngineDisagreement as :func:`judge` does."""
        while True:
            number = self._next()
            if number is None:
                break
            job = self._jobs[number]
            tell(job.requirement)
            self._done[number] = judge(self._spaces[job.budget], job.requirement, self.clock)
        for thread in self._threads:
            thread.join()
        while (number := self._next()) is not None:  # given back by a process that broke down
            job = self._jobs[number]
            self._done[number] = judge(self._spaces[job.budget], job.requirement, self.clock)
        if self._wrong:
            raise EngineDisagreement(self._wrong[0])
        return tuple(self._done[number] for number in range(len(self._jobs)))

    def _next(self) -> int | None:
        try:
            return None if self._wrong else self._waiting.popleft()
        except IndexError:
            return None

    def _feed(self, given: object) -> None:
        """In a thread of its own: start one process, and keep it at work."""
        number: int | None = None
        try:
            process = _start()
            self._processes.append(process)
            if self._stopping:
                process.kill()
            assert process.stdin is not None
            assert process.stdout is not None
            with process:
                _send(process.stdin, given)
                pickle.load(process.stdout)  # it is ready: until then the others take the jobs
                while (number := self._next()) is not None:
                    job = self._jobs[number]
                    _send(process.stdin, (job.requirement.number, job.budget, self._left()))
                    answer = pickle.load(process.stdout)
                    if isinstance(answer, Judgement):
                        self._done[number] = replace(answer, requirement=job.requirement)
                    else:
                        self._wrong.append(str(answer))
        except (OSError, EOFError, pickle.PickleError):
            if number is not None:
                self._waiting.append(number)

    def _left(self) -> float | None:
        if self.clock.seconds is None:
            return None
        return max(0.0, self.clock.seconds - (time.monotonic() - self.clock.started))


def _send(to: IO[bytes], what: object) -> None:
    pickle.dump(what, to)
    to.flush()


def _start() -> subprocess.Popen[bytes]:
    """Another interpreter that runs :func:`serve`. It is in a session of its own, so that an interruption at the
    terminal reaches this process alone, which then ends the others."""
    package = str(Path(__file__).resolve().parents[2])
    program = f"import sys; sys.path.insert(0, {package!r}); from safetymodel.claims.beside import serve; serve()"
    return subprocess.Popen(
        [sys.executable, "-c", program],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        start_new_session=True,
    )


def serve() -> None:
    """The other side: read the system and its states, then judge what comes until nothing does."""
    asked, answers = sys.stdin.buffer, sys.stdout.buffer
    handed: Handed
    handed, budgets = pickle.load(asked)
    symbolic = Symbolic(handed.system, handed.budget, handed=handed)
    spaces = {budget: SymbolicSpace(symbolic, own) for budget, own in budgets.items()}
    _send(answers, "ready")
    while True:
        try:
            number, budget, left = pickle.load(asked)
        except EOFError:
            return
        clock = Clock(left)
        space: Any = spaces[budget]
        space.on_work = clock.check
        try:
            _send(answers, judge(space, symbolic.system.requirements[number], clock))
        except EngineDisagreement as wrong:
            _send(answers, str(wrong))
