"""Reached sets and shortest runs, with a watch beside the model, over any engine."""

from __future__ import annotations

import time
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import reduce
from typing import Any, Generic, TypeVar
from weakref import WeakKeyDictionary

from safetymodel.claims.verdict import Trace
from safetymodel.claims.watch import BREACH, NOTHING, Classes, StepClass, Watch
from safetymodel.explore.engine import REACTION, LimitReached, Space
from safetymodel.model.state import State, initial_state
from safetymodel.model.step import Kind, Step, holds, is_settled, reactions, steps
from safetymodel.model.system import System

S = TypeVar("S")


AT_LEAST_SECONDS = 20.0
"""Time that further work may take without being asked for; more where what came before took longer."""


def seconds_for_more(limit: float | None, spent: float, asked: bool) -> float | None:
    """Seconds that further work may take after ``spent``, under the user's ``limit`` for everything; None: no limit."""
    most = None if asked else max(AT_LEAST_SECONDS, spent)
    if limit is None:
        return most
    left = max(0.0, limit - spent)
    return left if most is None else min(most, left)


class Clock:
    """Wall-clock limit of the questions after the search for states."""

    def __init__(self, seconds: float | None = None, started: float | None = None) -> None:
        self.seconds = seconds
        self.started = time.monotonic() if started is None else started

    def check(self) -> None:
        """Raises :class:`LimitReached` when the time is over."""
        if self.seconds is not None and time.monotonic() - self.started > self.seconds:
            raise LimitReached(f"the limit of {self.seconds:.3g} s was reached" if self.seconds else "no time was left")


@dataclass(slots=True)
class Layers(Generic[S]):
    """Sets by the fewest happenings that lead to them from the start, all in one room; for each value of the watch."""

    room: S
    found: list[dict[int, S]] = field(default_factory=list)
    seen: dict[int, S] = field(default_factory=dict)


MOST_KEPT = 4

_KEPT: WeakKeyDictionary[Any, list[Layers[Any]]] = WeakKeyDictionary()
"""The layers of the latest shortest runs in a space: breaches by the same faults share them."""


