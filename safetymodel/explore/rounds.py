"""Whether reactions can go on for ever, from any state whatever.

No time passes while the logic reacts, so each subsystem that moves again and again goes round among its states by
automatic transitions that need no time. Of those, some that read each other, and none of the rest that moves, go round
by themselves as well: what they read besides stays as it is. So it is enough to look at each such group alone.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping

from safetymodel.explore.decisions import Diagram, disjoin
from safetymodel.explore.encoding import Encoding
from safetymodel.explore.ordering import signal_support, support
from safetymodel.model.system import System, Transition


def together(reads: Mapping[int, set[int]]) -> list[set[int]]:
    """The strongly connected parts: sets of those that lead to each other. ``reads``: of each where it leads."""
    far: dict[int, set[int]] = {}
    for start in reads:
        seen, waiting = set[int](), [start]
        while waiting:
            for other in reads.get(waiting.pop(), set()) - seen:
                seen.add(other)
                waiting.append(other)
        far[start] = seen
    parts: list[set[int]] = []
    for one in reads:
        if not any(one in part for part in parts):
            parts.append({one} | {other for other in far[one] if one in far.get(other, set())})
    return parts


def _turning(system: System) -> dict[int, list[Transition]]:
    """Of each subsystem that can go round among its states without time the transitions by which it does."""
    found: dict[int, list[Transition]] = {}
    for subsystem in system.subsystems:
        mine = (system.transitions[number] for number in subsystem.transitions)
        at_once = [t for t in mine if t.event is None and not t.latest]
        leads: dict[int, set[int]] = {}
        for t in at_once:
            leads.setdefault(t.source, set()).add(t.target)
        parts = together(leads)
        inner = [t for t in at_once if any({t.source, t.target} <= part for part in parts)]
        if inner:
            found[subsystem.number] = inner
    return found


def groups_of(system: System) -> Iterator[tuple[int, ...]]:
    """Groups of automatic transitions: if reactions can go on for ever, those of some group can by themselves."""
    turning, signals = _turning(system), signal_support(system)
    reads: dict[int, set[int]] = {}
    for subsystem, transitions in turning.items():
        read = {s for t in transitions for f in (t.interlock, t.physical) for s in support(f, signals)}
        reads[subsystem] = read & turning.keys()
    for part in together(reads):
        yield tuple(t.number for subsystem in sorted(part) for t in turning[subsystem])


def some_round(encoding: Encoding, budget: int, on_work: Callable[[], None]) -> bool:
    """Whether there is a state with so many faults at the most, reached or not, from which reactions can go on for
    ever."""
    few, false = encoding.flags_at_most[budget], encoding.decisions.false
    return any(going_on(encoding, few, on_work, group) != false for group in groups_of(encoding.system))


def going_on(
    encoding: Encoding, members: Diagram, on_work: Callable[[], None], among: Collection[int] | None = None
) -> Diagram:
    """Those of the members from which reactions can go on among the members for ever; ``among``: those of these
    automatic transitions (numbers; None: all)."""
    reactions = [
        operation
        for move, operation in encoding.moves
        if move.kind == "reaction" and (among is None or move.number in among)
    ]
    false = encoding.decisions.false
    while members != false:
        on_work()
        back = disjoin((operation.source(members) for operation in reactions), false) & members
        if back == members:
            break
        members = back
    return members
