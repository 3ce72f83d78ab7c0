"""Conditions as small Python functions, made once a system: a bench asks the same ones many thousand times a second.

The source that is compiled holds numbers only, no text of a spec. `tests/test_tracking.py` compares every answer with
`model/step`.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeAlias

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
    atoms,
)
from safetymodel.model.state import State
from safetymodel.model.step import can_move, holds
from safetymodel.model.system import System, Transition

Question: TypeAlias = Callable[[State], bool]

DEEPEST = 12
"""Levels of a formula in one expression; what lies deeper is a function of its own."""


LONGEST_CHAIN = 100
"""Signals that read one another in a row; where there are more, `model/step` is asked, which does not recurse."""


class Compiler:
    """Makes questions to the states of one system; ``s`` are the states of the subsystems, ``g`` the fault flags."""

    def __init__(self, system: System) -> None:
        self.system = system
        self._names: dict[str, object] = {}
        self._questions: dict[str, Question] = {}
        self._held = [[0, 0] for _ in system.signals]
        for fault in system.faults:
            if fault.kind == "signal":
                self._held[fault.subject][fault.value] |= 1 << fault.number
        self._signals: dict[int, str] = {}
        self._chained = _longest_chain(system) > LONGEST_CHAIN
        for number in () if self._chained else system.signal_order:
            self._signals[number] = self._signal(number)

    def question(self, formula: Formula) -> Question:
        """Whether the formula is true in a state, as :func:`safetymodel.model.step.holds`."""
        if self._chained:
            return lambda state: holds(self.system, state, formula)
        return self._question(self._text(formula))

    def can_move(self, transition: Transition) -> Question:
        """As :func:`safetymodel.model.step.can_move`."""
        if self._chained:
            return lambda state: can_move(self.system, state, transition)
        stuck = 0
        for fault in self.system.faults:
            if fault.kind == "stuck" and fault.subject == transition.subsystem:
                stuck |= (fault.state in (None, transition.source)) << fault.number
        parts = [f"s[{transition.subsystem}] == {transition.source}"]
        parts += [f"not g & {stuck}"] if stuck else []
        parts += [self._text(condition) for condition in (transition.interlock, transition.physical)]
        return self._question(" and ".join(parts))

    def _question(self, text: str) -> Question:
        if text not in self._questions:
            source = f"def question(state):\n s, _, g = state\n return {text}"
            exec(compile(source, "<conditions>", "exec"), self._names)
            self._questions[text] = self._names.pop("question")  # type: ignore[assignment]
        return self._questions[text]

    def _text(self, formula: Formula, depth: int = 0) -> str:
        """The formula as an expression, in brackets where it needs them, which is True or False."""
        if depth == DEEPEST and not isinstance(formula, Constant | InState | FaultUp):
            return self._defined(self._text(formula))
        match formula:
            case Constant(value):
                return str(value)
            case InState(subsystem, states, negated):
                if len(states) == 1:
                    return f"(s[{subsystem}] {'!=' if negated else '=='} {states[0]})"
                return f"(s[{subsystem}] {'not in' if negated else 'in'} {states})"
            case SignalTrue(signal):
                return self._signals[signal]
            case FaultUp(fault):
                return f"(g & {1 << fault} != 0)"
            case Not(part):
                return f"(not {self._text(part, depth + 1)})"
            case AllOf(parts):
                return self._joined(parts, " and ", True, depth)
            case AnyOf(parts):
                return self._joined(parts, " or ", False, depth)
            case HowMany(least, most, members, _):
                count = " + ".join(self._text(member, depth + 1) for member in members) or "0"
                return f"({least} <= {count} <= {most})"
            case Defined(_, body):
                return self._text(body, depth)

    def _joined(self, parts: tuple[Formula, ...], word: str, of_none: bool, depth: int) -> str:
        return f"({word.join(self._text(part, depth + 1) for part in parts)})" if parts else str(of_none)

    def _signal(self, number: int) -> str:
        """The call of a function that reads a signal; a plain state without faults is read at once."""
        reads, (false, true) = self.system.signals[number].reads, self._held[number]
        body = self._text(reads)
        if isinstance(reads, InState) and not false and not true:
            return body
        if true:
            body = f"g & {true} != 0 or {body}"
        if false:
            body = f"not g & {false} and ({body})"
        return self._defined(body)

    def _defined(self, body: str) -> str:
        """The call of a new function that returns this."""
        name = f"part{len(self._names)}"
        exec(compile(f"def {name}(s, g):\n return {body}", "<conditions>", "exec"), self._names)
        return f"{name}(s, g)"


def _longest_chain(system: System) -> int:
    """How many signals read one another in a row."""
    chain = [0] * len(system.signals)
    for number in system.signal_order:
        read = (atom.signal for atom in atoms(system.signals[number].reads) if isinstance(atom, SignalTrue))
        chain[number] = 1 + max((chain[other] for other in read), default=0)
    return max(chain, default=0)
