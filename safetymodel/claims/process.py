"""One further process: how it is started, what is said to it, and what it does.

It is another interpreter that reads, from its standard input, the explored states and what makes the answering
function, then one job after the other; each answer goes to its standard output. All of it is pickled.
"""

from __future__ import annotations

import importlib
import os
import pickle
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from types import TracebackType
from typing import IO, Any

from safetymodel.claims.clock import Clock
from safetymodel.claims.verdict import EngineDisagreement
from safetymodel.explore.engine import Limits
from safetymodel.explore.memory import most_memory
from safetymodel.explore.symbolic import Handed, Symbolic

MOST_PROCESSES = 4

SOON = 0.3
"""Seconds of exploring after which a further process is likely to have something to do in the end."""

Answering = Callable[[Any, Clock], object]
"""What does a job within the time of a clock; for a job that shows our own mistake it raises EngineDisagreement."""

NAMED_HERE = "safetymodel.claims.beside"
"""The room that each process is likely to need first: it reads that before anything is said to it."""


def at_once() -> int:
    """How many processes this machine has cores for, at most :data:`MOST_PROCESSES`."""
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    return min(cores, MOST_PROCESSES)


def start() -> subprocess.Popen[bytes]:
    """Another interpreter that runs :func:`serve`. It is in a session of its own, so that an interruption at the
    terminal reaches this process alone, which then ends the others."""
    package = str(Path(__file__).resolve().parents[2])
    program = f"import sys; sys.path.insert(0, {package!r}); import {NAMED_HERE}; from {__name__} import serve; serve()"
    return subprocess.Popen(
        [sys.executable, "-c", program],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        start_new_session=True,
    )


class Spare:
    """Processes that are started while states are still explored, so that they are ready when there is something to do.
    What nobody takes is ended."""

    def __init__(self, most: int) -> None:
        self._most = most
        self._since: float | None = None
        self._ready: list[subprocess.Popen[bytes]] = []
        self._one = threading.Lock()

    def __enter__(self) -> Spare:
        return self

    def __exit__(self, kind: type[BaseException] | None, value: BaseException | None, at: TracebackType | None) -> None:
        while (left := self.take()) is not None:
            left.kill()
            left.communicate()

    def look(self) -> None:
        """Called now and then while states are explored: starts the processes once that has taken a while."""
        now = time.monotonic()
        if self._since is None:
            self._since = now
        elif now - self._since > SOON and self._most:
            most, self._most = self._most, 0
            try:
                self._ready.extend(start() for _ in range(most))
            except OSError:
                return  # whoever needs one will see

    def take(self) -> subprocess.Popen[bytes] | None:
        """One that is started, if there is one left."""
        with self._one:
            return self._ready.pop() if self._ready else None


def spare_for(jobs: int | None, memory: int | None) -> Spare:
    """So many as ``jobs`` processes need at the most, or as this machine has cores for; none where the user has set a
    limit of ``memory``."""
    most = at_once() if jobs is None else min(jobs, at_once())
    return Spare(0 if memory is not None else most - 1)


def told(clock: Clock) -> tuple[float | None, float, str]:
    """Seconds of the limit, and how many of them are over: other processes may count from another moment; and what is
    said then."""
    return clock.seconds, time.monotonic() - clock.started, clock.said


def _clock(told: tuple[float | None, float, str]) -> Clock:
    seconds, over, said = told
    return Clock(seconds, time.monotonic() - over, said)


def send(to: IO[bytes], what: object) -> None:
    pickle.dump(what, to)
    to.flush()


def serve() -> None:
    """The other side: read the system and its states, then do what comes until nothing does."""
    asked, answers = sys.stdin.buffer, sys.stdout.buffer
    handed: Handed
    try:
        handed, maker, given = pickle.load(asked)
    except EOFError:
        return  # nobody needs it
    most = max(handed.memory, most_memory(None) // MOST_PROCESSES)
    answering: Answering = named(maker)(
        Symbolic(handed.system, handed.budget, Limits(memory=most), handed=handed), given
    )
    send(answers, "ready")
    while True:
        try:
            job, clock = pickle.load(asked)
        except EOFError:
            return
        try:
            answer = (True, answering(job, _clock(clock)))
        except EngineDisagreement as wrong:
            answer = (False, str(wrong))
        send(answers, answer)


def named(function: str) -> Any:
    """The function that is named as ``room:function``."""
    room, _, name = function.partition(":")
    return getattr(importlib.import_module(room), name)
