"""From the name of a device on the command line to the device."""

from __future__ import annotations

import importlib
import os
import re
import sys
from collections.abc import Mapping, Sequence
from fractions import Fraction
from typing import Any

from safetymodel.bench.device import Device, DeviceError, Value
from safetymodel.model.system import System
from safetymodel.names import did_you_mean
from safetymodel.problems import Problem, printable
from safetymodel.span import NOWHERE

FORMS = "`twin`, `python:module:object`, `modbus://host:port` or `lines:command`"
_MODBUS = re.compile(r"modbus://(?:\[([0-9A-Fa-f:.]+)\]|([^\s:/\[\]]+)):([0-9]{1,5})(?:/([0-9]{1,3}))?/?\Z")


def open_device(
    name: str, system: System, timeout: float = 5.0, defect: str | None = None, seed: int | None = None
) -> Device | Problem:
    """The device of a name, connected. Raises DeviceError where it cannot be reached.

    ``timeout`` in seconds for each answer. ``defect`` and ``seed`` (order of reaction at random) belong to the twin.
    """
    kind, _, rest = name.partition(":")
    if defect is not None and name != "twin":
        return Problem("defect-of-device", NOWHERE, "only the twin can be given a defect", "use `--device twin`")
    if name == "twin":
        return _twin(system, defect, seed)
    if kind == "lines":
        from safetymodel.bench.lines import LinesDevice

        return LinesDevice(rest, timeout)
    if kind == "modbus":
        return _modbus(name, timeout)
    if kind == "python":
        return _python(rest)
    hint = did_you_mean(kind, ("twin", "python", "modbus", "lines")) or f"a device is {FORMS}"
    return Problem("unknown-device", NOWHERE, f"`{name[:80]}` names no device", hint)


def _twin(system: System, defect: str | None, seed: int | None) -> Device | Problem:
    from safetymodel.bench.defects import Defect, defect_named
    from safetymodel.bench.twin import Twin

    chosen: list[Defect] = []
    for one in (defect or "").split(","):
        if one.strip():
            found = defect_named(system, one.strip())
            if isinstance(found, Problem):
                return found
            chosen.append(found)
    return Twin(system, chosen, seed)


def _modbus(name: str, timeout: float) -> Device | Problem:
    from safetymodel.bench.modbus import ModbusDevice, NotInstalled

    match = _MODBUS.match(name)
    if match is None or not 0 < int(match[3]) <= 65_535 or int(match[4] or 1) > 255:
        hint = "write `modbus://127.0.0.1:5020`, with `/7` behind it for unit 7"
        return Problem("bad-address", NOWHERE, f"`{name[:80]}` is no Modbus address", hint)
    try:
        return ModbusDevice(match[1] or match[2], int(match[3]), int(match[4] or 1), timeout)
    except NotInstalled:
        return Problem("not-installed", NOWHERE, NotInstalled.message, NotInstalled.hint)


def _python(rest: str) -> Device | Problem:
    """An object of a module, or what a class or function of it makes without arguments."""
    module_name, _, attribute = rest.partition(":")
    if not re.fullmatch(r"[A-Za-z_]\w*(\.[A-Za-z_]\w*)*", module_name) or not attribute.isidentifier():
        hint = "write `python:module:object`, for example `python:my_rig:Controller`"
        return Problem("bad-address", NOWHERE, f"`python:{rest[:80]}` names no object of a module", hint)
    here = os.getcwd()
    if here not in sys.path:
        sys.path.insert(0, here)
    try:
        module = importlib.import_module(module_name)
        found = getattr(module, attribute)
        made = found() if callable(found) and not _is_device(found) else found
    except DeviceError:
        raise
    except AttributeError:
        hint = did_you_mean(attribute, [name for name in vars(module) if not name.startswith("_")])
        return Problem("no-such-object", NOWHERE, f"the module {module_name} has no {attribute}", hint)
    except ModuleNotFoundError as error:
        hint = "modules are looked for in this folder and on the Python path"
        return Problem("no-such-module", NOWHERE, f"there is no module {error.name}", hint)
    except Exception as error:
        return Problem("device-fails", NOWHERE, f"{module_name}:{attribute} cannot be made: {_told(error)}")
    if not _is_device(made):
        missing = [call for call in _CALLS if not callable(getattr(made, call, None))]
        message = f"{module_name}:{attribute} is no device: it has no {missing[0]}()"
        return Problem("not-a-device", NOWHERE, message, f"a device has {', '.join(_CALLS)}")
    return Guarded(made)


_CALLS = ("reset", "apply", "wait", "read")
"""What a Python object needs; `write` and `close` only where they are used."""


def _is_device(thing: Any) -> bool:
    return not isinstance(thing, type) and all(callable(getattr(thing, call, None)) for call in _CALLS)


def _told(error: BaseException) -> str:
    return printable(f"{type(error).__name__}: {error}".replace("\n", " "))[:200]


class Guarded:
    """A Python object as a device: whatever it raises is an error of the device, never of the bench."""

    def __init__(self, inner: Any) -> None:
        self.inner = inner

    def _call(self, name: str, *arguments: Any) -> Any:
        call = getattr(self.inner, name, None)
        if call is None:
            raise DeviceError("refused", f"the device has no {name}()")
        try:
            return call(*arguments)
        except DeviceError:
            raise
        except Exception as error:
            raise DeviceError("lost", f"{name}() of the device fails: {_told(error)}") from error

    def reset(self) -> None:
        self._call("reset")

    def apply(self, point: str) -> None:
        self._call("apply", point)

    def write(self, point: str, value: Value) -> None:
        self._call("write", point, value)

    def wait(self, milliseconds: Fraction) -> None:
        self._call("wait", milliseconds)

    def read(self, points: Sequence[str]) -> Mapping[str, Value]:
        values = self._call("read", points)
        if not isinstance(values, Mapping):
            raise DeviceError("garbage", f"read() gives {type(values).__name__}, not a map of points")
        return values

    def close(self) -> None:
        if hasattr(self.inner, "close"):
            self._call("close")
