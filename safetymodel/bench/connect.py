"""From the name of a device on the command line to the device."""

from __future__ import annotations

import importlib
import os
import re
import shutil
import sys
from typing import TYPE_CHECKING

from safetymodel.bench.device import Device, DeviceError
from safetymodel.bench.guarded import CALLS, Caller, Guarded, is_device, raised
from safetymodel.model.system import System
from safetymodel.names import did_you_mean
from safetymodel.problems import Problem
from safetymodel.span import NOWHERE

if TYPE_CHECKING:
    from safetymodel.bench.defects import Defect

FORMS = "`twin`, `python:module:object`, `modbus://host:port` or `lines:command`"
_OBJECT = re.compile(r"[A-Za-z_]\w*(\.[A-Za-z_]\w*)*:[A-Za-z_]\w*")
_MODBUS = re.compile(r"modbus://(?:\[([0-9A-Fa-f:.]+)\]|([^\s:/\[\]]+)):([0-9]{1,5})(?:/([0-9]{1,3}))?/?\Z")


def open_device(
    name: str,
    system: System,
    timeout: float = 5.0,
    defect: str | None = None,
    seed: int | None = None,
    folder: str = "",
) -> Device | Problem:
    """The device of a name, connected. Raises DeviceError where it cannot be reached.

    ``timeout`` in seconds for each answer. ``defect`` and ``seed`` (order of reaction at random) belong to the twin.
    A command is run, and a module looked for, in ``folder``; in this one unless told.
    """
    wrong = wrong_name(name, system, defect, seed, folder)
    if wrong is not None:
        return wrong
    kind, _, rest = name.partition(":")
    if kind == "twin":
        from safetymodel.bench.twin import Twin

        chosen = _defects(system, defect)
        return chosen if isinstance(chosen, Problem) else Twin(system, chosen, seed)
    if kind == "lines":
        from safetymodel.bench.lines import LinesDevice

        return LinesDevice(rest, timeout, folder)
    return _modbus(name, timeout) if kind == "modbus" else _python(rest, timeout, folder)


def wrong_name(
    name: str, system: System, defect: str | None = None, seed: int | None = None, folder: str = ""
) -> Problem | None:
    """What can be said against a device's name, and its defects, without opening it; as :func:`open_device`."""
    kind, _, rest = name.partition(":")
    if defect is not None and name != "twin":
        return Problem("defect-of-device", NOWHERE, "only the twin can be given a defect", "use `--device twin`")
    if seed is not None and name != "twin":
        return Problem("order-of-device", NOWHERE, "only the twin takes an order of reaction", "leave out --order")
    if name == "twin":
        chosen = _defects(system, defect)
        return chosen if isinstance(chosen, Problem) else None
    if kind == "lines":
        return _wrong_command(rest, folder)
    if kind == "modbus":
        return None if _address(name) is not None else _no_address(name)
    if kind == "python":
        return None if _OBJECT.fullmatch(rest) else _no_object(rest)
    hint = did_you_mean(kind, ("twin", "python", "modbus", "lines")) or f"a device is {FORMS}"
    return Problem("unknown-device", NOWHERE, f"`{name[:80]}` names no device", hint)


def _wrong_command(command: str, folder: str) -> Problem | None:
    from safetymodel.bench.lines import words_of

    try:
        words = words_of(command)
    except ValueError as error:
        return Problem("bad-command", NOWHERE, f"the command cannot be read: {error}", "close its quotes")
    if not words:
        return Problem("no-command", NOWHERE, "no command is given", "write `lines:COMMAND`")
    if shutil.which(words[0]) is None and shutil.which(os.path.join(folder, words[0])) is None:
        hint = "is it on the path, and may it be run?"
        return Problem("no-such-command", NOWHERE, f"there is no command {words[0][:80]}", hint)
    return None


def _defects(system: System, names: str | None) -> list[Defect] | Problem:
    from safetymodel.bench.defects import defect_named

    chosen: list[Defect] = []
    for one in (names or "").split(","):
        if one.strip():
            found = defect_named(system, one.strip())
            if isinstance(found, Problem):
                return found
            chosen.append(found)
    stuck = {(defect.number, defect.value) for defect in chosen if defect.kind == "stuck"}
    for signal in system.signals:
        if {(signal.number, True), (signal.number, False)} <= stuck:
            message = f"{signal.name} cannot always read true and always read false"
            return Problem("defects-disagree", NOWHERE, message, "leave one of the two defects out")
    return chosen


def _address(name: str) -> tuple[str, int, int] | None:
    """Host, port and unit of a Modbus device."""
    match = _MODBUS.match(name)
    if match is None or not 0 < int(match[3]) <= 65_535 or int(match[4] or 1) > 255:
        return None
    return match[1] or match[2], int(match[3]), int(match[4] or 1)


def _no_address(name: str) -> Problem:
    hint = "write `modbus://127.0.0.1:5020`, with `/7` behind it for unit 7"
    return Problem("bad-address", NOWHERE, f"`{name[:80]}` is no Modbus address", hint)


def _modbus(name: str, timeout: float) -> Device | Problem:
    from safetymodel.bench.modbus import ModbusDevice, NotInstalled

    address = _address(name)
    if address is None:
        return _no_address(name)
    try:
        return ModbusDevice(*address, timeout)
    except NotInstalled:
        return Problem("not-installed", NOWHERE, NotInstalled.message, NotInstalled.hint)


def _no_object(rest: str) -> Problem:
    hint = "write `python:module:object`, for example `python:my_rig:Controller`"
    return Problem("bad-address", NOWHERE, f"`python:{rest[:80]}` names no object of a module", hint)


def _python(rest: str, timeout: float, folder: str) -> Device | Problem:
    """An object of a module, or what a class or function of it makes without arguments."""
    module_name, _, attribute = rest.partition(":")
    here = folder or os.getcwd()
    if here not in sys.path:
        sys.path.insert(0, here)
    try:
        module = importlib.import_module(module_name)
    except ModuleNotFoundError as error:
        hint = "modules are looked for in this folder and on the Python path"
        return Problem("no-such-module", NOWHERE, f"there is no module {error.name}", hint)
    except (Exception, SystemExit) as error:
        return Problem("device-fails", NOWHERE, f"the module {module_name} cannot be imported: {raised(error)}")
    if not hasattr(module, attribute):
        hint = did_you_mean(attribute, [name for name in vars(module) if not name.startswith("_")])
        return Problem("no-such-object", NOWHERE, f"the module {module_name} has no {attribute}", hint)
    found = getattr(module, attribute)
    anew = callable(found) and not is_device(found)
    caller = Caller()
    worked, made = caller(found) if anew else (True, found)
    if isinstance(made, DeviceError):
        raise made
    if not worked:
        return Problem("device-fails", NOWHERE, f"{module_name}:{attribute} cannot be made: {raised(made)}")
    if not is_device(made):
        missing = [call for call in CALLS if not callable(getattr(made, call, None))]
        message = f"{module_name}:{attribute} is no device: it has no {missing[0]}()"
        return Problem("not-a-device", NOWHERE, message, f"a device has {', '.join(CALLS)}")
    return Guarded(made, timeout, caller, anew)
