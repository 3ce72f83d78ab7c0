"""Commissioning sheets: a test plan put into rows for people, in the order of work, with what is listed at its end."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

from safetymodel.bench.sheets.follow import Follower
from safetymodel.bench.sheets.forcing import Forced, removal_text, signal_label
from safetymodel.bench.sheets.sheet_rows import Line, Rows
from safetymodel.bench.sheets.stages import SECTIONS
from safetymodel.bench.sheets.walks import Plan, Walk
from safetymodel.model.system import System

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
    "emergency stop, and taken off before the next walk. Taking it off can move the machine: what moves then stands "
    "beside it.",
    "If the machine does anything that a row does not expect, stop, make it safe, and look for the reason before you "
    "go on.",
    "The sheet follows the model in the spec file, and shows nothing of what the model leaves out.",
)


@dataclass(frozen=True, slots=True)
class Part:
    """One walk: its rows, what has to be put back after it and what then moves, the faults and forces of its rows, and
    what is done after that to come back to the initial state."""

    number: str
    lines: tuple[Line, ...]
    removals: tuple[str, ...]
    faults: tuple[str, ...] = ()
    back: str = ""


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
    worked: tuple[str, ...] = ()
    """How it went, in sentences, where a bench has worked it."""


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
        self.rows = Rows(plan.forced, self.follower)

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
            simulated=tuple((step, what) for what, step in self.rows.simulated.items()),
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
        return label, "; ".join(f"{word} {_at(step)}" if step else f"{word}: not tested" for word, step in steps)

    def _about(self, section: str, any_walks: bool) -> str:
        if section == "readback":
            return "Each input is looked at where it is first true, and first false; at terminal and at logic alike."
        if not any_walks:
            shown = [g.number for g in self.plan.goals if g.section == section and g.number in self.where]
            if shown:
                return "No walk of its own: the walks before show it (listed under What is shown where)."
            return "Nothing of this can be planned for this spec."
        return (
            "Each walk begins with the machine in its initial state, and nothing forced. How it comes back to there "
            "stands under the walk."
        )

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
        self._note(f"before {number}.1", walk.shows[0] if walk.shows else ())
        before = "initial state, nothing forced"
        if walk.shows and walk.shows[0]:
            before += f" (shows: {'; '.join(self.plan.goals[n].title for n in walk.shows[0])})"
        lines, removals = [], list[str]()
        for place, row in enumerate(walk.rows, 1):
            step = f"{number}.{place}"
            done = self.follower.row(done.after, row)
            shows = walk.shows[place]
            self._note(step, shows)
            lines.append(self.rows.line(step, before, row, done, [self.plan.goals[n] for n in shows], walk))
            before = f"after {step}"
            if row.kind == "fault":
                removals.append(removal_text(self.forced, row.number))
                self.put_back.append((step, removals[-1]))
        moves = self.rows.let_go(done.after)
        removals = [f"{removal}; then {moves}" for removal in removals]
        faults = tuple(dict.fromkeys(line.fault.removeprefix("none; ") for line in lines if line.fault))
        return Part(number, tuple(lines), tuple(removals), faults, self.rows.way_back(walk.back))

    def _note(self, step: str, shows: Iterable[int]) -> None:
        for number in shows:
            self.where.setdefault(number, step)


def _at(step: str) -> str:
    """``in step 2.1.3``, or ``before 2.1.1``: in the state in which a walk begins."""
    return step if step.startswith("before") else f"in step {step}"


def _place(short: str) -> str:
    return f"see {short.rsplit('/', 1)[-1]}"
