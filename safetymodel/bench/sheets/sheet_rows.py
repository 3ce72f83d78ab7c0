"""One row of a commissioning sheet in words: what is done, how, what is to be seen, and what it is for."""

from __future__ import annotations

from collections.abc import Set as AbstractSet
from dataclasses import dataclass

from safetymodel.bench.reactions import CannotTrack
from safetymodel.bench.sheets.follow import Done, Follower
from safetymodel.bench.sheets.forcing import Forced, force_text, how_forced
from safetymodel.bench.sheets.stages import Goal
from safetymodel.bench.sheets.walks import Walk
from safetymodel.bench.sights import part_list, signals_of
from safetymodel.bench.stimulus import Stimulus, seen_text, stimulus_name
from safetymodel.model.formula import InState
from safetymodel.model.state import State
from safetymodel.model.system import Event, System
from safetymodel.traces.wording import and_list, change_texts, event_text, move_text, ticks_text

MOST_REQUIREMENTS = 6
"""Requirements that a row names."""


@dataclass(frozen=True, slots=True)
class Line:
    """One row. ``shows`` says what it is for; texts that do not apply are empty."""

    step: str
    requirement: str
    preconditions: str
    stimulus: str
    how: str
    wait: str
    expected: str
    restart: str
    reset: str
    fault: str
    shows: tuple[str, ...]
    event: str = ""
    """The stimulus by its name in the spec."""
    observed: str = ""
    verdict: str = ""
    """``pass`` or ``fail``, like ``observed`` filled in where a bench has worked the row."""


