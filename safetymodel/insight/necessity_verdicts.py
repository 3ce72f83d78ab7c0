"""What can be told of one change."""

from __future__ import annotations

from dataclasses import dataclass

from safetymodel.claims.verdict import Word


@dataclass(frozen=True, slots=True)
class Told:
    """``found``: requirements (names) that notice, with the verdict that they then have at best; ``chatters``: the
    logic can then go round for ever. ``open``: those that may notice, ``rounds``: whether it may go round."""

    found: dict[str, Word]
    chatters: bool = False
    open: frozenset[str] = frozenset()
    rounds: bool = False

    @property
    def noticed(self) -> bool:
        return bool(self.found) or self.chatters

    @property
    def decided(self) -> bool:
        return self.noticed or not (self.open or self.rounds)
