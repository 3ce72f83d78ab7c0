"""Time limits of the questions after the search for states."""

from __future__ import annotations

import time
from dataclasses import replace

from safetymodel.explore.engine import LimitReached, Limits

AT_LEAST_SECONDS = 20.0
"""Time that further work may take without being asked for; more where what came before took longer."""


def seconds_for_more(limit: float | None, spent: float, asked: bool) -> float | None:
    """Seconds that further work may take after ``spent``, under the user's ``limit`` for everything; None: no limit."""
    most = None if asked else max(AT_LEAST_SECONDS, spent)
    if limit is None:
        return most
    left = max(0.0, limit - spent)
    return left if most is None else min(most, left)


class Clock:
    """Wall-clock limit of the questions after the search for states."""

    def __init__(self, seconds: float | None = None, started: float | None = None, said: str = "") -> None:
        """``said``: instead of how long it was, when it is over."""
        self.seconds = seconds
        self.said = said
        self.started = time.monotonic() if started is None else started

    def within(self, limits: Limits) -> Limits:
        """The limits of a further search, which must not take longer than what is left."""
        if self.seconds is None:
            return limits
        left = max(0.0, self.seconds - (time.monotonic() - self.started))
        return replace(limits, seconds=left if limits.seconds is None else min(left, limits.seconds))

    @property
    def over(self) -> bool:
        """Whether the time is over."""
        return self.seconds is not None and time.monotonic() - self.started > self.seconds

    @property
    def reason(self) -> str:
        """What is said when it is."""
        if self.said:
            return self.said
        return f"the limit of {self.seconds:.3g} s was reached" if self.seconds else "no time was left"

    def check(self) -> None:
        """Raises :class:`LimitReached` when the time is over."""
        if self.over:
            raise LimitReached(self.reason)
