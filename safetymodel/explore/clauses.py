"""A system as clauses, for a satisfiability solver: the second road to a verdict.

Built from the system alone and apart from the symbolic engine, with which it shares nothing but the
numbering of bits in the sets that it is asked about. The one room that knows python-sat.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import TYPE_CHECKING, Any

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
from safetymodel.model.system import Event, System, Transition

if TYPE_CHECKING:
    from safetymodel.explore.decisions import Diagram
    from safetymodel.explore.encoding import Encoding

CONFLICTS = 200_000
"""Conflicts after which a single question is given up."""


class Gates:
    """Clauses that define new variables as functions of older ones."""

    def __init__(self) -> None:
        from pysat.solvers import Minisat22

        self.solver: Any = Minisat22()
        self._count = 0
        self._known: dict[tuple[Any, ...], int] = {}
        self.true = self.new()
        self.solver.add_clause([self.true])

    def new(self) -> int:
        self._count += 1
        return self._count

    def add(self, *clauses: Sequence[int]) -> None:
        for clause in clauses:
            self.solver.add_clause(list(clause))

    def both(self, literals: Iterable[int]) -> int:
        """A literal that is true when all of these are."""
        kept = sorted({x for x in literals if x != self.true})
        if -self.true in kept or any(-x in kept for x in kept):
            return -self.true
        if len(kept) <= 1:
            return kept[0] if kept else self.true
        key = ("and", *kept)
        gate = self._known.get(key)
        if gate is None:
            gate = self._known[key] = self.new()
            self.add([gate, *(-x for x in kept)], *([-gate, x] for x in kept))
        return gate

    def either(self, literals: Iterable[int]) -> int:
        return -self.both(-x for x in literals)

    def choose(self, condition: int, yes: int, no: int) -> int:
        """``yes`` where the condition is true, else ``no``."""
        if yes == no:
            return yes
        if condition == self.true:
            return yes
        if condition == -self.true:
            return no
        key = ("ite", condition, yes, no)
        gate = self._known.get(key)
        if gate is None:
            gate = self._known[key] = self.new()
            c, a, b = condition, yes, no
            self.add([-c, -a, gate], [-c, a, -gate], [c, -b, gate], [c, b, -gate], [-a, -b, gate], [a, b, -gate])
        return gate

    def count_at_least(self, literals: Sequence[int], number: int) -> int:
        """True when ``number`` or more of the literals are."""
        if number <= 0:
            return self.true
        row = [self.true, *([-self.true] * number)]
        for literal in literals:
            row = [row[0], *(self.choose(literal, row[n - 1], row[n]) for n in range(1, number + 1))]
        return row[number]

    def impossible(self, assumptions: Iterable[int]) -> bool | None:
        """Whether nothing satisfies the assumptions; None where the question is too hard."""
        literals = [x for x in assumptions if x != self.true]
        if -self.true in literals:
            return True
        self.solver.conf_budget(CONFLICTS)
        answer = self.solver.solve_limited(assumptions=literals)
        return None if answer is None else not answer


class Frame:
    """One system state as variables, and the truth of conditions in it."""

    def __init__(self, gates: Gates, system: System) -> None:
        self.gates = gates
        self.system = system
        self.state_bits = tuple(self._row(len(s.states) - 1) for s in system.subsystems)
        self.clock_bits = tuple(self._row(max(s.longest)) for s in system.subsystems)
        self.flags = tuple(gates.new() for _ in system.faults)
        for subsystem in system.subsystems:  # codes beyond the last state stand for nothing
            for code in range(len(subsystem.states), 1 << len(self.state_bits[subsystem.number])):
                gates.add([-self.reads(self.state_bits[subsystem.number], code)])
        self.signals: list[int] = [gates.true] * len(system.signals)
        self._formulas: dict[Formula, int] = {}
        for number in system.signal_order:
            self.signals[number] = self._signal(number)
        self.can = tuple(self._can(t) for t in system.transitions)
        self.due = tuple(self._due(t) for t in system.transitions)
        self.settled = -gates.either(self.due[t.number] for t in system.transitions if t.event is None)

    def _row(self, highest: int) -> tuple[int, ...]:
        return tuple(self.gates.new() for _ in range(highest.bit_length()))

    def reads(self, bits: Sequence[int], value: int) -> int:
        return self.gates.both(bit if value >> place & 1 else -bit for place, bit in enumerate(bits))

    def at_least(self, bits: Sequence[int], value: int) -> int:
        if value >> len(bits):
            return -self.gates.true
        result = self.gates.true
        for place, bit in enumerate(bits):
            result = self.gates.both([bit, result]) if value >> place & 1 else self.gates.either([bit, result])
        return result

    def is_in(self, subsystem: int, state: int) -> int:
        return self.reads(self.state_bits[subsystem], state)

    def formula(self, formula: Formula) -> int:
        """A literal for the truth of a formula in this state."""
        known = self._formulas.get(formula)
        if known is None:
            known = self._formulas[formula] = self._formula(formula)
        return known

    def _formula(self, formula: Formula) -> int:
        match formula:
            case Constant(value):
                return self.gates.true if value else -self.gates.true
            case InState(subsystem, states, negated):
                found = self.gates.either(self.is_in(subsystem, s) for s in states)
                return -found if negated else found
            case SignalTrue(signal):
                return self.signals[signal]
            case FaultUp(fault):
                return self.flags[fault]
            case Not(part):
                return -self.formula(part)
            case AllOf(parts):
                return self.gates.both([self.formula(part) for part in parts])
            case AnyOf(parts):
                return self.gates.either([self.formula(part) for part in parts])
            case HowMany(least, most, members, _):
                literals = [self.formula(member) for member in members]
                enough = self.gates.count_at_least(literals, least)
                return self.gates.both([enough, -self.gates.count_at_least(literals, most + 1)])
            case Defined(_, body):
                return self.formula(body)

    def _signal(self, number: int) -> int:
        held = {True: [], False: []}  # type: dict[bool, list[int]]
        for fault in self.system.faults:
            if fault.kind == "signal" and fault.subject == number:
                held[fault.value].append(self.flags[fault.number])
        reading = self.formula(self.system.signals[number].reads)
        low = self.gates.either(held[False])
        return self.gates.either([*held[True], self.gates.both([reading, -low])])

    def _can(self, t: Transition) -> int:
        stuck = [
            self.flags[f.number]
            for f in self.system.faults
            if f.kind == "stuck" and f.subject == t.subsystem and f.state in (None, t.source)
        ]
        conditions = (self.formula(t.interlock), self.formula(t.physical))
        return self.gates.both([self.is_in(t.subsystem, t.source), *conditions, *(-x for x in stuck)])

    def _due(self, t: Transition) -> int:
        if t.event is not None:
            return -self.gates.true
        return self.gates.both([self.can[t.number], self.at_least(self.clock_bits[t.subsystem], t.latest)])


class Moves:
    """All steps from one frame to another, each as assumptions under which exactly that step is taken."""

    def __init__(self, gates: Gates, before: Frame, after: Frame, budget: int) -> None:
        self.gates = gates
        self.before = before
        self.after = after
        self.system = before.system
        self.budget = budget
        self.keeps = tuple(self._keeper((*a, *c), (*b, *d)) for a, b, c, d in self._rows())
        self.keeps_flag = tuple(self._keeper((a,), (b,)) for a, b in zip(before.flags, after.flags, strict=True))

    def _rows(self) -> Iterable[tuple[tuple[int, ...], ...]]:
        b, a = self.before, self.after
        return zip(b.state_bits, a.state_bits, b.clock_bits, a.clock_bits, strict=True)

    def _keeper(self, old: Sequence[int], new: Sequence[int]) -> int:
        """A variable under which the new bits equal the old ones."""
        keep = self.gates.new()
        for a, b in zip(old, new, strict=True):
            self.gates.add([-keep, -a, b], [-keep, a, -b])
        return keep

    def _others(self, moved: Iterable[int] = (), flag: int | None = None) -> list[int]:
        kept = set(moved)
        return [
            *(k for s, k in enumerate(self.keeps) if s not in kept),
            *(k for f, k in enumerate(self.keeps_flag) if f != flag),
        ]

    def _enters(self, subsystem: int, state: int) -> list[int]:
        bits = self.after.state_bits[subsystem]
        fixed = [bit if state >> place & 1 else -bit for place, bit in enumerate(bits)]
        return [*fixed, *(-bit for bit in self.after.clock_bits[subsystem])]

    def _takes(self, t: Transition, enabled: int) -> list[int]:
        return [enabled, *self._enters(t.subsystem, t.target), *self._others([t.subsystem])]

    def of(self, kind: str, number: int) -> list[list[int]]:
        """The ways to make one move, each as a list of assumptions."""
        system, frame = self.system, self.before
        if kind == "reaction":
            return [self._takes(system.transitions[number], frame.due[number])]
        if kind == "time":
            t = system.transitions[number]
            bits = frame.clock_bits[t.subsystem]
            early = [frame.can[number], frame.at_least(bits, t.earliest), -frame.at_least(bits, t.latest)]
            return [[frame.settled, *early, *self._enters(t.subsystem, t.target), *self._others([t.subsystem])]]
        if kind == "event":
            return self._event(system.events[number])
        if kind == "fault":
            return [self._strike(number)]
        if kind == "jump":
            fault = system.faults[number]
            here = [frame.settled, frame.flags[number], frame.is_in(fault.subject, fault.state or 0)]
            return [[*here, *self._enters(fault.subject, fault.target), *self._others([fault.subject])]]
        return [[frame.settled, self._tick(), *self._others(range(len(system.subsystems)))]]

    def _event(self, event: Event) -> list[list[int]]:
        frame, system = self.before, self.system
        if len(event.movers) == 1:
            return [[frame.settled, *self._takes(system.transitions[n], frame.can[n])] for n in event.movers[0][1]]
        happens = self.gates.new()
        able = []
        for subsystem, numbers in event.movers:
            can = self.gates.either(frame.can[n] for n in numbers)
            able.append(can)
            taken = []
            for number in numbers:
                chosen = self.gates.new()
                taken.append(chosen)
                self.gates.add([-chosen, frame.can[number]])
                for literal in self._enters(subsystem, system.transitions[number].target):
                    self.gates.add([-chosen, -happens, literal])
            self.gates.add([-happens, -can, *taken], [-happens, can, self.keeps[subsystem]])
        self.gates.add(*([-happens, a] for a in able) if event.joint else [[-happens, *able]])
        return [[frame.settled, happens, *self._others(s for s, _ in event.movers)]] if able else []

    def _strike(self, number: int) -> list[int]:
        frame, fault = self.before, self.system.faults[number]
        rivals = [
            f.number for f in self.system.faults if f.kind == fault.kind == "signal" and f.subject == fault.subject
        ]
        full = self.gates.count_at_least(frame.flags, self.budget)
        down = [-frame.flags[f] for f in {number, *rivals}]
        return [frame.settled, -full, *down, self.after.flags[number], *self._others((), number)]

    def _tick(self) -> int:
        """A variable under which every state stays and every clock goes on."""
        ticks = self.gates.new()
        for subsystem in self.system.subsystems:
            n = subsystem.number
            for a, b in zip(self.before.state_bits[n], self.after.state_bits[n], strict=True):
                self.gates.add([-ticks, -a, b], [-ticks, a, -b])
            bits = self.before.clock_bits[n]
            running = self.gates.either(
                self.gates.both([self.before.is_in(n, state), -self.before.at_least(bits, longest)])
                for state, longest in enumerate(subsystem.longest)
            )
            carry = running
            for a, b in zip(bits, self.after.clock_bits[n], strict=True):
                value = self.gates.choose(carry, -a, a)
                carry = self.gates.both([carry, a])
                self.gates.add([-ticks, -b, value], [-ticks, b, -value])
        return ticks


def set_literal(gates: Gates, frame: Frame, encoding: Encoding, members: Diagram) -> int:
    """A literal that is true where the frame's state is in the set, read off the set's diagram."""
    bit_of: dict[int, int] = dict(zip(encoding.flag_bits, frame.flags, strict=True))
    for theirs, ours in ((encoding.state_bits, frame.state_bits), (encoding.clock_bits, frame.clock_bits)):
        for numbers, bits in zip(theirs, ours, strict=True):
            bit_of.update(zip(numbers, bits, strict=True))
    true, false = encoding.decisions.true, encoding.decisions.false
    known: dict[Diagram, int] = {true: gates.true, false: -gates.true}
    stack = [members]
    while stack:
        node = stack[-1]
        if node in known:
            stack.pop()
            continue
        branches = node.cofactors()
        variable = node.node_var()
        assert branches is not None
        assert variable is not None
        missing = [branch for branch in branches if branch not in known]
        if missing:
            stack.extend(missing)
            continue
        known[node] = gates.choose(bit_of[variable], known[branches[0]], known[branches[1]])
        stack.pop()
    return known[members]


Check = Callable[[], None]
