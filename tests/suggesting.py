"""Suggested conditions by brute force: the game on states that are written down, apart from the engines' diagrams.

Every state is one of ``model.step``; what can be held back is tried in every combination. Written as slow and as simple
as it can be.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import chain, combinations, product

from safetymodel.claims.watch import BREACH
from safetymodel.insight.suggest.game import held_with
from safetymodel.insight.suggest.goal import Goal
from safetymodel.model.state import State, initial_state
from safetymodel.model.step import can_move, due, happenings, holds, moved
from safetymodel.model.system import Event, System, Transition

Node = tuple[State, int]
"""A state as a run arrives in it, with the value of the watch."""


def subsets(items: list[int]) -> Iterator[frozenset[int]]:
    return map(frozenset, chain.from_iterable(combinations(items, n) for n in range(len(items) + 1)))


@dataclass(frozen=True)
class Choice:
    """What is held back of one thing that may come about, and where it then leads (None: a breach)."""

    withheld: frozenset[int]
    after: tuple[Node | None, ...]


@dataclass(frozen=True)
class Plan:
    """Reactions that are held back, and one decision for each thing that may then come about."""

    withheld: frozenset[int]
    decisions: tuple[tuple[Choice, ...], ...]


class BruteForce:
    def __init__(self, system: System, budget: int, goal: Goal, most: int = 4000) -> None:
        self.system, self.budget, self.goal = system, budget, goal
        self.controllable = {t.number for t in system.transitions if t.controllable}
        self.start: Node = (initial_state(system), goal.watch.first)
        self.plans: dict[Node, tuple[Plan, ...]] = {}
        todo = [self.start]
        while todo:
            node = todo.pop()
            if node in self.plans or node[1] not in goal.watch.values:
                continue
            if len(self.plans) > most:
                raise OverflowError
            self.plans[node] = tuple(self._offered(node))
            for plan in self.plans[node]:
                for choice in chain.from_iterable(plan.decisions):
                    todo.extend(after for after in choice.after if after is not None)
        self.lost = self._lost()

    def _value(self, kind: str, number: int, value: int) -> int:
        for meant, becomes in self.goal.watch.classes:
            if kind != "reaction" and meant.covers(kind, number):  # type: ignore[arg-type]
                return becomes(value)
        return value

    def _step(self, before: State, value: int, kind: str, number: int, after: State) -> Node | None:
        for leap in self.goal.watch.leaps:
            if leap.steps.covers(kind, number) and (leap.values is None or value in leap.values):  # type: ignore[arg-type]
                assert leap.to == BREACH
                if holds(self.system, before, leap.before) and holds(self.system, after, leap.after):
                    return None
        return after, self._value(kind, number, value)

    def _offered(self, node: Node) -> Iterator[Plan]:
        state, value = node
        waits_badly = value == self.goal.inside and holds(self.system, state, self.goal.moving)
        reacting = due(self.system, state)
        for withheld in subsets([t.number for t in reacting if t.number in self.controllable]):
            left = [t for t in reacting if t.number not in withheld]
            if left:
                steps = (self._step(state, value, "reaction", t.number, moved(state, (t,))) for t in left)
                after = (None,) if waits_badly else tuple(steps)
                yield Plan(withheld, ((Choice(frozenset(), after),),))
            else:
                yield Plan(withheld, tuple(self.at_rest(state, value)))

    def rest_value(self, state: State, value: int) -> int:
        for formula, new in self.goal.watch.settling(value):
            if holds(self.system, state, formula):
                return new
        return value

    def at_rest(self, state: State, value: int) -> Iterator[tuple[Choice, ...]]:
        """Every decision in a state in which nothing is due."""
        value = self.rest_value(state, value)
        if value == self.goal.inside and holds(self.system, state, self.goal.settled):
            yield (Choice(frozenset(), (None,)),)
            return
        # `happenings` asks for a settled state only in words: it looks at no reaction
        for step in happenings(self.system, state, self.budget):
            if step.kind != "event":
                after = self._step(state, value, step.kind, step.number, step.after)
                options = [Choice(frozenset(), (after,))]
                if step.kind == "time" and step.number in self.controllable:
                    options.append(Choice(frozenset([step.number]), ()))
                yield tuple(options)
        for event in self.system.events:
            yield tuple(self._event(state, value, event))

    def _event(self, state: State, value: int, event: Event) -> list[Choice]:
        enabled = {
            s: [self.system.transitions[n] for n in numbers if can_move(self.system, state, self.system.transitions[n])]
            for s, numbers in event.movers
        }
        free = [t.number for ts in enabled.values() for t in ts if t.number in self.controllable]
        sets = list(subsets(free))
        whole = held_with(event) & {t.number for ts in enabled.values() for t in ts}
        if whole and whole not in sets:
            sets.append(whole)
        found = []
        for withheld in sets:
            movers: list[list[Transition]] = []
            blocked = False
            for ts in enabled.values():
                left = [t for t in ts if t.number not in withheld]
                if left:
                    movers.append(left)
                elif event.joint:
                    blocked = True
            taken = [] if blocked or not movers else list(product(*movers))
            after = tuple(self._step(state, value, "event", event.number, moved(state, ts)) for ts in taken)
            found.append(Choice(withheld, after))
        return found

    def bad(self, after: Node | None) -> bool:
        return after is None or after in self.lost or after[1] not in self.goal.watch.values

    def good(self, choice: Choice) -> bool:
        return not any(self.bad(after) for after in choice.after)

    def wins(self, plan: Plan) -> bool:
        return all(any(self.good(choice) for choice in options) for options in plan.decisions)

    def _lost(self) -> set[Node]:
        self.lost = set()
        while True:
            more = {n for n, plans in self.plans.items() if n not in self.lost and not any(map(self.wins, plans))}
            if not more:
                return self.lost
            self.lost |= more

    def check(self, changed: System) -> int:
        """Walks the system with the conditions put in: no state is lost, and nothing is held back that could be let
        through. Gives back in how many nodes something is held back."""
        seen, todo, held_back = {self.start}, [self.start], 0
        while todo:
            node = todo.pop()
            assert node not in self.lost, "a lost state comes about"
            state, value = node
            held = frozenset(
                t.number
                for t in self.system.transitions
                if can_move(self.system, state, t) and not can_move(changed, state, changed.transitions[t.number])
            )
            reactions = {t.number for t in due(self.system, state)} & held
            for number in reactions:
                held_back += 1
                target = self._step(state, value, "reaction", number, moved(state, (self.system.transitions[number],)))
                waits_badly = value == self.goal.inside and holds(self.system, state, self.goal.moving)
                assert self.bad(target) or waits_badly, "a reaction is held back for nothing"
            left = due(changed, state)
            after: list[Node | None] = []
            if left:
                after += [self._step(state, value, "reaction", t.number, moved(state, (t,))) for t in left]
            else:
                for options in self.at_rest(state, value):
                    taken = max((c for c in options if c.withheld <= held), key=lambda c: len(c.withheld))
                    held_back += bool(taken.withheld)
                    assert self.good(taken), "what is let through leads to a lost state"
                    for other in options:
                        if other.withheld < taken.withheld:
                            useless = set(other.after) == set(taken.after)
                            assert useless or not self.good(other), "something is held back for nothing"
                    after += taken.after
            for target in after:
                assert target is not None
                if target not in seen:
                    seen.add(target)
                    todo.append(target)
        return held_back
