"""The cause-and-effect matrix against brute force over the reference step, and what it looks like."""

from __future__ import annotations

import csv
import io
from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

from test_defects import busy_system
from test_engines import random_system, small_walk

from safetymodel.claims.clock import Clock
from safetymodel.explore.engine import Limits
from safetymodel.explore.symbolic import Symbolic, SymbolicSpace
from safetymodel.insight.causes import Cause, Effect
from safetymodel.insight.influence import Influence, influence
from safetymodel.insight.matrix import TICK, Mark, Matrix, matrix, unfinished
from safetymodel.model.build import load, load_text
from safetymodel.model.formula import Constant, Formula
from safetymodel.model.state import State
from safetymodel.model.step import happenings, holds, is_settled, reactions
from safetymodel.model.system import Function, System
from safetymodel.report.matrix_page import matrix_csv, matrix_page
from safetymodel.report.matrix_words import LEGEND, cause_name, lettered
from safetymodel.report.review_said import matrix_section
from safetymodel.report.said import Words
from safetymodel.span import NOWHERE

ROOT = Path(__file__).resolve().parent.parent
SEEDS = 53
MOST = 200
"""Settled states of a system that is looked at by brute force."""


def matrix_of(system: System) -> Matrix:
    return matrix(SymbolicSpace(Symbolic(system, len(system.faults)), 0), Clock())


# -- brute force --------------------------------------------------------------------------------


class Endless(Exception):
    """Reactions that do not end: what is seen through a part of the system may still end."""


def settle(system: System, start: State) -> frozenset[State]:
    """Where reactions from a state end, whatever their order."""
    seen, queue, found = {start}, deque([start]), set()
    while queue:
        here = queue.popleft()
        if is_settled(system, here):
            found.add(here)
        for step in reactions(system, here):
            if step.after not in seen:
                seen.add(step.after)
                queue.append(step.after)
    _end(system, seen)
    return frozenset(found)


def _end(system: System, states: set[State]) -> None:
    left = {s: {t.after for t in reactions(system, s)} for s in states}
    while left:
        done = [s for s, after in left.items() if not after & left.keys()]
        if not done:
            raise Endless
        for s in done:
            del left[s]


def later(system: System, states: frozenset[State]) -> frozenset[State]:
    """The settled states when nothing but time passes."""
    found, queue = set(states), deque(states)
    while queue:
        here = queue.popleft()
        for step in happenings(system, here, 0):
            if step.kind in ("tick", "time"):
                for end in settle(system, step.after):
                    if end not in found:
                        found.add(end)
                        queue.append(end)
    return frozenset(found)


def after(system: System, state: State, happening: int) -> Iterator[State]:
    """What an event, or time, makes of a settled state."""
    for step in happenings(system, state, 0):
        if (step.kind == "event" and step.number == happening) or (happening == TICK and step.kind in ("tick", "time")):
            yield step.after


@dataclass(frozen=True)
class Way:
    """One way in which a cause comes in one situation: the system meanwhile, the states at once, and how it goes."""

    system: System
    at_once: tuple[State, ...]
    goes: Callable[[State], State] | None
    group: int


def placed(state: State, subsystem: int, value: int) -> State:
    states, clocks = list(state.states), list(state.clocks)
    states[subsystem], clocks[subsystem] = value, 0
    return state._replace(states=tuple(states), clocks=tuple(clocks))


def held(system: System, signal: int, reading: bool) -> System:
    signals = list(system.signals)
    signals[signal] = replace(signals[signal], reads=Constant(reading))
    return replace(system, signals=tuple(signals))


def frozen(system: System, subsystem: int) -> System:
    """The subsystem takes no transition: it has none that could be true."""
    stop = [replace(t, interlock=Constant(False)) if t.subsystem == subsystem else t for t in system.transitions]
    return replace(system, transitions=tuple(stop))


