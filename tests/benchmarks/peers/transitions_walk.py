"""What a Python user would write first: live `transitions` machines, every state tuple in a set, breadth first.

One machine a subsystem. To expand a state, each machine is put into its part of it, what may fire is asked of the
machines themselves, and what they come to is read off them. Conditions are plain Python closures over a snapshot of
the state. The library takes the first row that matches, so only specs without ambiguous events are walked with it.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable

from transitions import Machine

from safetymodel.model import formula as fm
from safetymodel.model.system import System, Transition

States = tuple[int, ...]
Whole = tuple[States, States, frozenset[int]]
"""States, clocks, flags."""
Test = Callable[["Seen"], bool]


class Seen:
    """The snapshot that the conditions read."""

    states: States = ()
    clocks: States = ()
    flags: frozenset[int] = frozenset()


class Part:
    """The model of one machine; `state` is the library's."""

    state: int


def test_of(system: System, formula: fm.Formula) -> Test:
    match formula:
        case fm.Constant(value):
            return lambda seen: value
        case fm.InState(subsystem, states, negated):
            return lambda seen: (seen.states[subsystem] in states) != negated
        case fm.SignalTrue(number):
            return signal_test(system, number)
        case fm.FaultUp(fault):
            return lambda seen: fault in seen.flags
        case fm.Not(part):
            inner = test_of(system, part)
            return lambda seen: not inner(seen)
        case fm.AllOf(parts):
            tests = [test_of(system, p) for p in parts]
            return lambda seen: all(test(seen) for test in tests)
        case fm.AnyOf(parts):
            tests = [test_of(system, p) for p in parts]
            return lambda seen: any(test(seen) for test in tests)
        case fm.HowMany(least, most, members, _):
            tests = [test_of(system, m) for m in members]
            return lambda seen: least <= sum(test(seen) for test in tests) <= most
        case fm.Defined(_, body):
            return test_of(system, body)


def signal_test(system: System, number: int) -> Test:
    reads = test_of(system, system.signals[number].reads)
    held = [(f.number, f.value) for f in system.faults if f.kind == "signal" and f.subject == number]

    def test(seen: Seen) -> bool:
        for fault, value in held:
            if fault in seen.flags:
                return value
        return reads(seen)

    return test


def condition(system: System, t: Transition, seen: Seen) -> Callable[[], bool]:
    interlock, physical = test_of(system, t.interlock), test_of(system, t.physical)
    stuck = [
        f.number
        for f in system.faults
        if f.kind == "stuck" and f.subject == t.subsystem and f.state in (None, t.source)
    ]

    def met() -> bool:
        return not any(f in seen.flags for f in stuck) and interlock(seen) and physical(seen)

    return met


class LiveMachines:
    def __init__(self, system: System, budget: int) -> None:
        self.system, self.budget, self.seen = system, budget, Seen()
        self.parts = [Part() for _ in system.subsystems]
        for subsystem, part in zip(system.subsystems, self.parts, strict=True):
            rows = []
            for number in subsystem.transitions:
                t = system.transitions[number]
                rows.append(
                    {
                        "trigger": f"automatic_{number}" if t.event is None else f"event_{t.event}",
                        "source": f"s{t.source}",
                        "dest": f"s{t.target}",
                        "conditions": condition(system, t, self.seen),
                    }
                )
            states = [f"s{k}" for k in range(len(subsystem.states))]
            Machine(part, states, f"s{subsystem.initial}", rows, auto_transitions=False)
        self.automatic = [t for t in system.transitions if t.event is None]
        if any(t.earliest != t.latest for t in self.automatic):
            raise ValueError("this walk knows no windows of time")

    def put(self, states: States, clocks: States, flags: frozenset[int]) -> None:
        self.seen.states, self.seen.clocks, self.seen.flags = states, clocks, flags
        for part, number in zip(self.parts, states, strict=True):
            part.state = f"s{number}"  # type: ignore[assignment]

    def after(self, moved: list[int], clocks: States) -> tuple[States, States]:
        new_clocks = list(clocks)
        for subsystem in moved:
            new_clocks[subsystem] = 0
        return tuple(int(part.state[1:]) for part in self.parts), tuple(new_clocks)  # type: ignore[index]

    def steps(self, state: Whole) -> tuple[bool, list[Whole]]:
        """(settled, the states that one step leads to)."""
        states, clocks, flags = state
        found = []
        self.put(states, clocks, flags)
        for t in self.automatic:
            part = self.parts[t.subsystem]
            if clocks[t.subsystem] >= t.latest and getattr(part, f"may_automatic_{t.number}")():
                getattr(part, f"automatic_{t.number}")()
                found.append((*self.after([t.subsystem], clocks), flags))
                self.put(states, clocks, flags)
        if found:
            return False, found
        for event in self.system.events:
            able = [s for s, _ in event.movers if getattr(self.parts[s], f"may_event_{event.number}")()]
            if able and (not event.joint or len(able) == len(event.movers)):
                for subsystem in able:
                    getattr(self.parts[subsystem], f"event_{event.number}")()
                found.append((*self.after(able, clocks), flags))
                self.put(states, clocks, flags)
        for fault in self.system.faults:
            if fault.number not in flags and len(flags) < self.budget:
                others = [self.system.faults[f] for f in flags]
                if not any(o.kind == fault.kind == "signal" and o.subject == fault.subject for o in others):
                    found.append((states, clocks, flags | {fault.number}))
            if fault.kind == "jump" and fault.number in flags and states[fault.subject] == fault.state:
                self.parts[fault.subject].state = f"s{fault.target}"  # type: ignore[assignment]
                found.append((*self.after([fault.subject], clocks), flags))
                self.put(states, clocks, flags)
        if self.system.tick is not None:
            longest = [s.longest[states[s.number]] for s in self.system.subsystems]
            found.append((states, tuple(min(c + 1, m) for c, m in zip(clocks, longest, strict=True)), flags))
        return True, found


def explore(system: System, budget: int) -> int:
    """The number of reached states."""
    machines = LiveMachines(system, budget)
    start = (tuple(s.initial for s in system.subsystems), (0,) * len(system.subsystems), frozenset[int]())
    seen, queue = {start}, deque([start])
    while queue:
        for state in machines.steps(queue.popleft())[1]:
            if state not in seen:
                seen.add(state)
                queue.append(state)
    return len(seen)
