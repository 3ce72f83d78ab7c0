"""Devices for tests of the bench: the hatch by hand, as an object and as a child process that speaks JSON lines.

Written apart from the twin: plain `if`s, as a controller's program would be.
"""

from __future__ import annotations

import json
import sys
import time
from typing import Any


class Hatch:
    """Doors, bolt, panel and lamps of `specs/two-door-hatch.yaml`; points by the names of the spec."""

    def __init__(self) -> None:
        self.reset()

    def reset(self) -> None:
        self.inner, self.outer, self.bolt, self.panel, self.lamp = "closed", "closed", "in", "idle", "dark"
        self.since = 0

    def apply(self, point: str) -> None:
        match point:
            case "inner_door.pull":
                if self.inner == "closed" and self.bolt == "out":
                    self.inner = "open"
            case "inner_door.push":
                self.inner = "closed"
            case "outer_door.pull":
                if self.panel == "outer" and self.inner == "closed":
                    self.outer = "open"
            case "outer_door.push":
                self.outer = "closed"
            case "panel.ask_inner" if self.panel != "inner":
                self.panel, self.since = "inner", 0
            case "panel.ask_outer" if self.panel != "outer":
                self.panel, self.since = "outer", 0
        self.react()

    def react(self) -> None:
        wanted = self.outer == "closed" and self.panel == "inner"
        if wanted:
            self.bolt = "out"
        elif self.inner == "closed":
            self.bolt = "in"
        self.lamp = "dark" if self.inner == self.outer == "closed" else "lit"

    def wait(self, milliseconds: Any) -> None:
        for _ in range(int(milliseconds) // 100):
            if self.panel != "idle":
                self.since += 100
                if self.since >= 30_000:
                    self.panel = "idle"
                    self.react()

    def read(self, points: Any) -> dict[str, str]:
        shown = {
            "inner_door": self.inner, "outer_door": self.outer, "inner_bolt": self.bolt, "panel": self.panel,
            "lamp.clean_side": self.lamp, "lamp.dirty_side": self.lamp,
        }  # fmt: skip
        return {point: shown[point] for point in points}


class Careless(Hatch):
    """Forgets to look at the inner door before it lets the outer one open."""

    def apply(self, point: str) -> None:
        if point == "outer_door.pull" and self.panel == "outer":
            self.outer = "open"
        super().apply(point)


class Breaking(Hatch):
    """Its program stops after a few events."""

    count = 0

    def apply(self, point: str) -> None:
        self.count += 1
        if self.count > 5:
            raise RuntimeError("watchdog \x1b[31mred")
        super().apply(point)


class Leaving(Breaking):
    """Its program ends itself, as if all were well."""

    def apply(self, point: str) -> None:
        if self.count >= 5:
            sys.exit(0)
        super().apply(point)


class Hanging(Breaking):
    """It never comes back from an event."""

    def apply(self, point: str) -> None:
        if self.count >= 5:
            time.sleep(60)
        super().apply(point)


class Loud(Hatch):
    """It prints what it does."""

    def apply(self, point: str) -> None:
        print("noise", point)
        super().apply(point)


class Unmade(Hatch):
    def __init__(self) -> None:
        sys.exit(0)


class Half:
    """No device: it cannot be read."""

    def reset(self) -> None: ...


def talk(how: str) -> None:
    """The hatch over JSON lines; ``how`` says what is wrong with it."""
    hatch = Careless() if how == "careless" else Hatch()
    for count, line in enumerate(sys.stdin):
        message = json.loads(line)
        answer: Any = {"ok": True}
        match message["do"]:
            case "reset":
                hatch.reset()
            case "apply" if how == "healthy" and message["point"].startswith("fault"):
                answer = {"error": "no such point"}
            case "apply":
                hatch.apply(message["point"])
            case "wait":
                hatch.wait(message["ms"])
            case "read":
                answer = {"values": hatch.read(message["points"])}
        if count >= 9:
            if how == "dies":
                print("out of oil", file=sys.stderr, flush=True)
                sys.exit(7)
            if how == "sleeps":
                time.sleep(60)
            if how == "babbles":
                print("Hello there \x1b[31m", flush=True)
                continue
            if how == "declines":
                answer = {"ok": False}
            if how == "mumbles":
                answer = {}
            if how == "refuses":
                answer = {"error": "not today"}
            if how == "lists" and message["do"] == "read":
                answer = {"values": {point: [1] for point in message["points"]}}
            if how == "forgets" and message["do"] == "read":
                answer = {"values": {}}
            if how == "strange" and message["do"] == "read":
                answer["values"]["panel"] = "purple"
        print(json.dumps(answer), flush=True)
        if how == "chatters" and count >= 9:
            print(json.dumps(answer), flush=True)


if __name__ == "__main__":
    talk(sys.argv[1] if len(sys.argv) > 1 else "")
