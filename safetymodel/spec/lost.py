"""Names whose declarations were taken out of a spec for their mistakes: nobody calls them undeclared."""

from __future__ import annotations

from safetymodel.spec.reader import Node

SECTIONS = (
    "subsystems",
    "signals",
    "conditions",
    "functions",
    "faults",
    "common_causes",
    "hazards",
    "requirements",
    "scenarios",
)


def lost_names(root: Node) -> frozenset[str]:
    """Names whose declarations were taken out; ``*SECTION`` for a whole section, ``NAME.*`` for all events."""
    found = {f"*{key}" for key in root.lost}
    for section in SECTIONS:
        node = root.get(section)
        found.update(node.lost if node else ())
    subsystems = root.get("subsystems")
    for name, value in subsystems.pairs if subsystems else ():
        events = value.get("events")
        found.update(f"{name.text}.{event}" for event in (events.lost if events else ()))
        if "events" in value.lost:
            found.add(f"{name.text}.*")
        if "instances" in value.lost:
            found.add(name.text)
    return frozenset(found)
