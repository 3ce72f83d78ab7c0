"""Small sets of states that no step leads out of, seen through the few subsystems that a requirement is about.

What the others forbid is allowed there, so there is more in such a set than can be reached. It is little as a diagram,
though, and often enough to show that a requirement is kept; then it is a proof that another kind of solver can follow,
and one that a change of another subsystem leaves alone.
"""

from __future__ import annotations

import copy
from collections.abc import Callable, Iterable, Iterator

from safetymodel.claims.breach_states import breach_of
from safetymodel.claims.verdict import Word
from safetymodel.claims.watch import INSIDE, Watch, is_plain
from safetymodel.explore.cone import through_subsystems
from safetymodel.explore.decisions import Diagram, disjoin
from safetymodel.explore.encoding import Encoding, Operation
from safetymodel.explore.moves import Move, moves_of
from safetymodel.model.system import Requirement

MOST_NODES = 12_000
"""A larger set is no small proof any more."""


class TooLarge(Exception):
    """The set has more than :data:`MOST_NODES`."""


class PartInvariant:
    """What a run can be in if only some subsystems are looked at, by the value of a watch, which reads no others.

    ``sets`` holds it.
    """

    def __init__(
        self,
        encoding: Encoding,
        subsystems: frozenset[int],
        watch: Watch,
        few: Diagram,
        start: Diagram,
        work: Callable[[], None],
        about: tuple[Requirement, Word] | None = None,
    ) -> None:
        """``few``: all states with no more than the faults that are looked at. ``about``: the set is looked for no
        further once this is not kept (:meth:`keeps`). Raises TooLarge, and what ``work`` raises."""
        self.subsystems = subsystems
        self.watch = watch
        self.few = few
        self._false = encoding.decisions.false
        self._work = work
        self._start = start
        self._about = about
        self._steps: dict[Move, Operation] = {}
        self._settled: dict[int, Diagram] = {}
        self._leaping: list[tuple[Diagram, Diagram]] | None = None
        self._through = through_subsystems(encoding, subsystems)
        # seen so, a state can be both
        self._calm = self._through.seen(encoding.calm)
        self._passing = self._through.seen(encoding.transient)
        self._look_through(encoding, None)
        self.sets: dict[int, Diagram] = {}
        self._begin()

    # -- the same for a changed system --------------------------------------------------------

    def changed(self, encoding: Encoding, moves: Iterable[Move], calmed: Diagram, due: Diagram) -> PartInvariant:
        """For a system of the same bits that differs in these moves, in that the states ``calmed`` settle too, and in
        that a reaction is ``due`` now where it may not have been. Raises TooLarge, and what ``work`` raises."""
        other = copy.copy(self)
        changed = tuple(moves)
        other._steps = dict(self._steps)
        other._look_through(encoding, changed)
        other._settled = {}
        other._leaping = None
        calmed = self._through.seen(calmed) & ~self._calm
        passing = self._through.seen(due) & ~self._passing
        other._calm, other._passing = self._calm | calmed, self._passing | passing
        other.sets = dict(self.sets)
        if not is_plain(self.watch) and any(members & passing != self._false for members in self.sets.values()):
            # what has always settled there, and then had another value, can pass now
            other.sets = {}
            other._begin()
        elif other._strays(changed, calmed):
            other._grow()
        return other

    def touched(self, moves: Iterable[Move], calmed: Diagram, due: Diagram) -> bool:
        """Whether such a change can make any difference here."""
        if any(self._through.concerns(move) for move in moves):
            return True
        seen = self._through.seen
        return seen(calmed) & ~self._calm != self._false or seen(due) & ~self._passing != self._false

    def _strays(self, moves: Iterable[Move], calmed: Diagram) -> bool:
        """Add what these moves lead to, and what happens in states that settle only now; whether any is new."""
        grown = False
        for value, members in tuple(self.sets.items()):
            here = members & calmed
            if here != self._false and self._land(value, here):
                grown = True
        for move in moves:
            for value, members in tuple(self.sets.items()):
                if move in self._steps and self._step(move, self._steps[move], value, members):
                    grown = True
        for value, members in tuple(self.sets.items()):
            here = members & calmed
            if here != self._false:
                for happening, operation in self._happenings():
                    if self._step(happening, operation, value, here):
                        grown = True
        return grown

    # -- states -----------------------------------------------------------------------------

    def _look_through(self, encoding: Encoding, moves: tuple[Move, ...] | None) -> None:
        """The encoding through the subsystems; ``moves``: of the steps only these are other ones than they were."""
        self._formula = encoding.formula
        for move in moves or ():
            self._steps.pop(move, None)
        for move, operation in encoding.moves:
            if (moves is None or move in moves) and self._through.concerns(move):
                seen = self._through.operation(operation)
                # a fault too many is no step
                if move.kind != "fault" or seen.image(self.few) & self.few != self._false:
                    self._steps[move] = seen
        unseen = (
            move
            for move in moves_of(encoding.system)
            if move.kind not in ("reaction", "fault") and move not in self._steps
        )
        classes = [meant for meant, _ in self.watch.classes]
        alike = {next(n for n, meant in enumerate(classes) if meant.covers(m.kind, m.number)): m for m in unseen}
        # a happening of the others is a step too: it may change the watch
        self._unseen = () if is_plain(self.watch) else tuple(alike.values())

    def _begin(self) -> None:
        self._land(self.watch.first, self._through.seen(self._start))
        self._grow()

    def _happenings(self) -> Iterator[tuple[Move, Operation | None]]:
        yield from ((move, operation) for move, operation in self._steps.items() if move.kind != "reaction")
        yield from ((move, None) for move in self._unseen)

    def _grow(self) -> None:
        grown = True
        steps = (*self._steps.items(), *((move, None) for move in self._unseen))
        while grown:
            grown = False
            for move, operation in steps:
                self._work()
                for value in tuple(self.sets):
                    while self._step(move, operation, value, self.sets[value]):
                        grown = True
                        if move.kind != "tick":
                            break  # only clocks run on at once for as long as that leads to something new
            if self._about is not None and not self.keeps(*self._about):
                return
            if any(members.node_count() > MOST_NODES for members in self.sets.values()):
                raise TooLarge

    def _step(self, move: Move, operation: Operation | None, value: int, members: Diagram) -> bool:
        reacts = move.kind == "reaction"
        source = members if reacts else members & self.settled_with(value)
        landed = source if operation is None else operation.image(source)
        if move.kind == "fault":
            landed = landed & self.few
        if not reacts:
            classes = self.watch.classes
            value = next(becomes for meant, becomes in classes if meant.covers(move.kind, move.number))(value)
        return landed != self._false and self._land(value, landed)

    def settled_with(self, value: int) -> Diagram:
        """Where a settled run can be that has this value: the value that it had on landing may be another."""
        found = self._settled.get(value)
        if found is None:
            found = self._false
            for before in self.watch.values:
                rest = self._calm
                for formula, new in self.watch.settling(before):
                    where = self._formula(formula)
                    if new == value:
                        found = found | (rest & where)
                    rest = rest & ~where
                if before == value:
                    found = found | rest
            self._settled[value] = found
        return found

    def _land(self, value: int, landed: Diagram) -> bool:
        """Add where a run is that comes to these states with this value; whether any is new."""
        grown = False
        for new, members in self._values(value, landed):
            if new not in self.watch.values:
                continue  # beyond what a run can go on from: that leap is asked of the sets
            known = self.sets.get(new, self._false)
            if members & ~known != self._false:
                self.sets[new] = known | members
                grown = True
        return grown

    def _values(self, value: int, landed: Diagram) -> Iterator[tuple[int, Diagram]]:
        rules = self.watch.settling(value)
        if not rules:
            yield value, landed
            return
        # what may pass keeps its value until it comes to rest; from then on it has the new one
        yield value, landed & self._passing
        settled = landed & self._calm
        for formula, new in rules:
            where = self._formula(formula)
            yield new, settled & where
            settled = settled & ~where
        yield value, settled

    # -- requirements -----------------------------------------------------------------------

    def keeps(self, requirement: Requirement, word: Word) -> bool:
        """Whether nothing in the sets, and no step from them, breaks the requirement: for the verdict `holds` in no
        state, else in no settled one."""
        inside = INSIDE if requirement.begins is not None else self.watch.first
        for leap, (reacting, happening) in zip(self.watch.leaps, self._before_leaps(), strict=True):
            for value, members in self.sets.items():
                if leap.values is not None and value not in leap.values:
                    continue
                if members & reacting != self._false:
                    return False
                here = members & happening
                if here != self._false and here & self.settled_with(value) != self._false:
                    return False
        if self.watch.leaps:
            return True
        bad = self.sets.get(inside, self._false) & self._formula(breach_of(requirement)) & self.few
        if word != "holds" and not requirement.prevent:
            bad = bad & self.settled_with(inside)
        return bad == self._false

    def _before_leaps(self) -> list[tuple[Diagram, Diagram]]:
        """For each leap from where a reaction takes it, and from where in a settled state something else does."""
        if self._leaping is None:
            self._leaping = []
            for leap in self.watch.leaps:
                before, after = self._formula(leap.before) & self.few, self._formula(leap.after) & self.few
                rows: dict[bool, list[Diagram]] = {True: [], False: []}
                for move, operation in self._steps.items():
                    if leap.steps.covers(move.kind, move.number):
                        rows[move.kind == "reaction"].append(operation.source(after) & before)
                self._leaping.append((disjoin(rows[True], self._false), disjoin(rows[False], self._false)))
        return self._leaping
