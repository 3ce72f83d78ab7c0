"""Random small specs, as text: every feature of the format, seeded, mostly 10 to 3,000 states."""

from __future__ import annotations

import random
from dataclasses import dataclass, field

FORMS = (
    "never",
    "always",
    "never",
    "always",
    "possible",
    "always_possible",
    "permissive",
    "start",
    "cause",
    "cause",
)


@dataclass
class _Machine:
    """A subsystem, or a family of two or three alike ones."""

    name: str
    states: int
    instances: tuple[str, ...] = ()
    events: list[tuple[str, bool]] = field(default_factory=list)

    @property
    def members(self) -> tuple[str, ...]:
        return tuple(f"{self.name}.{i}" for i in self.instances) or (self.name,)

    @property
    def state_names(self) -> tuple[str, ...]:
        return tuple(f"q{k}" for k in range(self.states))


class _Writer:
    def __init__(self, rng: random.Random) -> None:
        self.rng = rng
        self.machines = self._machines()
        self.timed = rng.random() < 0.6
        self.signals = rng.randint(0, 3)
        self.conditions = rng.randint(0, 2)
        self.faults = rng.choice([0, 1, 2, 2, 3, 3])
        self.events: list[str] = []
        for number in range(rng.randint(3, 5)):
            owner = rng.choice(self.machines)
            owner.events.append((f"e{number}", rng.random() < 0.25))
            self.events.extend(f"{member}.e{number}" for member in owner.members)

    def _machines(self) -> list[_Machine]:
        rng = self.rng
        count = rng.choice([2, 3, 4, 4])
        machines = [_Machine(f"m{i}", rng.choice([2, 3, 3, 4, 4])) for i in range(count)]
        if rng.random() < 0.35 and count < 4:
            family = rng.choice(machines)
            family.instances = ("a", "b") if count == 3 or rng.random() < 0.7 else ("a", "b", "c")
            family.states = rng.randint(2, 3)
        return machines

    # -- expressions --------------------------------------------------------------------------

    def some_states(self, machine: _Machine) -> str:
        rng = self.rng
        count = rng.randint(1, max(1, machine.states - 1))
        return "|".join(sorted(rng.sample(machine.state_names, count)))

    def atom(self, signals: int, fault: bool, conditions: int, own: _Machine | None) -> str:
        rng = self.rng
        x = rng.random()
        if x < 0.22 and signals:
            return f"s{rng.randrange(signals)}"
        if x < 0.28 and conditions:
            return f"c{rng.randrange(conditions)}"
        if fault and self.faults and x < 0.36:
            return f"fault f{rng.randrange(self.faults)}"
        families = [m for m in self.machines if m.instances]
        if x < 0.5 and families:
            family = rng.choice(families)
            number = rng.randint(0, len(family.instances))
            how = rng.choice(
                ["every", "some", "no", f"at least {number} of", f"at most {number} of", f"exactly {number} of"]
            )
            verb = "are" if how.endswith("of") else "is"
            negation = "not " if rng.random() < 0.2 else ""
            if how.startswith("at least") and number > len(family.instances):
                how = "every"
            return f"{how} {family.name} {verb} {negation}{self.some_states(family)}"
        if x < 0.52:
            return rng.choice(["true", "false"])
        machine = rng.choice(self.machines)
        name = rng.choice(machine.members)
        if own is not None and own.instances and rng.random() < 0.4:
            machine, name = own, "self"
        negation = "not " if rng.random() < 0.3 else ""
        return f"{name} is {negation}{self.some_states(machine)}"

    def expression(
        self,
        depth: int,
        *,
        signals: int | None = None,
        fault: bool = False,
        conditions: int | None = None,
        own: _Machine | None = None,
    ) -> str:
        known = self.signals if signals is None else signals
        defined = self.conditions if conditions is None else conditions
        stack: list[tuple[str, int]] = [("build", depth)]
        done: list[str] = []
        while stack:
            what, left = stack.pop()
            if what == "not":
                done.append(f"not ({done.pop()})" if self.rng.random() < 0.5 else f"not {self._tight(done.pop())}")
                continue
            if what in ("and", "or"):
                right, first = done.pop(), done.pop()
                done.append(f"{self._tight(first)} {what} {self._tight(right)}")
                continue
            x = self.rng.random()
            if left == 0 or x < 0.4:
                done.append(self.atom(known, fault, defined, own))
            elif x < 0.6:
                stack += [("not", 0), ("build", left - 1)]
            else:
                stack += [("and" if x < 0.8 else "or", 0), ("build", left - 1), ("build", left - 1)]
        return done[0]

    @staticmethod
    def _tight(text: str) -> str:
        return f"({text})" if " and " in text or " or " in text else text

    # -- sections -----------------------------------------------------------------------------

    def after(self) -> str:
        rng = self.rng
        low = rng.randint(1, 3)
        high = low + rng.choice([0, 0, 1, 2])
        if rng.random() < 0.2:
            low = 0
        return f"{low * 100} ms" if low == high else f"{low * 100} ms..{high * 100} ms"

    def transition(self, machine: _Machine, source: int) -> str:
        rng = self.rng
        target = rng.randrange(machine.states)
        x = rng.random()
        event = after = ""
        if x < 0.74:
            event = rng.choice(self.events)
            if machine.events and rng.random() < 0.5:
                event = rng.choice(machine.events)[0]
        elif self.timed and x < 0.92:
            after = self.after()
        sources = [source]
        if source == target and (not (event or after) or rng.random() < 0.8):
            target = (source + 1) % machine.states
        if rng.random() < 0.12:
            more = (source + 1) % machine.states
            if more != target and more != source:
                sources.append(more)
        start = f"q{source}" if len(sources) == 1 else f"[{', '.join(f'q{k}' for k in sources)}]"
        parts = [f"from: {start}", f"to: q{target}"]
        if event:
            parts.append(f"on: {event}")
        if rng.random() < (0.3 if event else 0.75):
            parts.append(f"if: {self.expression(1, own=machine)}")
        if rng.random() < 0.15:
            parts.append(f"physically: {self.expression(1, own=machine)}")
        if after:
            parts.append(f"after: {after}")
        return f"      - {{{', '.join(parts)}}}"

    def subsystem(self, machine: _Machine) -> list[str]:
        rng = self.rng
        lines = [f"  {machine.name}:"]
        if rng.random() < 0.5:
            lines.append(f"    role: {rng.choice(['sensor', 'actuator', 'barrier', 'control', 'person', 'supply'])}")
        if machine.instances:
            lines.append(f"    instances: [{', '.join(machine.instances)}]")
        lines.append(f"    states: [{', '.join(machine.state_names)}]")
        if rng.random() < 0.2:
            lines.append(f"    initial: {rng.choice(machine.state_names)}")
        if machine.events:
            lines.append("    events:")
            for name, joint in machine.events:
                lines.append(f"      {name}: {{{'joint: true, ' if joint else ''}by: someone}}")
        lines.append("    transitions:")
        starts = list(range(machine.states)) + [rng.randrange(machine.states) for _ in range(2)]
        lines += [self.transition(machine, start) for start in starts if rng.random() < 0.85]
        if lines[-1] == "    transitions:":
            lines.append(self.transition(machine, 0))
        return lines

    def fault(self, number: int) -> str:
        rng = self.rng
        kind = rng.choice(["signal", "stuck", "jump"] if self.signals else ["stuck", "jump"])
        if kind == "signal":
            body = f"signal: s{rng.randrange(self.signals)}, stuck: {rng.choice(['true', 'false'])}"
        else:
            machine = rng.choice(self.machines)
            body = f"subsystem: {rng.choice(machine.members)}"
            state = rng.randrange(machine.states)
            if kind == "stuck":
                body += f", stuck: {'any' if rng.random() < 0.3 else f'q{state}'}"
            else:
                body += f", jump: {{from: q{state}, to: q{(state + 1) % machine.states}}}"
        rate = f", rate: {rng.randint(1, 9)}.0e-{rng.randint(5, 8)} / h" if rng.random() < 0.4 else ""
        return f"  f{number}: {{{body}{rate}}}"

    def requirement(self, number: int, form: str) -> str:
        rng = self.rng
        subject = self.expression(2, fault=True)
        parts = [f"{form}: {subject}"]
        if form in ("never", "always") and rng.random() < 0.5:
            parts.append(f"from: {self.expression(1)}")
            if rng.random() < 0.7:
                parts.append(f"until: {self.expression(1)}")
        if form == "permissive":
            parts = [f"permissive: {self.expression(1)}", f"for: {subject}"]
        if form == "start":
            chosen = rng.sample(self.events, rng.randint(1, len(self.events)))
            parts.append(f"only_by: [{', '.join(chosen)}]")
        if form == "cause":
            deadline = rng.choice(["reaction", "100 ms", "200 ms"]) if self.timed else "reaction"
            parts += [f"effect: {self.expression(1)}", f"within: {deadline}"]
        if form in ("never", "always", "cause") and rng.random() < 0.3:
            parts.append("prevent: true")
        if self.faults and rng.random() < 0.4:
            parts.append(f"withstand: {rng.randint(0, min(2, self.faults))}")
        if rng.random() < 0.2:
            parts.append("hazard: H1")
        return f"  R{number}: {{{', '.join(parts)}}}"

    def text(self, title: str) -> str:
        lines = ["safetymodel: 1", f"title: {title}"]
        if self.timed and self.rng.random() < 0.5:
            lines.append("tick: 100 ms")
        lines.append("subsystems:")
        for machine in self.machines:
            lines += self.subsystem(machine)
        if self.signals:
            lines.append("signals:")
            for i in range(self.signals):
                lines.append(f"  s{i}: {{reads: {self.expression(2, signals=i, conditions=0)}}}")
        if self.conditions:
            lines.append("conditions:")
            for i in range(self.conditions):
                lines.append(f"  c{i}: {self.expression(2, conditions=i)}")
        if self.faults:
            lines.append("faults:")
            lines += [self.fault(number) for number in range(self.faults)]
        lines += ["hazards:", "  H1: {text: somebody is hurt, severity: serious}", "requirements:"]
        lines += [self.requirement(number, form) for number, form in enumerate(FORMS)]
        return "\n".join(lines) + "\n"


