"""Modbus TCP: a client for a device on the bench, a server for the twin. The one room that knows pymodbus.

Points are those of `modbus_points`. `apply` writes true (or 1) and then takes it back, as a finger on a button does.
"""

from __future__ import annotations

import logging
import math
import time
from collections.abc import Callable, Mapping, Sequence
from fractions import Fraction
from typing import Any

from safetymodel.bench.device import DeviceError, Value
from safetymodel.bench.modbus_points import Table, parse_point
from safetymodel.bench.real_time import InRealTime
from safetymodel.bench.twin import Twin
from safetymodel.model.system import System
from safetymodel.traces.wording import counted

MOST_BITS, MOST_REGISTERS = 2_000, 125
"""What one request may ask for (Modbus application protocol V1.1b3, values from memory: check the printed text)."""
NEAR = 16
"""Points that are no farther apart are asked for in one request."""

_LOOPBACK = "127.0.0.1"


class NotInstalled(Exception):
    """pymodbus, an optional part, is not there."""

    message = "Modbus needs the package pymodbus, which is not installed"
    hint = "pip install 'safetymodel[modbus]'"


def _library() -> Any:
    try:
        import pymodbus
    except ImportError:
        raise NotInstalled from None
    logging.getLogger("pymodbus").setLevel(logging.CRITICAL + 1)  # what it has to say comes as an error of the device
    return pymodbus


class ModbusDevice:
    """A client; connects at once. ``timeout`` in seconds for a connection and for each answer. Time passes by the
    clock, unless the map has a `tick` point. Without a `reset` in the map it cannot be reset."""

    def __init__(self, host: str, port: int, unit: int = 1, timeout: float = 3.0) -> None:
        _library()
        from pymodbus.client import ModbusTcpClient

        self.name = f"{host}:{port}"
        self.unit = unit
        self.timeout = timeout
        self._heard = 0
        self._plans: dict[tuple[str, ...], list[tuple[Table, int, int]]] = {}
        client: Any = ModbusTcpClient
        self._client = client(host, port=port, timeout=timeout, retries=0, trace_packet=self._overhear)
        if not self._client.connect():
            hint = "is it on, does it listen there, and is no firewall between?"
            raise DeviceError("refused", f"no connection to {self.name}", hint)

    def _overhear(self, sending: bool, data: bytes) -> bytes:
        if not sending:
            self._heard += len(data)
        return data

    def reset(self) -> None:
        raise DeviceError("refused", "the device cannot be reset", "give the map a `reset:`")

    def apply(self, point: str) -> None:
        table, address = parse_point(point)
        if table == "holding":
            self._ask(self._client.write_register, address, 1)
            self._ask(self._client.write_register, address, 0)
        elif table == "coil":
            self._ask(self._client.write_coil, address, True)
            self._ask(self._client.write_coil, address, False)
        else:
            raise DeviceError("refused", f"{point} can only be read", "apply a coil or a holding register")

    def write(self, point: str, value: Value) -> None:
        table, address = parse_point(point)
        if table == "coil" and isinstance(value, bool | int):
            self._ask(self._client.write_coil, address, bool(value))
        elif table == "holding" and isinstance(value, bool | int) and 0 <= value <= 0xFFFF:
            self._ask(self._client.write_register, address, int(value))
        else:
            raise DeviceError("refused", f"{point} cannot be set to {str(value)[:40]!r}")

    def wait(self, milliseconds: Fraction) -> None:
        time.sleep(float(milliseconds) / 1000)

    def read(self, points: Sequence[str]) -> Mapping[str, Value]:
        key = tuple(points)
        if key not in self._plans:
            self._plans[key] = _requests([parse_point(point) for point in points])
        values: dict[tuple[Table, int], Value] = {}
        for table, first, count in self._plans[key]:
            values.update(((table, first + n), value) for n, value in enumerate(self._read(table, first, count)))
        return {point: values[parse_point(point)] for point in points}

    def _read(self, table: Table, first: int, count: int) -> list[Value]:
        client = self._client
        if table in ("coil", "discrete"):
            ask = client.read_coils if table == "coil" else client.read_discrete_inputs
            answer = self._ask(ask, first, count=count)
            bits = list(answer.bits)[:count]
            found: list[Value] = [bool(bit) for bit in bits]
        else:
            ask = client.read_holding_registers if table == "holding" else client.read_input_registers
            answer = self._ask(ask, first, count=count)
            found = [int(register) for register in list(answer.registers)[:count]]
        if len(found) != count:
            raise DeviceError("garbage", f"the device answers {len(found)} of {count} values from {table} {first}")
        return found

    def _ask(self, request: Callable[..., Any], address: int, *values: Any, **more: Any) -> Any:
        from pymodbus.exceptions import ConnectionException, ModbusException

        self._heard = 0
        try:
            answer = request(address, *values, device_id=self.unit, **more)
        except ConnectionException:
            raise DeviceError("lost", f"the connection to {self.name} is gone", "is the device still on?") from None
        except OSError as error:
            raise DeviceError("lost", f"the connection to {self.name} is gone: {error.strerror or error}") from None
        except ModbusException:
            if self._heard:
                heard = f"{self._heard} bytes that are no answer"
                raise DeviceError("garbage", f"{self.name} sends {heard}", "does it speak Modbus TCP?") from None
            if self._is_closed():
                raise DeviceError("lost", f"the connection to {self.name} is gone", "is the device still on?") from None
            raise DeviceError(
                "slow", f"no answer from {self.name} within {self.timeout:g} s", "see --timeout"
            ) from None
        except Exception as error:  # pymodbus lets some of its own slips through on broken answers
            raise DeviceError("garbage", f"{self.name} sends what is no answer ({type(error).__name__})") from None
        if answer.isError():
            code = getattr(answer, "exception_code", 0)
            message = (
                f"the device refuses the request at address {address} (exception {code}: {_EXCEPTIONS.get(code, '')})"
            )
            raise DeviceError("garbage", message.replace(": )", ")"), "do the points of the map fit the device?")
        return answer

    def _is_closed(self) -> bool:
        """Whether the other side has closed the connection."""
        socket = self._client.socket
        if socket is None:
            return True
        import socket as sockets

        try:
            socket.setblocking(False)
            return not socket.recv(1, sockets.MSG_PEEK)
        except BlockingIOError:
            return False
        except OSError:
            return True

    def close(self) -> None:
        self._client.close()


