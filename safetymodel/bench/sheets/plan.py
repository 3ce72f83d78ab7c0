"""A test plan: few short walks from the initial state that together show every goal that can be shown.

Walks are joined greedily: from where a walk has come to, the nearest goal that is still open comes next, as long as no
new walk would come to one sooner. Each walk has at most one fault or force. What a walk shows is decided by following
it on the model in every order of reaction (`replay`), never by the search that proposed it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from functools import partial, reduce
from typing import Generic, TypeVar

from safetymodel.bench.reactions import CannotTrack
from safetymodel.bench.sheets.follow import Follower, Showing
from safetymodel.bench.sheets.forcing import Forced
from safetymodel.bench.sheets.hiding import Hiding
from safetymodel.bench.sheets.least import least_rows
from safetymodel.bench.sheets.proposals import FARTHEST, MOST_TRIES, Proposals
from safetymodel.bench.sheets.reach import Reach
from safetymodel.bench.sheets.replay import Watcher
from safetymodel.bench.sheets.returns import Returns
from safetymodel.bench.sheets.rooms import Places, Rooms
from safetymodel.bench.sheets.shorten import Shortener
from safetymodel.bench.sheets.stages import SECTIONS, Goal, Section
from safetymodel.bench.sheets.untestable import why_untestable
from safetymodel.bench.sheets.walks import (
    BY_ORDER,
    FORBIDDEN,
    HIDDEN,
    HIDDEN_THERE,
    SEEN_BY_ORDER,
    Draft,
    Outcome,
    Plan,
    Walk,
    pruned,
    scenario_rows,
    stimulus_for,
)
from safetymodel.bench.sights import Sight
from safetymodel.bench.stimulus import Stimulus
from safetymodel.explore.engine import EVERY_STEP, LimitReached, Progress, Space
from safetymodel.model.state import State
from safetymodel.model.system import System, Transition

S = TypeVar("S")

LONGEST_WALK = 40
"""Rows from which on a walk is not carried on."""

OUTCOME_OF: dict[str, Outcome] = {
    BY_ORDER: "by order",
    SEEN_BY_ORDER: "by order",
    HIDDEN: "hidden",
    HIDDEN_THERE: "hidden",
    FORBIDDEN: "forbidden",
}

MOST_FAULTS = 3
"""Faults or forces that are tried for a goal."""


class LeadsIntoHazard(Exception):
    """A row that would bring the machine to where a requirement forbids it to be."""


class Planner(Generic[S]):
    """Makes a plan over one explored space (budget 1)."""

    def __init__(
        self,
        forced: Forced,
        goals: tuple[Goal, ...],
        space: Space[S],
        on_work: Callable[[], None],
        progress: Progress | None = None,
    ) -> None:
        self.forced, self.goals, self.space = forced, goals, space
        self.system: System = forced.system
        self.on_work, self.progress = on_work, progress
        self.follower = Follower(self.system)
        self.reach = Reach(space, self.follower, on_work)
        self.rooms = Rooms(self.reach)
        self.natural, self.flags, self.room = self.rooms.natural, self.rooms.flags, self.rooms.whole
        self.outcomes: list[Outcome] = ["open"] * len(goals)
        self.reasons: dict[int, str] = {}
        self.places: list[Places[S]] = []
        self.walks: list[Walk] = []
        self.shortfall = ""
        self.proposals = Proposals(self.reach, self.rooms, goals)
        self._hiding = Hiding(self.reach)
        self._hidden: dict[int, Showing] = {}
        """Goals of which a row was tried, and what it asks for would not have been seen for sure."""
        self._seen_at: dict[tuple[int, int | None, bool], S] = {}

    # -- the whole story ----------------------------------------------------------------------

    def plan(self) -> Plan:
        try:
            self._begin()
            self._locate()
            for section, _ in SECTIONS:
                self._natural(section)
            self._with_faults()
        except LimitReached as limit:
            self.shortfall = str(limit)
        walks = self._shortened()
        for number in {n for walk in walks for row in walk.shows for n in row}:
            self.outcomes[number] = "shown"
            self.reasons.pop(number, None)
        for number, outcome in enumerate(self.outcomes):
            if outcome == "open":
                if number in self._hidden:
                    self.reasons[number] = self._why_hidden(number)
                reason = self.reasons.setdefault(number, self.shortfall or "no walk was found that shows it")
                self.outcomes[number] = OUTCOME_OF.get(reason, outcome)
        least = 0 if self.shortfall else self._least(walks)
        walks = tuple(self._with_ways_back(walks))
        return Plan(self.forced, self.goals, walks, tuple(self.outcomes), self.reasons, least, self.shortfall)

    def _with_ways_back(self, walks: Iterable[Walk]) -> Iterator[Walk]:
        """The walks, each with the rows that lead back to the initial state, as far as time allows."""
        returns = None if self.shortfall else Returns(self.rooms, self.follower)
        for walk in walks:
            self._tell("looking for ways back")
            try:
                yield walk if returns is None else replace(walk, back=returns.after(walk.rows))
            except LimitReached as limit:
                self.shortfall, returns = str(limit), None
                yield walk

    def _shortened(self) -> tuple[Walk, ...]:
        """The walks without detours; as they were pruned, where a limit leaves no time for that."""
        if not self.shortfall:
            shortener = Shortener(self.follower, self.goals, self._hands, self.on_work)
            try:
                return tuple(shortener.shortened(self.walks))
            except LimitReached as limit:
                self.shortfall = str(limit)
        return tuple(pruned(self.follower, self.goals, self.walks))

    def _hands(self, state: State) -> list[Stimulus]:
        return self.reach.hands(state, None, None)

    def _tell(self, what: str) -> None:
        if self.progress:
            done = sum(outcome != "open" for outcome in self.outcomes)
            self.progress(f"{what}, {done} of {len(self.goals)} goals", 0)

    def _begin(self) -> None:
        """The start, and what the scenarios of the spec come to: walks set out from there."""
        start = self.follower.start().after
        for rows in [(), *(scenario_rows(self.system, scenario) for scenario in self.system.scenarios)]:
            states = start
            for place, row in enumerate((None, *rows)):
                try:
                    states = states if row is None else self.follower.row(states, row).after
                except CannotTrack:
                    break
                if len(states) != 1 or not self.space.contains(self.room, states[0]):
                    break
                self.proposals.know(states[0], tuple(rows[:place]))
        everything = self.space.common(self.space.start, self.room)
        if start and all(self.space.contains(self.room, state) for state in start):
            everything = reduce(self.space.union, (self.space.only(state) for state in start))
        self.walkable = self.space.spread(everything, EVERY_STEP, None, self.room)

    def _locate(self) -> None:
        """Where each goal can be seen; those that no reached state can show are done with."""
        space, located = self.space, list[Goal]()
        for goal in self.goals:
            self.on_work()
            self._tell("looking where goals can be tested")
            everywhere, sure = self.rooms.places(goal.stages[0])
            if goal.otherwise is not None and space.is_empty(space.common(sure, self.walkable)):
                goal = goal.otherwise
                everywhere, sure = self.rooms.places(goal.stages[0])
            located.append(goal)
            allowed = space.common(everywhere, self.walkable)
            self.places.append(Places(allowed, space.common(sure, self.walkable)))
            if space.is_empty(everywhere):
                self.outcomes[goal.number] = "untestable" if space.complete else "open"
                self.reasons[goal.number] = why_untestable(self.reach, goal) if space.complete else space.shortfall
            elif space.is_empty(allowed):
                if space.is_empty(space.common(everywhere, self.room)):
                    self.outcomes[goal.number] = "forbidden"
                    self.reasons[goal.number] = FORBIDDEN
                else:
                    self.outcomes[goal.number] = "by order"
                    self.reasons[goal.number] = BY_ORDER
        self.goals = self.proposals.goals = tuple(located)
        self._watcher = Watcher(self.follower, self.goals)

    # -- walks --------------------------------------------------------------------------------

    def _natural(self, section: Section) -> None:
        wanted = [
            g.number
            for g in self.goals
            if g.section == section
            and self.outcomes[g.number] == "open"
            and not self.space.is_empty(self.space.common(self.places[g.number].all, self.natural))
        ]
        if wanted:
            self._join(section, wanted, None)

    def _with_faults(self) -> None:
        """What needs a fault or a force: first the one that serves the most goals, never (if another does) one that
        holds the very signal that is tested."""
        space = self.space
        left = [g.number for g in self.goals if self.outcomes[g.number] == "open"]
        useful: dict[int, list[int]] = {}
        for number in left:
            places, own = self.places[number], self.goals[number].own
            for place, most in ((places.sure, MOST_FAULTS), (places.all, 1)):
                able = [f for f, up in enumerate(self.flags) if not space.is_empty(space.common(place, up))]
                apart = [f for f in able if not (self.system.faults[f].kind == "signal" and self._subject(f) in own)]
                useful[number] = (apart or able)[:most]
                if able:
                    break
        while True:
            count: dict[int, list[int]] = {}
            for number in left:
                if self.outcomes[number] == "open":
                    for fault in useful[number]:
                        count.setdefault(fault, []).append(number)
            if not count:
                return
            fault = min(count, key=lambda f: (-len(count[f]), f))
            self._join("faults", count[fault], fault)
            for number in count[fault]:
                useful[number].remove(fault)

    def _subject(self, fault: int) -> int:
        return self.system.faults[fault].subject

    def _join(self, section: Section, wanted: list[int], fault: int | None) -> None:
        """Walks until every wanted goal is shown, or given up."""
        tries: dict[int, int] = {}
        while True:
            open_goals = [n for n in wanted if self.outcomes[n] == "open" and tries.get(n, 0) < MOST_TRIES]
            if not open_goals:
                break
            if not self._one_walk(section, open_goals, fault, tries):
                break
        for number in wanted:
            if self.outcomes[number] == "open" and tries.get(number, 0):
                self.reasons.setdefault(number, BY_ORDER)

    def _targets(self, numbers: Iterable[int], fault: int | None, tries: dict[int, int]) -> list[tuple[int, S]]:
        """Where each goal would be seen in this kind of walk: surely, on a first try."""
        found = []
        for number in numbers:
            target = self._place(number, fault, True)
            if self.space.is_empty(target):
                tries.setdefault(number, 1)
            if tries.get(number, 0):
                target = self._place(number, fault, False)
            if number in self._hidden:
                last = tries.get(number, 0) >= MOST_TRIES - 1
                target = self._hiding.where_it_may_show(self._blocked(number), target, last)
            if not self.space.is_empty(target):
                found.append((number, target))
        return found

    def _blocked(self, number: int) -> Transition:
        """The transition that a goal sees blocked."""
        transition = self.goals[number].transition
        assert transition is not None
        return self.system.transitions[transition]

    def _why_hidden(self, number: int) -> str:
        """Why nobody would see that what blocks is missing, where nothing was found that shows it for sure."""
        if self._hidden[number] == "by order":
            return SEEN_BY_ORDER
        for_sure = self._hiding.hides(self._blocked(number), self.places[number].all)
        return HIDDEN if for_sure else HIDDEN_THERE

    def _place(self, number: int, fault: int | None, sure: bool) -> S:
        """Where a goal is seen (for sure) in a walk with this fault; remembered."""
        key = number, fault, sure
        if key not in self._seen_at:
            places = self.places[number]
            part = self.natural if fault is None else self.flags[fault]
            self._seen_at[key] = self.space.common(places.sure if sure else places.all, part)
        return self._seen_at[key]

    def _one_walk(self, section: Section, wanted: list[int], fault: int | None, tries: dict[int, int]) -> bool:
        """A walk from the initial state, carried on as long as that is shorter than a new one. False where it shows
        nothing and no goal was tried."""
        before = (sum(tries.values()), self._left(wanted))
        draft: Draft | None = None
        watcher = self._watcher.copy()
        while draft is None or (len(watcher.possible) == 1 and len(draft.rows) < LONGEST_WALK):
            self._tell("joining walks")
            left = [n for n in wanted if self.outcomes[n] == "open" and tries.get(n, 0) < MOST_TRIES]
            targets = self._targets(left, fault, tries)
            if not targets:
                break
            if draft is None:
                proposal = self.proposals.new_start(targets, fault, tries)
            else:
                near = [(number, target) for number, target in targets if tries.get(number, 0) < MOST_TRIES - 1]
                proposal = self.proposals.near(watcher, near, fault)
            if proposal is None:
                if draft is None:
                    tries.update((number, MOST_TRIES) for number, _ in targets)
                break
            number, rows = proposal
            trial, new, outcomes = watcher.copy(), Draft(section), list(self.outcomes)
            if draft is None:
                new.shows.append(self._mark(trial.begin(self._open())))
            if rows is not None and self._carry_out(trial, number, rows, new, fault):
                watcher = trial
                draft = draft or Draft(section)
                before_these = len(draft.rows)
                draft.rows.extend(new.rows)
                draft.shows.extend(new.shows)
                for place, state in new.passed:
                    self.proposals.know(state, tuple(draft.rows[: before_these + place]))
            else:
                if number in trial.hidden and self._hidden.get(number) != "by order":
                    self._hidden[number] = trial.hidden[number]
                self.outcomes[:] = outcomes
                tries[number] = tries.get(number, 0) + 1
        if draft is not None:
            self.walks.append(Walk(section, tuple(draft.rows), tuple(draft.shows)))
        return before != (sum(tries.values()), self._left(wanted))

    def _left(self, wanted: Iterable[int]) -> int:
        return sum(self.outcomes[n] == "open" for n in wanted)

    def _carry_out(
        self, watcher: Watcher, number: int, rows: tuple[Stimulus, ...], new: Draft, fault: int | None
    ) -> bool:
        """The rows to a goal and through all of its stages; whether they show it for sure."""
        stages = self.goals[number].stages
        try:
            self._give(watcher, rows, new)
            if not self._finish(watcher, number, 0, new):
                return False
            for place in range(1, len(stages)):
                if self.outcomes[number] == "shown" or watcher.stage.get(number, 0) > place:
                    continue
                if watcher.stage.get(number, 0) != place or len(watcher.possible) != 1:
                    return False
                if not self._stage(watcher, number, place, new, fault):
                    return False
        except CannotTrack:
            return False
        except LeadsIntoHazard:
            self.reasons[number] = FORBIDDEN
            return False
        return self.outcomes[number] == "shown"

    def _stage(self, watcher: Watcher, number: int, place: int, new: Draft, fault: int | None) -> bool:
        found = self.rooms.ladder(self.goals[number].stages[place], fault).height(watcher.possible, FARTHEST)
        if found is None:
            self.reasons[number] = "once it was under way, no walk was found that completes it"
            return False
        rows = self.rooms.ladder(self.goals[number].stages[place], fault).down(found[1], found[0])
        if rows is None:
            return False
        self._give(watcher, rows, new)
        return self._finish(watcher, number, place, new)

    def _finish(self, watcher: Watcher, number: int, place: int, new: Draft) -> bool:
        """The row itself, for what is seen only when something is done in the state that was reached."""
        for sight in self.goals[number].stages[place].ways:
            if self.outcomes[number] == "shown" or watcher.stage.get(number, 0) > place:
                return True
            stimulus = stimulus_for(self.system, sight)
            if stimulus is None or not self._fits(watcher, sight):
                continue
            self._give(watcher, (stimulus,), new)
        return self.outcomes[number] == "shown" or watcher.stage.get(number, 0) > place

    def _fits(self, watcher: Watcher, sight: Sight) -> bool:
        place = self.reach.place(sight)
        return all(self.space.contains(place, state) for state in watcher.possible)

    def _give(self, watcher: Watcher, stimuli: Iterable[Stimulus], new: Draft) -> None:
        for stimulus in stimuli:
            _, seen = watcher.give(stimulus, self._open())
            new.rows.append(stimulus)
            new.shows.append(self._mark(seen))
            if not all(self.space.contains(self.room, state) for state in watcher.possible):
                raise LeadsIntoHazard
            if len(watcher.possible) == 1:
                new.passed.append((len(new.rows), watcher.possible[0]))

    def _open(self) -> list[int]:
        return [n for n, outcome in enumerate(self.outcomes) if outcome == "open"]

    def _mark(self, seen: tuple[int, ...]) -> tuple[int, ...]:
        for number in seen:
            self.outcomes[number] = "shown"
        return seen

    def _least(self, walks: Iterable[Walk]) -> int:
        where = {n: place for walk in walks for place, row in enumerate(walk.shows) for n in row}
        shown = [goal for goal in self.goals if self.outcomes[goal.number] == "shown"]
        told = (
            self.natural,
            self.flags,
            partial(stimulus_for, self.system),
            self.follower.start().after,
            self.room,
            where,
        )
        return least_rows(self.reach, shown, [p.all for p in self.places], *told)
