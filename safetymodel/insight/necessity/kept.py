"""Which requirements surely stay as good as they are when one transition is changed, told without exploring anew.

What each verdict on the system as it is rests on is a set of states that its steps do not lead out of. Only where the
steps of the changed system do lead out of it (:meth:`Altered.strays`) is the set made larger until they no longer do.
It then holds all that the changed system can come to, perhaps more: so what is not in it does not come about. Where the
change takes no step away (`only_more`) it holds no more than that: then what is in it does come about.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

from safetymodel.claims.breach_states import TICK, breach_of, inside_window
from safetymodel.claims.verdict import Word
from safetymodel.claims.watch import lasting, opening
from safetymodel.explore.decisions import Diagram
from safetymodel.explore.encoding import Operation
from safetymodel.explore.engine import EVERY_STEP_BUT_TICKS, HAPPENINGS, REACTION
from safetymodel.explore.moves import Move
from safetymodel.explore.ordering import signal_support, support
from safetymodel.explore.pooling import moved_by
from safetymodel.explore.rounds import going_on, some_round
from safetymodel.explore.symbolic import SymbolicSpace
from safetymodel.insight.necessity.altered import Altered, Moves, altered_space
from safetymodel.insight.necessity.ways_back import Ways
from safetymodel.model.formula import Not
from safetymodel.model.system import Requirement

MOST_NODES = 3000
"""Nodes of the new states of one change, up to which they are looked at alone; all of the coach takes 11,000."""


@dataclass(frozen=True)
class Grown:
    """A changed system with the states beyond those of the system as it is that it can come to at most."""

    altered: Altered
    new: Diagram
    space: SymbolicSpace
    """The system as it is."""

    @cached_property
    def ways(self) -> Ways:
        """From everywhere."""
        changed = altered_space(self.space, self.altered, self.altered.reached | self.new)
        return Ways(self.space, self.altered, changed)

    @property
    def settled(self) -> Diagram:
        """Settled states that are new, or are settled only now."""
        return (self.new & self.altered.encoding.calm) | self.altered.calmed


class TooLarge(Exception):
    """More states are new than is worth while to look at for one change alone."""


def grown(space: SymbolicSpace, altered: Altered, most: int = MOST_NODES) -> Grown:
    """With all that it can come to. Raises :class:`TooLarge` where that takes more than so many nodes."""

    def known(found: Diagram) -> None:
        if found.node_count() > most:
            raise TooLarge

    if altered.new_at_once == altered.false:
        return Grown(altered, altered.false, space)
    return Grown(altered, altered.saturation().grow(altered.new_at_once, ~altered.reached, known), space)


def may_go_round(found: Grown) -> bool:
    """Whether reactions of the changed system can go on for ever, if those of the system as it is cannot.

    Such a round passes a state that is new, or one in which the changed transition is due only now.
    """
    altered = found.altered
    fresh = altered.false
    for move, _, where in altered.own:
        if move.kind == "reaction":
            fresh = fresh | (where & altered.encoding.due[move.number])
    # a round that stays among the states that are not new passes a fresh one; from these only a fresh one leads out
    here = altered.grown(fresh, altered.encoding.transient, REACTION) | (found.new & altered.encoding.transient)
    return going_on(altered.encoding, here, altered.on_work) != altered.false


class Rounds:
    """Whether reactions can go on for ever, by all states, reached or not."""

    def __init__(self, space: SymbolicSpace) -> None:
        self.space = space
        self.known: bool | None = None
        """What :attr:`none` says, once somebody has looked."""

    @property
    def none(self) -> bool:
        """Whether the reactions of the system as it is come to an end from every state."""
        if self.known is None:
            self.known = not some_round(self.space.symbolic.encoding, self.space.budget, self.space.on_work)
        return self.known

    def may(self, altered: Altered) -> bool:
        """Whether there may be such a round in the changed system: it passes a state in which the changed transition is
        due only now."""
        if not self.none:
            return True
        number, old = altered.change.transition, self.space.symbolic.encoding
        room = old.flags_at_most[self.space.budget] & altered.encoding.transient
        fresh = room & altered.encoding.due[number] & ~old.due[number]
        if fresh == altered.false:
            return False
        reaction = next(op for move, op, _ in altered.own if move.kind == "reaction")
        again = altered.grown(reaction.image(fresh), room, REACTION) & fresh
        while again not in (altered.false, fresh):  # fewer lead back to such a state
            fresh = again
            again = altered.grown(reaction.image(fresh), room, REACTION) & fresh
        return again != altered.false


@dataclass
class Kept:
    """What the verdict on one requirement rests on. ``space`` has the states of the system as it is in which the
    requirement is asked, ``few`` all states with no more faults than there. It passes, and nothing goes round."""

    space: SymbolicSpace
    requirement: Requirement
    few: Diagram
    holds: bool
    _inside: Diagram | None = None
    _reacting: Diagram | None = None
    _ages: list[Diagram] | None = None

    def may_become(self, found: Grown) -> Word | None:
        """`broken`, or `reacts` where it holds, if it may be so in the changed system; surely so if that has
        `only_more`."""
        if self.requirement.form in ("never", "always") or self._at_once:
            return self._in_bad_state(found)
        return "broken" if self._may_break(found) else None

    @property
    def _at_once(self) -> bool:
        return self.requirement.form == "cause" and self.requirement.within is None

    def _may_break(self, found: Grown) -> bool:
        match self.requirement.form:
            case "possible":
                # what faults from the start keep away is told by runs, which are all still there, or are not
                return bool(self.space.budget) and not found.altered.only_more
            case "always_possible":
                return found.ways.may_be_lost(self.requirement.subject, self.few)
            case "permissive":
                assert self.requirement.allowed is not None
                return self._turned_on(found, Not(self.requirement.allowed))
            case "start":
                return self._started(found)
            case _:
                return self._late(found)

    # -- states -----------------------------------------------------------------------------

    def _in_bad_state(self, found: Grown) -> Word | None:
        altered, formula = found.altered, self.space.symbolic.encoding.formula
        new, old = found.new, altered.reached
        if self.requirement.begins is None and new == altered.false == altered.calmed:
            return None
        bad = formula(breach_of(self.requirement)) & self.few
        if self.requirement.begins is not None:
            new, old = self._newly_inside(found)
        breaks = new & bad
        if not self.requirement.prevent:
            breaks = (breaks & altered.encoding.calm) | (old & altered.calmed & bad)
        if breaks != altered.false:
            return "broken"
        return "reacts" if self.holds and new & bad != altered.false else None

    def _newly_inside(self, found: Grown) -> tuple[Diagram, Diagram]:
        """The states inside the window that were not, and those that were."""
        altered, formula = found.altered, self.space.symbolic.encoding.formula
        if self._inside is None:
            self._inside = inside_window(self.space, self.requirement)
        inside, calm = self._inside, altered.encoding.calm
        ends = formula(self.requirement.ends) if self.requirement.ends is not None else altered.false
        room = self.few & ~(calm & ends) & ~inside
        # where the window ended while that state was settled, it goes on now
        seeds = (found.settled & formula(opening(self.requirement))) | (altered.stirred & ends) | altered.strays(inside)
        return altered.grown(seeds, room), inside

    # -- steps ------------------------------------------------------------------------------

    def _moves(self, altered: Altered) -> Moves:
        """Those that can turn the subject on."""
        system = self.space.system
        read = support(self.requirement.subject, signal_support(system))

        def can(move: Move) -> bool:
            moved = moved_by(move, system)
            return move.kind != "tick" and (moved is None or bool(moved & read))

        return tuple((move, op) for move, op in altered.encoding.moves if can(move))

    def _turned_on(self, found: Grown, before: Not) -> bool:
        altered, formula = found.altered, self.space.symbolic.encoding.formula
        off = self.few & ~formula(self.requirement.subject) & formula(before)
        on = self.few & formula(self.requirement.subject)
        moves = self._moves(altered)
        happenings = tuple((move, op) for move, op in moves if move.kind != "reaction")
        if altered.image(found.new & off, moves) & on != altered.false:
            return True
        landed = altered.image(altered.calmed & off, happenings)
        for move, operation, where in altered.own:
            here = where & off
            landed = landed | operation.image(here if move.kind == "reaction" else here & altered.encoding.calm)
        return landed & on != altered.false

    def _started(self, found: Grown) -> bool:
        """A start by what is not listed: at once, or by a reaction to it."""
        altered, formula = found.altered, self.space.symbolic.encoding.formula
        on = self.few & formula(self.requirement.subject)
        off = self.few & ~on
        own = self.requirement.only_by
        listed = [Move("event", number) for number in own]
        unlisted: list[tuple[Move, Operation]] = [
            (move, op) for move, op in altered.moves(HAPPENINGS) if move not in listed
        ]
        if self._reacting is None:
            events = frozenset(e.number for e in self.space.system.events) - frozenset(own)
            landed = self.space.union(self.space.after(self.space.settled, HAPPENINGS, events), self.space.start)
            self._reacting = self.space.spread(landed, REACTION, None, self.space.reached)
        reacting = self._reacting
        at_once = altered.image(found.settled & off, unlisted)
        seeds = altered.image(found.settled & self.few, unlisted)
        later = altered.false
        for move, operation, where in altered.own:
            if move.kind == "reaction":
                later = later | operation.image(where & reacting & off)
                seeds = seeds | operation.image(where & reacting)
            elif move not in listed:
                here = where & altered.encoding.calm & self.few
                at_once = at_once | operation.image(here & off)
                seeds = seeds | operation.image(here)
        more = altered.grown(seeds, self.few & ~reacting, REACTION)
        later = later | altered.image(more & off, altered.moves(REACTION))
        return (at_once | later) & on != altered.false

    # -- time -------------------------------------------------------------------------------

    def _late(self, found: Grown) -> bool:
        """Whether the cause may last without the effect for longer: round by round what it has lasted is carried on."""
        altered, formula = found.altered, self.space.symbolic.encoding.formula
        within = self.requirement.within
        assert within is not None
        waiting = formula(lasting(self.requirement))
        if self._ages is None:
            self._ages = self._lasted(waiting, within)
        calm, false = altered.encoding.calm, altered.false
        over = self.space.settled & ~waiting
        goes_on = over & altered.stirred
        room = self.few & ~(calm & ~waiting)
        ticks, happenings, moves = altered.moves(TICK), altered.moves(HAPPENINGS), altered.encoding.moves
        quick = tuple((move, op) for move, op in moves if move.kind != "tick")
        before = new_before = false
        for age in range(within + 1):
            known = self._ages[age] if age < len(self._ages) else false
            seeds = altered.strays(known, EVERY_STEP_BUT_TICKS)
            if age == 0:
                seeds = seeds | altered.image(found.settled & self.few & ~waiting, happenings)
                seeds = seeds | altered.strays(over) | goes_on
            else:
                seeds = seeds | altered.image(new_before, ticks) | altered.image(before & altered.calmed, ticks)
                if goes_on != false:
                    seeds = seeds | (goes_on & (altered.image(known, quick) | altered.image(before, ticks)))
            new = altered.grown(seeds, room & ~known, EVERY_STEP_BUT_TICKS)
            if age == within:
                return (new & calm & waiting) | (known & altered.calmed & waiting) != false
            before, new_before = known, new
        return False

    def _lasted(self, waiting: Diagram, within: int) -> list[Diagram]:
        """For each number of ticks: the states passed when the wait has lasted so long, reactions included."""
        space = self.space
        room = space.minus(space.reached, space.minus(space.settled, waiting))
        begun = space.union(space.after(space.minus(space.settled, waiting), HAPPENINGS), space.start)
        ages = [space.spread(space.common(begun, room), EVERY_STEP_BUT_TICKS, None, room)]
        while len(ages) <= within:
            landed = space.common(space.after(ages[-1], TICK), room)
            if space.is_empty(landed):
                break
            ages.append(space.spread(landed, EVERY_STEP_BUT_TICKS, None, room))
        return ages
