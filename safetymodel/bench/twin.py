"""A twin of the vehicle: each subsystem a live `transitions` machine, our reaction loop around them.

The one room that knows the library `transitions`. It does not use `model/step`, so that a bench that holds the one
against the other looks at two programs. A twin can be given defects, to practise on and to try the bench itself.
"""

from __future__ import annotations

import contextlib
import random
from collections.abc import Callable, Mapping, Sequence
from fractions import Fraction
from typing import Any

from safetymodel.bench.defects import Defect
from safetymodel.bench.device import DeviceError, Value
from safetymodel.bench.parts import without
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
from safetymodel.model.system import Event, Fault, System, Transition
from safetymodel.names import did_you_mean

Question = Callable[[], bool]

MOST_REACTIONS = 10_000
"""Reactions after one stimulus: more than that, and the logic goes round for ever."""


MANY_REACTIONS = 200
"""Reactions after which it is looked whether the same states come again."""


class _Subsystem:
    """What a `transitions` machine moves: ``state`` is the name of its state, set by the library."""

    state: str
    trigger: Callable[[str], bool]

    def __init__(self, initial: str) -> None:
        self.initial = initial
        self.ticks = 0


class Twin:
    """A simulated device that speaks the names of the spec.

    Points: an event's name and ``fault NAME`` to apply (a jump fault strikes first, and jumps when applied again); a
    subsystem's name shows its state, a signal's or condition's name whether it is true. A signal that is written reads
    that value until the next reset, as a force in a controller.

    Of due reactions the first of the spec file goes first, and a transition in its window of time waits until the end
    of it; with a ``seed`` both are drawn at random. Time is simulated, in ticks of the spec.
    """

    def __init__(self, system: System, defects: Sequence[Defect] = (), seed: int | None = None) -> None:
        self.system = system
        self.defects = tuple(defects)
        self._seed = seed
        self._rng: random.Random | None = None
        self._flags = [False] * len(system.faults)
        self._wired = {d.number: d.value for d in defects if d.kind == "stuck"}
        self._slow = frozenset(d.number for d in defects if d.kind == "slow")
        self._late: dict[int, bool] = {}
        self._held: dict[int, bool] = {}
        self._parts = [_Subsystem(s.states[s.initial]) for s in system.subsystems]
        self._machines = [self._machine(n) for n in range(len(system.subsystems))]
        self._signals: list[Question] = []
        self._signals += [self._signal(s.number, self._question(s.reads)) for s in system.signals]
        self._allowed = [self._permission(t) for t in system.transitions]
        self._stuck = [
            [f for f in system.faults if f.kind == "stuck" and f.subject == s.number] for s in system.subsystems
        ]
        self._automatic = [
            {state: tuple(self._from(s.number, n)) for n, state in enumerate(s.states)} for s in system.subsystems
        ]
        self._reacting = [
            (part, automatic, stuck)
            for part, automatic, stuck in zip(self._parts, self._automatic, self._stuck, strict=True)
            if any(automatic.values())
        ]
        self._events = {event.name: event for event in system.events}
        self._faults = {f"fault {fault.name}": fault for fault in system.faults}
        self._shown = self._outputs()
        with contextlib.suppress(DeviceError):  # one that never comes to rest says so when the bench resets it
            self.reset()

    # -- the calls of a device ----------------------------------------------------------------

    def reset(self) -> None:
        self._rng = None if self._seed is None else random.Random(self._seed)
        self._flags = [False] * len(self.system.faults)
        self._held.clear()
        self._held.update(self._wired)
        self._late = {}
        for machine, part in zip(self._machines, self._parts, strict=True):
            machine.set_state(part.initial)
            part.ticks = 0
        self._react()

    def apply(self, point: str) -> None:
        self._ripen(self.system.tick is None)
        if point in self._events:
            self._happen(self._events[point])
        elif point in self._faults:
            self._strike(self._faults[point])
        else:
            raise self._unknown(point, (*self._events, *self._faults))
        self._react()

    def write(self, point: str, value: Value) -> None:
        signal = next((s for s in self.system.signals if s.name == point), None)
        if signal is None:
            raise self._unknown(point, [s.name for s in self.system.signals])
        if not isinstance(value, bool | int):
            raise DeviceError("refused", f"{point} is true or false, and cannot be set to {value!r}")
        self._ripen(self.system.tick is None)
        self._held[signal.number] = self._wired.get(signal.number, bool(value))
        self._react()

    def wait(self, milliseconds: Fraction) -> None:
        if self.system.tick is None:
            return
        ticks, rest = divmod(milliseconds, self.system.tick)
        if rest:
            raise DeviceError("refused", f"the twin counts in ticks of {float(self.system.tick):g} ms")
        for _ in range(int(ticks)):
            self._pass_tick()

    def read(self, points: Sequence[str]) -> Mapping[str, Value]:
        try:
            return {point: self._shown[point]() for point in points}
        except KeyError as error:
            raise self._unknown(str(error.args[0]), self._shown) from None

    @property
    def points(self) -> tuple[str, ...]:
        """All that can be read."""
        return tuple(self._shown)

    def close(self) -> None:
        """A twin holds nothing."""

    # -- the reaction loop --------------------------------------------------------------------

    def _happen(self, event: Event) -> None:
        """Every subsystem that can move on the event does, at one instant: all conditions are read before any move."""
        taken: list[int] = []
        for _, transitions in event.movers:
            enabled = [n for n in transitions if self._can(n)]
            if enabled:
                taken.append(enabled[0] if self._rng is None else self._rng.choice(enabled))
            elif event.joint:
                return
        for number in taken:
            self._take(number)

    def _strike(self, fault: Fault) -> None:
        if self._flags[fault.number]:
            part = self._parts[fault.subject]
            names = self.system.subsystems[fault.subject].states
            if fault.kind == "jump" and part.state == names[fault.state or 0]:
                self._machines[fault.subject].set_state(names[fault.target])
                part.ticks = 0
            return
        if fault.kind == "signal":
            if any(self._flags[f.number] for f in self._rivals(fault)):
                return
            self._held[fault.subject] = self._wired.get(fault.subject, fault.value)
        self._flags[fault.number] = True

    def _rivals(self, fault: Fault) -> list[Fault]:
        return [f for f in self.system.faults if f.kind == "signal" and f.subject == fault.subject]

    def _react(self) -> None:
        seen: dict[tuple[str, ...], None] = {}
        for count in range(MOST_REACTIONS):
            due = self._due()
            if due is None:
                return
            self._take(due)
            if count >= MANY_REACTIONS and self._rng is None:
                look = tuple(part.state for part in self._parts)
                if look in seen:
                    break
                seen[look] = None
        names = [s.name for s in self.system.subsystems if len({look[s.number] for look in seen}) > 1]
        told = f" ({', '.join(names[:4])})" if names else ""
        raise DeviceError(
            "restless", f"the twin's logic goes round for ever{told}", "see what `safetymodel verify` says of chatter"
        )

    def _due(self) -> int | None:
        """One transition that is due: the first of the spec file, or any."""
        due: list[int] = []
        for part, automatic, stuck in self._reacting:
            for number, _, latest in automatic[part.state]:
                if part.ticks >= latest and self._allowed[number]():
                    if (stuck and not self._can(number)) or (self._slow and self._is_late(number)):
                        continue
                    if self._rng is None:
                        return number
                    due.append(number)
        return self._rng.choice(due) if due and self._rng is not None else None

    def _is_late(self, number: int) -> bool:
        """Whether a slow transition still has to wait; it begins to where it first could have gone."""
        return number in self._slow and not self._late.setdefault(number, False)

    def _ripen(self, now: bool) -> None:
        """A slow transition has waited long enough, where it still can go; else it begins anew next time."""
        if now and self._late:
            self._late = {number: True for number in self._late if self._can(number)}
            self._react()

    def _pass_tick(self) -> None:
        for part, subsystem in zip(self._parts, self.system.subsystems, strict=True):
            longest = subsystem.longest[subsystem.states.index(part.state)]
            part.ticks = min(part.ticks + 1, longest)
        self._ripen(True)
        self._react()
        if self._rng is not None:
            self._move_in_windows(self._rng)

    def _move_in_windows(self, rng: random.Random) -> None:
        """Transitions in their window of time: each may go now, or wait."""
        for part, automatic in zip(self._parts, self._automatic, strict=True):
            for number, earliest, latest in automatic[part.state]:
                if earliest <= part.ticks < latest and self._can(number) and rng.random() < 0.5:
                    self._take(number)
                    self._react()
                    break

    def _can(self, number: int) -> bool:
        transition = self.system.transitions[number]
        part = self._parts[transition.subsystem]
        states = self.system.subsystems[transition.subsystem].states
        if part.state != states[transition.source]:
            return False
        for fault in self._stuck[transition.subsystem]:
            if self._flags[fault.number] and fault.state in (None, transition.source):
                return False
        return self._allowed[number]()

    def _take(self, number: int) -> None:
        part = self._parts[self.system.transitions[number].subsystem]
        part.trigger(f"t{number}")
        part.ticks = 0
        self._late.pop(number, None)

    # -- built once ---------------------------------------------------------------------------

    def _machine(self, number: int) -> Any:
        from transitions import Machine

        this = self.system.subsystems[number]
        rows = [
            {"trigger": f"t{n}", "source": this.states[t.source], "dest": this.states[t.target]}
            for n in this.transitions
            for t in (self.system.transitions[n],)
        ]
        return Machine(
            model=self._parts[number],
            states=list(this.states),
            initial=this.states[this.initial],
            transitions=rows,
            auto_transitions=False,
        )

    def _from(self, subsystem: int, state: int) -> list[tuple[int, int, int]]:
        transitions = (self.system.transitions[n] for n in self.system.subsystems[subsystem].transitions)
        return [(t.number, t.earliest, t.latest) for t in transitions if t.event is None and t.source == state]

    def _permission(self, transition: Transition) -> Question:
        interlock = transition.interlock
        missing = [d.part for d in self.defects if d.part is not None and d.part.transition == transition.number]
        for part in missing[:1]:
            interlock = without(interlock, part.path)
        return _every([self._question(interlock), self._question(transition.physical)])

    def _signal(self, number: int, reads: Question) -> Question:
        held = self._held

        def value() -> bool:
            return held[number] if number in held else reads()

        return value

    def _question(self, formula: Formula) -> Question:
        """The formula as a question to the live machines."""
        match formula:
            case Constant(value):
                return lambda: value
            case InState(subsystem, states, negated):
                part = self._parts[subsystem]
                names = frozenset(self.system.subsystems[subsystem].states[s] for s in states)
                return (lambda: part.state not in names) if negated else (lambda: part.state in names)
            case SignalTrue(signal):
                signals = self._signals
                return lambda: signals[signal]()
            case FaultUp(fault):
                return lambda: self._flags[fault]
            case Not(inner):
                asked = self._question(inner)
                return lambda: not asked()
            case AllOf(parts):
                return _every([self._question(part) for part in parts])
            case AnyOf(parts):
                return _some([self._question(part) for part in parts])
            case HowMany(least, most, members, _):
                counted = [self._question(member) for member in members]
                return lambda: least <= sum(ask() for ask in counted) <= most
            case Defined(_, body):
                return self._question(body)

    def _outputs(self) -> dict[str, Callable[[], Value]]:
        crossed: dict[int, int] = {}
        for defect in self.defects:
            if defect.kind == "swap":
                crossed.update({defect.number: defect.other, defect.other: defect.number})
        shown: dict[str, Callable[[], Value]] = {}
        for name, body in self.system.conditions:
            shown[name] = self._question(body)
        for signal in self.system.signals:
            shown[signal.name] = self._signals[signal.number]
        for s in self.system.subsystems:
            shown[s.name] = self._state_of(crossed.get(s.number, s.number))
        return shown

    def _state_of(self, number: int) -> Callable[[], Value]:
        part = self._parts[number]
        return lambda: part.state

    def _unknown(self, point: str, known: Any) -> DeviceError:
        return DeviceError("refused", f"the twin has no point {point}", did_you_mean(point, known))


def _every(questions: list[Question]) -> Question:
    if len(questions) == 2:
        first, second = questions
        return lambda: first() and second()

    def every() -> bool:
        for ask in questions:  # noqa: SIM110 - all() with a generator takes twice as long
            if not ask():
                return False
        return True

    return every


def _some(questions: list[Question]) -> Question:
    if len(questions) == 2:
        first, second = questions
        return lambda: first() or second()

    def some() -> bool:
        for ask in questions:  # noqa: SIM110
            if ask():
                return True
        return False

    return some


def never_rests(system: System, defect: Defect) -> bool:
    """Whether a twin with this defect goes round for ever from its reset on: then any run finds it at once."""
    try:
        Twin(system, (defect,)).reset()
    except DeviceError:
        return True
    return False