def ways(system: System, cause: Cause, state: State, kept: bool = False) -> Iterator[Way]:
    match cause.kind:
        case "lost" | "comes":
            from safetymodel.model.step import readings

            if kept or readings(system, state)[cause.number] == (cause.kind == "lost"):
                yield Way(held(system, cause.number, cause.kind == "comes"), (state,), lambda s: s, 0)
        case "state":
            now = state.states[cause.number]
            leading = [
                t
                for t in system.transitions
                if t.subsystem == cause.number and t.target == cause.state and t.source == now != cause.state
            ]
            if any(holds(system, state, t.physical) for t in leading):
                back = now
                yield Way(
                    frozen(system, cause.number),
                    (placed(state, cause.number, cause.state),),
                    lambda s: placed(s, cause.number, back),
                    now,
                )
        case _:
            at_once = tuple(after(system, state, cause.number))
            if at_once:
                yield Way(system, at_once, None, 0)


class Brute:
    """One system's marks, read off all situations one by one."""

    def __init__(self, system: System, situations: list[State]) -> None:
        self.system = system
        self.situations = situations
        self._starting: dict[tuple[str, int], list[State]] = {}

    def marks(self, cause: Cause, effect: Effect) -> set[tuple[str, bool, bool]]:
        """(what it does, always, delayed) of each mark."""
        if cause.kind == "state" and cause.number in effect.subsystems:
            return set()

        def on(state: State) -> bool:
            return holds(self.system, state, effect.active)

        found: set[tuple[str, bool, bool]] = set()
        cases = [(s, way) for s in self.situations for way in ways(self.system, cause, s)]
        followed = [(s, way, self._ends(way)) for s, way in cases]
        found |= self._ended([f for f in followed if on(f[0])], on)
        found |= self._begun([f for f in followed if not on(f[0])], on)
        kept = [(s, w, self._ends(w)) for s in self.situations for w in ways(self.system, cause, s, kept=True)]
        found |= self._blocked([f for f in kept if not on(f[0])], cause, on)
        return found

    def _ends(self, way: Way) -> frozenset[State]:
        return frozenset().union(*(settle(way.system, s) for s in way.at_once))

    def _ended(self, cases: list, on: Callable[[State], bool]) -> set[tuple[str, bool, bool]]:  # type: ignore[type-arg]
        gone = [any(not on(e) for e in ends) for _, _, ends in cases]
        if any(gone):
            returns = any(
                on(there)
                for _, way, ends in cases
                if way.goes is not None
                for end in ends
                if not on(end)
                for there in later(self.system, settle(self.system, way.goes(end)))
            )
            latches = all(way.goes is not None for _, way, _ in cases) and not returns
            does = "latches" if latches else "stops"
            return {(does, all(gone), False)} | self._late("stops", cases, on)
        return self._late("stops", cases, on)

    def _begun(self, cases: list, on: Callable[[State], bool]) -> set[tuple[str, bool, bool]]:  # type: ignore[type-arg]
        come = [any(on(e) for e in ends) for _, _, ends in cases]
        if any(come):
            return {("starts", all(come), False)} | self._late("starts", cases, lambda state: not on(state))
        return self._late("starts", cases, lambda state: not on(state))

    def _late(self, does: str, cases: list, before: Callable[[State], bool]) -> set[tuple[str, bool, bool]]:  # type: ignore[type-arg]
        steady = [c for c in cases if all(before(s) for s in later(self.system, frozenset([c[0]])))]
        steady = [c for c in steady if any(before(end) for end in c[2])]
        turned = [
            any(not before(s) for s in later(way.system, frozenset(e for e in ends if before(e))))
            for _, way, ends in steady
        ]
        return {(does, all(turned), True)} if any(turned) else set()

    def _blocked(self, cases: list, cause: Cause, on: Callable[[State], bool]) -> set[tuple[str, bool, bool]]:  # type: ignore[type-arg]
        whole, some = True, False
        for happening in (*range(len(self.system.events)), TICK):
            if cause.kind == "act" and cause.number == happening:
                continue
            for state, way, ends in cases:
                if not self._starts(self.system, state, happening, on):
                    continue
                lost = any(not on(e) and not self._starts(way.system, e, happening, on) for e in ends)
                whole, some = whole and lost, some or lost
        return {("blocks", whole, False)} if some else set()

    def _starts(self, system: System, state: State, happening: int, on: Callable[[State], bool]) -> bool:
        return any(on(end) for there in after(system, state, happening) for end in settle(system, there))

    def untried(self, cause: Cause, effect: Effect, marks: set[tuple[str, bool, bool]]) -> tuple[str, ...]:
        """What could not be looked at: nothing where a stop or a start was seen, or the cause is not read at all."""
        does = {does for does, _, _ in marks}
        if does - {"blocks"} or (cause.kind == "state" and cause.number in effect.subsystems):
            return ()

        def on(state: State) -> bool:
            return holds(self.system, state, effect.active)

        def there(state: State) -> bool:
            if cause.kind in ("lost", "comes"):
                return True  # it reads so already, or is held so
            if cause.kind == "state" and state.states[cause.number] == cause.state:
                return True
            return any(True for _ in ways(self.system, cause, state))

        matters = self._read(cause, influence(self.system, [effect.active]))
        met = {on(state) for state in self.situations if there(state)}
        found = ["stop"] if matters and True not in met else []
        asked = 0
        tried = False
        for happening in (*range(len(self.system.events)), TICK):
            happens = [happening] if happening != TICK else []
            if self._read(cause, influence(self.system, [effect.active], happens)):
                key = (effect.name, happening)
                if key not in self._starting:
                    off = [s for s in self.situations if not on(s)]
                    self._starting[key] = [s for s in off if self._starts(self.system, s, happening, on)]
                starting = self._starting[key]
                asked += bool(starting)
                tried = tried or any(there(state) for state in starting)
        if not does and ((asked and not tried) or (matters and False not in met)):
            found.append("start")
        return tuple(found)

    def _read(self, cause: Cause, seen: Influence) -> bool:
        if cause.kind in ("lost", "comes"):
            return cause.number in seen.signals
        if cause.kind == "state":
            return cause.number in seen.subsystems
        return any(s in seen.subsystems for s, _ in self.system.events[cause.number].movers)


