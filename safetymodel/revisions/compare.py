"""The comparison of two revisions: what has changed as a function, and what can happen in one of them only.

Two roads lead to an answer. *Conditions*: where no step differs in any situation that both revisions reach alike,
they have the same states, and behave the same; where one does, a shortest run of both leads there, and on from it to a
happening that only one of them allows. That scales, since it works on sets of states. *Sequences*: in models that can
be written down, both are followed at once to the end, so that every happening of one alone is found.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, replace
from typing import Literal

from safetymodel.claims.clock import Clock
from safetymodel.claims.verdict import Trace
from safetymodel.explore.choice import SMALL
from safetymodel.explore.decisions import Diagram, OutOfNodes, disjoin
from safetymodel.explore.engine import LimitReached, Limits, Progress
from safetymodel.explore.memory import full, growing_memory
from safetymodel.explore.moves import moves_of
from safetymodel.explore.product import Product
from safetymodel.model.state import State
from safetymodel.model.system import System
from safetymodel.revisions.conditions import Definitions, Moved, Part, PartChange, WayChange, fault_changes
from safetymodel.revisions.declared import Meaning
from safetymodel.revisions.joint import Joint, fault_key, join
from safetymodel.revisions.sequences import (
    Apart,
    Comparison,
    Label,
    Stepped,
    Written,
    followed,
    label_of,
    stages_of,
    trace_of,
    walk_apart,
)
from safetymodel.revisions.views import JointWalker, Key, Views

MOST_PAIRS = 200_000
"""Pairs of sets of states that a search for sequences follows."""

PAIRS_ONWARD = 60
"""Pairs that are followed on from where the logic of two large revisions parts."""

SECONDS_ONWARD = 8.0
"""Seconds for the same."""

Road = Literal["sequences", "conditions"]


@dataclass(frozen=True, slots=True)
class InStates:
    """A subsystem that can be in these states after a sequence, in the old and in the new revision; ``since`` is the
    happening after which it has differed all the time (0: from the start)."""

    subsystem: str
    old: tuple[str, ...]
    new: tuple[str, ...]
    since: int


@dataclass(frozen=True, slots=True)
class Divergence:
    """Where the two behave differently: after ``labels``, a sequence of both.

    ``states`` are the subsystems that can then be in other states, ``only_old`` and ``only_new`` what only one of them
    can go on with. ``causes`` are the changed definitions behind it. The runs are of each revision, in full.
    """

    labels: tuple[Label, ...]
    states: tuple[InStates, ...]
    only_old: tuple[Label, ...]
    only_new: tuple[Label, ...]
    causes: tuple[Part, ...]
    old_run: Trace | None
    new_run: Trace | None

    @property
    def faults(self) -> int:
        return sum(kind == "fault" for kind, _ in self.labels)


@dataclass(frozen=True, slots=True)
class Behaviours:
    """Everything about two revisions but their verdicts.

    ``equal`` is True where that is proved, False where a divergence is shown, None where a limit left it open
    (``reason`` says which). ``road`` is the one that settled it. Faults up to ``budget`` at once are in it.
    ``old`` and ``new`` are the systems, counted in one tick.
    """

    old: System
    new: System
    budget: int
    road: Road
    equal: bool | None
    reason: str
    parts: tuple[PartChange, ...]
    ways: tuple[WayChange, ...]
    divergences: tuple[Divergence, ...]
    unchanged: tuple[str, ...]
    added_faults: tuple[str, ...]
    removed_faults: tuple[str, ...]
    changed_faults: tuple[str, ...]
    same_claims: tuple[str, ...]
    meanings: Mapping[Meaning, bool]
    """Whether what both declare as an expression outside the logic is the same function."""
    moved: tuple[Moved, ...]
    seconds: float

    def same_verdicts(self, faults: int) -> bool:
        """Whether it is proved that every requirement that both have is judged alike under up to ``faults`` faults:
        no step differs, reactions included, and no claim."""
        shared = {r.name for r in self.old.requirements} & {r.name for r in self.new.requirements}
        alike = self.equal is True and self.road == "conditions" and self.budget >= faults
        return alike and shared <= set(self.same_claims)


def compare_behaviour(
    old: System, new: System, budget: int, limits: Limits | None = None, progress: Progress | None = None
) -> Behaviours:
    """Compare two systems under up to ``budget`` faults at once. A limit that is reached leaves it open, not equal."""
    limits = limits or Limits()
    started = time.monotonic()
    clock = Clock(limits.seconds, started)
    joint = join(old, new)

    def tell(what: str) -> None:
        clock.check()
        if progress is not None:
            progress(what, 0)

    for memory in growing_memory(joint.system, budget, limits.memory):
        try:
            found = _Search(joint, budget, memory, limits, clock, tell).run()
            return replace(found, seconds=time.monotonic() - started)
        except OutOfNodes:
            continue
    raise full(memory)


class _Search:
    def __init__(
        self, joint: Joint, budget: int, memory: int, limits: Limits, clock: Clock, tell: Callable[[str], None]
    ) -> None:
        self.joint = joint
        self.budget = budget
        self.limits = limits
        self.clock = clock
        self.tell = tell
        self.old, self.new = joint.old.system, joint.new.system
        tell("comparing conditions")
        self.views = Views(joint, budget, memory, clock.check)
        self.definitions = Definitions(self.views)
        theirs = {s.name for s in self.old.subsystems}
        self.names = tuple(s.name for s in self.new.subsystems if s.name in theirs)
        labels = [
            label_of(system, move.kind, move.number)
            for system in (self.new, self.old)
            for move in moves_of(system)
            if move.kind != "reaction"
        ]
        self.order = tuple(dict.fromkeys(labels))
        self.stepped = Stepped(self.old, budget), Stepped(self.new, budget)

    def run(self) -> Behaviours:
        parts = self.definitions.parts()
        equal: bool | None = None
        road: Road = "conditions"
        divergences: list[Divergence] = []
        reached: Diagram | None = None
        try:
            if self.views.same_start:
                self.tell("what both do alike")
                differing = self._differing()
                apart = any(not self._empty(where) for where in differing.values())
                if not apart and self._same_faults():
                    equal, reached = True, self.views.common.reached
                else:
                    self.tell("what each reaches")
                    reached = self.views.old.reached | self.views.new.reached
            else:
                differing = {}
                reached = self.views.old.reached | self.views.new.reached
            ways = self.definitions.ways(parts, reached)
            divergences = self._by_cause(ways, differing)
            exact = self._exact() if equal is None else None
            if exact is not None:
                road = "sequences"
                left = _shorter(exact.apart, divergences)
                divergences += [self._divergence(*group, ()) for group in _grouped(left)]
                if exact.complete and not exact.apart:
                    equal = True
            reason = "" if equal or divergences else "conditions differ where both come, but no sequence of one alone"
            reason = f"{reason} was found" if reason else ""
        except LimitReached as limit:
            ways = self.definitions.ways(parts, None)
            reason = str(limit)
        if divergences:
            equal = False
        added, removed, changed = fault_changes(self.old, self.new)
        before = {r.name: r for r in self.old.requirements}
        return Behaviours(
            old=self.old,
            new=self.new,
            budget=self.budget,
            road=road,
            equal=equal,
            reason=reason,
            parts=parts,
            ways=ways,
            divergences=tuple(sorted(divergences, key=lambda d: (d.faults, len(d.labels)))),
            unchanged=self.definitions.unchanged(ways),
            added_faults=added,
            removed_faults=removed,
            changed_faults=changed,
            same_claims=tuple(
                r.name
                for r in self.new.requirements
                if r.name in before and self.definitions.same_claim(before[r.name], r)
            ),
            meanings=self.definitions.meanings(),
            moved=self.definitions.moved(ways),
            seconds=0.0,
        )

    def _empty(self, members: Diagram) -> bool:
        return members == self.views.decisions.false

    def _same_faults(self) -> bool:
        """Whether the same faults can strike; without a budget none can."""
        keys = [{fault_key(s, f) for f in s.faults} for s in (self.old, self.new)]
        return not self.budget or keys[0] == keys[1]

    def _differing(self) -> dict[Key | str, Diagram]:
        """Where both come alike, and then only one has a step: by the way to move, or by the event that has become
        joint, or no longer is."""
        reached = self.views.common.reached
        found: dict[Key | str, Diagram] = {key: self.views.differs(key) & reached for key in self.views.both}
        for name, alike in self.views.alike.items():
            odd = ~alike & reached & self.views.calm
            own = [found[key] for key in self.views.both if key[3] == name]
            for where in own:
                odd = odd & ~where
            found[name] = odd
        return {key: where for key, where in found.items() if not self._empty(where)}

    # -- runs to a difference ---------------------------------------------------------------------

    def _by_cause(self, ways: tuple[WayChange, ...], differing: dict[Key | str, Diagram]) -> list[Divergence]:
        """For each changed definition a shortest run to where it first makes a difference, and what comes of it."""
        targets: dict[Part, dict[Key | str, Diagram]] = {}
        for way in ways:
            if way.key in differing:
                apart = {
                    cause: differing[way.key] & self.views.differs(way.key, self.definitions.alone(cause, way.key))
                    for cause in way.causes
                }
                if all(self._empty(where) for where in apart.values()):  # only together they make a difference
                    apart = dict.fromkeys(way.causes, differing[way.key])
                for cause, where in apart.items():
                    if not self._empty(where):
                        targets.setdefault(cause, {})[way.key] = where
        for key, where in differing.items():
            if isinstance(key, str):
                targets.setdefault(Part("event", key), {})[key] = where
        found: dict[tuple[tuple[Label, ...], bool], tuple[list[Apart], list[Part]]] = {}
        walker = JointWalker(self.views.common, self.joint, (self.joint.new, self.joint.old)) if targets else None
        for cause, wheres in targets.items():
            assert walker is not None
            self.tell(f"where {cause.name} makes a difference")
            where = disjoin(wheres.values(), self.views.decisions.false)
            trace = walker.shortest({0: self.views.common.fewest_faults(where)})
            assert trace is not None
            labels = tuple(
                label_of(self.joint.system, step.kind, step.number) for step in trace.steps if step.kind != "reaction"
            )
            events = [key if isinstance(key, str) else key[3] for key in wheres]
            for sequence, group in _grouped(self._onward(labels, [("event", name) for name in events if name])):
                aparts, causes = found.setdefault((sequence, any(one.only for one in group)), ([], []))
                causes.append(cause)
                if not aparts:
                    aparts.extend(group)
        return [self._divergence(sequence, group, causes) for (sequence, _), (group, causes) in found.items()]

    def _onward(self, labels: tuple[Label, ...], first: list[Label]) -> list[Apart]:
        """What comes of a difference in the logic after these happenings: the first happening of one alone, and the
        first states that only one can be in. Found by the reference step function."""
        there, here = (followed(behaviour, labels) for behaviour in self.stepped)
        if labels and (not there or not here):  # one of them goes round for ever
            return [Apart(labels, "old" if there else "new")] if there or here else []
        until = Clock(SECONDS_ONWARD)

        def on_work() -> None:
            self.clock.check()
            until.check()

        order = tuple(dict.fromkeys((*first, *self.order)))
        collected = Comparison()
        try:
            walk_apart(
                self.stepped[0],
                self.stepped[1],
                self.names,
                order,
                PAIRS_ONWARD,
                on_work,
                labels,
                stop_at_first=True,
                found=collected,
            )
        except LimitReached:
            self.clock.check()
        states = [one for one in collected.apart if one.only is None][:1]
        return [*states, *(one for one in collected.apart if one.only is not None)]

    def _divergence(self, labels: tuple[Label, ...], apart: Collection[Apart], causes: Collection[Part]) -> Divergence:
        """With the states that each can be in after the sequence, and a run of each."""
        stages = [[{b.seen(n, self.names) for n in nodes} for nodes in stages_of(b, labels)] for b in self.stepped]
        seen = [rows[-1] for rows in stages]
        states = []
        for place, name in enumerate(self.names):
            old, new = ([tuple(sorted({row[place] for row in rows})) for rows in stage] for stage in stages)
            alike = [n for n in range(len(labels) + 1) if old[n] == new[n]]
            if len(labels) not in alike:
                states.append(InStates(name, old[-1], new[-1], max(alike, default=-1) + 1))
        runs = []
        for number, system in enumerate((self.old, self.new)):
            behaviour, other = self.stepped[number], seen[1 - number]

            def own(state: State, behaviour: Stepped = behaviour, other: set[tuple[str, ...]] = other) -> bool:
                return behaviour.seen(state, self.names) not in other

            run = trace_of(system, labels, self.budget, own)
            runs.append(run if run is not None else trace_of(system, labels, self.budget))
        alone = {which: tuple(one.labels[-1] for one in apart if one.only == which) for which in ("old", "new")}
        return Divergence(labels, tuple(states), alone["old"], alone["new"], tuple(causes), runs[0], runs[1])

    # -- sequences --------------------------------------------------------------------------------

    def _exact(self) -> Comparison | None:
        """Every sequence of both, where both can be written down; None where they cannot."""
        self.tell("following all sequences")
        most = min(SMALL, self.limits.states or SMALL)
        written: list[Written] = []
        for system in (self.old, self.new):
            product = Product(system, min(self.budget, len(system.faults)), Limits(states=most))
            if product.shortfall:
                return None
            written.append(Written(product))
        found = walk_apart(written[0], written[1], self.names, self.order, MOST_PAIRS, self.clock.check)
        return found if found.complete or found.apart else None


def _shorter(apart: Collection[Apart], told: Collection[Divergence]) -> list[Apart]:
    """Those that are not told yet, or only at greater length."""
    best: dict[object, tuple[int, int]] = {}
    for d in told:
        length = d.faults, len(d.labels)
        alone = (*((x, "old") for x in d.only_old), *((x, "new") for x in d.only_new))
        for key in (*alone, *(s.subsystem for s in d.states)):
            best[key] = min(length, best.get(key, length))
    left = []
    for one in apart:
        sequence = one.labels[:-1] if one.only else one.labels
        length = sum(kind == "fault" for kind, _ in sequence), len(sequence)
        keys: list[object] = [(one.labels[-1], one.only)] if one.only else [*one.subsystems]
        if not keys or any(key not in best or length < best[key] for key in keys):
            left.append(one)
    return left


def _grouped(apart: Collection[Apart]) -> list[tuple[tuple[Label, ...], list[Apart]]]:
    """By the sequence of both, in the order found."""
    groups: dict[tuple[Label, ...], list[Apart]] = {}
    for one in apart:
        groups.setdefault(one.labels[:-1] if one.only else one.labels, []).append(one)
    return list(groups.items())
