"""The whole review of one system: defects, suggestions, necessity, response budgets, cause-and-effect matrix."""

from __future__ import annotations

import time
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal, TypeVar

from safetymodel.claims.beside import Errand, Job, Shared, processes_for
from safetymodel.claims.clock import Clock, seconds_for_more
from safetymodel.claims.process import Spare, spare_for
from safetymodel.claims.verdict import Judgement, Word
from safetymodel.explore.choice import EngineName, explore
from safetymodel.explore.engine import LimitReached, Limits, Progress, Space
from safetymodel.insight.defects import Defects, find_defects
from safetymodel.insight.matrix import Matrix, matrix, unfinished
from safetymodel.insight.necessity.effects import Necessity
from safetymodel.insight.necessity.search import necessity
from safetymodel.insight.response import Budget, response_budgets
from safetymodel.insight.suggest.search import suggest_for
from safetymodel.insight.suggest.suggested import Suggestion
from safetymodel.model.system import System
from safetymodel.problems import Problem
from safetymodel.traces.wording import counted

T = TypeVar("T")

Part = Literal["defects", "suggestions", "necessity", "response", "matrix"]
PARTS: tuple[Part, ...] = ("defects", "suggestions", "necessity", "response", "matrix")

SECONDS_FOR_RUNS = 10.0
"""Wall-clock time for the runs that show defects, and again for those that show reactions, unless all are asked for."""

SECONDS_FOR_PARTS = 90.0
"""Wall-clock time to find out who notices parts of conditions left out, unless all is asked for."""

SECONDS_FOR_REVIEW = 57.0
"""Wall-clock time after which a review does not begin, or goes on, with what else can be changed, unless all is asked
for."""

SUGGESTION = "a condition for "
"""Before the name of a requirement: what is looked for."""

NAMES: Mapping[str, str] = {
    "defects": "looking for defects",
    "response": "response budgets",
    "matrix": "cause-and-effect matrix",
}


@dataclass(frozen=True, slots=True)
class Counted:
    """States under one fault budget; not ``complete`` where a limit ended the search."""

    settled: int
    all: int
    complete: bool


@dataclass(frozen=True, slots=True)
class Review:
    """Everything that was read back of one system. A part that was not asked for is None.

    ``suggestions``: a pass that costs nothing first, no pass last; those for one requirement together.
    ``undecided`` says, a line each, what a limit kept from being finished.
    """

    system: System
    engine: str
    engine_reason: str
    budgets: tuple[tuple[int, Counted], ...]
    judgements: tuple[Judgement, ...]
    defects: Defects | None
    suggestions: tuple[Suggestion, ...] | None
    response: tuple[Budget, ...] | None
    matrix: Matrix | None
    problems: tuple[Problem, ...]
    seconds: float
    undecided: tuple[str, ...] = ()
    necessity: Necessity | None = None

    @property
    def short(self) -> tuple[Budget, ...]:
        """The budgets whose declared distance does not suffice."""
        return tuple(b for b in self.response or () if b.distance is not None and b.distance.suffices is False)

    @property
    def unshown(self) -> tuple[Budget, ...]:
        """The budgets of which it is not shown whether the declared distance suffices."""
        return tuple(b for b in self.response or () if b.unshown)

    @property
    def found(self) -> bool:
        """Whether there is anything to look into: a defect, a broken requirement, a part of an `if` that nobody asked
        for, a distance that does not suffice, or that belongs to a broken requirement."""
        unasked = self.necessity.unasked if self.necessity else ()
        far = self.short or any(b.word == "broken" for b in self.response or ())
        return bool(far or self.suggestions or unasked or (self.defects and self.defects.found))


def review(
    system: System,
    faults: int | None = None,
    parts: Collection[Part] = PARTS,
    engine: EngineName = "auto",
    limits: Limits | None = None,
    progress: Progress | None = None,
    all_runs: bool = False,
    problems: tuple[Problem, ...] = (),
    jobs: int | None = None,
) -> Review:
    """Read the logic back. Defects are looked for under up to ``faults`` faults, or as many as some requirement has to
    withstand; the matrix is of the machine without faults. ``all_runs``: who notices every change, and a run for
    everything, however long it takes. ``jobs`` processes work at once where the states took long to explore; unless
    told, as many as there are cores, and without a limit of memory.
    """
    limits = limits or Limits()
    with spare_for(jobs, limits.memory) as spare:
        return _review(system, faults, parts, engine, limits, progress, all_runs, problems, jobs, spare)


