"""One changed system explored by itself, from what is surely known of it, and asked after each stage.

First all that it comes to without faults; then with one fault, those that the changed transition has to do with first.
As soon as a requirement is seen to notice the change the rest is not explored. Where no requirement withstands more
than one fault every state has been seen in the end, and the change is known.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import dataclass, replace

from safetymodel.claims.clock import Clock
from safetymodel.claims.part_proof import asks_of_every_run
from safetymodel.claims.verdict import Word
from safetymodel.claims.watch import opening
from safetymodel.explore.decisions import Diagram, disjoin
from safetymodel.explore.engine import WITHOUT_FAULTS, going_round, no_limit
from safetymodel.explore.moves import Move
from safetymodel.explore.ordering import support
from safetymodel.explore.symbolic import SymbolicSpace
from safetymodel.insight.necessity.altered import Altered, altered_space
from safetymodel.insight.necessity.batch import PartOfSpace
from safetymodel.insight.necessity.kept import TooLarge, grown
from safetymodel.insight.necessity.looks import Look, Looks, Watched
from safetymodel.insight.necessity.mirrors import Asked
from safetymodel.insight.necessity.record import Record
from safetymodel.insight.necessity.verdicts import Told
from safetymodel.insight.necessity.ways_back import Ways
from safetymodel.insight.necessity.witness import doubtful, needed
from safetymodel.insight.standing import RANK, word_of
from safetymodel.model.step import Kind
from safetymodel.model.system import Fault, Requirement, System

ONE_FAULT: tuple[Kind, ...] = (*WITHOUT_FAULTS, "jump")

MOST_NODES = 12_000
"""Nodes of the states that are new, up to which ways back are looked for before anything is explored."""

LOOK_AGAIN = 4
"""A look at what is known so far costs about as much as so many rounds of growing it."""


class Seen(Exception):
    """A requirement (name) notices the change, with the verdict that it then has at best."""

    def __init__(self, name: str, word: Word) -> None:
        super().__init__(name)
        self.name = name
        self.word = word


class GoesRound(Exception):
    """The logic can go round for ever."""


class AllArise(Exception):
    """Every situation that was looked for comes about, and nothing else was asked."""


@dataclass
class _Left:
    """Those that have to be asked: they may be worse off, or it is only not known whether their situation arises."""

    open: list[Requirement]
    silent: list[Requirement]

    def __bool__(self) -> bool:
        return bool(self.open or self.silent)


class Alone:
    """Over the states of the system as it is, in which nothing goes round for ever. ``record`` may end where only a
    fault leads on."""

    def __init__(
        self, space: SymbolicSpace, record: Record, asked: Asked, on_work: Callable[[], None] = no_limit
    ) -> None:
        self.space = space
        self.record = record
        self.asked = asked
        self.on_work = on_work
        self.clock = Clock()
        self.system: System = space.system
        encoding = space.symbolic.encoding
        self.false = encoding.decisions.false
        self.looks = Looks(encoding, asked, on_work)
        self._calm_room = encoding.flags_at_most[0]
        self._signals = encoding.signal_support
        self._needs: dict[tuple[str, int], tuple[Diagram, ...]] = {}

    def ways_kept(self, altered: Altered, known: Told) -> Told:
        """Less is left open of what is ``known``: what can surely still be brought about from everywhere, even from
        more states than the changed system comes to. Quicker for many changes one after the other."""
        asked = [r for r in self.system.requirements if r.name in known.open and r.form == "always_possible"]
        try:
            ways = grown(self.space, altered, MOST_NODES).ways
        except TooLarge:
            return known
        budget = self.space.budget
        kept = {r.name for r in asked if not ways.may_be_lost(r.subject, self._few(r, budget))}
        return replace(known, open=known.open - kept)

    def told(self, altered: Altered, known: Told) -> Told:
        """Who notices, if one of those that are left does, or whether it can go round for ever. ``known``: what can be
        told of the change without exploring it. Less is left open of it, or as much, where that takes more faults than
        are looked at."""
        by_name = {r.name: r for r in self.system.requirements}
        left = _Left(
            [by_name[name] for name in sorted(known.open, key=lambda name: by_name[name].number)],
            [by_name[name] for name in sorted(known.silent, key=lambda name: by_name[name].number)],
        )
        try:
            done = self._told(altered, left, known.rounds)
        except AllArise:
            return Told({})
        except Seen as seen:
            return Told({seen.name: seen.word})
        except GoesRound:
            return Told({}, True)
        if done:
            return Told({})
        return Told(
            {}, False, frozenset(r.name for r in left.open), known.rounds, frozenset(r.name for r in left.silent)
        )

    def _told(self, altered: Altered, left: _Left, rounds: bool) -> bool:
        """Whether everything is known now. Raises :class:`Seen`."""
        looks = self.looks.of(altered, left.open)
        found = self._without_faults(altered, looks, self._arising(altered, left, rounds, 0))
        if self.space.budget == 0:
            self._at_last(altered, found, left, rounds)
            return True
        late: list[Requirement] = []
        if altered.differing & self._calm_room != self.false:
            if self._wait_for_faults(left.open):
                # with faults others are more likely to notice than those that take long
                late = [r for r in left.open if r.form == "always_possible"]
            self._ask(altered, found, [r for r in left.open if r not in late], 0)
        # what is asked without faults is known now; so is that something comes about, if it does
        left.open = [r for r in left.open if r.withstand or r in late]
        self._drop_what_arises(altered, found, left, 0)
        if not (left or rounds):
            return True
        without = found
        groups = self._by_nearness(altered)
        if not any(asks_of_every_run(r) for r in left.open):
            # there is nothing to look for before all is known, but for what arises with faults
            silent = () if left.open or rounds else self._read_by(left.silent)
            groups = (silent, tuple(fault for fault in self.system.faults if fault not in silent))
        for faults in filter(None, groups):
            arising = self._arising(altered, left, rounds, 1)
            new, changed = self._with_one_of(altered, without, faults, looks, arising)
            found = found | new
            if changed and faults is not groups[-1]:
                self._ask(altered, without | new, left.open, 1)
                if not (left.open or rounds):
                    self._drop_what_arises(altered, without | new, left, 1)
                    if not left:
                        return True
        if self.space.budget == 1:
            self._at_last(altered, found, left, rounds)
            return True
        return False

    def _drop_what_arises(self, altered: Altered, found: Diagram, left: _Left, faults: int) -> None:
        """Those of the silent whose situation comes about among these states, with so many faults at the most. Raises
        :class:`Seen` where that has to be without faults, and it does not."""
        space = altered_space(self.space, altered, found)
        for requirement in tuple(left.silent):
            members = self._needed(requirement, faults)
            if requirement.withstand > faults and any(m == self.false for m in members):
                continue  # only with more faults
            if all(m & found != self.false for m in self._seen_at_once(altered, requirement, faults)):
                left.silent.remove(requirement)
                continue
            word = word_of(self._part(space, requirement, faults), requirement, self.clock)
            if RANK[word] >= RANK[self.asked.words[requirement.name]]:
                left.silent.remove(requirement)
            elif requirement.withstand == faults == 0:
                raise Seen(requirement.name, word)

    def _arising(self, altered: Altered, left: _Left, rounds: bool, faults: int) -> list[Diagram] | None:
        """Sets of states, of each of which one has to come about with so many faults at the most; None where something
        else is asked as well."""
        if left.open or rounds:
            return None
        return [m for r in left.silent for m in self._seen_at_once(altered, r, faults)]

    def _seen_at_once(self, altered: Altered, requirement: Requirement, faults: int) -> list[Diagram]:
        """If a state of each of these sets is reached, the situation of the requirement comes about; in a window: it
        opens there."""
        here = ~doubtful(requirement, altered)
        members = [m & here for m in self._needed(requirement, faults)]
        if requirement.begins is None:
            return members
        encoding = self.space.symbolic.encoding
        begins = encoding.calm & encoding.formula(opening(requirement))
        return [m & begins for m in members]

    def _needed(self, requirement: Requirement, faults: int) -> tuple[Diagram, ...]:
        """Reached states with so many faults at the most, of each set of which one has to come about."""
        found = self._needs.get((requirement.name, faults))
        if found is None:
            part = self._part(self.space, requirement, faults)
            found = self._needs[requirement.name, faults] = needed(part, requirement)
        return found

    def _read_by(self, requirements: Collection[Requirement]) -> tuple[Fault, ...]:
        """The faults of what these read."""
        read = frozenset[int]().union(*(support(f, self._signals) for r in requirements for f in r.formulas))
        return tuple(fault for fault in self.system.faults if self._touches(fault, read))

    def _touches(self, fault: Fault, subsystems: frozenset[int]) -> bool:
        if fault.kind == "signal":
            return bool(support(self.system.signals[fault.subject].reads, self._signals) & subsystems)
        return fault.subject in subsystems

    def _wait_for_faults(self, requirements: Iterable[Requirement]) -> bool:
        """Whether one of them may be seen to break with faults before all is known."""
        return self.space.budget == 1 and any(r.withstand and asks_of_every_run(r) for r in requirements)

    # -- states -----------------------------------------------------------------------------

    def _without_faults(
        self, altered: Altered, looks: tuple[Look | Watched, ...], arising: list[Diagram] | None
    ) -> Diagram:
        room = self._calm_room
        differing = altered.differing & room
        if differing == self.false:
            return self.space.reached & room
        before = self.record.before(differing)
        known = self.space.start if before is None else before[0] & room
        return self._grown(altered, known, room, WITHOUT_FAULTS, looks, arising)

    def _with_one_of(
        self,
        altered: Altered,
        without: Diagram,
        faults: Sequence[Fault],
        looks: tuple[Look | Watched, ...],
        arising: list[Diagram] | None,
    ) -> tuple[Diagram, bool]:
        """What it comes to with one of these faults, and whether that may be something else than before."""
        encoding = altered.encoding
        flags = disjoin((encoding.flag(fault.number) for fault in faults), self.false)
        room = flags & encoding.flags_at_most[1]
        calm_before = self.space.reached & self._calm_room
        turned = (altered.calmed | altered.stirred) & calm_before
        if altered.differing & room == self.false == turned and without == calm_before:
            return self.space.reached & room, False
        strikes = {Move("fault", fault.number) for fault in faults}
        calm = without & encoding.calm
        struck = disjoin((op.image(calm) & room for move, op in encoding.moves if move in strikes), self.false)
        return self._grown(altered, struck, room, ONE_FAULT, looks, arising), True

    def _grown(
        self,
        altered: Altered,
        members: Diagram,
        room: Diagram,
        kinds: Collection[Kind],
        looks: tuple[Look | Watched, ...],
        arising: list[Diagram] | None,
    ) -> Diagram:
        """``arising``: of each of these sets one has to come about, and nothing else is asked; those of which one has
        are left out. Raises :class:`Seen`, and :class:`AllArise` with the last of them."""
        calls = 0

        def look(found: Diagram) -> None:
            for each in looks:
                if isinstance(each, Look) and each.seen(found) != self.false:
                    raise Seen(each.requirement.name, each.word)
            if arising is not None:
                arising[:] = [m for m in arising if m & found == self.false]
                if not arising:
                    raise AllArise

        def kept(found: Diagram) -> Diagram:
            nonlocal calls
            self.on_work()
            if calls % LOOK_AGAIN == 0:
                look(found)
            calls += 1
            return found

        grown = altered.saturation(kinds).grow(members, room, None, kept)
        look(grown)
        return grown

    def _by_nearness(self, altered: Altered) -> tuple[tuple[Fault, ...], tuple[Fault, ...]]:
        """The faults that the changed transition has to do with, and the others."""
        t = self.system.transitions[altered.change.transition]
        read = support(t.interlock, self._signals) | support(t.physical, self._signals) | {t.subsystem}
        near = tuple(fault for fault in self.system.faults if self._touches(fault, read))
        return near, tuple(fault for fault in self.system.faults if fault not in near)

    # -- questions --------------------------------------------------------------------------

    def _ask(self, altered: Altered, found: Diagram, asked: Collection[Requirement], faults: int) -> None:
        """What looks at states and steps do not show among these states, which no step leads out of but a new fault.
        Raises :class:`Seen`."""
        space, ways = self._explored(altered, found)
        for requirement in sorted(asked, key=_costs):
            if requirement.form == "always_possible":
                # it takes long, and with faults more is asked
                wanted = faults == 0 == requirement.withstand
            else:
                wanted = _slow(requirement) or (faults == 0 and _all_seen_without(requirement))
            if wanted:
                self._decide(space, ways, requirement, faults, faults == 0 == requirement.withstand)

    def _explored(self, altered: Altered, found: Diagram) -> tuple[SymbolicSpace, Ways]:
        """All that the changed system comes to, with so many faults as are looked at."""
        space = altered_space(self.space, altered, found)
        return space, Ways(self.space, altered, space)

    def _decide(
        self, space: SymbolicSpace, ways: Ways, requirement: Requirement, faults: int, everywhere: bool
    ) -> None:
        """Raises :class:`Seen` if the requirement notices, under so many faults at the most. ``everywhere``: these are
        all states in which it is asked."""
        before = self.asked.words[requirement.name]
        word: Word
        if requirement.form == "always_possible":
            if not ways.may_be_lost(requirement.subject, self._few(requirement, faults)):
                return
            word = "broken"
        else:
            word = word_of(self._part(space, requirement, faults), requirement, self.clock)
        if word == "empty" and not everywhere:
            return  # with other faults it may arise
        if RANK[word] < RANK[before]:
            raise Seen(requirement.name, word)

    def _few(self, requirement: Requirement, faults: int) -> Diagram:
        """All states in which it is asked, with so many faults at the most."""
        return self.asked.few(self.space.symbolic.encoding, requirement, faults)

    def _part(self, space: SymbolicSpace, requirement: Requirement, faults: int) -> SymbolicSpace:
        part = PartOfSpace(space.symbolic, min(requirement.withstand, faults), self._few(requirement, faults))
        part.on_work = self.on_work
        return part

    def _at_last(self, altered: Altered, found: Diagram, left: _Left, rounds: bool) -> None:
        """Every state is known. Raises :class:`Seen` or :class:`GoesRound`."""
        space, ways = self._explored(altered, found)
        if rounds and not space.is_empty(going_round(space, space.transient)):
            raise GoesRound
        space.symbolic.chatters = False
        for requirement in sorted((*left.open, *left.silent), key=_costs):
            self._decide(space, ways, requirement, self.space.budget, True)


_ORDER = ("possible", "never", "always", "permissive", "start", "cause", "always_possible")


def _all_seen_without(requirement: Requirement) -> bool:
    """Whether what happens without faults is all that counts, or is enough to break it."""
    return requirement.withstand == 0 or requirement.form == "possible"


def _slow(requirement: Requirement) -> bool:
    """Whether it takes more than a look at states and steps."""
    timed = requirement.form == "cause" and requirement.within is not None
    return requirement.begins is not None or timed or requirement.form == "always_possible"


def _costs(requirement: Requirement) -> tuple[bool, int, int]:
    """What is quickly judged, and often noticed, first."""
    return _slow(requirement), _ORDER.index(requirement.form), requirement.number
