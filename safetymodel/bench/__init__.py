"""The test bench: a device, real or simulated, held against the model.

For a pytest file of your own:

    from safetymodel.bench import fuzz_machine
    from my_rig import Controller
    TestController = fuzz_machine("coach.yaml", Controller).TestCase
"""

from __future__ import annotations

from typing import Any

_ROOMS = {
    "Device": "device",
    "DeviceError": "device",
    "fuzz_machine": "fuzz",
    "replay_on": "kept",
    "Twin": "twin",
}
"""The public names, and the room of each: loaded when asked for."""

__all__ = ["Device", "DeviceError", "Twin", "fuzz_machine", "replay_on"]


def __getattr__(name: str) -> Any:
    if name not in _ROOMS:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from importlib import import_module

    return getattr(import_module(f"{__name__}.{_ROOMS[name]}"), name)
