"""A walk followed on the model in every order of reaction: which goals it has shown for sure, and in which row.

A goal counts only where every order of reaction, and every moment of a move in its window of time, shows it.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from safetymodel.bench.sheets.follow import Done, Follower, Showing
from safetymodel.bench.sheets.stages import Goal
from safetymodel.bench.sights import Sight
from safetymodel.bench.stimulus import Stimulus
from safetymodel.model.state import State
from safetymodel.model.system import System


class Watcher:
    """Follows one walk, and says after each row which goals it has completed."""

    def __init__(self, follower: Follower, goals: Sequence[Goal], index: dict[object, list[int]] | None = None):
        self.follower = follower
        self._index = _by_what_begins(follower.system, goals) if index is None else index
        self.goals = goals
        self.possible: tuple[State, ...] = ()
        self.hidden: dict[int, Showing] = {}
        """Goals that a row would have shown, had what the machine must not do been visible for sure."""
        self.stage: dict[int, int] = {}
        """Of a goal that is under way, how many of its stages were seen."""

    def copy(self) -> Watcher:
        other = Watcher(self.follower, self.goals, self._index)
        other.possible, other.stage, other.hidden = self.possible, dict(self.stage), dict(self.hidden)
        return other

    def begin(self, wanted: Iterable[int]) -> tuple[int, ...]:
        """The start of a walk; the goals (of those wanted) that it shows by itself."""
        done = self.follower.start()
        self.possible, self.stage = done.after, {}
        return self._seen(done, wanted)

    def give(self, stimulus: Stimulus, wanted: Iterable[int]) -> tuple[Done, tuple[int, ...]]:
        """The next row; the goals (of those wanted) that it completes."""
        done = self.follower.row(self.possible, stimulus)
        self.possible = done.after
        return done, self._seen(done, wanted)

    def _seen(self, done: Done, wanted: Iterable[int]) -> tuple[int, ...]:
        fired, wanted = done.fired, set(wanted)
        keys: list[object] = [("fires", number) for number in fired]
        if done.stimulus is not None:
            keys.append((done.stimulus.kind, done.stimulus.number))
        asked = {*self.stage, *self._standing(done.after)}
        asked.update(number for key in keys for number in self._index.get(key, ()))
        return tuple(n for n in sorted(asked) if n in wanted and self._advance(self.goals[n], done, fired))

    def _standing(self, states: tuple[State, ...]) -> Sequence[int]:
        """At least those goals whose first stage is seen in the states by themselves."""
        if len(states) != 1:
            return self._index[None]
        known = self._index.get(states[0])
        if known is None:
            known = [
                number
                for number in self._index[None]
                if any(s.kind == "at" and self._stands(s, states) for s in self.goals[number].stages[0].ways)
            ]
            self._index[states[0]] = known
        return known

    def _advance(self, goal: Goal, done: Done, fired: frozenset[int]) -> bool:
        """Whether the row completes the goal."""
        stages, stage = goal.stages, self.stage.get(goal.number, 0)
        event = done.stimulus.number if done.stimulus is not None and done.stimulus.kind == "event" else None
        if stage and event is not None and event in stages[stage].without:
            stage = 0
        if any(sight.kind != "at" and self._shown(sight, done, fired) for sight in stages[stage].ways):
            if self._is_hidden(goal, done.before, event):
                return False
            stage += 1
        while stage < len(stages):
            if stage and not self._all_hold(done.after, stages[stage].keep):
                stage = 0
            if not any(sight.kind == "at" and self._stands(sight, done.after) for sight in stages[stage].ways):
                break
            stage += 1
        if stage == len(stages):
            self.stage.pop(goal.number, None)
            return True
        if stage:
            self.stage[goal.number] = stage
        else:
            self.stage.pop(goal.number, None)
        return False

    def _is_hidden(self, goal: Goal, states: Iterable[State], event: int | None) -> bool:
        """Of a goal that a transition on an event is blocked: whether nobody would see it, were it not. (An automatic
        one would be due again wherever it ended, and the machine never come to rest.)"""
        if goal.kind != "blocks" or goal.transition is None or event is None:
            return False
        transition = self.follower.system.transitions[goal.transition]
        showing = self.follower.would_show(states, transition, event)
        if showing != "always" and self.hidden.get(goal.number) != "by order":
            self.hidden[goal.number] = showing
        return showing != "always"

    def _all_hold(self, states: Iterable[State], formula: object) -> bool:
        return all(self.follower.tracker.holds(state, formula) for state in states)  # type: ignore[arg-type]

    def _stands(self, sight: Sight, states: tuple[State, ...]) -> bool:
        if sight.clock is not None and not all(s.clocks[sight.clock[0]] >= sight.clock[1] for s in states):
            return False
        return self._all_hold(states, sight.formula)

    def _shown(self, sight: Sight, done: Done, fired: frozenset[int]) -> bool:
        stimulus, tracker = done.stimulus, self.follower.tracker
        if stimulus is None:
            return False
        if sight.kind == "jumps":
            fault = self.follower.system.faults[sight.number]
            return (
                stimulus.kind == "jump"
                and stimulus.number == sight.number
                and all(s.flags >> fault.number & 1 and s.states[fault.subject] == fault.state for s in done.before)
                and self._all_hold(done.before, sight.formula)
            )
        if sight.kind == "try":
            given = stimulus.kind == "event" and stimulus.number == sight.number
            return given and self._all_hold(done.before, sight.formula)
        transition = self.follower.system.transitions[sight.number]
        if sight.kind == "prompt":
            return sight.number in fired and not self.follower.may_be_late(done, transition)
        if transition.event is None:
            return sight.number in fired and not self._avoids(sight, done)
        if stimulus.kind != "event" or stimulus.number != transition.event:
            return False
        return self._all_hold(done.before, sight.formula) and all(
            all(transition in way for way in ways) if (ways := tracker.choices(state, transition.event)) else False
            for state in done.before
        )

    def _avoids(self, sight: Sight, done: Done) -> bool:
        """Whether some order of reaction gets by without the transition being taken from a state with the formula."""
        left, holds = done.before, self.follower.tracker.asked(sight.formula)
        taken = [[s for s in phase.takers.get(sight.number, ()) if holds(s)] for phase in done.phases]
        if not any(taken):
            return True
        for phase, here in zip(done.phases, taken, strict=True):
            if any(state not in phase.landed for state in left):
                return True  # what was waited for is seen
            left = phase.ends_without(left, sight.number, here)
            if not left:
                return False
        return True


def _by_what_begins(system: System, goals: Iterable[Goal]) -> dict[object, list[int]]:
    """The goals by what their first stage needs: a transition that is taken, an event or jump that is given; under
    None those that a settled state can begin."""
    found: dict[object, list[int]] = {None: []}
    for goal in goals:
        for sight in goal.stages[0].ways:
            key: object = None
            if sight.kind == "try":
                key = ("event", sight.number)
            elif sight.kind == "jumps":
                key = ("jump", sight.number)
            elif sight.kind in ("fires", "prompt"):
                event = system.transitions[sight.number].event
                key = ("fires", sight.number) if event is None else ("event", event)
            found.setdefault(key, []).append(goal.number)
    return found
