"""Points of Modbus: how they are written, what each can be used for, and which values it takes or shows.

`coil N`, `discrete N` (read only), `holding N` and `input N` (read only), N from 0 as on the wire.
"""

from __future__ import annotations

import re
from typing import Literal

from safetymodel.bench.device import DeviceError, Value
from safetymodel.problems import printable

Table = Literal["coil", "discrete", "holding", "input"]

Use = Literal["apply", "set", "play", "read", "tick"]
"""What a map uses a point for: `apply`, `set`, an input that the bench plays, an output, a number of ticks."""

LAST = 65_535
"""The last address, and the largest value of a register (Modbus application protocol V1.1b3, from memory)."""

_POINT = re.compile(r"(coil|discrete|holding|input) ([0-9]{1,5})\Z")
_NO_POINT = "write `coil N`, `discrete N`, `holding N` or `input N`, N from 0 to 65535"


def parse_point(text: str) -> tuple[Table, int]:
    """The table and the address of a point; DeviceError where it is none."""
    match = _POINT.match(text)
    if match is None or int(match[2]) > LAST:
        raise DeviceError("refused", _no_point(text), _NO_POINT)
    table: Table = match[1]  # type: ignore[assignment]
    return table, int(match[2])


def _no_point(text: str) -> str:
    return f"`{printable(text[:60])}` is no Modbus point"


def wrong_use(text: str, use: Use) -> tuple[str, str] | None:
    """(what is wrong, hint) where a point cannot be used so."""
    try:
        table, _ = parse_point(text)
    except DeviceError as error:
        return error.message, error.hint
    if use == "tick" and table != "holding":
        return f"{text} takes no number of ticks", "write `holding N`"
    if use != "read" and table in ("discrete", "input"):
        return f"{text} can only be read", "write a `coil N` or a `holding N`"
    return None


def wrong_value(text: str, value: Value) -> tuple[str, str] | None:
    """(what is wrong, hint) where a point never takes or shows a value; ``text`` has to be a point."""
    bits = parse_point(text)[0] in ("coil", "discrete")
    if isinstance(value, bool | int) and 0 <= value <= (1 if bits else LAST):
        return None
    shown = printable(str(value)[:40])
    if bits:
        return f"{text} is true or false, never {shown}", "write `true` or `false`"
    return f"{text} is a whole number from 0 to {LAST}, never {shown}", "write the number that stands for it"


def example_values(text: str, states: tuple[str, ...]) -> str:
    """What a map could say of the point where it shows these states."""
    if parse_point(text)[0] in ("coil", "discrete"):
        return ", ".join(f"{state}: {'true' if n else 'false'}" for n, state in enumerate(states))
    return ", ".join(f"{state}: {n}" for n, state in enumerate(states))