_EXCEPTIONS = {1: "illegal function", 2: "illegal address", 3: "illegal value", 4: "device failure", 6: "device busy"}
"""Exception codes of the Modbus application protocol, from memory: check the printed text."""


def _requests(points: Sequence[tuple[Table, int]]) -> list[tuple[Table, int, int]]:
    """(table, first address, count) of as few requests as will do."""
    found: list[tuple[Table, int, int]] = []
    for table, address in sorted(set(points)):
        most = MOST_BITS if table in ("coil", "discrete") else MOST_REGISTERS
        if found:
            last_table, first, count = found[-1]
            if last_table == table and address - (first + count - 1) <= NEAR and address - first < most:
                found[-1] = table, first, address - first + 1
                continue
        found.append((table, address, 1))
    return found


# -- the twin as a server ---------------------------------------------------------------------


class Layout:
    """Where the twin of a system has its points: coil 0 resets, then a coil for each event and each fault; a discrete
    input for each signal; holding register 0 takes ticks that are to pass; an input register for each subsystem shows
    the place of its state in the spec, from 0."""

    def __init__(self, system: System) -> None:
        self.system = system
        self.actions = [event.name for event in system.events] + [f"fault {fault.name}" for fault in system.faults]

    def map_text(self, real_time: bool = False, late: float = 0.0) -> str:
        """The map file for a bench; ``late`` is by how many ms the twin shows later what it does in real time."""
        s = self.system
        lines = ["safetymodel_map: 1", "reset: {apply: coil 0}"]
        if real_time:
            settle = max(20, math.ceil(late))
            lines.append(f"time: {{settle: {settle} ms, at_most: {settle + 500} ms, slack: 1}}")
        elif s.tick is not None:
            lines.append("time: {tick: holding 0}")
        lines.append("events:" if s.events else "events: {}")
        events = len(s.events)
        lines += [f"  {e.name}: {{apply: coil {n}}}" for n, e in enumerate(s.events, 1)]
        if s.faults:
            lines.append("faults:")
            lines += [f"  {f.name}: {{apply: coil {n}}}" for n, f in enumerate(s.faults, events + 1)]
        lines.append("outputs:")
        names = {subsystem.name for subsystem in s.subsystems}
        for n, subsystem in enumerate(s.subsystems):
            values = ", ".join(f"{state}: {place}" for place, state in enumerate(subsystem.states))
            lines.append(f"  {subsystem.name}: {{point: input {n}, values: {{{values}}}}}")
        lines += [f"  {g.name}: {{point: discrete {n}}}" for n, g in enumerate(s.signals) if g.name not in names]
        return "\n".join(lines) + "\n"