class Walker(Generic[S]):
    """Steps of whole sets, one set for each value of the watch."""

    def __init__(self, space: Space[S], watch: Watch = NOTHING, clock: Clock | None = None) -> None:
        self.space = space
        self.watch = watch
        self.clock = clock or Clock()

    def start(self) -> dict[int, S]:
        return self._settled_into({self.watch.first: self.space.start})

    def react(self, sets: Mapping[int, S]) -> dict[int, S]:
        """One reaction step."""
        return self._step(sets, ((StepClass(REACTION), _same),))

    def happen(self, sets: Mapping[int, S]) -> dict[int, S]:
        """One happening."""
        return self._step(sets, self.watch.classes)

    def _step(self, sets: Mapping[int, S], classes: Classes) -> dict[int, S]:
        space, result = self.space, dict[int, S]()
        for value, members in sets.items():
            if value == BREACH or space.is_empty(members):
                continue
            for steps_meant, becomes in classes:
                after = space.after(members, steps_meant.kinds, steps_meant.events)
                if not space.is_empty(after):
                    self._add(result, becomes(value), after)
        result = self._settled_into(result)
        reacting = classes is not self.watch.classes
        for leap in self.watch.leaps:
            kinds = tuple(k for k in leap.steps.kinds if (k == "reaction") == reacting)
            for value, members in sets.items():
                if not kinds or value == BREACH or (leap.values is not None and value not in leap.values):
                    continue
                source = space.common(members, space.where(leap.before))
                after = space.common(space.after(source, kinds, leap.steps.events), space.where(leap.after))
                if not space.is_empty(after):
                    self._add(result, leap.to, after)
        return result

    def _add(self, sets: dict[int, S], value: int, members: S) -> None:
        sets[value] = self.space.union(sets[value], members) if value in sets else members

    def _settled_into(self, sets: Mapping[int, S]) -> dict[int, S]:
        """Apply the rules of settling to the settled states of each set."""
        space, result = self.space, dict[int, S]()
        for value, members in sets.items():
            rules = self.watch.settling(value)
            if not rules:
                self._add(result, value, members)
                continue
            rest = members
            for formula, new in rules:
                part = space.common(space.common(rest, space.settled), space.where(formula))
                rest = space.minus(rest, part)
                if not space.is_empty(part):
                    self._add(result, new, part)
            if not space.is_empty(rest):
                self._add(result, value, rest)
        return result

    def _fresh(self, seen: dict[int, S], sets: Mapping[int, S]) -> dict[int, S]:
        """What is not seen yet, and mark it as seen."""
        space, result = self.space, dict[int, S]()
        for value, members in sets.items():
            new = space.minus(members, seen[value]) if value in seen else members
            if not space.is_empty(new):
                result[value] = new
                self._add(seen, value, new)
        return result

    def reached(self) -> dict[int, S]:
        """Every reached state, by the value of the watch when it is there."""
        if self.watch is NOTHING:
            return {0: self.space.reached}
        space, seen = self.space, dict[int, S]()
        pending = self.start()
        while pending:
            self.clock.check()
            value, members = pending.popitem()
            known = seen.get(value, space.nothing())
            members = space.minus(members, known)
            if space.is_empty(members):
                continue
            if value != BREACH:
                kinds, events = self._staying(value)
                members = space.spread(members, kinds, events, space.minus(self._keeping(value), known))
            self._add(seen, value, members)
            for step in (self.react, self.happen):
                for new_value, landed in step({value: members}).items():
                    new = space.minus(landed, seen[new_value]) if new_value in seen else landed
                    if not space.is_empty(new):
                        self._add(pending, new_value, new)
        return seen

    def _staying(self, value: int) -> tuple[tuple[Kind, ...], frozenset[int] | None]:
        """The steps that leave the value as it is, until a settled state may change it."""
        kinds: list[Kind] = list(REACTION)
        events: frozenset[int] | None = frozenset()
        for meant, becomes in self.watch.classes:
            if becomes(value) == value:
                kinds.extend(meant.kinds)
                if "event" in meant.kinds:
                    events = None if meant.events is None or events is None else events | meant.events
        return tuple(kinds), events

    def _keeping(self, value: int) -> S:
        """The states that do not change the value when a run comes to them."""
        space, rest = self.space, self.space.settled
        for formula, _ in self.watch.settling(value):
            rest = space.minus(rest, space.where(formula))
        return space.union(rest, space.minus(space.reached, space.settled))

    def shortest(self, targets: Mapping[int, S]) -> Trace | None:
        """A shortest run to one of the targets (a set for each value), or None where there is none.

        Only states with flags that some target has are searched: a flag never goes down again.

        Fewest happenings; among equals fewest faults, then the order of the spec file. Layers are one
        happening with all reactions to it, and only as many as it takes.
        """
        layers = self._layers(self.space.on_the_way(reduce(self.space.union, targets.values())))
        depth = 0
        while depth < len(layers.found) or self._deeper(layers):
            self.clock.check()
            goal = self._goal(layers.found[depth], targets)
            depth += 1
            if goal:
                return self._walk(self._back(layers.found[:depth], goal), goal)
        return None

    def _layers(self, room: S) -> Layers[S]:
        """The layers within the room; those of a run without a watch are taken up again."""
        if self.watch is not NOTHING:
            return Layers(room)
        kept = _KEPT.setdefault(self.space, [])
        for layers in kept:
            if self.space.same(layers.room, room):
                return layers
        kept.append(Layers(room))
        del kept[:-MOST_KEPT]
        return kept[-1]

    def _deeper(self, layers: Layers[S]) -> bool:
        """One layer more; False where there is none."""
        landed = self.start()
        if layers.found:
            happened = self.happen(layers.found[-1])
            landed = {v: self.space.common(members, layers.room) for v, members in happened.items()}
        seen = dict(layers.seen)
        new = self._fresh(seen, self._reacted(landed))
        if new:
            layers.seen = seen
            layers.found.append(new)
        return bool(new)

    def _reacted(self, sets: Mapping[int, S]) -> dict[int, S]:
        """The sets and all that reactions make of them."""
        space, result, pending = self.space, dict(sets), dict(sets)
        while pending:
            value, members = pending.popitem()
            if value == BREACH:
                continue
            grown = space.spread(members, REACTION, None, self._keeping(value))
            self._add(result, value, grown)
            for new_value, landed in self.react({value: grown}).items():
                new = space.minus(landed, result[new_value]) if new_value in result else landed
                if not space.is_empty(new):
                    self._add(result, new_value, new)
                    self._add(pending, new_value, new)
        return result

    def _goal(self, layer: Mapping[int, S], targets: Mapping[int, S]) -> dict[int, S]:
        """Of the targets in this layer those with the fewest faults."""
        space, everything = self.space, self.space.nothing()
        hits = {v: space.common(members, targets[v]) for v, members in layer.items() if v in targets}
        for members in hits.values():
            everything = space.union(everything, members)
        fewest = space.fewest_faults(everything)
        chosen = {v: space.common(members, fewest) for v, members in hits.items()}
        return {v: members for v, members in chosen.items() if not space.is_empty(members)}

    def _back(self, layers: list[dict[int, S]], goal: dict[int, S]) -> list[dict[int, S]]:
        """For each layer the states from which reactions lead to where the run goes on, on time."""
        chain: list[dict[int, S]] = []
        exits = goal
        for layer in reversed(layers):
            self.clock.check()
            found = dict(exits)
            frontier = exits
            while frontier:
                frontier = self._fresh(found, self._sources(layer, frontier, reacting=True))
            chain.append(found)
            if len(chain) < len(layers):
                exits = self._sources(layers[-len(chain) - 1], found, reacting=False)
        return chain[::-1]

    def _sources(self, sets: Mapping[int, S], goal: Mapping[int, S], reacting: bool) -> dict[int, S]:
        """Those members of ``sets`` from which one step leads into the goal, the watch included."""
        space, result = self.space, dict[int, S]()
        classes = ((StepClass(REACTION), _same),) if reacting else self.watch.classes
        for value, members in sets.items():
            if value == BREACH:
                continue
            found = space.nothing()
            for steps_meant, becomes in classes:
                landing = self._landing(becomes(value), goal)
                if not space.is_empty(landing):
                    found = space.union(found, space.before(landing, steps_meant.kinds, steps_meant.events))
            for leap in self.watch.leaps:
                kinds = tuple(k for k in leap.steps.kinds if (k == "reaction") == reacting)
                if not kinds or leap.to not in goal or (leap.values is not None and value not in leap.values):
                    continue
                landing = space.common(goal[leap.to], space.where(leap.after))
                before = space.before(landing, kinds, leap.steps.events)
                found = space.union(found, space.common(before, space.where(leap.before)))
            found = space.common(found, members)
            if not space.is_empty(found):
                result[value] = found
        return result

    def _landing(self, value: int, goal: Mapping[int, S]) -> S:
        """The states in which a run that comes with this value ends up in the goal."""
        space, result = self.space, self.space.nothing()
        rest = space.settled
        for formula, new in self.watch.settling(value):
            part = space.common(rest, space.where(formula))
            rest = space.minus(rest, part)
            if new in goal:
                result = space.union(result, space.common(part, goal[new]))
        if value in goal:
            keeps = space.union(rest, space.minus(space.reached, space.settled))
            result = space.union(result, space.common(keeps, goal[value]))
        return result

    def _walk(self, chain: list[dict[int, S]], goal: Mapping[int, S]) -> Trace:
        """The run through the chain that the reference step function finds first."""
        system = self.space.system
        state = initial_state(system)
        value = settle_value(system, self.watch, state, self.watch.first)
        taken: list[Step] = []
        for h, members in enumerate(chain):
            last = h == len(chain) - 1
            path = self._way_out(state, value, members, goal if last else None)
            if path:
                state, value = path[-1][0].after, path[-1][1]
            if not last:
                path.append(self._next(state, value, chain[h + 1]))
                state, value = path[-1][0].after, path[-1][1]
            taken.extend(step for step, _ in path)
        return Trace(initial_state(system), tuple(taken))

    def _inside(self, sets: Mapping[int, S], state: State, value: int) -> bool:
        return value in sets and self.space.contains(sets[value], state)

    def _next(self, state: State, value: int, members: Mapping[int, S]) -> tuple[Step, int]:
        """The first happening that leads on, with the value of the watch after it."""
        for step in steps(self.space.system, state, self.space.budget):
            for new in watched(self.space.system, self.watch, state, value, step):
                if self._inside(members, step.after, new):
                    return step, new
        raise AssertionError("the engine's run is not one of the model's")

    def _way_out(
        self, state: State, value: int, members: Mapping[int, S], goal: Mapping[int, S] | None
    ) -> list[tuple[Step, int]]:
        """The fewest reactions to the goal, or where there is none to a settled state of the members."""
        system = self.space.system
        came: dict[tuple[State, int], tuple[tuple[State, int], Step] | None] = {(state, value): None}
        queue = [(state, value)]
        while queue:
            here = queue.pop(0)
            arrived = is_settled(system, here[0]) if goal is None else self._inside(goal, *here)
            if arrived:
                path: list[tuple[Step, int]] = []
                while (origin := came[here]) is not None:
                    path.append((origin[1], here[1]))
                    here = origin[0]
                return path[::-1]
            if here[1] == BREACH:
                continue
            for step in reactions(system, here[0]):
                for new in watched(system, self.watch, *here, step):
                    node = (step.after, new)
                    if node not in came and self._inside(members, *node):
                        came[node] = (here, step)
                        queue.append(node)
        raise AssertionError("the engine's run is not one of the model's")


def _same(value: int) -> int:
    return value


def settle_value(system: System, watch: Watch, state: State, value: int) -> int:
    """The value of the watch in a state that is entered with ``value``."""
    if is_settled(system, state):
        for formula, new in watch.settling(value):
            if holds(system, state, formula):
                return new
    return value


def watched(system: System, watch: Watch, before: State, value: int, step: Step) -> tuple[int, ...]:
    """The values that the watch may have after a step: a leap's first, then the usual one."""
    found = [
        leap.to
        for leap in watch.leaps
        if leap.steps.covers(step.kind, step.number)
        and (leap.values is None or value in leap.values)
        and holds(system, before, leap.before)
        and holds(system, step.after, leap.after)
    ]
    if step.kind != "reaction":
        covering = (becomes for meant, becomes in watch.classes if meant.covers(step.kind, step.number))
        value = next(covering)(value)
    return (*found, settle_value(system, watch, step.after, value))
