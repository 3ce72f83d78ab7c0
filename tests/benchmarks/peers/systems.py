"""The systems that all peers are given, with the number of states that is known from outside."""

from __future__ import annotations

import sys
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[3]
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

from families import fleet_text, kanban_text, philosophers_text  # noqa: E402

from safetymodel.model.build import load, load_text  # noqa: E402
from safetymodel.model.system import System  # noqa: E402

# Ciardo and Tilgner 1996, ICASE 96-35; N = 8..10 from memory, check against the printed report.
KANBAN = {
    1: 160,
    2: 4_600,
    3: 58_400,
    4: 454_475,
    5: 2_546_432,
    6: 11_261_376,
    7: 41_644_800,
    8: 133_865_325,
    9: 384_392_800,
    10: 1_005_927_208,
}
# Baier and Katoen 2008, chapter 2; the hatch by a brute-force walk written apart from the project (key: budget).
SMALL: dict[str, dict[int, int]] = {
    "textbook/mutual-exclusion-semaphore": {0: 8},
    "textbook/mutual-exclusion-peterson": {0: 10},
    "textbook/booking-system": {0: 8},
    "two-door-hatch": {0: 7_816, 1: 39_385},
}
FLEETS = ((1, 1), (1, 2), (2, 2), (2, 4), (3, 4), (4, 5), (5, 6))


@dataclass(frozen=True)
class Case:
    """One system under one budget of faults. ``states`` is None where only the peers can be compared."""

    family: str
    size: int
    budget: int
    states: int | None
    name: str

    def system(self) -> System:
        if self.family == "philosophers":
            system, problems = load_text(philosophers_text(self.size), "philosophers.yaml")
        elif self.family == "kanban":
            system, problems = load_text(kanban_text(self.size), "kanban.yaml")
        elif self.family == "fleet":
            lifts, leaves = FLEETS[self.size]
            system, problems = load_text(fleet_text(lifts, leaves, timed=False), "fleet.yaml")
        else:
            system, problems = load(str(ROOT / "specs" / f"{self.family}.yaml"))
        assert system is not None, "\n".join(p.as_text() for p in problems)
        return system


def lucas(n: int) -> int:
    """The Lucas numbers 2, 1, 3, 4, 7, 11, ..."""
    a, b = 2, 1
    for _ in range(n):
        a, b = b, a + b
    return a


def cases() -> tuple[Case, ...]:
    found = []
    for n in (3, 4, 5, 6, 7, 8, 9, 10, 20, 50, 100, 200):
        # Ciardo, Luettgen and Siminiceanu 2000: Lucas(3N)
        found.append(Case("philosophers", n, 0, lucas(3 * n), f"philosophers {n}"))
    for n, states in KANBAN.items():
        found.append(Case("kanban", n, 0, states, f"Kanban {n}"))
    for budget in (0, 1):
        for size, (lifts, leaves) in enumerate(FLEETS):
            text = f"fleet {lifts} lifts, {leaves} leaves, {budget} faults"
            found.append(Case("fleet", size, budget, None, text))
    for file, known in SMALL.items():
        for budget, states in known.items():
            found.append(Case(file, 0, budget, states, f"{file.rpartition('/')[2]}, {budget} faults"))
    return tuple(found)


CASES: dict[str, Case] = {case.name: case for case in cases()}
