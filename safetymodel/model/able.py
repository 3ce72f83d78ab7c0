"""What a transition or an event needs in order to happen, as one formula over the system state.

Clocks are no part of a formula: where time is asked, an engine has to say it.
"""

from __future__ import annotations

from safetymodel.model.formula import AnyOf, FaultUp, Formula, InState, Not, conjoin
from safetymodel.model.system import Event, System, Transition


def free_to_leave(system: System, transition: Transition) -> Formula:
    """No fault keeps the subsystem in the source of the transition."""
    holding = [
        f.number
        for f in system.faults
        if f.kind == "stuck" and f.subject == transition.subsystem and f.state in (None, transition.source)
    ]
    return conjoin(tuple(Not(FaultUp(number)) for number in holding))


def able(system: System, transition: Transition, interlock: bool = True, physical: bool = True) -> Formula:
    """Source, stuck faults and conditions, as ``model.step.can_move``; either condition can be left out."""
    parts: list[Formula] = [InState(transition.subsystem, (transition.source,)), free_to_leave(system, transition)]
    parts += [transition.interlock] if interlock else []
    parts += [transition.physical] if physical else []
    return conjoin(tuple(parts))


def conditions_of(system: System, transition: Transition) -> Formula:
    """What a transition needs while its subsystem is in its source: no fault that keeps it there, both conditions."""
    return conjoin((free_to_leave(system, transition), transition.interlock, transition.physical))


def partners_able(system: System, transition: Transition) -> Formula:
    """Of a transition on a joint event: every other subsystem that names the event can move; else true."""
    if transition.event is None or not system.events[transition.event].joint:
        return conjoin(())
    others = (ways for mover, ways in system.events[transition.event].movers if mover != transition.subsystem)
    return conjoin(tuple(AnyOf(tuple(able(system, system.transitions[n]) for n in ways)) for ways in others))


def event_possible(system: System, event: Event) -> Formula:
    """The event would move somebody (a joint one: everybody who names it)."""
    movers = tuple(AnyOf(tuple(able(system, system.transitions[n]) for n in ways)) for _, ways in event.movers)
    return conjoin(movers) if event.joint and movers else AnyOf(movers)
