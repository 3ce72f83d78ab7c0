"""Walks made shorter: what other walks show is left out, detours are cut, and a walk that ends near another goes on.

All walks together make a small graph of settled states and the rows between them. Between what a walk has to show, the
shortest way in that graph is taken. What a walk shows is always decided anew by following it (`replay`).
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace

from safetymodel.bench.reactions import CannotTrack
from safetymodel.bench.sheets.follow import Follower
from safetymodel.bench.sheets.replay import Watcher
from safetymodel.bench.sheets.stages import Goal
from safetymodel.bench.sheets.walks import Walk
from safetymodel.bench.stimulus import Stimulus
from safetymodel.model.state import State

Rows = tuple[Stimulus, ...]

LONGEST_JOINED = 60
"""Rows up to which two walks are joined to one."""


@dataclass(slots=True)
class _Track:
    """A walk as followed: the possible states after each row (first: at the start), and what each row completes.

    ``begun`` says of each goal that is shown in which row its first stage was seen.
    """

    walk: Walk
    rows: Rows
    states: list[tuple[State, ...]]
    shows: list[tuple[int, ...]]
    begun: dict[int, int]

    @property
    def goals(self) -> set[int]:
        return {number for row in self.shows for number in row}


@dataclass(frozen=True, slots=True)
class _Piece:
    """Rows that have to stay together, and the state in which they begin; without rows, a state to pass."""

    start: State
    rows: Rows
    end: State | None
    """None where the rows can end in several states: nothing comes after them."""


@dataclass(slots=True)
class _Ways:
    """The rows between the settled states of all walks."""

    onward: dict[State, dict[Stimulus, State]] = field(default_factory=dict)
    known: dict[State, dict[State, tuple[State, Stimulus]]] = field(default_factory=dict)

    def add(self, before: State, row: Stimulus, after: State) -> None:
        if before != after:
            self.onward.setdefault(before, {})[row] = after
            self.onward.setdefault(after, {})

    def way(self, start: State, end: State) -> Rows | None:
        """The fewest rows from one state to another; None where there is no way."""
        if start not in self.known:
            self.known[start] = self._tree(start)
        came, rows = self.known[start], list[Stimulus]()
        while end != start:
            if end not in came:
                return None
            end, row = came[end]
            rows.append(row)
        return tuple(reversed(rows))

    def _tree(self, start: State) -> dict[State, tuple[State, Stimulus]]:
        came: dict[State, tuple[State, Stimulus]] = {}
        waiting = deque([start])
        while waiting:
            here = waiting.popleft()
            for row, after in self.onward.get(here, {}).items():
                if after not in came and after != start:
                    came[after] = here, row
                    waiting.append(after)
        return came


class Shortener:
    """Shortens the walks of one plan. ``hands`` gives what a tester can do in a state under a fault."""

    def __init__(
        self,
        follower: Follower,
        goals: Sequence[Goal],
        hands: Callable[[State], Iterable[Stimulus]],
        on_work: Callable[[], None],
    ) -> None:
        self.follower, self.goals, self.hands, self.on_work = follower, goals, hands, on_work
        self.ways = _Ways()
        self._watcher = Watcher(follower, goals)
        self.tracks: list[_Track] = []
        self.count: dict[int, int] = {}
        self._apart: set[tuple[Rows, Rows]] = set()
        """Two walks that, joined, do not show all that they show apart."""

    def shortened(self, walks: Iterable[Walk]) -> Iterator[Walk]:
        """The walks that are left, each goal in the first row that shows it."""
        everything = range(len(self.goals))
        self.tracks = [self._follow(walk, walk.rows, everything) for walk in walks]
        for track in self.tracks:
            self._count(track, 1)
        self._trim()
        self._connect()
        for track in sorted(self.tracks, key=lambda t: -len(t.rows)):
            self._cut(track)
        self._trim()
        self._join()
        self._trim()
        told: set[int] = set()
        for track in self.tracks:
            shows = []
            for row in track.shows:
                shows.append(tuple(n for n in row if n not in told))
                told.update(row)
            if track.rows or any(shows):
                yield replace(track.walk, rows=track.rows, shows=tuple(shows))

    def _follow(self, walk: Walk, rows: Rows, wanted: Iterable[int]) -> _Track:
        self.on_work()
        left, opened = set(wanted), dict[int, int]()
        watcher = self._watcher.copy()
        shows, states, begun = [watcher.begin(left)], [watcher.possible], dict[int, int]()
        left.difference_update(shows[0])
        for place, row in enumerate(rows, 1):
            shows.append(watcher.give(row, left)[1])
            states.append(watcher.possible)
            left.difference_update(shows[-1])
            begun.update((number, opened.get(number, place)) for number in shows[-1])
            opened = {number: opened.get(number, place) for number in watcher.stage}
        return _Track(walk, rows, states, shows, begun)

    def _count(self, track: _Track, one: int) -> None:
        for number in track.goals:
            self.count[number] = self.count.get(number, 0) + one

    def _replace(self, track: _Track, new: _Track) -> None:
        self._count(track, -1)
        track.rows, track.states, track.shows, track.begun = new.rows, new.states, new.shows, new.begun
        self._count(track, 1)

    # -- what others show ---------------------------------------------------------------------

    def _needed(self, track: _Track) -> set[int]:
        return {number for number in track.goals if self.count[number] == 1}

    def _last(self, track: _Track) -> int:
        """The last row that shows something that no other walk shows."""
        own = self._needed(track)
        return max((place for place, row in enumerate(track.shows) if own.intersection(row)), default=-1)

    def _trim(self) -> None:
        """The end of a walk goes where other walks show all of it; the longest end first."""
        while True:
            savings = [(len(track.rows) - max(self._last(track), 0), -place) for place, track in enumerate(self.tracks)]
            most, place = max(savings, default=(0, 0))
            empty = [t for t in self.tracks if self._last(t) < 0]
            if most <= 0 and not empty:
                return
            track = self.tracks[-place] if most > 0 else empty[0]
            last = self._last(track)
            self._count(track, -1)
            if last < 0:
                self.tracks.remove(track)
                continue
            track.rows, track.states, track.shows = track.rows[:last], track.states[: last + 1], track.shows[: last + 1]
            self._count(track, 1)

    # -- detours ------------------------------------------------------------------------------

    def _connect(self) -> None:
        """The rows between the states of all walks: those of the walks, and by hand between any two of them."""
        known: dict[State, None] = {}
        for track in self.tracks:
            for place, row in enumerate(track.rows):
                before, after = track.states[place], track.states[place + 1]
                known.update(dict.fromkeys(s for states in (before, after) if len(states) == 1 for s in states))
                if len(before) == len(after) == 1:
                    self.ways.add(before[0], row, after[0])
        for state in known:
            self.on_work()
            for stimulus in self.hands(state):
                try:
                    after = self.follower.row((state,), stimulus).after
                except CannotTrack:
                    continue
                if len(after) == 1 and after[0] in known:
                    self.ways.add(state, stimulus, after[0])

    def _pieces(self, track: _Track, wanted: set[int]) -> list[_Piece]:
        """What of a walk has to stay, in order."""
        spans: list[tuple[int, int]] = []
        for place, row in enumerate(track.shows):
            for number in wanted.intersection(row):
                goal = self.goals[number]
                standing = len(goal.stages) == 1 and all(sight.kind == "at" for sight in goal.stages[0].ways)
                if len(goal.stages) > 1:
                    spans.append((max(track.begun.get(number, place) - 1, 0), place))
                else:
                    spans.append((place if standing else max(place - 1, 0), place))
        pieces, until, begin = list[tuple[int, int]](), -1, -1
        for begin_here, end in sorted(spans):
            if until >= begin_here and pieces:
                until = max(until, end)
                pieces[-1] = (begin, until)
            else:
                begin, until = begin_here, end
                pieces.append((begin, until))
        found = []
        for begin, end in pieces:
            while len(track.states[begin]) != 1 and begin > 0:
                begin -= 1
            last = track.states[end]
            found.append(_Piece(track.states[begin][0], track.rows[begin:end], last[0] if len(last) == 1 else None))
        return found

    def _along(self, here: State | None, pieces: Iterable[_Piece]) -> Rows | None:
        """Rows from a state through all pieces by the shortest ways between them."""
        rows: list[Stimulus] = []
        for piece in pieces:
            way = None if here is None else self.ways.way(here, piece.start)
            if way is None:
                return None
            rows.extend((*way, *piece.rows))
            here = piece.end
        return tuple(rows)

    def _cut(self, track: _Track) -> None:
        """The detours of a walk go."""
        if len(track.states[0]) != 1:
            return
        wanted = self._needed(track)
        rows = self._along(track.states[0][0], self._pieces(track, wanted))
        if rows is None or len(rows) >= len(track.rows):
            return
        new = self._tried(track.walk, rows)
        if new is not None and wanted <= new.goals:
            self._replace(track, new)

    def _tried(self, walk: Walk, rows: Rows) -> _Track | None:
        try:
            return self._follow(walk, rows, range(len(self.goals)))
        except CannotTrack:
            return None

    # -- two walks in one ---------------------------------------------------------------------

    def _join(self) -> None:
        """A walk goes on to what another of its chapter and fault shows, where that is shorter than from the start."""
        while True:
            best: tuple[int, _Track, _Track, Rows] | None = None
            for first in self.tracks:
                for second in self.tracks:
                    found = self._joined(first, second)
                    if found is not None and (best is None or found[0] > best[0]):
                        best = (found[0], first, second, found[1])
            if best is None:
                return
            _, first, second, rows = best
            new = self._tried(first.walk, rows)
            if new is None or not (self._needed(first) | self._needed(second)) <= new.goals:
                self._apart.add((first.rows, second.rows))
                continue
            self._count(second, -1)
            self.tracks = [track for track in self.tracks if track is not second]
            self._replace(first, new)

    def _joined(self, first: _Track, second: _Track) -> tuple[int, Rows] | None:
        """(rows saved, the rows of both in one); None where that saves nothing."""
        if first is second or first.walk.section != second.walk.section or first.walk.fault != second.walk.fault:
            return None
        if (first.rows, second.rows) in self._apart or len(first.states[-1]) != 1:
            return None
        rows = self._along(first.states[-1][0], self._pieces(second, self._needed(second)))
        if rows is None or len(first.rows) + len(rows) > LONGEST_JOINED:
            return None
        saved = len(second.rows) - len(rows)
        return (saved, (*first.rows, *rows)) if saved > 0 else None
