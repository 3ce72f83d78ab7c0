"""`z3-solver` on one requirement `never: P`: unrolled step by step to its breach, or as Horn clauses where it holds.

States as rows of Booleans, in both; every step of the model (reactions, events, faults, jumps) is one disjunct of the
step relation. For systems without durations.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise, product

import z3

from safetymodel.model import formula as fm
from safetymodel.model.state import State, initial_state
from safetymodel.model.step import steps
from safetymodel.model.system import System, Transition

Bits = Sequence[z3.BoolRef]


class Relation:
    """The start, the steps and the conditions of a system over rows of Booleans."""

    def __init__(self, system: System, budget: int) -> None:
        assert system.tick is None
        self.system, self.budget = system, budget
        self.rows: list[range] = []
        count = 0
        for s in system.subsystems:
            width = (len(s.states) - 1).bit_length()
            self.rows.append(range(count, count + width))
            count += width
        self.flags = range(count, count + len(system.faults))
        self.size = self.flags.stop

    def frame(self, name: str) -> list[z3.BoolRef]:
        return [z3.Bool(f"{name}_{k}") for k in range(self.size)]

    def reads(self, x: Bits, subsystem: int, state: int) -> z3.BoolRef:
        row = self.rows[subsystem]
        return z3.And([x[b] if state >> i & 1 else z3.Not(x[b]) for i, b in enumerate(row)])

    def start(self, x: Bits) -> z3.BoolRef:
        state = initial_state(self.system)
        parts = [self.reads(x, s, v) for s, v in enumerate(state.states)]
        return z3.And(parts + [z3.Not(x[f]) for f in self.flags])

    def formula(self, f: fm.Formula, x: Bits) -> z3.BoolRef:
        match f:
            case fm.Constant(value):
                return z3.BoolVal(value)
            case fm.InState(subsystem, states, negated):
                found = z3.Or([self.reads(x, subsystem, s) for s in states])
                return z3.Not(found) if negated else found
            case fm.SignalTrue(number):
                return self.signal(number, x)
            case fm.FaultUp(fault):
                return x[self.flags[fault]]
            case fm.Not(part):
                return z3.Not(self.formula(part, x))
            case fm.AllOf(parts):
                return z3.And([self.formula(p, x) for p in parts])
            case fm.AnyOf(parts):
                return z3.Or([self.formula(p, x) for p in parts])
            case fm.HowMany(least, most, members, _):
                parts = [self.formula(m, x) for m in members]
                return z3.And(z3.AtLeast(*parts, least), z3.AtMost(*parts, most))
            case fm.Defined(_, body):
                return self.formula(body, x)

    def signal(self, number: int, x: Bits) -> z3.BoolRef:
        reading = self.formula(self.system.signals[number].reads, x)
        for f in self.system.faults:
            if f.kind == "signal" and f.subject == number:
                flag = x[self.flags[f.number]]
                reading = z3.Or(reading, flag) if f.value else z3.And(reading, z3.Not(flag))
        return reading

    def can(self, t: Transition, x: Bits) -> z3.BoolRef:
        stuck = [
            z3.Not(x[self.flags[f.number]])
            for f in self.system.faults
            if f.kind == "stuck" and f.subject == t.subsystem and f.state in (None, t.source)
        ]
        conditions = [self.formula(t.interlock, x), self.formula(t.physical, x)]
        return z3.And([self.reads(x, t.subsystem, t.source), *conditions, *stuck])

    def settled(self, x: Bits) -> z3.BoolRef:
        return z3.Not(z3.Or([self.can(t, x) for t in self.system.transitions if t.event is None]))

    def _so(self, guard: Sequence[z3.BoolRef], enters: dict[int, int], x: Bits, y: Bits, flag: int = -1) -> z3.BoolRef:
        parts = list(guard)
        for subsystem, row in enumerate(self.rows):
            if subsystem in enters:
                parts.append(self.reads(y, subsystem, enters[subsystem]))
            else:
                parts += [x[b] == y[b] for b in row]
        parts += [y[f] if f == flag else x[f] == y[f] for f in self.flags]
        return z3.And(parts)

    def step(self, x: Bits, y: Bits) -> z3.BoolRef:
        system = self.system
        can = [self.can(t, x) for t in system.transitions]
        quiet = z3.Not(z3.Or([can[t.number] for t in system.transitions if t.event is None]))
        ways = []
        for t in system.transitions:
            if t.event is None:
                ways.append(self._so([can[t.number]], {t.subsystem: t.target}, x, y))
        for event in system.events:
            options = []
            for _, transitions in event.movers:
                row = [(can[n], n) for n in transitions]
                if not event.joint:
                    row.append((z3.Not(z3.Or([can[n] for n in transitions])), -1))
                options.append(row)
            for chosen in product(*options):
                taken = [system.transitions[n] for _, n in chosen if n >= 0]
                if taken:
                    enters = {t.subsystem: t.target for t in taken}
                    ways.append(self._so([quiet, *(guard for guard, _ in chosen)], enters, x, y))
        for fault in system.faults:
            if self.budget:
                room = z3.AtMost(*[x[f] for f in self.flags], self.budget - 1)
                rivals = [o for o in system.faults if o.kind == fault.kind == "signal" and o.subject == fault.subject]
                down = [z3.Not(x[self.flags[o.number]]) for o in (rivals or [fault])]
                ways.append(self._so([quiet, room, *down], {}, x, y, self.flags[fault.number]))
            if self.budget and fault.kind == "jump":
                here = [quiet, x[self.flags[fault.number]], self.reads(x, fault.subject, fault.state or 0)]
                ways.append(self._so(here, {fault.subject: fault.target}, x, y))
        return z3.Or(ways)

    def state(self, model: z3.ModelRef, x: Bits) -> State:
        on = [z3.is_true(model.eval(bit, model_completion=True)) for bit in x]
        states = tuple(sum(on[b] << i for i, b in enumerate(row)) for row in self.rows)
        return State(states, (0,) * len(states), sum(on[f] << i for i, f in enumerate(self.flags)))


def unroll(system: System, budget: int, subject: fm.Formula, most: int = 200) -> int:
    """Steps (reactions counted) to the nearest settled state with the subject true."""
    relation = Relation(system, budget)
    solver = z3.Solver()
    frames = [relation.frame("x0")]
    solver.add(relation.start(frames[0]))
    for depth in range(most + 1):
        x = frames[-1]
        solver.push()
        solver.add(relation.settled(x), relation.formula(subject, x))
        if solver.check() == z3.sat:
            model = solver.model()
            run = [relation.state(model, frame) for frame in frames]
            for before, after in pairwise(run):
                assert any(s.after == after for s in steps(system, before, budget)), "not a step of the model"
            return depth
        solver.pop()
        frames.append(relation.frame(f"x{depth + 1}"))
        solver.add(relation.step(x, frames[-1]))
    raise AssertionError("no breach within the most steps")


def horn(system: System, budget: int, subject: fm.Formula) -> str:
    """Whether a settled state with the subject true is reached, by the fixed-point engine."""
    relation = Relation(system, budget)
    engine = z3.Fixedpoint()
    engine.set("engine", "spacer")
    reach = z3.Function("reach", *([z3.BoolSort()] * relation.size), z3.BoolSort())
    bad = z3.Function("bad", z3.BoolSort())
    x, y = relation.frame("x"), relation.frame("y")
    for part in (reach, bad):
        engine.register_relation(part)
    engine.declare_var(*x, *y)
    engine.rule(reach(*x), relation.start(x))
    engine.rule(reach(*y), [reach(*x), relation.step(x, y)])
    engine.rule(bad(), [reach(*x), relation.settled(x), relation.formula(subject, x)])
    answer = engine.query(bad())
    return "broken" if answer == z3.sat else "holds" if answer == z3.unsat else "undecided"
