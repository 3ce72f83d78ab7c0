"""Reached sets and shortest runs, with a watch beside the model, over any engine."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from functools import reduce
from typing import Any, Generic, TypeVar
from weakref import WeakKeyDictionary

from safetymodel.claims.stepping import Stepper
from safetymodel.claims.verdict import EngineDisagreement, Trace
from safetymodel.claims.watch import BREACH, NOTHING, Watch, is_plain
from safetymodel.explore.engine import REACTION, Space
from safetymodel.explore.ordering import growing_views
from safetymodel.model.formula import Formula
from safetymodel.model.state import State, initial_state
from safetymodel.model.step import Kind, Step, holds, is_settled, steps
from safetymodel.model.system import System

S = TypeVar("S")


class Layers(Generic[S]):
    """Sets of a space by the fewest happenings that lead to them from the start; for each value of the watch."""

    def __init__(self, space: Space[S]) -> None:
        self.space = space
        self.found: list[dict[int, S]] = []
        self.seen: dict[int, S] = {}


SHORT = 5
"""Happenings up to which it is not worth the while to look at a run in any other way than from both ends."""

MOST_KEPT = 8

_KEPT: WeakKeyDictionary[Any, list[Layers[Any]]] = WeakKeyDictionary()
"""The layers of the latest shortest runs in a space: breaches by the same faults share them."""


class Ahead(Generic[S]):
    """The states of a space by the fewest happenings that lead on from them to a target: ``within[n]`` are those that
    need ``n`` or fewer, reactions before, between and after them included; for each value of the watch."""

    def __init__(self, walker: Walker[S], targets: Mapping[int, S], coarse: bool = False) -> None:
        """``coarse``: the walker's space is a view, in which steps that do not show still change the watch."""
        self._walker = walker
        self._coarse = coarse
        self._all = dict.fromkeys(walker.watch.values, walker.space.reached)
        self._frontier = dict(targets)
        self.within = [dict(targets)]
        self._close()

    def _close(self) -> None:
        """Add what reactions lead from into the latest set."""
        walker, found, pending = self._walker, self.within[-1], dict(self._frontier)
        while pending:
            for value, members in walker._fresh(found, walker._reacting_back(pending)).items():
                walker._add(pending, value, members)
                walker._add(self._frontier, value, members)
            # all that is left are reactions that change the value of the watch
            pending = walker._fresh(found, self._sources(pending, True)) if walker.watch is not NOTHING else {}
            for value, members in pending.items():
                walker._add(self._frontier, value, members)
        self.cost = walker._cost(self._frontier)

    @property
    def goes_on(self) -> bool:
        """Whether there may be states from which it takes more happenings than so far."""
        return bool(self._frontier)

    @property
    def onward(self) -> list[dict[int, S]]:
        """Where a run from the latest set is at most after each of its happenings."""
        return self.within[-2::-1]

    def farther(self) -> None:
        """One happening more."""
        found = dict(self.within[-1])
        self._frontier = self._walker._fresh(found, self._sources(self._frontier, False))
        self.within.append(found)
        self._close()

    def _sources(self, goal: Mapping[int, S], reacting: bool) -> dict[int, S]:
        """Where one step leads into the goal from."""
        found = self._walker._sources(self._all, goal, reacting)
        if self._coarse:
            for value, members in self._walker._unshown(goal, reacting).items():
                self._walker._add(found, value, members)
        return found