class Rows:
    """Puts the rows of one plan into words. ``simulated`` collects the inputs that a tester may simulate, each with the
    step that first needs it."""

    def __init__(self, forced: Forced, follower: Follower) -> None:
        self.forced, self.system, self.follower = forced, forced.system, follower
        self.simulated: dict[str, str] = {}

    def line(self, step: str, before: str, row: Stimulus, done: Done, goals: list[Goal], walk: Walk) -> Line:
        kinds = {goal.kind for goal in goals}
        return Line(
            step=step,
            requirement=", ".join(self._requirements(row, done, goals)),
            preconditions=before,
            stimulus=self._stimulus(row, done),
            how=self._how(step, row),
            wait=self._wait(row),
            expected=self._expected(row, done),
            restart=_restart(kinds),
            reset="the reset works as expected" if kinds & {"latch"} else "",
            fault=self._fault(row, walk, done),
            shows=tuple(goal.title for goal in goals),
            event=self._name(row),
        )

    def _name(self, row: Stimulus) -> str:
        if row.kind == "event":
            return self.system.events[row.number].name
        if row.kind == "wait":
            return f"wait {ticks_text(self.system, row.number)}"
        if row.kind == "until":
            return stimulus_name(self.system, row)
        return f"fault {self.system.faults[row.number].name}"

    def _wait(self, row: Stimulus) -> str:
        if row.kind == "until":
            return f"at most {ticks_text(self.system, row.number)}"
        return ticks_text(self.system, row.number) if row.kind == "wait" else ""

    def _stimulus(self, row: Stimulus, done: Done | None) -> str:
        if row.kind == "event":
            return event_text(self.system.events[row.number])
        if row.kind == "wait":
            return f"wait {ticks_text(self.system, row.number)}"
        if row.kind == "until":
            return f"wait until {seen_text(self.system, row)}, then go on at once"
        if row.kind == "fault":
            return force_text(self.forced, row.number, done.before if done is not None else ())
        fault = self.system.faults[row.number]
        subject = self.system.subsystems[fault.subject]
        return f"move {subject.label} from {subject.states[fault.state or 0]} to {subject.states[fault.target]} by hand"

    def _how(self, step: str, row: Stimulus) -> str:
        if row.kind == "fault":
            return how_forced(self.forced, row.number)
        if row.kind == "jump":
            return "moved by hand"
        if row.kind in ("wait", "until"):
            return ""
        event = self.system.events[row.number]
        if self._is_simulated(event):
            self.simulated.setdefault(f"{event_text(event)}", step)
            return "as it is, or simulated input"
        return f"by hand, {event.by}" if event.by else "by hand"

    def _is_simulated(self, event: Event) -> bool:
        """What no tester does with a control: a sensor's world changes, a supply fails."""
        return self.system.subsystems[event.subsystem].role in ("sensor", "supply")

    def _fault(self, row: Stimulus, walk: Walk, done: Done) -> str:
        up = done.after[0].flags
        if not up:
            return ""
        fault = self.system.faults[up.bit_length() - 1]
        if self.forced.is_own(fault.number):
            return f"none; {self.system.signals[fault.subject].name} is held {'true' if fault.value else 'false'}"
        return fault.text or fault.name

    def _requirements(self, row: Stimulus, done: Done, goals: list[Goal]) -> list[str]:
        named = [g.title.split(":")[0] for g in goals if g.kind in ("restart", "egress")]
        moved = set(done.fired)
        moved.update(g.transition for g in goals if g.transition is not None)
        subsystems = {self.system.transitions[t].subsystem for t in moved}
        about = [r.name for r in self.system.requirements if goals and subsystems & mentioned(self.system, r.number)]
        return list(dict.fromkeys([*named, *about]))[:MOST_REQUIREMENTS]

    # -- after a walk -------------------------------------------------------------------------

    def let_go(self, states: tuple[State, ...]) -> str:
        """What moves when every force is taken off: in each of the possible states, by each order of reaction."""
        found: dict[str, None] = {}
        for state in states:
            try:
                ends = self.follower.let_go(state).after
            except CannotTrack:
                return "the logic goes round for ever then"
            for after in ends:
                changes = "; ".join(change_texts(self.system, state, after))
                found[f"{changes} at once" if changes else "nothing moves"] = None
        return " OR ".join(found)

    def way_back(self, rows: tuple[Stimulus, ...] | None) -> str:
        """What is done after a walk, to come back to the initial state."""
        if rows is None:
            return "no way back was found with the events of the model: start the machine anew"
        if not rows:
            return "it is there"
        return "; ".join(self._stimulus(row, None) for row in rows)

    # -- what is expected ---------------------------------------------------------------------

    def _expected(self, row: Stimulus, done: Done) -> str:
        texts = dict.fromkeys(self._outcome(row, before, done) for before in done.before)
        text = " OR ".join(texts)
        return f"{text}{self._pending(done.after)}"

    def _outcome(self, row: Stimulus, before: State, done: Done) -> str:
        """What is to be seen; of several possible ends each."""
        if len(done.before) > 1:
            ends: tuple[State, ...] = self.follower.row((before,), row).after
        else:
            ends = done.after
        found = dict.fromkeys(self._changes(row, before, after, done) for after in ends)
        return " or, by the order of reaction: ".join(found)

    def _changes(self, row: Stimulus, before: State, after: State, done: Done) -> str:
        changes = change_texts(self.system, before, after)
        if row.kind == "until":
            return f"{'; '.join(changes)} within {ticks_text(self.system, row.number)}"
        if row.kind == "wait":
            return (
                self._timed(row, before, done)
                if changes
                else f"nothing moves for {ticks_text(self.system, row.number)}"
            )
        if changes:
            return f"{'; '.join(changes)} at once"
        blocked = row.kind == "event" and not self.follower.tracker.choices(before, row.number)
        return "nothing moves: it is blocked" if blocked else "nothing moves"

    def _timed(self, row: Stimulus, before: State, done: Done) -> str:
        """The changes of a wait, each with its time."""
        found, here = [], before
        for tick, phase in enumerate(done.phases, 1):
            after = phase.settled[0]
            changes = change_texts(self.system, here, after)
            if changes:
                found.append(f"{'; '.join(changes)} after {ticks_text(self.system, tick)}")
            here = after
        return "; ".join(found)

    def _pending(self, states: tuple[State, ...]) -> str:
        """What time alone will change: the tester has to go on before it does."""
        state = states[0]
        found = []
        for t in self.system.transitions:
            clock = state.clocks[t.subsystem]
            if t.event is None and clock < t.latest and self.follower.tracker.can(state, t.number):
                left = ticks_text(self.system, max(t.earliest - clock, 0)) if t.earliest > clock else "no time"
                found.append(f"{move_text(self.system, t)} in {left}")
        return f" (time runs: {and_list(found)})" if found else ""


def mentioned(system: System, requirement: int) -> frozenset[int]:
    """The subsystems that a requirement speaks of, through signals too."""
    this = system.requirements[requirement]
    found: set[int] = set()
    for formula in (this.subject, this.allowed, this.effect):
        if formula is None:
            continue
        reads = [system.signals[n].reads for n in signals_of(system, formula)]
        for part in (p for f in (formula, *reads) for p in part_list(f)):
            if isinstance(part, InState):
                found.add(part.subsystem)
    return frozenset(found)


def _restart(kinds: AbstractSet[str]) -> str:
    return "shown: starts only when asked" if kinds & {"restart", "power"} else ""
