"""Whether the states of the subsystems can be chosen so that a formula is true: a small search, deaf to reachability.

It tells goals that no state whatever meets, or only one with a fault, from those that are worth trying.
"""

from __future__ import annotations

from safetymodel.model.formula import (
    AllOf,
    AnyOf,
    Constant,
    Defined,
    FaultUp,
    Formula,
    HowMany,
    InState,
    Not,
    SignalTrue,
)
from safetymodel.model.system import System

MOST_TRIED = 80
"""Branches after which a formula is taken to be settable."""

Wish = tuple[Formula, bool]
Domains = dict[int, frozenset[int]]


class Settable:
    """Asks whether formulas can be made true under given fault flags."""

    def __init__(self, system: System) -> None:
        self.system = system
        self._all = [frozenset(range(len(s.states))) for s in system.subsystems]
        self._tried = 0

    def can_be(self, formula: Formula, flags: int = 0) -> bool:
        """Whether some choice of states makes it true with exactly these faults up; True where that takes too long."""
        self._tried = 0
        held = {f.subject: f.value for f in self.system.faults if f.kind == "signal" and flags >> f.number & 1}
        return self._solve([(formula, True)], [], {}, held, flags)

    def _solve(
        self, wishes: list[Wish], choices: list[list[Wish]], domains: Domains, held: dict[int, bool], flags: int
    ) -> bool:
        self._tried += 1
        if self._tried > MOST_TRIED:
            return True
        while wishes:
            formula, wanted = wishes.pop()
            match formula:
                case Constant(value):
                    if value != wanted:
                        return False
                case Not(part):
                    wishes.append((part, not wanted))
                case Defined(_, body):
                    wishes.append((body, wanted))
                case AllOf(parts) | AnyOf(parts):
                    options = [(part, wanted) for part in parts]
                    if isinstance(formula, AllOf) == wanted:
                        wishes.extend(options)
                    else:
                        choices.append(options)
                case SignalTrue(signal):
                    if signal not in held:
                        wishes.append((self.system.signals[signal].reads, wanted))
                    elif held[signal] != wanted:
                        return False
                case FaultUp(fault):
                    if bool(flags >> fault & 1) != wanted:
                        return False
                case InState(subsystem, states, negated):
                    allowed = domains.get(subsystem, self._all[subsystem])
                    left = allowed - frozenset(states) if wanted == negated else allowed & frozenset(states)
                    if not left:
                        return False
                    domains[subsystem] = left
                case HowMany():
                    self._count(formula, wanted, wishes, choices)
        undecided: list[list[Wish]] = []
        for options in choices:
            known = [self._known(formula, domains, held, flags) for formula, _ in options]
            if any(now == wanted for now, (_, wanted) in zip(known, options, strict=True) if now is not None):
                continue
            open_options = [option for now, option in zip(known, options, strict=True) if now is None]
            if not open_options:
                return False
            undecided.append(open_options)
        if not undecided:
            return True
        options = min(undecided, key=len)
        rest = [other for other in undecided if other is not options]
        return any(self._solve([option], list(rest), dict(domains), held, flags) for option in options)

    def _known(self, formula: Formula, domains: Domains, held: dict[int, bool], flags: int) -> bool | None:
        """The truth of a formula where what is decided so far decides it."""
        match formula:
            case Constant(value):
                return value
            case Not(part):
                value_of = self._known(part, domains, held, flags)
                return None if value_of is None else not value_of
            case Defined(_, body):
                return self._known(body, domains, held, flags)
            case AllOf(parts) | AnyOf(parts):
                deciding, unknown = isinstance(formula, AnyOf), False
                for part in parts:
                    now = self._known(part, domains, held, flags)
                    if now == deciding and now is not None:
                        return deciding
                    unknown |= now is None
                return None if unknown else not deciding
            case SignalTrue(signal):
                if signal in held:
                    return held[signal]
                return self._known(self.system.signals[signal].reads, domains, held, flags)
            case FaultUp(fault):
                return bool(flags >> fault & 1)
            case InState(subsystem, states, negated):
                domain = domains.get(subsystem)
                if domain is None:
                    return None
                here = domain.intersection(states)
                return None if here and len(here) < len(domain) else bool(here) != negated
            case HowMany(least, most, members, _):
                each = [self._known(member, domains, held, flags) for member in members]
                true, most_true = each.count(True), len(each) - each.count(False)
                if most_true < least or true > most:
                    return False
                return True if true >= least and most_true <= most else None

    def _count(self, formula: HowMany, wanted: bool, wishes: list[Wish], choices: list[list[Wish]]) -> None:
        """`every`, `some` and `no` as what they say of each member; other counts are left open."""
        members, many = formula.members, len(formula.members)
        if (formula.least, formula.most) == (many, many):
            each, by_all = True, wanted
        elif formula.least == 0 and formula.most == 0:
            each, by_all = False, wanted
        elif formula.least == 1 and formula.most >= many:
            each, by_all = wanted, not wanted
            wished: list[Wish] = [(member, wanted) for member in members]
            if by_all:
                wishes.extend(wished)
            else:
                choices.append(wished)
            return
        else:
            return
        wished = [(member, each == wanted) for member in members]
        if by_all:
            wishes.extend(wished)
        else:
            choices.append(wished)