def with_functions(system: System, seed: int) -> System:
    """Effects that read signals and several subsystems, beside the actuators."""
    formulas: list[Formula] = [r.subject for r in system.requirements[:2]]
    plain = [f for f in formulas if "FaultUp" not in repr(f)]
    return replace(system, functions=tuple(Function(f"f{n}", "", f, NOWHERE) for n, f in enumerate(plain)))


def told(marks: tuple[Mark, ...]) -> set[tuple[str, bool, bool]]:
    return {(m.does, m.always, m.delayed) for m in marks}


def test_random_systems_against_brute_force() -> None:
    seen: dict[tuple[str, bool, bool], int] = {}
    looked = 0
    untried: set[str] = set()
    for seed in range(SEEDS):
        system = random_system(seed) if seed % 3 else busy_system(seed)
        walk = small_walk(system, 0)
        if walk is None or len(walk.settled) > MOST:
            continue
        system = with_functions(system, seed)
        brute = Brute(system, sorted(walk.settled))
        found = matrix_of(system)
        assert found.situations == len(walk.settled)
        for row, cause in enumerate(found.causes):
            for column, effect in enumerate(found.effects):
                marks = told(found.cells.get((row, column), ()))
                try:
                    expected = brute.marks(cause, effect)
                    open_there = brute.untried(cause, effect, expected)
                except Endless:
                    continue
                assert marks == expected, (seed, cause, effect.name)
                open_here = found.untried.get((row, column), ())
                assert open_here == open_there, (seed, cause, effect.name)
                untried.update(open_here)
                looked += 1
                for mark in marks:
                    seen[mark] = seen.get(mark, 0) + 1
                for mark in found.cells.get((row, column), ()):
                    _conditions_hold(system, brute, cause, effect, mark)
    assert looked > 300
    assert {does for does, _, _ in seen} == {"blocks", "stops", "latches", "starts"}
    assert {always for _, always, _ in seen} == {True, False}
    assert any(delayed for _, _, delayed in seen)
    assert untried == {"stop", "start"}