def random_spec(rng: random.Random) -> str:
    """The text of a random valid spec.

    Two to four subsystems (sometimes one is a family) of two to four states, shared and joint
    events, automatic and timed transitions, signals that read each other, conditions, faults of
    all kinds and ten requirements of all forms. The same generator state gives the same text.
    """
    return _Writer(rng).text("Random system")


def random_chain(rng: random.Random) -> str:
    """A spec in which each subsystem waits for those after it, by their reactions, too: runs to its breaches are long,
    and most of what they need is not what the breach is about."""
    count = rng.randint(4, 6)
    by_hand = [True, *(rng.random() < 0.5 for _ in range(count - 1))]
    sizes = [rng.randint(3, 4), *(rng.randint(2, 3) for _ in range(count - 1))]

    def condition(subsystem: int, often: float) -> str:
        later = range(subsystem + 1, count)
        if not later or rng.random() > often:
            return ""
        chosen = rng.sample(later, min(len(later), rng.choice([1, 1, 2])))
        return " and ".join(
            f"s{k} is {'not a0' if rng.random() < 0.6 else f'a{rng.randrange(sizes[k])}'}" for k in chosen
        )

    lines = ["safetymodel: 1", "title: Chain", "subsystems:"]
    for number in range(count):
        events, transitions = list[str](), list[str]()
        for source in range(sizes[number]):
            for target in range(sizes[number]):
                on = target == source + 1
                if source == target or (not on and rng.random() < 0.7):
                    continue
                what = ""
                if not by_hand[number]:
                    asked = condition(number, 1.0)
                    if not asked or not (on or target == 0):
                        continue
                elif number == 0 and on and rng.random() < 0.75:
                    what, asked = f", after: {rng.choice([3, 8, 20, 30])} s", condition(number, 0.3)
                else:
                    events.append(f"e{source}{target}: {{by: somebody}}")
                    what, asked = f", on: e{source}{target}", condition(number, 0.8)
                if asked:
                    what += f", {'if' if rng.random() < 0.6 else 'physically'}: {asked}"
                transitions.append(f"      - {{from: a{source}, to: a{target}{what}}}")
        lines += [f"  s{number}:", f"    states: [{', '.join(f'a{k}' for k in range(sizes[number]))}]"]
        lines += [f"    events: {{{', '.join(events)}}}"] if events else []
        lines += ["    transitions:", *transitions] if transitions else []
    lines.append("requirements:")
    for state in range(1, sizes[0]):
        also = f" and s{rng.randrange(1, count)} is a1" if rng.random() < 0.5 else ""
        lines.append(f"  R{state}: {{text: never there, never: s0 is a{state}{also}}}")
    return "\n".join(lines) + "\n"
