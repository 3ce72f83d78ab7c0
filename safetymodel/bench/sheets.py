"""Commissioning sheets: a test plan put into rows for people, in the order of work, with what is listed at its end."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, replace

from safetymodel.bench.follow import Done, Follower
from safetymodel.bench.forcing import Forced, force_text, how_forced, removal_text, signal_label
from safetymodel.bench.sights import part_list, signals_of
from safetymodel.bench.stages import SECTIONS, Goal
from safetymodel.bench.stimulus import Stimulus, seen_text, stimulus_name
from safetymodel.bench.walks import Plan, Walk
from safetymodel.model.formula import InState
from safetymodel.model.state import State
from safetymodel.model.system import Event, System
from safetymodel.traces.wording import and_list, change_texts, event_text, move_text, ticks_text

COLUMNS = (
    "step",
    "requirement",
    "preconditions",
    "stimulus",
    "how forced",
    "wait",
    "expected effect and time",
    "observed",
    "pass or fail",
    "restart blocked?",
    "reset behaviour",
    "fault injected",
    "bypass removed",
    "tester",
    "witness",
    "date",
)
"""Common practice, no source. The last ones and *observed*, *pass or fail* are for the tester to fill in."""

BLANK = "____"

CAUTIONS = (
    "Local rules, the rules of the makers of the parts, and whoever is responsible for the machine come first. This "
    "sheet does not replace a risk assessment, nor review and commissioning by licensed people.",
    "Nobody is within reach of the machine, or in a room that can be irradiated, while a row is worked. Use a dummy "
    "load, a test weight or a marker for a person; radiation is off (dummy load, key out) unless the row cannot be "
    "shown without it.",
    "A forced signal or a bypass suspends a protection: one at a time, under lock and key, with somebody at the "
    "emergency stop, and taken off before the next walk.",
    "If the machine does anything that a row does not expect, stop, make it safe, and look for the reason before you "
    "go on.",
    "The sheet follows the model in the spec file, and shows nothing of what the model leaves out.",
)


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


@dataclass(frozen=True, slots=True)
class Part:
    """One walk: its rows, what has to be put back after it, and the faults and forces of its rows."""

    number: str
    lines: tuple[Line, ...]
    removals: tuple[str, ...]
    faults: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Chapter:
    number: int
    title: str
    text: str
    parts: tuple[Part, ...]
    checks: tuple[tuple[str, str], ...] = ()
    """Things to look at without a walk: (what, what it should be)."""


@dataclass(frozen=True, slots=True)
class Untested:
    """A goal that the sheet does not show, and why."""

    goal: str
    outcome: str
    reason: str
    source: str


@dataclass(frozen=True, slots=True)
class Sheet:
    """``put_back`` lists every bypass, force and simulated input that it uses: (step, what to take off)."""

    title: str
    file: str
    sha256: str
    cautions: tuple[str, ...]
    chapters: tuple[Chapter, ...]
    put_back: tuple[tuple[str, str], ...]
    simulated: tuple[tuple[str, str], ...]
    untested: tuple[Untested, ...]
    where: tuple[tuple[str, str], ...]
    """Each goal that is shown, and the step that first shows it."""
    walks: int
    rows: int
    least: int
    shown: int
    goals: int
    shortfall: str = ""


def sheet_of(plan: Plan) -> Sheet:
    """The sheet of a plan."""
    return _Writer(plan).sheet()


class _Writer:
    def __init__(self, plan: Plan) -> None:
        self.plan = plan
        self.forced: Forced = plan.forced
        self.system: System = plan.forced.system
        self.follower = Follower(self.system)
        self.where: dict[int, str] = {}
        self.put_back: list[tuple[str, str]] = []
        self.simulated: dict[str, str] = {}

    def sheet(self) -> Sheet:
        chapters = [self._wiring()]
        for section, title in SECTIONS:
            walks = [walk for walk in self.plan.walks if walk.section == section]
            if section == "steps" and not walks:
                continue
            number = len(chapters) + 1
            parts = tuple(self._part(f"{number}.{place}", walk) for place, walk in enumerate(walks, 1))
            chapters.append(Chapter(number, title, section, parts))
        chapters[1:] = [self._told(chapter) for chapter in chapters[1:]]
        chapters.append(self._bypass_check(len(chapters) + 1))
        plan, outcomes = self.plan, self.plan.outcomes
        untested = tuple(
            Untested(g.title, outcomes[g.number], plan.reasons.get(g.number, ""), g.source)
            for g in plan.goals
            if outcomes[g.number] != "shown"
        )
        return Sheet(
            title=self.system.title,
            file=self.system.file,
            sha256=self.system.sha256,
            cautions=CAUTIONS,
            chapters=tuple(chapters),
            put_back=tuple(self.put_back),
            simulated=tuple((step, what) for what, step in self.simulated.items()),
            untested=untested,
            where=tuple((g.title, self.where[g.number]) for g in plan.goals if g.number in self.where),
            walks=len(plan.walks),
            rows=plan.rows,
            least=plan.least,
            shown=sum(outcome == "shown" for outcome in outcomes),
            goals=len(plan.goals),
            shortfall=plan.shortfall,
        )

    def _wiring(self) -> Chapter:
        checks = [
            (f"Wire and terminal of {signal_label(self.system, s.number)}", f"as drawn; {_place(s.span.short)}")
            for s in self.system.signals
        ]
        checks += [
            (f"Wire and terminal of {s.label} ({s.name})", "as drawn; moves only its own part")
            for s in self.system.subsystems
            if s.role == "actuator"
        ]
        text = "Before anything is switched on. Each wire by its own drawing; each signal by pulling its plug."
        return Chapter(1, "Wiring", text, (), tuple(checks))

    def _told(self, chapter: Chapter) -> Chapter:
        """The chapter with its text; of the read-back, where each signal is seen true and false."""
        checks = chapter.checks
        if chapter.text == "readback":
            seen = {g.title: self.where.get(g.number, "") for g in self.plan.goals if g.kind == "reads"}
            checks = tuple(
                self._read_back(signal_label(self.system, s.number), s.name, seen) for s in self.system.signals
            )
        return replace(chapter, text=self._about(chapter.text, bool(chapter.parts)), checks=checks)

    def _read_back(self, label: str, name: str, seen: Mapping[str, str]) -> tuple[str, str]:
        """A signal, and where it is seen true and false."""
        steps = ((word, seen.get(f"{name} reads {word}", "")) for word in ("true", "false"))
        return label, "; ".join(f"{word} in step {step}" if step else f"{word}: not tested" for word, step in steps)

    def _about(self, section: str, any_walks: bool) -> str:
        if section == "readback":
            return "Each input is looked at where it is first true, and first false; at terminal and at logic alike."
        if not any_walks:
            shown = [g.number for g in self.plan.goals if g.section == section and g.number in self.where]
            if shown:
                return "No walk of its own: the walks before show it (listed under What is shown where)."
            return "Nothing of this can be planned for this spec."
        return "Each walk begins with the machine in its initial state, and nothing forced."

    def _bypass_check(self, number: int) -> Chapter:
        start = self.follower.start().after[0]
        checks = [("Every bypass, force and simulated input of the list at the end", "taken off, and signed for")]
        for signal in self.system.signals:
            reads = self.follower.tracker.reads(start, signal.number)
            checks.append((signal_label(self.system, signal.number), f"reads {'true' if reads else 'false'}"))
        text = "The machine in its initial state, nothing forced: every signal reads what it should."
        return Chapter(number, "Bypass check", text, (), tuple(checks))

    # -- walks --------------------------------------------------------------------------------

    def _part(self, number: str, walk: Walk) -> Part:
        done = self.follower.start()
        self._note(f"{number}.0", walk.shows[0] if walk.shows else ())
        before = "initial state, nothing forced"
        if walk.shows and walk.shows[0]:
            before += f" (shows: {'; '.join(self.plan.goals[n].title for n in walk.shows[0])})"
        lines, removals = [], list[str]()
        for place, row in enumerate(walk.rows, 1):
            step = f"{number}.{place}"
            done = self.follower.row(done.after, row)
            shows = walk.shows[place]
            self._note(step, shows)
            lines.append(self._line(step, before, row, done, [self.plan.goals[n] for n in shows], walk))
            before = f"after {step}"
            if row.kind == "fault":
                removals.append(removal_text(self.forced, row.number))
                self.put_back.append((step, removals[-1]))
        faults = tuple(dict.fromkeys(line.fault for line in lines if line.fault))
        return Part(number, tuple(lines), tuple(removals), faults)

    def _note(self, step: str, shows: Iterable[int]) -> None:
        for number in shows:
            self.where.setdefault(number, step)

    def _line(self, step: str, before: str, row: Stimulus, done: Done, goals: list[Goal], walk: Walk) -> Line:
        kinds = {goal.kind for goal in goals}
        return Line(
            step=step,
            requirement=", ".join(self._requirements(row, done, goals)),
            preconditions=before,
            stimulus=self._stimulus(row),
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

    def _stimulus(self, row: Stimulus) -> str:
        if row.kind == "event":
            return event_text(self.system.events[row.number])
        if row.kind == "wait":
            return f"wait {ticks_text(self.system, row.number)}"
        if row.kind == "until":
            return f"wait until {seen_text(self.system, row)}, then go on at once"
        if row.kind == "fault":
            return force_text(self.forced, row.number)
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


MOST_REQUIREMENTS = 6


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


def _place(short: str) -> str:
    return f"see {short.rsplit('/', 1)[-1]}"
