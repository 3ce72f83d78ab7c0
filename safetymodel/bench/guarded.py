"""A Python object as a device: what it raises, or never gives back, ends the run and not the bench."""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable, Mapping, Sequence
from fractions import Fraction
from typing import Any

from safetymodel.bench.device import DeviceError, Value
from safetymodel.problems import printable

CALLS = ("reset", "apply", "wait", "read")
"""What a Python object needs; `write` and `close` only where they are used."""

GRACE = 2.0
"""Seconds that its `close` gets."""


def is_device(thing: Any) -> bool:
    """Whether an object has the calls of a device."""
    return not isinstance(thing, type) and all(callable(getattr(thing, call, None)) for call in CALLS)


def raised(error: BaseException) -> str:
    """``ValueError: no port``, on one line."""
    text = str(error).replace("\n", " ")
    return printable(f"{type(error).__name__}: {text}" if text else type(error).__name__)[:200]


class Caller:
    """A thread in which a device is made and called, since a call that hangs cannot be ended: it is left behind."""

    def __init__(self) -> None:
        self._asked: queue.SimpleQueue[tuple[Callable[[], Any], queue.SimpleQueue[tuple[bool, Any]]]]
        self._asked = queue.SimpleQueue()
        threading.Thread(target=self._serve, daemon=True).start()

    def __call__(self, call: Callable[[], Any], seconds: float | None = None) -> tuple[bool, Any]:
        """(True, what the call gives back), or (False, what it raises); queue.Empty where that takes longer."""
        answer: queue.SimpleQueue[tuple[bool, Any]] = queue.SimpleQueue()
        self._asked.put((call, answer))
        return answer.get(timeout=seconds)

    def _serve(self) -> None:
        while True:
            call, answer = self._asked.get()
            try:
                answer.put((True, call()))
            except BaseException as error:
                # Ctrl-C comes to the main thread: what is raised here, a KeyboardInterrupt too, is the device's own
                answer.put((False, error))


class Guarded:
    """Whatever the object raises is an error of the device.

    ``timeout`` in seconds for each call, the time of a `wait` added; it is called in the thread of ``caller`` then.
    None: in the thread of whoever calls, without a limit. ``anew``: another can be made where this one is lost.
    """

    def __init__(
        self, inner: Any, timeout: float | None = None, caller: Caller | None = None, anew: bool = False
    ) -> None:
        self.inner = inner
        self.can_start_again = anew
        self._timeout = timeout
        self._caller = None if timeout is None else caller or Caller()
        self._hangs: DeviceError | None = None

    def _call(self, name: str, *arguments: Any, longer: float = 0.0) -> Any:
        call = getattr(self.inner, name, None)
        if call is None:
            raise DeviceError("refused", f"the device has no {name}()")
        if self._hangs is not None:
            raise self._hangs
        worked, given = self._outcome(name, lambda: call(*arguments), longer)
        if worked:
            return given
        if isinstance(given, DeviceError):
            raise given
        raise DeviceError("lost", f"{name}() of the device fails: {raised(given)}") from given

    def _outcome(self, name: str, call: Callable[[], Any], longer: float) -> tuple[bool, Any]:
        if self._caller is None or self._timeout is None:
            try:
                return True, call()
            except (Exception, SystemExit) as error:
                return False, error
        try:
            return self._caller(call, self._timeout + longer)
        except queue.Empty:
            within = f"within {self._timeout + longer:g} s"
            self._hangs = DeviceError("slow", f"{name}() of the device does not return {within}", "see --timeout")
            raise self._hangs from None

    def reset(self) -> None:
        self._call("reset")

    def apply(self, point: str) -> None:
        self._call("apply", point)

    def write(self, point: str, value: Value) -> None:
        self._call("write", point, value)

    def wait(self, milliseconds: Fraction) -> None:
        self._call("wait", milliseconds, longer=float(milliseconds) / 1000)

    def read(self, points: Sequence[str]) -> Mapping[str, Value]:
        values = self._call("read", points)
        if not isinstance(values, Mapping):
            raise DeviceError("garbage", f"read() gives {type(values).__name__}, not a map of points")
        return values

    def close(self) -> None:
        if hasattr(self.inner, "close") and self._hangs is None:
            self._timeout = None if self._timeout is None else min(self._timeout, GRACE)
            self._call("close")