def _review(
    system: System,
    faults: int | None,
    parts: Collection[Part],
    engine: EngineName,
    limits: Limits,
    progress: Progress | None,
    all_runs: bool,
    problems: tuple[Problem, ...],
    jobs: int | None,
    spare: Spare,
) -> Review:
    started = time.monotonic()
    most = max((r.withstand for r in system.requirements), default=0) if faults is None else faults
    every = "suggestions" in parts or "necessity" in parts
    asked = {r.withstand for r in system.requirements if r.withstand <= most or every}
    budgets = sorted({0, most, *asked})
    explored = explore(system, budgets, engine, limits, progress, spare.look)
    spaces = explored.spaces
    clock = Clock(limits.seconds, started)
    for space in spaces.values():
        space.on_work = clock.check
    undecided = [f"the states ({s.shortfall})" for s in list(spaces.values())[-1:] if s.shortfall]

    def tell(what: str) -> None:
        if progress is not None:
            progress(what, 0)

    def some(seconds: float, said: str = "") -> Clock:
        spent = time.monotonic() - started
        left = None if limits.seconds is None else max(0.0, limits.seconds - spent)
        if left is None and not all_runs:
            return Clock(seconds, said=said)
        return Clock(left if all_runs or left is None else min(left, seconds))

    def others() -> Clock:
        said = f"the first {SECONDS_FOR_REVIEW:g} s of the review were over"
        return some(max(0.0, SECONDS_FOR_REVIEW - (time.monotonic() - started)), said)

    def runs() -> Clock:
        return some(SECONDS_FOR_RUNS)

    least = min(spaces.values(), key=lambda space: space.complete)
    processes = processes_for(least, explored.seconds, jobs, limits.memory)
    defects = response = found = suggestions = noticed = None
    judgements: tuple[Judgement, ...] = ()
    to_judge = _to_judge(system, most, every) if {"suggestions", "response"} & set(parts) else []
    with Shared(spaces, to_judge, clock, processes - 1, spare) as shared:
        judgements = shared.judged(lambda requirement: tell(f"judging {requirement.name}"))
        judgements = tuple(replace(j, budget=job.budget) for j, job in zip(judgements, to_judge, strict=True))
        undecided += [f"{j.requirement.name} ({j.reason})" for j in judgements if j.word == "undecided"]
        errands = _errands(system, parts, [b for b in budgets if b <= most], judgements, limits, all_runs)
        shared.send(list(errands.values()), clock)
        # beside others, this process looks for what takes longest in the meantime
        done = shared.brought(tell) if processes == 1 else None
        if "necessity" in parts and not system.requirements:
            noticed = Necessity(system, (), everything=False, seconds=0.0)
        elif "necessity" in parts:
            tell("necessity")
            noticed = necessity(
                spaces,
                clock=clock,
                limits=limits,
                progress=progress,
                words=_words(system, judgements),
                rest=lambda: some(SECONDS_FOR_PARTS),
                more=others,
                runs=runs,
                processes=processes,
            )
        brought = dict(zip(errands, shared.brought(tell) if done is None else done, strict=True))
    if "defects" in parts:
        defects = brought["defects"]
        undecided += defects.undecided
    if "suggestions" in parts:
        groups = [found for key, found in brought.items() if key.startswith(SUGGESTION)]
        suggestions = tuple(s for group in sorted(groups, key=lambda g: g[0].rank) for s in group)
        undecided += [
            f"a condition for {s.requirement.name} ({s.reason})" for s in suggestions if s.outcome == "undecided"
        ]
    if "response" in parts:
        response = brought["response"]
        undecided += [f"the response budget of {b.requirement.name} ({b.undecided})" for b in response if b.undecided]
        open_ones = (b for b in response if b.unshown and not b.undecided)
        undecided += [f"the distance of {b.requirement.name} ({b.unshown})" for b in open_ones]
    if "matrix" in parts:
        found = brought["matrix"]
        undecided += [f"the column {found.effects[c].name} ({found.shortfall})" for c in found.undecided]
    unknown = sum(not e.known for e in noticed.effects) if noticed else 0
    if noticed and unknown:
        more = "" if all_runs else "; `--runs always` takes what it needs"
        undecided.append(f"who notices {counted(unknown, 'change')} ({noticed.shortfall}{more})")
    return Review(
        system=system,
        engine=explored.engine,
        engine_reason=explored.reason,
        budgets=tuple((b, _counted(spaces[b])) for b in budgets),
        judgements=judgements,
        defects=defects,
        suggestions=suggestions,
        response=response,
        matrix=found,
        problems=problems,
        seconds=time.monotonic() - started,
        undecided=tuple(undecided),
        necessity=noticed,
    )


