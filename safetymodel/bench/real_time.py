"""A twin in real time: its time passes by the clock, and it shows what it does so much later, as a machine would."""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from fractions import Fraction

from safetymodel.bench.device import Value
from safetymodel.bench.twin import Twin

MOST_TICKS = 100_000
"""Ticks that are caught up with at once; where nobody has asked for longer than that, the twin's time stood."""


class InRealTime:
    """``late`` is in ms. ``now`` and ``sleep`` count seconds; tests give a clock of their own."""

    def __init__(
        self,
        twin: Twin,
        late: float = 0.0,
        now: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        self.twin = twin
        self.system = twin.system
        self._late = late / 1000
        self._now, self._sleep = now, sleep
        self._tick = None if self.system.tick is None else float(self.system.tick) / 1000
        self._began = now()
        self._ticks = 0
        self._looks: deque[tuple[float, Mapping[str, Value]]] = deque()
        self._note(self._began)

    def reset(self) -> None:
        self.twin.reset()
        self._began, self._ticks = self._now(), 0
        self._note(self._began)

    def apply(self, point: str) -> None:
        self._catch_up()
        self.twin.apply(point)
        self._note(self._now())

    def write(self, point: str, value: Value) -> None:
        self._catch_up()
        self.twin.write(point, value)
        self._note(self._now())

    def wait(self, milliseconds: Fraction) -> None:
        self._sleep(float(milliseconds) / 1000)
        self._catch_up()

    def read(self, points: Sequence[str]) -> Mapping[str, Value]:
        self._catch_up()
        if not self._late:
            return self.twin.read(points)
        seen = self._now() - self._late
        while len(self._looks) > 1 and self._looks[1][0] <= seen:
            self._looks.popleft()
        shown = self._looks[0][1]
        if any(point not in shown for point in points):
            return self.twin.read(points)  # which says what is wrong with it
        return {point: shown[point] for point in points}

    def close(self) -> None:
        self.twin.close()

    def _catch_up(self) -> None:
        """Let the ticks pass that the clock has counted."""
        if self._tick is None or self.system.tick is None:
            return
        due = int((self._now() - self._began) / self._tick)
        self._ticks = max(self._ticks, due - MOST_TICKS)
        while self._ticks < due:
            self._ticks += 1
            self.twin.wait(self.system.tick)
            self._note(self._began + self._ticks * self._tick)

    def _note(self, at: float) -> None:
        """What it looks like from this moment on."""
        if self._late:
            self._looks.append((at, self.twin.read(self.twin.points)))