class Walker(Stepper[S]):
    """Reached sets and shortest runs, one set for each value of the watch."""

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
                    if new_value != BREACH and new_value not in self.watch.values:
                        continue  # beyond what a run goes on from there is a breach already
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

    def shortest(self, targets: Mapping[int, S], about: Collection[Formula] = ()) -> Trace | None:
        """A shortest run to one of the targets (a set for each value), or None where there is none.

        Fewest happenings; among equals fewest faults, then the order of the spec file. Only states with flags that
        some target has are searched: a flag never goes down again.

        It is searched from both ends. ``about``: what the targets are about, and everything that the watch reads. Once
        the run proves to be no short one, it is looked at those subsystems alone, and at what they read: there, more
        than what is possible can happen, so that a run takes no fewer happenings than there. Often it takes no more
        either, and is found by that.
        """
        layers = self._layers(self.space.on_the_way(reduce(self.space.union, targets.values())))
        near = self._in(layers.space)
        for longer_than, run in near._meeting(layers, targets):
            if run is not None:
                return run
            if longer_than == SHORT and about:
                run = near._guided(layers, targets, about)
                if run is not None:
                    return run
        return None

    def _guided(self, layers: Layers[S], targets: Mapping[int, S], about: Collection[Formula]) -> Trace | None:
        """A run longer than a short one, but no longer than one in a coarser view; None where there is none such."""
        for subsystems in growing_views(self.space.system, about):
            view = self.space.coarser(subsystems)
            if view is None:
                return None
            start = {value: view.seen(members) for value, members in layers.found[0].items()}
            ways = self._in(view)._ways(start, {v: view.seen(members) for v, members in targets.items()})
            if ways is None:
                return None
            first = self._common(layers.found[0], ways[0])
            run = self._along([], first, ways[1:], targets) if len(ways) - 1 > SHORT else None
            if run is not None:
                return run
        return None

    def _ways(self, start: Mapping[int, S], targets: Mapping[int, S]) -> list[dict[int, S]] | None:
        """In a coarser view: where the shortest runs to a target are after each of their happenings, or what they pass
        at most; None where there are none."""
        layers, back = Layers(self.space), Ahead(self, targets, coarse=True)
        # what does not show may change what is remembered of a run: then it is searched from its end alone
        forwards = is_plain(self.watch)
        # nor does it show as a happening, so that what reacts to it may do so from the first
        layers.found = [self._reacted(start) if forwards else dict(start)]
        layers.seen = dict(layers.found[0])
        for depth, middle in self._met(layers, back, forwards):
            if middle:
                return [*self._back(layers.found[: depth + 1], middle), *back.onward]
        return None

    def _meeting(self, layers: Layers[S], targets: Mapping[int, S]) -> Iterator[tuple[int, Trace | None]]:
        """From both ends: again and again how many happenings are too few, and at last the run, if there is one."""
        back = Ahead(self, targets)
        for depth, middle in self._met(layers, back, True):
            if middle:
                yield 0, self._along(layers.found[:depth], middle, back.onward, targets)
            else:
                yield depth + len(back.within) - 1, None

    def _met(self, layers: Layers[S], back: Ahead[S], forwards: bool) -> Iterator[tuple[int, dict[int, S]]]:
        """Layers of states by the fewest happenings that lead to them, and layers of states by the fewest that lead on
        to a target, one happening with all its reactions each, the smaller frontier first (without ``forwards`` always
        the latter): a run is as long as both together where they meet. Again and again how many layers there are, and
        where they meet, which is nowhere but at the end."""
        depth = 0
        while depth < len(layers.found) or self._deeper(layers):
            self.clock.check()
            while True:
                middle = self._common(layers.found[depth], back.within[-1])
                if middle or back.goes_on:
                    yield depth, middle
                if middle or not back.goes_on:
                    return
                known = depth + 1 < len(layers.found)
                if known or (forwards and back.cost >= self._cost(layers.found[-1])):
                    break
                back.farther()
            depth += 1

    def _along(
        self,
        layers: list[dict[int, S]],
        middle: dict[int, S],
        ways: Sequence[Mapping[int, S]],
        targets: Mapping[int, S],
    ) -> Trace | None:
        """The run: on from where both ends meet, each layer no larger than what still leads to a target in time; None
        where what seems to lead there does not."""
        layers = [*layers, middle]
        for ahead in ways:
            self.clock.check()
            layers.append(self._common(self._reacted(self.happen(layers[-1])), ahead))
        goal = self._goal(layers[-1], targets)
        return self._walk(self._back(layers, goal), goal) if goal else None

    def _common(self, some: Mapping[int, S], others: Mapping[int, S]) -> dict[int, S]:
        both = {v: self.space.common(members, others[v]) for v, members in some.items() if v in others}
        return {v: members for v, members in both.items() if not self.space.is_empty(members)}

    def _cost(self, sets: Mapping[int, S]) -> int:
        return sum(self.space.weight(members) for members in sets.values())

    def _layers(self, room: S) -> Layers[S]:
        """Layers within the room; those of a run without a watch are taken up again."""
        kept = _KEPT.setdefault(self.space, [])
        known = next((layers for layers in kept if self.space.same(layers.space.reached, room)), None)
        if known is None:
            known = Layers(self.space.inside(room))
            kept.append(known)
            del kept[:-MOST_KEPT]
        known.space.on_work = self.space.on_work
        return known if self.watch is NOTHING else Layers(known.space)

    def _deeper(self, layers: Layers[S]) -> bool:
        """One layer more; False where there is none."""
        landed = self.happen(layers.found[-1]) if layers.found else self.start()
        seen = dict(layers.seen)
        new = self._fresh(seen, self._reacted(landed))
        if new:
            layers.seen = seen
            layers.found.append(new)
        return bool(new)

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

    def _walk(self, chain: list[dict[int, S]], goal: Mapping[int, S]) -> Trace:
        """The run through the chain that the reference step function finds first."""
        first = state = self.first()
        value = settle_value(self.space.system, self.watch, state, self.watch.first)
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
        return Trace(first, tuple(taken))

    def first(self) -> State:
        """Where every run begins."""
        return initial_state(self.space.system)

    def offered(self, state: State) -> Iterator[Step]:
        """Every step from a state, as the reference step function has them."""
        return steps(self.space.system, state, self.space.budget)

    def _inside(self, sets: Mapping[int, S], state: State, value: int) -> bool:
        return value in sets and self.space.contains(sets[value], state)

    def _next(self, state: State, value: int, members: Mapping[int, S]) -> tuple[Step, int]:
        """The first happening that leads on, with the value of the watch after it."""
        for step in self.offered(state):
            for new in watched(self.space.system, self.watch, state, value, step):
                if self._inside(members, step.after, new):
                    return step, new
        raise EngineDisagreement("the run that was found is none of the step function's")

    def _way_out(
        self, state: State, value: int, members: Mapping[int, S], goal: Mapping[int, S] | None
    ) -> list[tuple[Step, int]]:
        """The fewest reactions to the goal, or where there is none to a settled state of the members."""
        came: dict[tuple[State, int], tuple[tuple[State, int], Step] | None] = {(state, value): None}
        queue = [(state, value)]
        while queue:
            here = queue.pop(0)
            onward = [step for step in self.offered(here[0]) if step.kind == "reaction"]
            arrived = not onward if goal is None else self._inside(goal, *here)
            if arrived:
                path: list[tuple[Step, int]] = []
                while (origin := came[here]) is not None:
                    path.append((origin[1], here[1]))
                    here = origin[0]
                return path[::-1]
            if here[1] == BREACH:
                continue
            for step in onward:
                for new in watched(self.space.system, self.watch, *here, step):
                    node = (step.after, new)
                    if node not in came and self._inside(members, *node):
                        came[node] = (here, step)
                        queue.append(node)
        raise EngineDisagreement("the run that was found is none of the step function's")


def settle_value(system: System, watch: Watch, state: State, value: int) -> int:
    """The value of the watch in a state that is entered with ``value``."""
    rules = watch.settling(value)
    if rules and is_settled(system, state):
        for formula, new in rules:
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
