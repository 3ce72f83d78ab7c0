"""A run on a device in words: what was done, how the model moved, and where the device differs."""

from __future__ import annotations

from collections.abc import Iterator

from safetymodel.bench.device import NoDevice
from safetymodel.bench.mapping import Mapping
from safetymodel.bench.run import Difference, Record, Rig
from safetymodel.bench.stimulus import Stimulus, happenings_of, stimulus_text
from safetymodel.bench.tracking import Tracker
from safetymodel.model.state import State
from safetymodel.model.system import System
from safetymodel.traces.blocked import obstacles, why_blocked
from safetymodel.traces.truth import Line, Role
from safetymodel.traces.wording import and_list, change_texts, counted, move_text, state_text, ticks_text

_ROLES: dict[str, Role] = {"event": "happening", "fault": "fault", "jump": "fault", "wait": "time"}

MOST_TOLD = 6
"""Outputs, or possible states, that are told one by one."""


def told(system: System, mapping: Mapping, record: Record, tracker: Tracker) -> tuple[Line, ...]:
    """The whole run, line by line: numbered stimuli, what each moves in the model, and the difference at the end."""
    lines: list[Line] = []
    way = one_way(system, mapping, record, tracker)
    count = 0
    for place, stimulus in enumerate(record.stimuli):
        first, count = count + 1, count + stimulus.happenings
        number = str(first) if first == count else f"{first}-{count}"
        lines.append(Line(_ROLES[stimulus.kind], stimulus_text(system, stimulus), 0, number))
        if place < len(way) - 1:
            lines.extend(_moves(system, tracker, way[place], stimulus, way[place + 1]))
    if record.difference is not None:
        lines.extend(_difference(system, mapping, tracker, record, record.difference))
    if record.error is not None:
        lines.append(Line("note", f"here the device let the bench down: {record.error.message}"))
    return tuple(lines)


def one_way(system: System, mapping: Mapping, record: Record, tracker: Tracker) -> tuple[State, ...]:
    """One run of the model through all that the device showed: a settled state after the reset and after each
    stimulus, as far as the device follows the model."""
    rig = Rig(system, mapping, NoDevice(), tracker)
    layers: list[dict[State, State | None]] = []
    for place, shown in enumerate(record.shown):
        drift = record.drift[place] if place < len(record.drift) else 0
        if place == 0:
            expected: dict[State, State | None] = dict.fromkeys(tracker.drifted(tracker.start(), drift))
        else:
            stimulus = record.stimuli[place - 1]
            expected = {}
            for state in layers[-1]:
                before = tracker.drifted((state,), drift)
                for after in tracker.drifted(tracker.after(before, stimulus, mapping.slack), drift):
                    expected.setdefault(after, state)
        fitting = {state: came for state, came in expected.items() if rig.fits(state, shown)}
        if not fitting:
            break
        layers.append(fitting)
    if not layers:
        return ()
    way = [next(iter(layers[-1]))]
    for layer in reversed(layers[1:]):
        came = layer[way[-1]]
        assert came is not None
        way.append(came)
    return tuple(reversed(way))


def _moves(system: System, tracker: Tracker, before: State, stimulus: Stimulus, after: State) -> Iterator[Line]:
    if stimulus.kind == "wait":
        changed = change_texts(system, before, after)
        yield from (Line("change", text, 1) for text in changed)
        return
    way = tracker.way(before, stimulus, after)
    if way is None:  # in real time more than the stimulus may have come about
        yield from (Line("change", text, 1) for text in change_texts(system, before, after))
        return
    if stimulus.kind == "event" and not tracker.choices(before, stimulus.number):
        yield Line("note", "blocked, as it has to be: nothing moves", 1)
    for state, number in way:
        transition = system.transitions[number]
        own = stimulus.kind == "event" and transition.event == stimulus.number and state is before
        role: Role = "change" if own else "reaction"
        yield Line(role, ("" if own else "then ") + move_text(system, transition), 1, place=transition.span.short)


