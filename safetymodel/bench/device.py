"""What a bench asks of a device, real or simulated, and how a device fails.

A device knows *points*: names of its own for what can be done to it and what it shows. A mapping
(`bench/mapping.py`) ties them to the events, signals, faults and states of a spec.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from fractions import Fraction
from typing import Literal, Protocol, TypeAlias

Value: TypeAlias = bool | int | str
"""What a point can show or be set to."""

Trouble = Literal["refused", "lost", "slow", "garbage", "restless"]
"""``refused``: no connection, or the device will not do it; ``lost``: it was there and is gone; ``slow``: no answer
in time; ``garbage``: an answer that makes no sense; ``restless``: its logic goes round for ever, which is a difference
wherever the model comes to rest."""


class DeviceError(Exception):
    """The device let the bench down: nothing is known about its logic from then on. Never a pass.

    ``trouble`` is the kind; ``hint`` says what to look at.
    """

    def __init__(self, trouble: Trouble, message: str, hint: str = "") -> None:
        super().__init__(message)
        self.trouble: Trouble = trouble
        self.message = message
        self.hint = hint


class NoDevice:
    """Stands where a map is asked and no device is needed: takes everything, shows nothing."""

    def reset(self) -> None: ...
    def apply(self, point: str) -> None: ...
    def write(self, point: str, value: Value) -> None: ...
    def wait(self, milliseconds: Fraction) -> None: ...
    def read(self, points: Sequence[str]) -> Mapping[str, Value]:
        return {}

    def close(self) -> None: ...


class Device(Protocol):
    """Six calls. Each returns when the device has taken it; each may raise :class:`DeviceError`.

    An event that the device's logic blocks is no error: it just moves nothing.
    """

    def reset(self) -> None:
        """Back to the initial state, without faults and forced inputs."""

    def apply(self, point: str) -> None:
        """Make the event (or the fault) at this point happen once."""

    def write(self, point: str, value: Value) -> None:
        """Set an input, and leave it so."""

    def wait(self, milliseconds: Fraction) -> None:
        """Let so much time pass for the device: by its clock, or by its simulated one."""

    def read(self, points: Sequence[str]) -> Mapping[str, Value]:
        """What these points show now."""

    def close(self) -> None:
        """Let go of the device; called once, last, also after an error."""