def _conditions_hold(system: System, brute: Brute, cause: Cause, effect: Effect, mark: Mark) -> None:
    """Where a stop or a start comes only in some situations, they are those that the condition tells."""
    if mark.when is None or mark.delayed or mark.does == "blocks":
        return

    def on(state: State) -> bool:
        return holds(system, state, effect.active)

    begins = mark.does == "starts"
    for state in brute.situations:
        if on(state) == begins:
            continue
        for way in ways(system, cause, state):
            does = any(on(end) == begins for end in brute._ends(way))
            fits = all(state.states[s] in states for s, states in mark.when.parts)
            assert fits or not does, (cause, effect.name, mark)
            assert not mark.when.exact or fits == does, (cause, effect.name, mark)


# -- what it shows ------------------------------------------------------------------------------

HOIST = """
safetymodel: 1
title: Kiln hoist
subsystems:
  door:
    states: [shut, open]
    events: {pull: {by: potter}, push: {by: potter}}
    transitions: [{from: shut, to: open, on: pull}, {from: open, to: shut, on: push}]
  key:
    role: control
    states: [off, on]
    events: {turn_on: {by: potter}, turn_off: {by: potter}}
    transitions: [{from: off, to: on, on: turn_on}, {from: on, to: off, on: turn_off}]
  heater:
    role: actuator
    states: [cold, hot]
    events: {start: {by: potter, text: presses the button}}
    transitions:
      - {from: cold, to: hot, on: start, if: door_shut and switched_on}
      - {from: hot, to: cold, if: not door_shut}
      - {from: hot, to: cold, after: 5 s, if: not switched_on}
  fan:
    role: actuator
    states: [still, turning]
    transitions:
      - {from: still, to: turning, if: switched_on and air_clear}
      - {from: turning, to: still, if: not switched_on}
signals:
  door_shut: {reads: door is shut, text: door switch}
  switched_on: {reads: key is on, text: contact of the key}
  air_clear: {reads: door is shut or key is on}
  idle: {reads: door is open, text: =cmd}
"""


def hoist() -> tuple[System, Matrix]:
    system, _ = load_text(HOIST, "hoist.yaml")
    assert system is not None
    return system, matrix_of(system)


def cell(system: System, found: Matrix, cause: str, effect: str) -> tuple[Mark, ...]:
    row = next(n for n, c in enumerate(found.causes) if cause_name(system, c) == cause)
    column = next(n for n, e in enumerate(found.effects) if e.name == effect)
    return found.cells.get((row, column), ())


def test_permissive_interlock_trip_delay_and_start() -> None:
    """A permissive blocks, an interlock stops and comes back, a trip is latched (common practice, no source)."""
    system, found = hoist()
    assert told(cell(system, found, "door_shut reads false", "heater")) == {
        ("latches", True, False),
        ("blocks", True, False),
    }
    # The five seconds count from the start: whoever turns the key later stops it at once, and then for good.
    assert told(cell(system, found, "switched_on reads false", "heater")) == {
        ("latches", False, False),
        ("stops", True, True),
        ("blocks", True, False),
    }
    assert told(cell(system, found, "switched_on reads false", "fan")) == {
        ("stops", True, False),
        ("blocks", True, False),
    }
    assert told(cell(system, found, "key is on", "fan")) == {("starts", True, False)}
    assert told(cell(system, found, "heater.start", "heater")) == {("starts", True, False)}
    assert not cell(system, found, "idle reads true", "heater")


