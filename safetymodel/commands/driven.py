"""What holds while a command drives a device: where its output goes, and how it is ended in order."""

from __future__ import annotations

import contextlib
import signal
import sys
import threading
from collections.abc import Iterator
from types import FrameType


@contextlib.contextmanager
def driving() -> Iterator[None]:
    """What a device prints goes to standard error, since the result may go to standard output. A request to end
    (SIGTERM, or SIGHUP where nobody asked to outlive it) interrupts as Ctrl-C does, so that the device is let go of."""
    kept = {}
    if threading.current_thread() is threading.main_thread():
        for name in ("SIGTERM", "SIGHUP"):
            number = getattr(signal, name, None)
            if number is not None and signal.getsignal(number) == signal.SIG_DFL:
                kept[number] = signal.signal(number, _interrupt)
    try:
        with contextlib.redirect_stdout(sys.stderr):
            yield
    finally:
        for number, handler in kept.items():
            signal.signal(number, handler)


def _interrupt(number: int, frame: FrameType | None) -> None:
    signal.signal(number, signal.SIG_IGN)  # once is enough: what comes next is letting go
    raise KeyboardInterrupt
