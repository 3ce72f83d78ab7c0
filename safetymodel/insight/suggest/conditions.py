"""A condition for each transition of a game, over as little as tells its situations apart."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from safetymodel.explore.decisions import Diagram
from safetymodel.explore.encoding import Encoding
from safetymodel.explore.engine import LimitReached
from safetymodel.insight.suggest.play import Held, Played
from safetymodel.insight.suggest.sight import Sight, fewest
from safetymodel.insight.suggest.suggested import Condition
from safetymodel.insight.suggest.suggested import Sight as Sees
from safetymodel.insight.suggest.text import Variable, shortest_expression, tabled
from safetymodel.model.formula import FALSE
from safetymodel.model.system import System


def conditions_of(encoding: Encoding, played: Played) -> tuple[Condition, ...]:
    """A condition for each transition that is ever held back."""
    return tuple(_condition(encoding, number, held) for number, held in sorted(played.held.items()))


def _condition(encoding: Encoding, transition: int, held: Held) -> Condition:
    nothing = encoding.decisions.false
    if held.let == nothing:
        return Condition(transition, FALSE, "signals", True)
    for sight, variables in _vocabularies(encoding.system):
        found = _over(encoding, transition, variables, held.let, held.held, sight, True)
        if found is not None:
            return found
    # nothing tells all of them apart: hold back whatever looks like a situation in which it has to be
    sight, variables = list(_vocabularies(encoding.system))[-1]
    everything = _sight(encoding, variables)
    let = held.let & ~everything.alike(held.held)
    if let == nothing:
        return Condition(transition, FALSE, sight, False)
    found = _over(encoding, transition, variables, let, held.held, sight, False)
    assert found is not None
    return found


def _vocabularies(system: System) -> Iterator[tuple[Sees, list[Variable]]]:
    """What a condition may read, the best first."""
    signals = [Variable("signal", s.number, 2) for s in system.signals]
    logic = [Variable("subsystem", s.number, len(s.states)) for s in system.subsystems if s.role == "control"]
    others = [Variable("subsystem", s.number, len(s.states)) for s in system.subsystems if s.role != "control"]
    if signals:
        yield "signals", signals
    if logic:
        yield "logic", [*signals, *logic]
    yield "states", [*signals, *logic, *others]


def _sight(encoding: Encoding, variables: Sequence[Variable]) -> Sight:
    signals = [v.number for v in variables if v.kind == "signal"]
    return Sight(encoding, signals, [v.number for v in variables if v.kind == "subsystem"])


def _over(
    encoding: Encoding,
    transition: int,
    variables: Sequence[Variable],
    let: Diagram,
    held: Diagram,
    sight: Sees,
    exact: bool,
) -> Condition | None:
    """A condition over few of these variables that is true of ``let`` and false of ``held``; None where none is."""
    nothing = encoding.decisions.false

    def enough(some: Sequence[Variable]) -> bool:
        return _sight(encoding, some).alike(held) & let == nothing

    few = fewest(variables, enough)
    if few is None:
        return None
    true, false = tabled(encoding, few, let), tabled(encoding, few, held)
    if true is None or false is None:
        raise LimitReached(f"a condition over {len(few)} signals and states would be too long to read")
    formula = shortest_expression(few, true, false)
    meant = encoding.formula(formula)
    assert let & ~meant == nothing == held & meant, "an expression that is not what was found"
    if all(v.kind == "signal" for v in few):
        sight = "signals"
    return Condition(transition, formula, sight, exact)
