"""Reached sets and shortest runs, with a watch beside the model, over any engine."""

from __future__ import annotations

import time
from collections.abc import Mapping
from typing import Generic, TypeVar

from safetymodel.claims.verdict import Trace
from safetymodel.claims.watch import BREACH, NOTHING, Classes, StepClass, Watch
from safetymodel.explore.engine import REACTION, LimitReached, Space
from safetymodel.model.state import State, initial_state
from safetymodel.model.step import Kind, Step, holds, is_settled, steps
from safetymodel.model.system import System

S = TypeVar("S")


class Clock:
    """Wall-clock limit of the questions after the search for states."""

    def __init__(self, seconds: float | None = None, started: float | None = None) -> None:
        self.seconds = seconds
        self.started = time.monotonic() if started is None else started

    def check(self) -> None:
        """Raises :class:`LimitReached` when the time is over."""
        if self.seconds is not None and time.monotonic() - self.started > self.seconds:
            raise LimitReached(f"the limit of {self.seconds:.3g} s was reached" if self.seconds else "no time was left")


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

        Fewest happenings; among equals fewest faults, then the order of the spec file.
        """
        layers: list[list[dict[int, S]]] = []
        seen = dict[int, S]()
        frontier = self._fresh(seen, self.start())
        while frontier:
            layer: list[dict[int, S]] = []
            while frontier:
                self.clock.check()
                layer.append(frontier)
                frontier = self._fresh(seen, self.react(frontier))
            layers.append(layer)
            goal = self._goal(layer, targets)
            if goal is not None:
                return self._walk(self._back(layers, *goal))
            everything = dict[int, S]()
            for sets in layer:
                for value, members in sets.items():
                    self._add(everything, value, members)
            frontier = self._fresh(seen, self.happen(everything))
        return None

    def _goal(self, layer: list[dict[int, S]], targets: Mapping[int, S]) -> tuple[int, dict[int, S]] | None:
        """Of the targets in this layer those with the fewest faults, then the fewest reactions."""
        space = self.space
        hits = [
            {v: space.common(members, targets[v]) for v, members in sets.items() if v in targets} for sets in layer
        ]
        everything = space.nothing()
        for sets in hits:
            for members in sets.values():
                everything = space.union(everything, members)
        if space.is_empty(everything):
            return None
        fewest = space.fewest_faults(everything)
        for reactions, sets in enumerate(hits):
            chosen = {v: space.common(members, fewest) for v, members in sets.items()}
            chosen = {v: members for v, members in chosen.items() if not space.is_empty(members)}
            if chosen:
                return reactions, chosen
        raise AssertionError("a target that is in no layer")

    def _back(self, layers: list[list[dict[int, S]]], reactions: int, goal: dict[int, S]) -> list[list[dict[int, S]]]:
        """For each (happenings, reactions): the states there from which the goal is reached on time."""
        chain: list[list[dict[int, S]]] = [[{} for _ in layer] for layer in layers]
        chain[-1] = chain[-1][: reactions + 1]
        chain[-1][reactions] = goal
        for h in range(len(layers) - 1, -1, -1):
            self.clock.check()
            for r in range(len(chain[h]) - 2, -1, -1):
                for value, members in self._sources(layers[h][r], chain[h][r + 1], reacting=True).items():
                    self._add(chain[h][r], value, members)
            if h:
                for r, sets in enumerate(layers[h - 1]):
                    chain[h - 1][r] = self._sources(sets, chain[h][0], reacting=False)
        return chain

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

    def _walk(self, chain: list[list[dict[int, S]]]) -> Trace:
        """The run through the chain that the reference step function finds first."""
        space = self.space
        state = initial_state(space.system)
        value = settle_value(space.system, self.watch, state, self.watch.first)
        taken: list[Step] = []
        h = r = 0
        while not (h == len(chain) - 1 and r == len(chain[h]) - 1):
            for step in steps(space.system, state, space.budget):
                h2, r2 = (h, r + 1) if step.kind == "reaction" else (h + 1, 0)
                if h2 >= len(chain) or r2 >= len(chain[h2]):
                    continue
                goal = chain[h2][r2]
                new = next(
                    (
                        v
                        for v in watched(space.system, self.watch, state, value, step)
                        if v in goal and space.contains(goal[v], step.after)
                    ),
                    None,
                )
                if new is not None:
                    taken.append(step)
                    state, value, h, r = step.after, new, h2, r2
                    break
            else:
                raise AssertionError("the engine's run is not one of the model's")
        return Trace(initial_state(space.system), tuple(taken))


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
