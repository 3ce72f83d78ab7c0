"""The least distance of a pad or guard from a danger, after ISO 13855: S = K T + C.

K is the speed of approach, T the time from the first sign of a person to the end of the danger, C how far a person gets
before being noticed. For a pad on the floor, or a level field, C = 1200 mm - 0.4 H with its height H over the floor,
and never less than 850 mm (that bound from memory, check against the printed standard).
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from safetymodel.model.system import Approach

SPEED = 1600.0
"""mm/s, a person who walks; used where the spec does not say."""

DEEPEST = 1200.0
LEAST_DEPTH = 850.0
PER_HEIGHT = 0.4
HIGHEST = 1000.0
"""mm over the floor up to which the rule for level fields is meant."""


@dataclass(frozen=True, slots=True)
class Distance:
    """``time`` in ms, ``speed`` in mm/s, the rest in mm. ``supposed``: what was not given, and was put in. Not
    ``known``: the time may be longer, and more ``needed``."""

    time: Fraction
    speed: float
    depth: float
    needed: float
    declared: float
    supposed: tuple[str, ...] = ()
    known: bool = True

    @property
    def suffices(self) -> bool | None:
        """None: not shown, since not all of the time is known."""
        if self.declared < self.needed:
            return False
        return True if self.known else None


def depth_at(height: float) -> float:
    """C of a pad or level field at this height (mm over the floor)."""
    return max(DEEPEST - PER_HEIGHT * height, LEAST_DEPTH)


def least_distance(milliseconds: Fraction, speed: float, depth: float) -> float:
    """S in mm."""
    return speed * float(milliseconds) / 1000 + depth


def distance_of(approach: Approach, milliseconds: Fraction, known: bool = True) -> Distance:
    """Whether the declared distance suffices for a danger that lasts so long after the first sign; not ``known``: or
    longer."""
    supposed = []
    speed = approach.speed
    if speed is None:
        speed = SPEED
        supposed.append(f"speed {SPEED:g} mm/s, a person who walks")
    depth = approach.depth
    if depth is None:
        if approach.height is None:
            supposed.append("height 0 mm, a pad on the floor")
        elif approach.height > HIGHEST:
            supposed.append(f"the rule for level fields, though they are meant up to {HIGHEST:g} mm over the floor")
        depth = depth_at(approach.height or 0.0)
    needed = least_distance(milliseconds, speed, depth)
    return Distance(milliseconds, speed, depth, needed, approach.distance, tuple(supposed), known)
