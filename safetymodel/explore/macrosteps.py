"""A happening with all the reactions to it as one step, looked at backwards: from settled states to settled states.

Most reached states are passed in a reaction, and a set of settled states alone is several times smaller. What a
happening of the reached states can pass until the logic has settled is known before any step is taken, so each step
looks at that little part alone.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from safetymodel.explore.backwards import Origin, from_within
from safetymodel.explore.decisions import Diagram
from safetymodel.explore.encoding import Write
from safetymodel.explore.halves import in_halves
from safetymodel.explore.saturation import Happening, Saturation


@dataclass(frozen=True, slots=True)
class Macrostep:
    """``passed``: where a run can be from just after the happening until it has settled, the settled states included;
    ``reactions``: those that ever take place there, the latest first."""

    passed: Diagram
    reactions: tuple[Write | Origin, ...]
    happening: Write | Origin

    def source(self, members: Diagram) -> Diagram:
        """The settled states from which it leads into the members; they are some of ``passed``."""
        found = members
        while True:
            before = found
            for reaction in self.reactions:
                found = found | reaction.source(found)
            if found == before:
                return self.happening.source(found)


class Macrosteps:
    """The steps of a pool as macrosteps of the reached states."""

    def __init__(
        self,
        forwards: Saturation,
        reached: Diagram,
        settled: Diagram,
        transient: Diagram,
        known: Macrosteps | None = None,
    ) -> None:
        """``known``: those of a system that may differ in a few steps, and in nothing else: of the same states, all of
        which react as here."""
        self._encoding = forwards.encoding
        self._strikes = bool(forwards.strikes)
        self._states = (reached, settled, transient)
        self._reactions = forwards.reactions
        false = self._encoding.decisions.false
        alike = known is not None and (known._states, known._reactions) == (self._states, self._reactions)
        taken_over = known._known if known is not None and alike else {}
        self._known: dict[Happening, Macrostep | None] = {}
        for tried, operation in _happenings(forwards):
            if (tried, operation) in taken_over:
                self._known[tried, operation] = taken_over[tried, operation]
                continue
            forwards.on_work()
            landed = operation.image(settled)
            step = None
            if landed != false:
                passed, reacting = forwards.closed(landed, tried, reached)
                moved = passed & transient
                reactions = tuple(from_within(reaction, moved) for reaction in reversed(reacting))
                step = Macrostep(passed, reactions, from_within(operation, settled))
            self._known[tried, operation] = step
        self._steps = tuple(step for step in reversed(self._known.values()) if step is not None)

    def grow(self, members: Diagram, asked: Diagram, on_work: Callable[[], None]) -> Diagram:
        """The members and settled states from which the steps can lead into them: all of those that are asked for,
        of others perhaps not.

        As long as no new fault strikes the flags of a run stay what they are: members with the flags of none of the
        asked that are missing are of no use.
        """
        false = self._encoding.decisions.false
        looked_at = [false] * len(self._steps)

        def each(first: int, end: int, found: Diagram) -> Diagram:
            for number in range(first, end):
                on_work()
                ends = found & self._steps[number].passed
                if ends != looked_at[number]:
                    looked_at[number] = ends
                    found = found | self._steps[number].source(ends)
            return found

        def enough(found: Diagram) -> bool:
            return asked & ~found == false

        if enough(members):
            return members
        useful = members if self._strikes else members & (asked & ~members).exists(self._encoding.all_but_flags)
        return members | in_halves(len(self._steps), each, useful, enough)


def _happenings(forwards: Saturation) -> Iterator[Happening]:
    yield from forwards.happenings
    yield from forwards.strikes
    if forwards.tick is not None:
        yield forwards.readers.of_time, forwards.tick
