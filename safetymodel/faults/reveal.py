"""Whether a fault makes itself known: at once, as time passes, at the next demand on the failed part, or never.

An *indication* of a fault is what the spec declares: its ``revealed_by``, or a signal that ``indicates`` it. It
counts where it is true in a settled state after the fault has struck, no other fault striking. The *demand* is
the moment from which the failed part makes a difference: its signal reads what is not so, its subsystem would
leave the state that it is stuck in, it has jumped.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Generic, Literal, TypeVar

from safetymodel.claims.breach_states import NEW_FAULT, NO_NEW_FAULT, TICK
from safetymodel.claims.clock import Clock
from safetymodel.explore.engine import HAPPENINGS, REACTION, LimitReached, Space, going_round
from safetymodel.explore.flags import struck_by
from safetymodel.model.formula import AllOf, AnyOf, FaultUp, Formula, InState, Not, SignalTrue
from safetymodel.model.step import Kind
from safetymodel.model.system import Fault, System

S = TypeVar("S")

Telling = Literal[
    "at once", "in time", "at demand", "in some runs", "never", "undeclared", "cannot strike", "undecided"
]

REVEALED: tuple[Telling, ...] = ("at once", "in time", "at demand")
"""Found in every continuation, at or before the next demand on the failed part."""

_JUMP: tuple[Kind, ...] = ("jump",)
_NO_TICK: tuple[Kind, ...] = tuple(kind for kind in HAPPENINGS if kind not in ("tick", "fault"))


@dataclass(frozen=True, slots=True)
class Reveal:
    """How one fault (a number) makes itself known.

    ``at once``: in every settled state right after it strikes. ``in time``: in every continuation, after at most
    ``wait`` ticks. ``at demand``: in every continuation from the demand on, after at most ``wait`` ticks of a demand
    that lasts. ``in some runs``, ``never``: not in every one, in none. ``undeclared``: the spec declares no
    indication of it. ``cannot strike``: no run has it. ``undecided``: a limit was reached, ``reason`` says which.
    ``demanded`` is False where the failed part never makes a difference. ``also_without`` are those
    indications (positions in the fault's ``indications``) that also come true without any fault, and so tell little.
    """

    fault: int
    word: Telling
    wait: int = 0
    demanded: bool = True
    also_without: tuple[int, ...] = ()
    reason: str = ""

    @property
    def revealed(self) -> bool:
        return self.word in REVEALED


def demand_of(system: System, fault: Fault) -> Formula:
    """Where the failed part makes a difference, once it has failed (and, for a jump, has jumped).

    A transition that waits for an event counts as a demand wherever it could be taken; one that waits for time
    from the beginning of its wait.
    """
    if fault.kind == "signal":
        reads = system.signals[fault.subject].reads
        return Not(reads) if fault.value else reads
    if fault.kind == "jump":
        return InState(fault.subject, (fault.target,))
    own = (system.transitions[n] for n in system.subsystems[fault.subject].transitions)
    kept = [t for t in own if fault.state in (None, t.source)]
    return AnyOf(tuple(AllOf((InState(t.subsystem, (t.source,)), t.interlock, t.physical)) for t in kept))


def reveals(
    space: Space[Any], clock: Clock | None = None, on_fault: Callable[[Fault], None] | None = None
) -> tuple[Reveal, ...]:
    """How each fault of the system makes itself known. The space's budget must be at least 1."""
    found = []
    for fault in space.system.faults:
        if on_fault is not None:
            on_fault(fault)
        try:
            found.append(_reveal(space, fault, clock or Clock()))
        except LimitReached as limit:
            found.append(Reveal(fault.number, "undecided", reason=str(limit)))
    return tuple(found)


def _reveal(space: Space[Any], fault: Fault, clock: Clock) -> Reveal:
    if not space.complete or not space.budget:
        reason = space.shortfall or "no fault strikes in this run"
        return Reveal(fault.number, "undecided", reason=reason)
    demand = demand_of(space.system, fault)
    subject = (SignalTrue(fault.subject),) if fault.kind == "signal" else ()
    near = space.narrowed((demand, FaultUp(fault.number), *subject, *fault.indications))
    look = _Look(struck_by(near, (fault.number,)), fault, demand, clock)
    if look.space.is_empty(look.struck):
        return Reveal(fault.number, "cannot strike", demanded=False)
    demanded = look.is_demanded()
    if not fault.indications:
        return Reveal(fault.number, "undeclared", demanded=demanded)
    word, wait = look.word()
    return Reveal(fault.number, word, wait, demanded, look.also_without())


class _Look(Generic[S]):
    """One fault in the runs that have no other."""

    def __init__(self, space: Space[S], fault: Fault, demand: Formula, clock: Clock) -> None:
        self.space = space
        self.fault = fault
        self.clock = clock
        self.down = space.where(Not(FaultUp(fault.number)))
        self.up = space.where(FaultUp(fault.number))
        self.struck = space.common(space.after(space.common(space.settled, self.down), NEW_FAULT), self.up)
        told = space.common(space.where(AnyOf(fault.indications)), space.common(space.settled, self.up))
        self.told = told
        self.silent = space.minus(self.up, told)
        """Up, and either no indication is true or the logic has not settled."""
        self.demand = space.where(demand)

    def is_demanded(self) -> bool:
        """Whether the failed part ever makes a difference."""
        if self.fault.kind == "jump":
            return not self.space.is_empty(self.space.after(self.up, _JUMP))
        return not self.space.is_empty(self.space.common(self.up, self.demand))

    def word(self) -> tuple[Telling, int]:
        """How it is revealed, and the ticks that it takes at most."""
        space = self.space
        settled_silent = self._settle(self.struck)
        ends = space.is_empty(going_round(space, space.common(self.silent, space.transient)))
        if space.is_empty(settled_silent) and ends:
            return "at once", 0
        wait = self._until_told(settled_silent, self.silent) if ends else None
        if wait is not None:
            return "in time", wait
        quiet = self._spread(self.struck, self.silent)
        if self.fault.kind == "jump":
            begun = space.common(self._settle(space.after(quiet, _JUMP)), self.demand)
        else:
            begun = space.common(space.common(quiet, space.settled), self.demand)
        lasting = space.common(self.silent, space.union(space.transient, self.demand))
        wait = self._until_told(begun, lasting) if ends else None
        if wait is not None and self.is_demanded():
            return "at demand", wait
        everything = self._spread(self.struck, self.up)
        return ("never" if space.is_empty(space.common(everything, self.told)) else "in some runs"), 0

    def also_without(self) -> tuple[int, ...]:
        """Indications that come true in some settled state before the fault strikes."""
        space, before = self.space, self.space.common(self.space.settled, self.down)
        formulas = enumerate(self.fault.indications)
        return tuple(n for n, i in formulas if not space.is_empty(space.common(before, space.where(i))))

    def _spread(self, members: S, room: S) -> S:
        self.clock.check()
        return self.space.spread(self.space.common(members, room), NO_NEW_FAULT, None, room)

    def _settle(self, members: S) -> S:
        """The silent settled states that reactions lead to."""
        self.clock.check()
        found = self.space.spread(members, REACTION, None, self.silent)
        return self.space.common(found, self.space.common(self.space.settled, self.silent))

    def _until_told(self, begun: S, room: S) -> int | None:
        """Ticks after which every run from these states has left the room; None where one can stay in it for ever.

        A run that lets no time pass for ever does not count where there is time; where there is none, nothing
        has to happen any more once the logic has settled.
        """
        space = self.space
        if space.system.tick is None:
            return 0 if space.is_empty(begun) else None
        ticks, power, known = 0, 1, begun
        here = self._meanwhile(begun, room)
        while not space.is_empty(here):
            if ticks == power:  # a set that comes back comes back for ever: compare with one of each doubling
                power, known = 2 * power, here
            self.clock.check()
            landed = space.common(space.after(here, TICK), room)
            here = self._meanwhile(landed, room)
            ticks += 1
            if space.same(here, known):
                return None
        return ticks

    def _meanwhile(self, members: S, room: S) -> S:
        """The settled states of the room that are reached while no time passes."""
        self.clock.check()
        found = self.space.spread(members, (*REACTION, *_NO_TICK), None, room)
        return self.space.common(found, self.space.common(self.space.settled, room))
