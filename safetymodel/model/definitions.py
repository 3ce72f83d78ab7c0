"""Definitions that name each other: their order, rings among them, and how large they unfold."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Hashable, Mapping, Sequence
from typing import TypeVar

from safetymodel.model.formula import Defined, Formula, parts_of
from safetymodel.spec.expressions import Expression, Is, Joined, Named, Negation

MOST_NAMED = 6
"""Names of a ring that a message lists."""

K = TypeVar("K", bound=Hashable)


def named(tree: Expression) -> set[str]:
    """The bare names in an expression."""
    found, stack = set(), [tree]
    while stack:
        match stack.pop():
            case Named(name):
                found.add(name.text)
            case Negation(part):
                stack.append(part)
            case Joined(_, parts):
                stack.extend(parts)
    return found


def mentions_self(tree: Expression) -> bool:
    """Whether an expression says ``self``."""
    stack = [tree]
    while stack:
        match stack.pop():
            case Is(name) if name.text == "self":
                return True
            case Negation(part):
                stack.append(part)
            case Joined(_, parts):
                stack.extend(parts)
    return False


def in_order(needs: Mapping[K, set[K]], one: Callable[[K], None], ring: Callable[[list[K]], None]) -> None:
    """Visit everything after what it needs, in the given order otherwise; what needs itself is visited as a ring."""
    waiting = {name: set(needed) for name, needed in needs.items()}
    place = {name: number for number, name in enumerate(needs)}
    needed_by: dict[K, list[K]] = {name: [] for name in needs}
    for name, needed in needs.items():
        for other in needed:
            needed_by[other].append(name)
    ready = deque(name for name in needs if not waiting[name])
    left = dict.fromkeys(needs)
    while left:
        if ready:
            done = [ready.popleft()]
            one(done[0])
        else:
            done = _ring(next(iter(left)), waiting, place)
            ring(done)
        for name in done:
            del left[name]
        for name in done:
            for other in needed_by[name]:
                if other in left and name in waiting[other]:
                    waiting[other].discard(name)
                    if not waiting[other]:
                        ready.append(other)


def _ring(here: K, needs: Mapping[K, set[K]], place: Mapping[K, int]) -> list[K]:
    """Names of which each needs the next and the last the first; each name needs at least one."""
    path: dict[K, None] = {}
    while here not in path:
        path[here] = None
        here = min(needs[here], key=place.__getitem__)
    names = list(path)
    names = names[names.index(here) :]
    first = min(range(len(names)), key=lambda n: place[names[n]])
    return names[first:] + names[:first]


def circle(names: Sequence[str]) -> str:
    shown = [*names[:MOST_NAMED], f"({len(names) - MOST_NAMED} more)"] if len(names) > MOST_NAMED + 1 else list(names)
    return " -> ".join([*shown, names[0]])


def measure(formula: Formula, conditions: Mapping[str, tuple[int, int]]) -> tuple[int, int]:
    """(mentions, depth) of a formula as a tree, where the sizes of the conditions in it are known."""
    known: dict[int, tuple[int, int]] = {}
    stack = [(formula, False)]
    while stack:
        node, ready = stack.pop()
        if id(node) in known:
            continue
        if isinstance(node, Defined) and node.name in conditions:
            known[id(node)] = conditions[node.name]
            continue
        parts = parts_of(node)
        if ready or not parts:
            sizes = [known[id(part)] for part in parts]
            mentions = sum(m for m, _ in sizes) if parts else 1
            known[id(node)] = (mentions, 1 + max((d for _, d in sizes), default=0))
        else:
            stack.append((node, True))
            stack.extend((part, False) for part in parts)
    return known[id(formula)]