class TwinServer:
    """Serves a twin; ``heard`` is told of each request that did something."""

    def __init__(self, twin: Twin | InRealTime, heard: Callable[[str], None] | None = None) -> None:
        self.twin = twin
        self.layout = Layout(twin.system)
        self.heard = heard or (lambda text: None)

    def serve(self, host: str, port: int, listening: Callable[[str, int], None]) -> None:
        """Until it is interrupted; ``listening`` hears the address. Raises OSError where it cannot listen there."""
        _library()
        import asyncio

        asyncio.run(self._serve(host, port, listening))

    async def _serve(self, host: str, port: int, listening: Callable[[str, int], None]) -> None:
        from pymodbus.server import ModbusTcpServer
        from pymodbus.simulator import DataType, SimData, SimDevice

        system = self.twin.system
        bits = [SimData(0, values=[False] * _room(1 + len(self.layout.actions)), datatype=DataType.BITS)]
        inputs = [SimData(0, values=[False] * _room(len(system.signals)), datatype=DataType.BITS)]
        ticks = [SimData(0, values=[0], datatype=DataType.REGISTERS)]
        states = [SimData(0, values=[0] * len(system.subsystems), datatype=DataType.REGISTERS)]
        device = SimDevice(id=0, simdata=(bits, inputs, ticks, states), action=self._act)
        server: Any = ModbusTcpServer(device, address=(host, port))
        try:
            await server.serve_forever(background=True)
        except RuntimeError:
            raise OSError(f"cannot listen on {host}:{port}") from None
        name = server.transport.sockets[0].getsockname()
        listening(str(name[0]), int(name[1]))
        try:
            await server.serving
        finally:
            await server.shutdown()

    async def _act(
        self, function: int, start: int, address: int, count: int, registers: list[int], values: list[Any] | None
    ) -> Any:
        """Do what a write asks for; put what the twin shows into what a read returns."""
        from pymodbus.constants import ExcCodes

        try:
            if values is not None:
                self._write(function, address, values)
            else:
                self._show(function, registers)
        except DeviceError:
            return ExcCodes.DEVICE_FAILURE
        except ValueError:
            return ExcCodes.ILLEGAL_VALUE
        return None

    def _write(self, function: int, address: int, values: list[Any]) -> None:
        if function in (5, 15):
            for place, value in enumerate(values, address):
                if value:
                    self._press(place)
            values[:] = [False] * len(values)  # each is taken back at once
        else:
            ticks = sum(int(value) for value in values)
            values[:] = [0] * len(values)
            tick = self.twin.system.tick
            if ticks and (tick is None or isinstance(self.twin, InRealTime)):
                raise ValueError("its time passes by the clock, or not at all")
            if tick is not None:
                self.twin.wait(ticks * tick)
                self.heard(counted(ticks, "tick"))

    def _press(self, place: int) -> None:
        if place == 0:
            self.twin.reset()
            self.heard("reset")
        elif place <= len(self.layout.actions):
            self.twin.apply(self.layout.actions[place - 1])
            self.heard(self.layout.actions[place - 1])
        else:
            raise ValueError("no such coil")

    def _show(self, function: int, registers: list[int]) -> None:
        system = self.twin.system
        if function == 2:
            shown = self.twin.read([signal.name for signal in system.signals])
            for n, signal in enumerate(system.signals):
                bit = 1 << n % 16
                registers[n // 16] = registers[n // 16] & ~bit | (bit if shown[signal.name] else 0)
        elif function == 4:
            shown = self.twin.read([s.name for s in system.subsystems])
            for n, s in enumerate(system.subsystems):
                registers[n] = s.states.index(str(shown[s.name]))


def _room(bits: int) -> int:
    """So many bits in whole registers, at least one."""
    return max(16, -(-bits // 16) * 16)
