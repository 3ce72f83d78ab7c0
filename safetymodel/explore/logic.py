"""Conditions compiled once a model, evaluated on many states at once.

Equal parts are compiled once (hash-consing) and evaluated once a batch.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from safetymodel.explore.layout import Layout, Words
from safetymodel.model.formula import (
    AllOf,
    AnyOf,
    Constant,
    Defined,
    FaultUp,
    Formula,
    HowMany,
    InState,
    Not,
    SignalTrue,
)
from safetymodel.model.system import System

Truth = NDArray[np.bool_]
Node = int
"""A compiled condition: its position in :attr:`Logic.nodes`, after all that it needs."""


class Logic:
    """The conditions of one system as a list of nodes, each after those that it needs."""

    def __init__(self, system: System, layout: Layout) -> None:
        self.system = system
        self.layout = layout
        self.nodes: list[tuple[Any, ...]] = []
        self._numbers: dict[tuple[Any, ...], Node] = {}
        self._needs: dict[Node, tuple[Node, ...]] = {}
        self._formulas: dict[Formula, Node] = {}
        self.true = self._node("const", True)
        self.false = self._node("const", False)
        self.signals: list[Node] = [self.false] * len(system.signals)
        for number in system.signal_order:
            self.signals[number] = self._signal(number)
        self.can = tuple(self._can(n) for n in range(len(system.transitions)))
        self.due = tuple(self._due(n) for n in range(len(system.transitions)))
        self.in_window = tuple(self._in_window(n) for n in range(len(system.transitions)))
        self.transient = self.either(n for n in self.due if n != self.false)

    # -- building ---------------------------------------------------------------------------

    def _node(self, *key: Any) -> Node:
        number = self._numbers.get(key)
        if number is None:
            number = self._numbers[key] = len(self.nodes)
            self.nodes.append(key)
        return number

    def in_states(self, subsystem: int, states: Iterable[int]) -> Node:
        wanted = tuple(sorted(set(states)))
        count = len(self.system.subsystems[subsystem].states)
        if not wanted:
            return self.false
        return self.true if len(wanted) == count else self._node("in", subsystem, wanted)

    def clock_from(self, subsystem: int, ticks: int) -> Node:
        return self.true if ticks <= 0 else self._node("clock", subsystem, ticks)

    def flag(self, fault: int) -> Node:
        return self._node("flag", fault)

    def negate(self, node: Node) -> Node:
        if node in (self.true, self.false):
            return self.false if node == self.true else self.true
        kind, *rest = self.nodes[node]
        return int(rest[0]) if kind == "not" else self._node("not", node)

    def both(self, nodes: Iterable[Node]) -> Node:
        kept = dict.fromkeys(n for n in nodes if n != self.true)
        if self.false in kept:
            return self.false
        if len(kept) <= 1:
            return next(iter(kept), self.true)
        return self._node("and", *kept)

    def either(self, nodes: Iterable[Node]) -> Node:
        kept = dict.fromkeys(n for n in nodes if n != self.false)
        if self.true in kept:
            return self.true
        if len(kept) <= 1:
            return next(iter(kept), self.false)
        return self._node("or", *kept)

    def compile(self, formula: Formula) -> Node:
        """The node of a formula."""
        known = self._formulas.get(formula)
        if known is None:
            known = self._formulas[formula] = self._compile(formula)
        return known

    def _compile(self, formula: Formula) -> Node:
        match formula:
            case Constant(value):
                return self.true if value else self.false
            case InState(subsystem, states, negated):
                count = len(self.system.subsystems[subsystem].states)
                wanted = set(range(count)) - set(states) if negated else states
                return self.in_states(subsystem, wanted)
            case SignalTrue(signal):
                return self.signals[signal]
            case FaultUp(fault):
                return self.flag(fault)
            case Not(part):
                return self.negate(self.compile(part))
            case AllOf(parts):
                return self.both([self.compile(part) for part in parts])
            case AnyOf(parts):
                return self.either([self.compile(part) for part in parts])
            case HowMany(least, most, members, _):
                return self._node("count", least, most, *[self.compile(member) for member in members])
            case Defined(_, body):
                return self.compile(body)

    def _signal(self, number: int) -> Node:
        held = [f for f in self.system.faults if f.kind == "signal" and f.subject == number]
        high = self.either(self.flag(f.number) for f in held if f.value)
        low = self.either(self.flag(f.number) for f in held if not f.value)
        reading = self.compile(self.system.signals[number].reads)
        return self.either([high, self.both([reading, self.negate(low)])])

    def _can(self, number: int) -> Node:
        t = self.system.transitions[number]
        stuck = self.either(
            self.flag(f.number)
            for f in self.system.faults
            if f.kind == "stuck" and f.subject == t.subsystem and f.state in (None, t.source)
        )
        here = self.in_states(t.subsystem, [t.source])
        return self.both([here, self.negate(stuck), self.compile(t.interlock), self.compile(t.physical)])

    def _due(self, number: int) -> Node:
        t = self.system.transitions[number]
        if t.event is not None:
            return self.false
        return self.both([self.can[number], self.clock_from(t.subsystem, t.latest)])

    def _in_window(self, number: int) -> Node:
        t = self.system.transitions[number]
        if t.event is not None or t.earliest == t.latest:
            return self.false
        early = self.clock_from(t.subsystem, t.earliest)
        return self.both([self.can[number], early, self.negate(self.clock_from(t.subsystem, t.latest))])

    def needs(self, node: Node) -> tuple[Node, ...]:
        """The node and all that it needs, ascending, so that each comes after its parts."""
        known = self._needs.get(node)
        if known is None:
            found, stack = {node}, [node]
            while stack:
                for part in _parts(self.nodes[stack.pop()]):
                    if part not in found:
                        found.add(part)
                        stack.append(part)
            known = self._needs[node] = tuple(sorted(found))
        return known


def _parts(key: tuple[Any, ...]) -> tuple[int, ...]:
    match key[0]:
        case "and" | "or" | "not":
            return key[1:]
        case "count":
            return key[3:]
        case _:
            return ()


class Batch:
    """Some packed states, and the truth of conditions in each of them."""

    def __init__(self, logic: Logic, words: Words) -> None:
        self.logic = logic
        self.words = words
        self.size = words.shape[1]
        self._truths: dict[Node, Truth] = {}
        self._states: dict[int, NDArray[np.uint32]] = {}
        self._clocks: dict[int, NDArray[np.uint32]] = {}

    def states(self, subsystem: int) -> NDArray[np.uint32]:
        found = self._states.get(subsystem)
        if found is None:
            found = self._states[subsystem] = self.logic.layout.states[subsystem].read(self.words)
        return found

    def clocks(self, subsystem: int) -> NDArray[np.uint32]:
        found = self._clocks.get(subsystem)
        if found is None:
            found = self._clocks[subsystem] = self.logic.layout.clocks[subsystem].read(self.words)
        return found

    def truth(self, node: Node) -> Truth:
        """Where the condition is true: one entry per state."""
        truths = self._truths
        if node not in truths:
            for needed in self.logic.needs(node):
                if needed not in truths:
                    truths[needed] = self._evaluate(self.logic.nodes[needed])
        return truths[node]

    def _evaluate(self, key: tuple[Any, ...]) -> Truth:
        truths = self._truths
        result: Truth
        match key[0]:
            case "const":
                return np.full(self.size, key[1], np.bool_)
            case "in":
                values, wanted = self.states(key[1]), key[2]
                if len(wanted) == 1:
                    result = values == wanted[0]
                    return result
                table = np.zeros(len(self.logic.system.subsystems[key[1]].states), np.bool_)
                table[list(wanted)] = True
                result = table[values]
                return result
            case "clock":
                result = self.clocks(key[1]) >= key[2]
                return result
            case "flag":
                result = self.logic.layout.flags[key[1]].read(self.words) != 0
                return result
            case "not":
                return ~truths[key[1]]
            case "and":
                result = truths[key[1]] & truths[key[2]]
                for part in key[3:]:
                    result &= truths[part]
                return result
            case "or":
                result = truths[key[1]] | truths[key[2]]
                for part in key[3:]:
                    result |= truths[part]
                return result
            case "count":
                number = np.zeros(self.size, np.int32)
                for part in key[3:]:
                    number += truths[part]
                result = (number >= key[1]) & (number <= key[2])
                return result
        raise AssertionError(f"unknown kind of node {key[0]}")