def _counted(space: Space[Any]) -> Counted:
    return Counted(space.size(space.settled), space.size(space.reached), space.complete)


def _to_judge(system: System, most: int, every: bool) -> list[Job]:
    """The requirements to judge; not ``every`` one: those that a response budget can belong to."""
    asked = []
    for requirement in system.requirements:
        timed = requirement.form == "cause" and requirement.within is not None and requirement.approach is None
        if not every and (timed or requirement.form not in ("never", "always", "cause")):
            continue
        asked.append(Job(requirement, requirement.withstand if every else min(requirement.withstand, most)))
    return asked


def _errands(
    system: System,
    parts: Collection[Part],
    budgets: Sequence[int],
    judgements: tuple[Judgement, ...],
    limits: Limits,
    all_runs: bool,
) -> dict[str, Errand]:
    """What needs nothing but the explored states, each with what it takes to do it; what takes longest first."""
    found: dict[str, Errand] = {}
    if "suggestions" in parts:
        before = {j.requirement.name: j for j in judgements}
        for requirement in system.requirements:
            if before[requirement.name].word == "broken":
                given = (requirement.number, before, limits)
                title = SUGGESTION + requirement.name
                found[title] = Errand(title, f"{__name__}:suggestions_of", given)
    needed: dict[Part, object] = {
        "defects": (tuple(budgets), all_runs),
        "response": (judgements, all_runs),
        "matrix": limits,
    }
    found.update((p, Errand(NAMES[p], f"{__name__}:{p}_of", needed[p])) for p in needed if p in parts)
    return found


def _for_runs(clock: Clock, all_runs: bool) -> Clock:
    """From now on."""
    left = seconds_for_more(clock.seconds, time.monotonic() - clock.started, True)
    return Clock(left if all_runs else SECONDS_FOR_RUNS if left is None else min(left, SECONDS_FOR_RUNS))


def suggestions_of(
    spaces: Mapping[int, Space[Any]], given: tuple[int, Mapping[str, Judgement], Limits], clock: Clock
) -> tuple[Suggestion, ...]:
    """An errand; ``given``: the number of a broken requirement, and the judgements on all."""
    number, before, limits = given
    system = next(iter(spaces.values())).system
    return suggest_for(spaces, system.requirements[number], before, clock, limits)


def defects_of(spaces: Mapping[int, Space[Any]], given: tuple[tuple[int, ...], bool], clock: Clock) -> Defects:
    """An errand; ``given``: the budgets to look under, and whether to search all runs."""
    budgets, all_runs = given
    return find_defects([spaces[b] for b in budgets], clock, lambda: _for_runs(clock, all_runs))


def response_of(
    spaces: Mapping[int, Space[Any]], given: tuple[tuple[Judgement, ...], bool], clock: Clock
) -> tuple[Budget, ...]:
    """An errand; ``given``: the verdicts, and whether to search all runs."""
    judgements, all_runs = given
    return response_budgets(spaces, judgements, clock, _for_runs(clock, all_runs))


def _words(system: System, judgements: tuple[Judgement, ...]) -> dict[str, Word] | None:
    """The verdicts, if all of them are known, each under what the requirement withstands."""
    words = {j.requirement.name: j.word for j in judgements if j.budget == j.requirement.withstand}
    return words if len(words) == len(system.requirements) and "undecided" not in words.values() else None


def matrix_of(spaces: Mapping[int, Space[Any]], limits: Limits, clock: Clock) -> Matrix:
    """An errand: the matrix, from decision diagrams whichever engine has searched the rest."""
    from safetymodel.explore.symbolic import Symbolic, SymbolicSpace

    space = spaces[0]
    if not isinstance(space, SymbolicSpace):
        left = seconds_for_more(limits.seconds, time.monotonic() - clock.started, True)
        space = SymbolicSpace(Symbolic(space.system, 0, replace(limits, seconds=left)), 0)
    try:
        return matrix(space, clock)
    except LimitReached as limit:
        return unfinished(spaces[0].system, str(limit))
