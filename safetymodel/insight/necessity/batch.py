"""Many changed systems explored at once, and which requirements notice which of them.

The requirements are asked one after the other, the quickest first. A changed system is left out of the next question
once it is noticed, unless everybody who notices is asked for. (Letting go of it while its states are still being
explored costs more than it saves.)
"""

from __future__ import annotations

import copy
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass

from safetymodel.claims.clock import Clock
from safetymodel.claims.verdict import Word
from safetymodel.explore.cone import cone_of
from safetymodel.explore.decisions import Diagram, disjoin
from safetymodel.explore.encoding import Encoding
from safetymodel.explore.engine import LimitReached, Limits, Progress, going_round
from safetymodel.explore.memory import within_memory
from safetymodel.explore.symbolic import Symbolic, SymbolicSpace
from safetymodel.insight.necessity.changes import Change
from safetymodel.insight.necessity.mirrors import Asked
from safetymodel.insight.necessity.variants import Varied, varied
from safetymodel.insight.standing import RANK, Signs, signs_of, word_of
from safetymodel.model.system import Requirement, System

Noticed = dict[int, dict[str, Word]]
"""For each change (number) the requirements (names) that notice it, with the verdict that they then get."""


@dataclass(frozen=True, slots=True)
class Found:
    """``chatter``: the changes (numbers) by which the logic can go round for ever, if it cannot as it is."""

    noticed: Noticed
    chatter: frozenset[int]


def look(
    system: System,
    changes: Sequence[Change],
    budget: int,
    asking: Asked,
    everything: bool,
    chatters: bool,
    clock: Clock,
    limits: Limits,
    progress: Progress | None = None,
    may: Mapping[int, Collection[str]] | None = None,
) -> Found:
    """Who notices these changes under up to ``budget`` faults, or fewer where a requirement withstands fewer. ``may``:
    for each change (number) the requirements (names) that can notice it at all.

    ``asking`` has the verdicts on the system as it is; ``chatters``: it can go round for ever as it is. With
    ``everything`` each requirement that notices is found; without, at least one for each change that is noticed at
    all, and none where the change brings chatter.
    """
    words = asking.words
    many = varied(system, changes)
    asked = [r for r in system.requirements if words[r.name] != "broken"]
    noticed: Noticed = {c.number: {} for c in changes}
    symbolic = Symbolic(many.system, budget, clock.within(limits), progress, tuple(many.starts()))
    if symbolic.shortfall:
        raise LimitReached(symbolic.shortfall)
    seen = _Choosers(many, symbolic.encoding)
    with within_memory(symbolic.memory):
        whole = SymbolicSpace(symbolic)
        whole.on_work = clock.check
        declared = asking.declared(symbolic.encoding)
        rough = seen.of(going_round(whole, whole.transient))
        chatter = frozenset(c.number for c in changes if rough & seen.where[c.number] != seen.false)
        for goes_round in (False, True) if everything or chatters else (False,):
            # where nothing chatters much can be left out of a question
            part = copy.copy(symbolic)
            part.chatters = goes_round
            left = symbolic.reached & (rough if goes_round else ~rough)
            if left == seen.false:
                continue
            here = [c for c in changes if (c.number in chatter) == goes_round]
            for requirement in sorted(asked, key=_costs):
                clock.check()
                if progress:
                    progress(f"necessity: {requirement.name}", 0)
                here_asked = left & declared if requirement.name in asking.plain else left
                concerned = here
                if not goes_round and not chatters:
                    # what the requirement does not depend on makes no difference to it
                    cone = cone_of(system, requirement.formulas).subsystems
                    concerned = [c for c in here if system.transitions[c.transition].subsystem in cone]
                    if may is not None:
                        concerned = [c for c in concerned if requirement.name in may[c.number]]
                    if not everything:
                        concerned = [c for c in concerned if not noticed[c.number]]
                    if not concerned:
                        continue
                    if len(concerned) < len(here):
                        here_asked = here_asked & disjoin((seen.where[c.number] for c in concerned), seen.false)
                space = PartOfSpace(part, requirement.withstand, here_asked)
                space.on_work = clock.check
                gone = _ask(seen, space, requirement, concerned, words, everything, noticed, clock)
                if gone and not everything:
                    left = left & ~disjoin(gone, seen.false)
    return Found(noticed, frozenset() if chatters else chatter)


def _ask(
    seen: _Choosers,
    space: SymbolicSpace,
    requirement: Requirement,
    changes: Sequence[Change],
    words: Mapping[str, Word],
    everything: bool,
    noticed: Noticed,
    clock: Clock,
) -> list[Diagram]:
    """Notes which of the changes the requirement notices; gives back where these are."""
    # what faults from the start keep away is asked of all states with the same flags together
    apart = requirement.form == "possible" and space.budget > 0
    signs: Signs[Diagram] = Signs() if apart else signs_of(space, requirement, clock)
    sets = (*signs.broken, *signs.wanted, *signs.arising, *signs.moments)
    told = {id(members): seen.of(members) for members in sets}
    gone = []
    for change in changes:
        number = change.number
        if not everything and noticed[number]:
            continue
        if apart:
            word = word_of(
                PartOfSpace(space.symbolic, space.budget, space.reached & seen.where[number]), requirement, clock
            )
        else:
            word = signs.word(seen.asked(told, number))
        if word == "empty" and space.budget < min(requirement.withstand, len(space.system.faults)):
            continue  # with more faults it may arise
        if RANK[word] < RANK[words[requirement.name]]:
            noticed[number][requirement.name] = word
            gone.append(seen.where[number])
    return gone


_ORDER = ("never", "always", "permissive", "possible", "start", "cause", "always_possible")


def _costs(requirement: Requirement) -> tuple[int, int, int]:
    """What is quickly judged first."""
    timed = requirement.form == "cause" and requirement.within is not None
    return timed, _ORDER.index(requirement.form), requirement.number


class PartOfSpace(SymbolicSpace):
    """Some of the changed systems, each whole."""

    def __init__(self, symbolic: Symbolic, budget: int, members: Diagram) -> None:
        super().__init__(symbolic, budget)
        self.reached = self.reached & members
        self.settled = self.settled & members
        self.transient = self.transient & members
        self.start = self.start & members


class _Choosers:
    """Sets of states seen through the subsystems that tell of changes."""

    def __init__(self, many: Varied, encoding: Encoding) -> None:
        self.false = encoding.decisions.false
        told = {bit for chooser in set(many.chooser.values()) for bit in encoding.state_bits[chooser]}
        self._others = encoding.decisions.cube([b for b in range(encoding.decisions.bits) if b not in told])
        self.where = {n: encoding.formula(many.where(n)) for n in many.chooser}

    def of(self, members: Diagram) -> Diagram:
        return members.exists(self._others)

    def asked(self, told: Mapping[int, Diagram], change: int) -> Callable[[Diagram], bool]:
        """Whether a set has states of that changed system; ``told``: by the identity of each set what is seen of it."""
        return lambda members: told[id(members)] & self.where[change] != self.false
