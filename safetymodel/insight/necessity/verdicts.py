"""What can be told of one change."""

from __future__ import annotations

from dataclasses import dataclass

from safetymodel.claims.verdict import Word


@dataclass(frozen=True, slots=True)
class Told:
    """``found``: requirements (names) that notice, with the verdict that they then have at best; ``chatters``: the
    logic can then go round for ever. ``open``: those that may notice; ``silent``: those of which it is only not known
    whether their situation still comes about; ``rounds``: whether it may go round."""

    found: dict[str, Word]
    chatters: bool = False
    open: frozenset[str] = frozenset()
    rounds: bool = False
    silent: frozenset[str] = frozenset()

    @property
    def noticed(self) -> bool:
        return bool(self.found) or self.chatters

    @property
    def left(self) -> frozenset[str]:
        """Those that have to be asked."""
        return self.open | self.silent

    @property
    def decided(self) -> bool:
        return self.noticed or not (self.left or self.rounds)