def _difference(
    system: System, mapping: Mapping, tracker: Tracker, record: Record, difference: Difference
) -> Iterator[Line]:
    if not record.stimuli:
        yield Line("note", "right after its reset:")
    if difference.restless:
        yield Line("why", f"the model comes to rest here, the device does not: {difference.restless}")
        return
    for name in difference.outputs[:MOST_TOLD]:
        says, shows = _allowed(system, tracker, difference, name), _shown(system, mapping, difference, name)
        yield Line("why", f"{name}: {says}, the device shows {shows}")
        yield from _model_moves(system, tracker, record, difference, name)
        yield from _obstacles(system, difference, name)
    if len(difference.outputs) > MOST_TOLD:
        yield Line("why", f"and {len(difference.outputs) - MOST_TOLD:,} more outputs")
    if not difference.outputs:
        states = counted(len(difference.expected), "possible state")
        yield Line("why", f"each output fits some state of the model, but none of {states} fits all of them")
        for state in difference.expected[:MOST_TOLD]:
            wrong = [s for s in system.subsystems if _differs(difference, state, s.number)]
            told_of = and_list([state_text(system, state, s.number) for s in wrong[:MOST_TOLD]])
            yield Line("part", told_of or "a state that an output does not fit", 1)
    if record.stimuli and record.stimuli[-1].kind == "event":
        event = system.events[record.stimuli[-1].number]
        if difference.before and not any(tracker.choices(s, event.number) for s in difference.before):
            yield Line("why", f"the model blocks {event.name} here:")
            yield from (Line("part", text, 1) for text in why_blocked(system, difference.before[0], event))


def _model_moves(system: System, tracker: Tracker, record: Record, difference: Difference, name: str) -> Iterator[Line]:
    """How the model came to show what it does, where the last stimulus moves it there."""
    subsystem = system.subsystem_named(name)
    if subsystem is None or not record.stimuli or not len(difference.before) == len(difference.expected) == 1:
        return
    for _, number in tracker.moves(difference.before[0], record.stimuli[-1], difference.expected[0])[0]:
        t = system.transitions[number]
        if t.subsystem == subsystem.number:
            lasted = (
                f", which has been {subsystem.states[t.source]} for {ticks_text(system, t.latest)}" if t.latest else ""
            )
            yield Line("part", f"the model moves {move_text(system, t)}{lasted}", 1, place=t.span.short)


def _obstacles(system: System, difference: Difference, name: str) -> Iterator[Line]:
    """What keeps the model from moving of itself to where the device is."""
    subsystem = system.subsystem_named(name)
    if subsystem is None or len(difference.expected) != 1:
        return
    state, value = difference.expected[0], str(difference.shown[name])
    for number in subsystem.transitions:
        t = system.transitions[number]
        if t.event is None and t.source == state.states[subsystem.number] and subsystem.states[t.target] == value:
            text = and_list(list(obstacles(system, state, t)))
            if text:
                yield Line("part", f"{move_text(system, t)} {text}", 1, place=t.span.short)


def _allowed(system: System, tracker: Tracker, difference: Difference, name: str) -> str:
    """What the model allows of an output."""
    subsystem = system.subsystem_named(name)
    if subsystem is not None:
        numbers = dict.fromkeys(state.states[subsystem.number] for state in difference.expected)
        return f"the model says {and_list([subsystem.states[n] for n in numbers], 'or')}"
    return "the model says otherwise"


def _shown(system: System, mapping: Mapping, difference: Difference, name: str) -> str:
    """What an output shows: the state that it stands for, and the value of the point where that is another word."""
    value = difference.shown[name]
    text = str(value).lower() if isinstance(value, bool) else str(value)
    output = next(output for output in mapping.outputs if output.name == name)
    if output.subsystem is None:
        return text
    names = system.subsystems[output.subsystem].states
    meant = and_list([names[state] for state in sorted(dict(output.states)[value])], "or")
    return text if meant == text else f"{meant} ({output.point} is {text})"


def _differs(difference: Difference, state: State, subsystem: int) -> bool:
    return any(other.states[subsystem] != state.states[subsystem] for other in difference.expected)


def length_text(stimuli: tuple[Stimulus, ...]) -> str:
    """``5 happenings``; ticks count one each."""
    return counted(happenings_of(stimuli), "happening")
