"""Part of a model worked out beforehand, for a page in which people press what can happen and see what is blocked.

Everything in it comes from the reference step function and its explanations; a page only looks it up. Time is passed in
one go, until the next thing happens of itself, so moments in between are not in it.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Collection, Iterator
from dataclasses import dataclass, field
from typing import Any

from safetymodel.model.state import State, fault_numbers, initial_state
from safetymodel.model.step import (
    can_move,
    choices,
    happenings,
    jumped,
    may_strike,
    moved,
    ticked,
)
from safetymodel.model.system import System
from safetymodel.problems import printable
from safetymodel.report.said import one_line
from safetymodel.traces.blocked import why_blocked
from safetymodel.traces.scenarios import CannotFollow, settled_from
from safetymodel.traces.wording import event_text, fault_text, move_text, ticks_text

MOST_SETTLED = 400
"""Settled states that a page holds."""

MOST_LETTERS = 500_000
"""Letters that all of it may take, about."""

MOST_TICKS = 20_000
MOST_REASONS = 3


@dataclass(slots=True)
class Part:
    """The settled states that were worked out, from the start on.

    ``acting`` names the subsystems whose events may happen (empty: all); ``budget`` is how many faults may strike.
    ``whole`` is True where nothing was left out but moments of time in between. ``unfollowed`` are the states whose
    happenings were not worked out any more.
    """

    system: System
    acting: tuple[str, ...]
    budget: int
    states: list[State] = field(default_factory=list)
    ways: list[list[tuple[str, str, tuple[int, ...]]]] = field(default_factory=list)
    blocked: list[list[tuple[str, tuple[str, ...]]]] = field(default_factory=list)
    start: tuple[int, ...] = ()
    whole: bool = True
    unfollowed: int = 0
    letters: int = 0


def work_out(system: System, acting: Collection[str] = (), budget: int = 0, most: int = MOST_SETTLED) -> Part | None:
    """Settled states by breadth from the start, up to ``most``; None where the start need not settle."""
    part = Part(system, tuple(acting), budget)
    numbers: dict[State, int] = {}
    queue: deque[State] = deque()

    def number(state: State) -> int:
        if state not in numbers:
            numbers[state] = len(numbers)
            part.states.append(state)
            queue.append(state)
        return numbers[state]

    try:
        part.start = tuple(number(s) for s in settled_from(system, [initial_state(system)]))
    except CannotFollow:
        return None
    events = [e for e in system.events if not acting or system.subsystems[e.subsystem].name in acting]
    while queue:
        state = queue.popleft()
        if len(part.states) > most or part.letters > MOST_LETTERS:
            part.unfollowed += 1
            continue
        found: dict[tuple[str, str], dict[int, None]] = {}
        endless: dict[str, tuple[str, ...]] = {}
        for kind, text, landed in _happenings(system, state, events, budget):
            try:
                after = settled_from(system, landed)
            except CannotFollow as failed:
                endless[text] = failed.args
                continue
            found.setdefault((kind, text), {}).update(dict.fromkeys(number(s) for s in after))
        part.ways.append([(kind, text, tuple(targets)) for (kind, text), targets in found.items()])
        able = {text for kind, text in found if kind == "event"} | endless.keys()
        refused = list(endless.items())
        for event in events:
            text = event_text(event)
            if text not in able:
                reasons = why_blocked(system, state, event)[:MOST_REASONS]
                refused.append((text, tuple(reasons)))
                part.letters += 12
        part.blocked.append(refused)
        part.letters += 30 * len(found) + 3 * len(system.subsystems)
    part.whole = not part.unfollowed and not acting
    return part


def _happenings(
    system: System, state: State, events: Collection[Any], budget: int
) -> Iterator[tuple[str, str, list[State]]]:
    """(kind, words, states right after it) for all that can happen, in the order of the spec."""
    for event in events:
        landed = [moved(state, taken) for taken in choices(system, state, event)]
        if landed:
            yield "event", event_text(event), landed
    for t in system.transitions:
        if t.event is None and t.earliest <= state.clocks[t.subsystem] < t.latest and can_move(system, state, t):
            yield "time", f"{move_text(system, t)} within its window of time", [moved(state, (t,))]
    for fault in system.faults:
        if may_strike(system, state, fault.number, budget):
            yield "fault", fault_text(fault), [state._replace(flags=state.flags | 1 << fault.number)]
        if fault.kind == "jump" and state.flags >> fault.number & 1 and state.states[fault.subject] == fault.state:
            yield "fault", f"{fault_text(fault)}: it moves", [jumped(state, fault.subject, fault.target)]
    if system.tick is not None:
        passed = _until_something(system, state, budget)
        if passed is not None:
            ticks, landed = passed
            yield "time", f"{ticks_text(system, ticks)} pass, until something happens of itself", landed


def _until_something(system: System, state: State, budget: int) -> tuple[int, list[State]] | None:
    """How many ticks pass until something happens of itself, and the state right after; None where nothing does."""
    windows = _open(system, state, budget)
    for ticks in range(1, MOST_TICKS):
        after = ticked(system, state)
        if after == state:
            return None
        settled = settled_from(system, [after])
        if settled != (after,) or _open(system, after, budget) != windows:
            return ticks, [after]
        state = after
    return None


def _open(system: System, state: State, budget: int) -> frozenset[int]:
    if all(t.event is not None or t.earliest == t.latest for t in system.transitions):
        return frozenset()
    return frozenset(s.number for s in happenings(system, state, budget) if s.kind == "time")


def part_json(part: Part) -> dict[str, Any]:
    """The part for a page's script: texts once each, referred to by number."""
    texts: dict[str, int] = {}

    def text(words: str) -> int:
        return texts.setdefault(printable(one_line(words)), len(texts))

    ways = [[[kind, text(words), list(targets)] for kind, words, targets in row] for row in part.ways]
    blocked = [[[text(words), [text(r) for r in reasons]] for words, reasons in row] for row in part.blocked]
    return {
        "start": list(part.start),
        "states": [list(s.states) for s in part.states],
        "faults": [[part.system.faults[f].name for f in fault_numbers(s.flags)] for s in part.states],
        "ways": ways,
        "blocked": blocked,
        "texts": list(texts),
    }
