"""Steps of whole sets, with a watch beside the model, over any engine."""

from __future__ import annotations

import copy
from collections.abc import Mapping
from typing import Generic, Self, TypeVar

from safetymodel.claims.clock import Clock
from safetymodel.claims.watch import BREACH, NOTHING, Classes, StepClass, Watch
from safetymodel.explore.engine import REACTION, Space

S = TypeVar("S")


class Stepper(Generic[S]):
    """Steps of sets of states, one set for each value of the watch."""

    def __init__(self, space: Space[S], watch: Watch = NOTHING, clock: Clock | None = None) -> None:
        self.space = space
        self.watch = watch
        self.clock = clock or Clock()
        self._kept: dict[int, S] = {}

    def _in(self, space: Space[S]) -> Self:
        """The same in another space of the same system."""
        other = copy.copy(self)
        other.space = space
        other._kept = {}
        return other

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

    def _reacted(self, sets: Mapping[int, S]) -> dict[int, S]:
        """The sets and all that reactions make of them."""
        space, result, pending = self.space, dict(sets), dict(sets)
        while pending:
            value, members = pending.popitem()
            if value == BREACH:
                continue
            grown = space.spread(members, REACTION, None, self._keeping(value))
            self._add(result, value, grown)
            if self.watch is NOTHING:
                continue
            for new_value, landed in self.react({value: grown}).items():
                new = space.minus(landed, result[new_value]) if new_value in result else landed
                if not space.is_empty(new):
                    self._add(result, new_value, new)
                    self._add(pending, new_value, new)
        return result

    def _keeping(self, value: int) -> S:
        """The states that do not change the value when a run comes to them."""
        if value not in self._kept:
            space, rest = self.space, self.space.settled
            for formula, _ in self.watch.settling(value):
                rest = space.minus(rest, space.where(formula))
            self._kept[value] = space.union(rest, self._unsettled())
        return self._kept[value]

    def _reacting_back(self, sets: Mapping[int, S]) -> dict[int, S]:
        """The sets and all from which reactions lead into them while the watch keeps its value."""
        result = {}
        for value, members in sets.items():
            if value != BREACH:
                kept = self.space.common(members, self._keeping(value))
                result[value] = self.space.union(members, self.space.spread_back(kept, REACTION))
        return result

    def _unsettled(self) -> S:
        """The states in which the watch does not look; where a limit ended the search, those that were not looked at
        are among them. In a coarser view a state may be of these and settled."""
        space = self.space
        return space.union(space.transient, space.minus(space.reached, space.settled))

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

    def _unshown(self, goal: Mapping[int, S], reacting: bool) -> dict[int, S]:
        """In a coarser view: where a step of what does not show leads into the goal, by the watch alone."""
        space, result = self.space, dict[int, S]()
        classes = ((StepClass(REACTION), _same),) if reacting else self.watch.classes
        origin = self._unsettled() if reacting else space.settled
        for value in self.watch.values:
            if value == BREACH:
                continue
            for _, becomes in classes:
                self._add(result, value, space.common(self._landing(becomes(value), goal), origin))
            for leap in self.watch.leaps:
                if leap.to in goal and (leap.values is None or value in leap.values):
                    both = space.common(space.where(leap.before), space.where(leap.after))
                    self._add(result, value, space.common(space.common(goal[leap.to], both), origin))
        return result

    def _landing(self, value: int, goal: Mapping[int, S]) -> S:
        """The states in which a run that comes with this value ends up in the goal."""
        space, result = self.space, self.space.nothing()
        rules = self.watch.settling(value)
        rest = space.settled
        for formula, new in rules:
            part = space.common(rest, space.where(formula))
            if new in goal:
                result = space.union(result, space.common(part, goal[new]))
            rest = space.minus(rest, part)
        if value in goal:
            result = space.union(result, space.common(self._keeping(value), goal[value]))
        return result


def _same(value: int) -> int:
    return value
