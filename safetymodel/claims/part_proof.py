"""The few subsystems that show by themselves that a requirement is kept.

They are looked for upwards, from those that the requirement reads to those that these read; then those that are not
needed are left out again, several at a time (as in delta debugging; Zeller and Hildebrandt 2002).
"""

from __future__ import annotations

from collections.abc import Callable

from safetymodel.claims.breach_states import about_breach
from safetymodel.claims.part_invariant import PartInvariant, TooLarge
from safetymodel.claims.verdict import Word
from safetymodel.claims.watch import watch_of
from safetymodel.explore.decisions import Diagram
from safetymodel.explore.ordering import growing_views
from safetymodel.explore.symbolic import SymbolicSpace
from safetymodel.model.system import Requirement

MOST_TOO_LARGE = 1
"""Sets that become too large, after which wider ones are not tried."""


def asks_of_every_run(requirement: Requirement) -> bool:
    """Whether it forbids what runs do, and does not ask for something to come about."""
    return bool(about_breach(requirement))


def part_proof(
    space: SymbolicSpace, requirement: Requirement, word: Word, few: Diagram, work: Callable[[], None]
) -> PartInvariant | None:
    """What shows through some subsystems that the verdict is no worse than ``word``, if its situation arises; None
    where that is not found. ``few``: all states with no more than the faults that are looked at."""
    too_large = 0

    def shown(subsystems: frozenset[int]) -> PartInvariant | None:
        nonlocal too_large
        try:
            return proof_through(space, requirement, word, few, subsystems, work)
        except TooLarge:
            too_large += 1
            return None

    views = growing_views(space.system, about_breach(requirement))
    for place, subsystems in enumerate(views):
        found = shown(subsystems)
        if found is not None:
            return found if place == 0 else _without_others(found, views[0], shown)
        if too_large > MOST_TOO_LARGE:
            break
    return None


def proof_through(
    space: SymbolicSpace,
    requirement: Requirement,
    word: Word,
    few: Diagram,
    subsystems: frozenset[int],
    work: Callable[[], None],
) -> PartInvariant | None:
    """What shows the same through just these subsystems; None where it does not. Raises TooLarge."""
    watch = watch_of(space.system, requirement)
    part = PartInvariant(
        space.symbolic.encoding, subsystems, watch, few, space.symbolic.start, work, (requirement, word)
    )
    return part if part.keeps(requirement, word) else None


def _without_others(
    found: PartInvariant, needed: frozenset[int], shown: Callable[[frozenset[int]], PartInvariant | None]
) -> PartInvariant:
    """The same without subsystems that it can do without."""
    together = 1 << max(0, len(found.subsystems - needed).bit_length() - 2)
    while together:
        others = sorted(found.subsystems - needed)
        for at in range(0, len(others), together):
            fewer = shown(found.subsystems - frozenset(others[at : at + together]))
            if fewer is not None:
                found = fewer
        together //= 2
    return found