def test_what_is_written_and_makes_no_difference_leaves_no_mark() -> None:
    """`air_clear` is in the fan's condition, and true whenever the key is on: but its loss would keep the fan still."""
    system, found = hoist()
    assert told(cell(system, found, "air_clear reads false", "fan")) == {("blocks", True, False)}
    assert not cell(system, found, "door is open", "fan")


def test_letters_notes_and_legend() -> None:
    system, found = hoist()
    shown = lettered(system, found)
    assert any(letters.endswith(" St N") for letters in shown.letters.values())
    assert any(letters.startswith("a") for letters in shown.letters.values())
    assert shown.notes
    used = {letter.rstrip("0123456789t") for letters in shown.letters.values() for letter in letters.split()}
    marks = {mark for mark, _ in LEGEND}
    assert {letter if letter in marks else letter.upper() for letter in used} <= marks
    assert len(shown.letters) == len(found.causes) * len(found.effects)


GATE = """
safetymodel: 1
title: Pool gate
subsystems:
  gate:
    states: [shut, open]
    events: {swing: {by: visitor}, close: {by: visitor}}
    transitions:
      - {from: shut, to: open, on: swing, physically: bolt is drawn}
      - {from: open, to: shut, on: close}
  key:
    role: control
    states: [off, on]
    events: {turn_on: {by: attendant}, turn_off: {by: attendant}}
    transitions: [{from: off, to: on, on: turn_on}, {from: on, to: off, on: turn_off}]
  contactor:
    role: actuator
    states: [released, pulled]
    transitions:
      - {from: released, to: pulled, if: gate_shut and key is on}
      - {from: pulled, to: released, if: not gate_shut or key is off}
  bolt:
    states: [drawn, thrown]
    transitions:
      - {from: drawn, to: thrown, if: pulled, physically: gate is shut}
      - {from: thrown, to: drawn, if: not pulled}
  lift:
    role: actuator
    states: [up, lowering, down]
    events: {lower: {by: attendant}, raise: {by: attendant}}
    transitions:
      - {from: up, to: lowering, on: lower, if: pulled}
      - {from: lowering, to: down, if: not pulled}
      - {from: [lowering, down], to: up, on: raise}
signals:
  gate_shut: {reads: gate is shut}
  pulled: {reads: contactor is pulled}
"""


def pool_gate() -> tuple[System, Matrix]:
    system, _ = load_text(GATE, "gate.yaml")
    assert system is not None
    return system, matrix_of(system)


def letters_of(system: System, found: Matrix, cause: str, effect: str) -> str:
    row = next(n for n, c in enumerate(found.causes) if cause_name(system, c) == cause)
    column = next(n for n, e in enumerate(found.effects) if e.name == effect)
    return lettered(system, found).letters[row, column]


def said(system: System, found: Matrix) -> str:
    blocks = matrix_section(system, found, quiet=False)
    return "\n".join("".join(text for text, _ in block.pieces) for block in blocks if isinstance(block, Words))


def test_what_cannot_come_while_the_effect_is_active_is_not_called_without_effect() -> None:
    """The gate is bolted while the contactor is pulled: opening it then was not tried, though it would stop it."""
    system, found = pool_gate()
    assert letters_of(system, found, "gate is open", "contactor") == "N x"
    assert letters_of(system, found, "gate.swing", "contactor") == "N x"
    assert letters_of(system, found, "gate_shut reads false", "contactor") == "S N"
    assert letters_of(system, found, "gate_shut reads true", "lift") == "\N{MIDDLE DOT}"
    assert letters_of(system, found, "bolt is thrown", "lift") == "\N{MIDDLE DOT}", "nothing reads it"
    assert letters_of(system, found, "lift is up", "lift") == "-"
    text = said(system, found)
    assert "blocks the start; cannot come while it is active: gate is open; gate.swing" in text
    assert "cannot come: in no situation that the model reaches" in text


