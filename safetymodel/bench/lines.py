"""A device that is a child process and speaks JSON, a line a message.

The bench writes one object a line to the process's standard input and waits for one object a line from its output:

    {"do": "reset"}                                   {"ok": true}
    {"do": "apply", "point": "lift.unfold"}           {"ok": true}
    {"do": "write", "point": "pad", "value": true}    {"ok": true}
    {"do": "wait", "ms": 2000}                        {"ok": true}
    {"do": "read", "points": ["lift", "k1"]}          {"values": {"lift": "stowed", "k1": false}}

A device that cannot do something answers {"error": "why"}. `ms` is a number; whether it lets a clock run or only counts
is the device's affair. What it writes to its standard error is shown where it fails. At the end its input is closed.
"""

from __future__ import annotations

import contextlib
import json
import os
import queue
import shlex
import subprocess
import threading
from collections import deque
from collections.abc import Mapping, Sequence
from fractions import Fraction
from typing import Any

from safetymodel.bench.device import DeviceError, Value
from safetymodel.problems import printable

LONGEST_LINE = 1_000_000
"""Characters of an answer; more is garbage."""

GRACE = 2.0
"""Seconds that a process gets to end after its input is closed."""


def words_of(command: str) -> list[str]:
    """The words of a command as a shell would split it; ValueError where a quote is not closed."""
    return shlex.split(command, posix=os.name != "nt")


class LinesDevice:
    """``command`` is split as a shell would, and run without one, in ``folder`` where one is named; ``timeout`` in
    seconds for each answer, a wait of the device's clock added."""

    can_start_again = True

    def __init__(self, command: str, timeout: float = 5.0, folder: str = "") -> None:
        self.timeout = timeout
        try:
            words = words_of(command)
        except ValueError as error:
            raise DeviceError("refused", f"the command cannot be read: {error}", "close its quotes") from None
        if not words:
            raise DeviceError("refused", "no command is given", "write `lines:COMMAND`")
        try:
            self._process = subprocess.Popen(
                words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, encoding="utf-8",
                errors="replace", bufsize=1, cwd=folder or None,
            )  # fmt: skip
        except (OSError, ValueError) as error:
            why = getattr(error, "strerror", None) or str(error)
            raise DeviceError("refused", f"cannot start {words[0]}: {why}", "is the command on the path?") from None
        self._answers: queue.Queue[str | None] = queue.Queue()
        self._said: deque[str] = deque(maxlen=3)
        self._grace = GRACE
        self._threads = [
            threading.Thread(target=self._listen, daemon=True),
            threading.Thread(target=self._overhear, daemon=True),
        ]
        for thread in self._threads:
            thread.start()

    def reset(self) -> None:
        self._do({"do": "reset"})

    def apply(self, point: str) -> None:
        self._do({"do": "apply", "point": point})

    def write(self, point: str, value: Value) -> None:
        self._do({"do": "write", "point": point, "value": value})

    def wait(self, milliseconds: Fraction) -> None:
        number = int(milliseconds) if milliseconds.denominator == 1 else float(milliseconds)
        self._do({"do": "wait", "ms": number}, float(milliseconds) / 1000)

    def read(self, points: Sequence[str]) -> Mapping[str, Value]:
        values = self._ask({"do": "read", "points": list(points)}).get("values")
        if not isinstance(values, dict):
            raise DeviceError("garbage", "the device answers a `read` without `values`", 'it answers {"values": {...}}')
        for point, value in values.items():
            if not isinstance(value, bool | int | str):
                raise DeviceError("garbage", f"{point} is {_short(value)}: no text, whole number or truth value")
        return values

    def close(self) -> None:
        process = self._process
        if process.stdin is not None:
            with contextlib.suppress(OSError):  # it is gone already
                process.stdin.close()
        try:
            process.wait(self._grace)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
        for thread in self._threads:
            thread.join(GRACE)
        for stream in (process.stdout, process.stderr):
            if stream is not None:
                stream.close()

    # -- one question and its answer ----------------------------------------------------------

    def _do(self, message: Mapping[str, Any], longer: float = 0.0) -> None:
        """Ask for something that is answered by `{"ok": true}`, and by nothing else."""
        answer = self._ask(message, longer)
        if answer.get("ok") is not True:
            text = f"the device answers a `{message['do']}` with {_short(json.dumps(answer))}"
            raise DeviceError("garbage", text, 'it answers {"ok": true}, or {"error": "why"} where it cannot')

    def _ask(self, message: Mapping[str, Any], longer: float = 0.0) -> dict[str, Any]:
        assert self._process.stdin is not None
        if not self._answers.empty():
            line = self._answers.get()
            if line is None:
                raise self._lost()
            raise DeviceError("garbage", f"the device speaks without being asked: {_short(line)}")
        try:
            self._process.stdin.write(json.dumps(message) + "\n")
            self._process.stdin.flush()
        except (OSError, ValueError):
            raise self._lost() from None
        try:
            line = self._answers.get(timeout=self.timeout + longer)
        except queue.Empty:
            self._grace = 0.1  # it has had its time
            waited = f"{self.timeout + longer:g} s"
            raise DeviceError("slow", f"no answer to `{message['do']}` within {waited}", "see --timeout") from None
        if line is None:
            raise self._lost()
        return self._understood(line)

    def _understood(self, line: str) -> dict[str, Any]:
        try:
            answer = json.loads(line)
        except (ValueError, RecursionError):
            answer = None
        if not isinstance(answer, dict):
            hint = "it writes one JSON object a line, and nothing else, to its output"
            raise DeviceError("garbage", f"the device answers {_short(line) or 'with an empty line'}", hint)
        if "error" in answer:
            raise DeviceError("refused", f"the device says: {_short(answer['error'])}")
        return answer

    def _lost(self) -> DeviceError:
        try:
            code = self._process.wait(GRACE)
            how = f"it ended with exit code {code}" if code >= 0 else f"it was ended by signal {-code}"
        except subprocess.TimeoutExpired:
            how = "it closed its output"
        self._threads[1].join(GRACE)
        said = "; ".join(self._said)
        return DeviceError("lost", f"the device is gone: {how}", f"it said: {printable(said)}" if said else "")

    def _listen(self) -> None:
        assert self._process.stdout is not None
        try:
            while line := self._process.stdout.readline(LONGEST_LINE):
                self._answers.put(line)
        except (OSError, ValueError):
            pass
        self._answers.put(None)

    def _overhear(self) -> None:
        assert self._process.stderr is not None
        try:
            while line := self._process.stderr.readline(LONGEST_LINE):
                if line.strip():
                    self._said.append(line.strip()[:300])
        except (OSError, ValueError):
            pass


def _short(value: object) -> str:
    text = printable(value.strip() if isinstance(value, str) else repr(value)).replace("\n", " ")
    return text if len(text) <= 80 else f"{text[:77]}..."
