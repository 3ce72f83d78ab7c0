"""The dialogue of stepping a model by hand: one command a line, from a terminal or a pipe."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import TextIO

from safetymodel.drive.keep import save
from safetymodel.drive.session import Option, Session, begin, breaches, enough, told_of, why, why_there
from safetymodel.model.step import Kind, readings
from safetymodel.model.system import Event, System
from safetymodel.names import did_you_mean
from safetymodel.problems import printable
from safetymodel.traces.scenarios import MOST_TICKS
from safetymodel.traces.truth import false_reading_text, false_readings
from safetymodel.traces.wording import and_list, counted, duration_text, event_text, faults_text

Say = Callable[[str], None]

HELP = """\
A number       lets that happen; so does the name of an event, where it can happen
wait 3 s       lets time pass (ms, s or min); `wait` alone one tick
fault NAME     lets that fault strike; a jump fault that is up moves its subsystem
why NAME       says what blocks an event, or what keeps or forces a subsystem where it is
blocked        lists every event that is blocked, and why; `blocked NAME` says it of one
where          lists every subsystem with its state, and every signal with its reading
show           says again what can happen
undo           goes one choice back
restart        goes back to the start
save FILE      keeps the way so far as a scenario for the spec
quit           ends"""

_GROUPS: tuple[tuple[str, tuple[Kind, ...]], ...] = (
    ("what people and the world can do", ("event",)),
    ("moves that are in their window of time", ("time",)),
    ("what can fail", ("fault", "jump")),
    ("time", ("tick",)),
    ("reactions that are due, one at a time; an empty line takes the first", ("reaction",)),
)

MOST_BLOCKED = 8


def run(system: System, stdin: TextIO, say: Say, budget: int) -> int:
    """Talk until `quit` or the end of input; 0 always. ``budget`` faults may strike, at most."""
    reconfigure = getattr(stdin, "reconfigure", None)
    if reconfigure is not None:
        reconfigure(errors="backslashreplace")
    dialogue = _Dialogue(begin(system, budget), lambda text: say(printable(text)))
    dialogue.say(f"{system.title}  ({system.file}), {faults_text(min(budget, len(system.faults)))}")
    dialogue.say("A number lets that happen; `help` lists the other words.")
    dialogue.tell_latest()
    dialogue.show()
    while not dialogue.ended:
        line = stdin.readline()
        if not line:
            dialogue.say("end of input")
            break
        dialogue.obey(line)
    return 0


@dataclass
class _Dialogue:
    """The one thing here that changes: the session that the user is in."""

    session: Session
    say: Say
    ended: bool = False

    def obey(self, line: str) -> None:
        """Do what one line of input asks."""
        text = line.strip()
        word, _, rest = text.partition(" ")
        rest = rest.strip()
        if not text:
            self._take(1) if not self.session.settled else self.show()
        elif text.isdecimal():
            self._take(int(text) if len(text) < 10 else 0)
        elif word in self._words():
            self._words()[word](rest)
        elif self._event(text) is not None:
            self._happen(text)
        else:
            hint = did_you_mean(text, [*self._words(), *(e.name for e in self.session.system.events)])
            self.say(f"`{text[:60]}` is not understood; {hint or '`help` lists the words'}")

    def _words(self) -> dict[str, Callable[[str], None]]:
        return {
            "help": lambda rest: self._say_all(HELP.split("\n")),
            "show": lambda rest: self.show(),
            "wait": self._wait,
            "why": self._why,
            "fault": self._fault,
            "blocked": lambda rest: self._why(rest) if rest else self._blocked(),
            "where": lambda rest: self._where(),
            "undo": lambda rest: self._undo(),
            "restart": lambda rest: self._restart(),
            "save": self._save,
            "quit": lambda rest: self._quit(),
        }

    def _say_all(self, lines: list[str] | tuple[str, ...], indent: str = "") -> None:
        for line in lines:
            self.say(indent + line)

    def _event(self, name: str) -> Event | None:
        return next((e for e in self.session.system.events if e.name == name), None)

    # -- going on ------------------------------------------------------------------------------

    def _take(self, number: int) -> None:
        count = len(self.session.options)
        if not 1 <= number <= count:
            self.say(f"there is no number {number} now; 1 to {count} can be taken" if count else "nothing can happen")
            return
        self.session = self.session.take(number)
        self.tell_latest()
        self.show()

    def _happen(self, name: str) -> None:
        """Let an event happen by its name."""
        options = [o for o in self.session.options if o.step.kind == "event" and _name(self.session, o) == name]
        if len(options) == 1:
            self._take(options[0].number)
        elif options:
            self.say(f"{name} can go {len(options)} ways: take {_numbers(options)}")
        else:
            self._why(name)

    def _fault(self, rest: str) -> None:
        """Let a fault strike by its name, or what it moves jump, as a step of a scenario does."""
        system, state = self.session.system, self.session.state
        found = next((fault for fault in system.faults if fault.name == rest), None)
        if found is None:
            hint = did_you_mean(rest, [fault.name for fault in system.faults])
            self.say(f"the model has no fault {rest[:60]}{'; ' + hint if hint else ''}")
            return
        kinds = ("fault", "jump")
        options = [o for o in self.session.options if o.step.kind in kinds and o.step.number == found.number]
        if options:
            self._take(options[0].number)
        elif not self.session.settled:
            self.say("nothing but reactions can happen before the logic has settled")
        elif state.flags >> found.number & 1:
            self.say(f"fault {rest} has struck already" + ("" if found.kind != "jump" else ", and moves nothing here"))
        else:
            allowed = faults_text(min(self.session.budget, len(system.faults)))
            self.say(
                f"fault {rest} cannot strike now: the model is driven {allowed}, or its signal has another fault up"
            )

    def _wait(self, rest: str) -> None:
        system = self.session.system
        if system.tick is None:
            self.say("the model has no durations, so time makes no difference in it")
            return
        if not self.session.settled:
            self.say("no time passes before the logic has settled: take one of the reactions")
            return
        ticks = _ticks(rest, system.tick)
        if ticks is None:
            tick = duration_text(system.tick)
            self.say(f"`wait` takes a multiple of the tick of {tick}, in ms, s or min, as in `wait {tick}`")
            return
        before = self.session
        self.session = before.wait(ticks)
        if self.session is before:
            self.say("nothing waits for time here: its passing changes nothing")
            return
        self.tell_latest()
        waited = sum(step.kind == "tick" for step in self.session.moves[-1].steps)
        if not self.session.settled:
            self.say(f"waited {duration_text(waited * system.tick)}, then the order of reactions has to be chosen")
        elif waited < min(ticks, MOST_TICKS):
            self.say(f"waited {duration_text(waited * system.tick)}; more time changes nothing here")
        elif waited < ticks:
            self.say(f"waited {duration_text(waited * system.tick)}, as much as one wait lets pass")
        self.show()

    def _undo(self) -> None:
        if len(self.session.moves) == 1:
            self.say("this is the start, there is nothing to undo")
            return
        self.session = self.session.undo()
        self.say("")
        self.show()

    def _restart(self) -> None:
        self.session = self.session.restart()
        self.tell_latest()
        self.show()

    def _quit(self) -> None:
        self.ended = True

    def _save(self, rest: str) -> None:
        if not rest:
            self.say("`save` takes the name of a new file, as in `save way_out.yaml`")
            return
        problem = save(self.session, Path(rest))
        if problem is not None:
            self.say(f"{problem.message}{'; ' + problem.hint if problem.hint else ''}")
        else:
            self.say(f"kept as a scenario in {rest}")

    # -- showing -------------------------------------------------------------------------------

    def tell_latest(self) -> None:
        """What the latest choice brought, and which requirements are broken there."""
        self.say("")
        self._say_all(told_of(self.session.system, self.session.moves[-1]))
        for requirement in breaches(self.session):
            text = requirement.text or requirement.wording
            self.say(f"!! {requirement.name} is broken here: {' '.join(text.split())} ({requirement.span.short})")
        system, state, before = self.session.system, self.session.state, self.session.moves[-1].before
        for signal in false_readings(system, state):
            if signal not in false_readings(system, before):
                self.say(f"!  {false_reading_text(system, state, signal)}")

    def show(self) -> None:
        """Which attempts are blocked by a condition, and what can happen now, numbered."""
        session = self.session
        blocked = [e for e in session.blocked if session.is_at_hand(e)]
        if blocked:
            self.say("blocked:")
            for event in blocked[:MOST_BLOCKED]:
                self.say(f"  {event_text(event)}: {'; '.join(why(session, event))}")
        rest = len(session.blocked) - min(len(blocked), MOST_BLOCKED)
        if rest:
            more = counted(rest, "more event" if blocked else "event")
            self.say(f"{more} {'is' if rest == 1 else 'are'} blocked, `blocked` says why")
        for heading, kinds in _GROUPS:
            options = [o for o in session.options if o.step.kind in kinds]
            if options:
                self.say(f"{heading}:")
                width = len(str(len(session.options)))
                for option in options:
                    told = option.changes if option.step.kind != "reaction" else ()
                    self.say(f"  {option.number:>{width}}  {option.text}   {', '.join(told)}".rstrip())
        if not session.options:
            self.say("nothing can happen any more")
        elif not session.settled and len(session.options) == 1:
            self.say("the logic goes round for ever from here, so it is followed one reaction at a time")

    def _why(self, rest: str) -> None:
        names = [e.name for e in self.session.system.events]
        event, subsystem = self._event(rest), self.session.system.subsystem_named(rest)
        if not rest:
            self.say("`why` takes the name of an event, as in " + (f"`why {names[0]}`" if names else "`why door.pull`"))
        elif event is None and subsystem is not None:
            first, *more = why_there(self.session, subsystem)
            self.say(first)
            self._say_all(more, "  ")
        elif event is None:
            hint = did_you_mean(rest, [*names, *(s.name for s in self.session.system.subsystems)])
            self.say(f"the model has no event {rest[:60]}{'; ' + hint if hint else ''}")
        elif not self.session.settled:
            self.say("nothing but reactions can happen before the logic has settled")
        else:
            reasons = why(self.session, event)
            if reasons:
                self.say(f"{event_text(event)} is blocked:")
                self._say_all(reasons, "  ")
                few = enough(self.session, event)
                if few and (len(reasons) > 1 or "; needs" in reasons[0]):
                    self.say(f"  {few}")
            else:
                options = [o for o in self.session.options if o.step.kind == "event" and o.step.number == event.number]
                self.say(f"{event_text(event)} is not blocked: take {_numbers(options)}")

    def _blocked(self) -> None:
        blocked = self.session.blocked
        if not blocked:
            self.say("no event is blocked" if self.session.settled else "the logic has not settled yet")
        for event in blocked:
            self.say(f"{event_text(event)}: {'; '.join(why(self.session, event))}")

    def _where(self) -> None:
        system, state = self.session.system, self.session.state
        names = [*(s.name for s in system.subsystems), *(s.name for s in system.signals)]
        width = max((len(name) for name in names), default=0)
        for this in system.subsystems:
            clock = state.clocks[this.number]
            since = f"   for {duration_text(clock * system.tick)}" if clock and system.tick is not None else ""
            if clock and clock == this.longest[state.states[this.number]]:
                since += " or longer"
            self.say(f"  {this.name:<{width}}  {this.states[state.states[this.number]]}{since}")
        for signal, value in zip(system.signals, readings(system, state), strict=True):
            self.say(f"  {signal.name:<{width}}  reads {'true' if value else 'false'}")
        faults = [fault.name for fault in system.faults if state.flags >> fault.number & 1]
        self.say(f"  faults: {and_list(faults) or 'none'}")


def _name(session: Session, option: Option) -> str:
    return session.system.events[option.step.number].name


def _numbers(options: list[Option]) -> str:
    return and_list([str(o.number) for o in options], "or")


_DURATION = re.compile(r"([0-9]{1,12}(?:\.[0-9]{1,6})?)\s*(ms|s|min)")
_MILLISECONDS = {"ms": 1, "s": 1000, "min": 60_000}


def _ticks(text: str, tick: Fraction) -> int | None:
    """A duration in ticks, one where there is no text; None where it is no whole number of them."""
    if not text:
        return 1
    match = _DURATION.fullmatch(text)
    if match is None:
        return None
    ticks = Fraction(match[1]) * _MILLISECONDS[match[2]] / tick
    return int(ticks) if ticks.denominator == 1 and ticks else None