def test_what_counts_as_active_is_said_where_no_function_says_it() -> None:
    system, found = pool_gate()
    text = said(system, found)
    assert "\nactive in pulled\n" in text
    assert "\nactive in lowering and down; declare `functions:` to say otherwise\n" in text
    table = matrix_csv(system, found)
    assert "lift,active,active in lowering and down; declare `functions:` to say otherwise\n" in table
    assert "active in lowering and down" in matrix_page(system, found)
    declared, _ = load_text(f"{GATE}functions: {{going_down: {{active: lift is lowering}}}}\n", "gate.yaml")
    assert declared is not None
    found = matrix_of(declared)
    assert said(declared, found).count("active in") == 1, "the function says it of the lift"


def test_a_column_that_is_not_finished_says_so_in_every_cell() -> None:
    system, _ = pool_gate()
    for found in (
        unfinished(system, "the limit of 0 s was reached"),
        matrix(SymbolicSpace(Symbolic(system, 0, Limits(seconds=0.0)), 0), Clock()),
    ):
        assert found.undecided == (0, 1)
        told_letters = lettered(system, found)
        assert set(told_letters.letters.values()) == {"?", "-"}
        assert "?" in {mark for mark, _ in LEGEND}
        assert not told_letters.still
        for text in (said(system, found), matrix_page(system, found), matrix_csv(system, found)):
            assert "without an effect" not in text.lower()
            assert "not finished" in text.lower()
        rows = list(csv.reader(io.StringIO(matrix_csv(system, found))))
        assert {row[4] for row in rows[1:] if row and row[1] in ("signal", "act")} == {"?"}


def test_a_part_that_is_not_finished_hides_the_list_of_those_without_effect() -> None:
    system, found = hoist()
    assert "without an effect" in said(system, found)
    assert "without an effect" not in said(system, replace(found, undecided=(1,), shortfall="too long"))


def test_the_table_has_every_cause_and_every_effect() -> None:
    system, found = hoist()
    rows = list(csv.reader(io.StringIO(matrix_csv(system, found))))
    assert rows[0][4:] == [effect.name for effect in found.effects] == ["heater", "fan"]
    assert len([row for row in rows[1:] if row and row[1] in ("signal", "state", "act")]) == len(found.causes)
    assert any(row[2] == "'=cmd" for row in rows if len(row) > 2), "a spreadsheet would run it"


def test_the_page_escapes_the_spec() -> None:
    text = HOIST.replace("Kiln hoist", '"<script>alert(1)</script>"').replace("door switch", '"<b>&door</b>"')
    system, _ = load_text(text, "hoist.yaml")
    assert system is not None
    page = matrix_page(system, matrix_of(system))
    assert "<script" not in page
    assert "<b>&door" not in page
    assert "&lt;script&gt;" in page
    assert page.count("<tr>") == page.count("</tr>")


def test_the_coach_has_what_its_designers_expect() -> None:
    """A second road to some cells: what the requirements of the coach say of beam, lift and driving."""
    system, _ = load(str(ROOT / "specs" / "whimbrel.yaml"))
    assert system is not None
    found = matrix(SymbolicSpace(Symbolic(system, 0), 0), Clock())
    for leaf in ("left", "middle", "right"):
        assert ("latches", True, False) in told(cell(system, found, f"leaf.{leaf} is open", "exposure"))
        assert ("latches", True, False) in told(cell(system, found, f"leaf_{leaf}_a reads false", "exposure"))
    assert told(cell(system, found, "console.expose", "exposure")) == {("starts", True, True)}
    assert told(cell(system, found, "up_held_a reads false", "lift_travel")) == {
        ("latches", True, False),
        ("blocks", False, False),
    }
    assert told(cell(system, found, "lift_home reads false", "driving")) == {("blocks", True, False)}
    assert not cell(system, found, "at_speed reads false", "driving")
    assert not found.undecided
