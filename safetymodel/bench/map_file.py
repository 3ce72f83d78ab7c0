"""Which point of a device is which event, signal, fault or state of a spec: the map file, format 1.

```yaml
safetymodel_map: 1
reset: {apply: coil 0}                    # without it the device resets itself
time: {settle: 50 ms, at_most: 500 ms, slack: 1, tick: holding 0}
events:
  lift.unfold: {apply: coil 4}            # happens once
  pendant.push_up: {set: coil 7}          # set to true (or `to:` something else) and left so
  pendant.let_go: {set: coil 7, to: false}
inputs:
  brake_held_a: {point: discrete 3}       # a signal that the bench plays to the device
outputs:
  lift: {point: holding 12, values: {stowed: 0, at_floor: 1}}
  k1: {point: discrete 9, values: {open: false, closed: true}}
  lamp_burns: {point: discrete 11}        # a signal or condition: true or false
faults:
  k1_welded: {apply: coil 40}
```
Point names are the device's own. What no output shows is followed as a set of possible states.
"""

from __future__ import annotations

import re
from fractions import Fraction

from safetymodel.bench.device import Value
from safetymodel.bench.mapping import Action, Input, Mapping, Output, mapping_by_names, shows_subsystem, shows_truth
from safetymodel.bench.modbus_points import Use, example_values, wrong_use, wrong_value
from safetymodel.model.build import load
from safetymodel.model.formula import Defined, Formula, SignalTrue
from safetymodel.model.system import System
from safetymodel.names import did_you_mean
from safetymodel.problems import Problem, errors
from safetymodel.span import NOWHERE, Span
from safetymodel.spec.durations import milliseconds
from safetymodel.spec.fit import fit
from safetymodel.spec.reader import Node, Source, decode, parse, read_bytes
from safetymodel.spec.schema import DOTTED, Form, Key, Record, Table, Truth, Whole, Words

_LENGTH = Form(r"\s*[0-9]+(\.[0-9]+)?\s*(ms|s|min)\s*", "bad-duration", "a duration such as `50 ms` or `2 s`")
ACTION = Record(
    "Action",
    "How the bench brings something about: exactly one of `apply` and `set`.",
    (
        Key("apply", Words(), "the point that makes it happen once"),
        Key("set", Words(), "the point that is set, and left so"),
        Key("to", Words(), "with set: the value, true unless told"),
    ),
)
INPUT = Record(
    "Input",
    "A signal that the bench plays to the device.",
    (
        Key("point", Words(), "the point that is set", required=True),
        Key("inverted", Truth(), "true: the point is set where the signal is false"),
    ),
)
OUTPUT = Record(
    "Output",
    "What a point shows of the model.",
    (
        Key("point", Words(), "the point that is read", required=True),
        Key("values", Table(Words(), empty=False), "with a subsystem: each state, and what the point shows in it"),
        Key("inverted", Truth(), "with a signal or condition: true where the point shows the contrary"),
    ),
)
TIME = Record(
    "Time",
    "How the device takes its time.",
    (
        Key("settle", _LENGTH, "how long it gets to react before it is read; none unless told"),
        Key("at_most", _LENGTH, "how long it is read again while what it shows does not fit; as `settle` unless told"),
        Key("slack", Whole(0, 1000), "by how many ticks a wait of the device may be shorter or longer; 0 unless told"),
        Key("tick", Words(), "a point that lets so many ticks pass when it is written; without it, the device's clock"),
    ),
)
MAP = Record(
    "Map",
    "A map file of format 1.",
    (
        Key("safetymodel_map", Whole(1, 1), "the number of the format: 1", required=True),
        Key("text", Words(), "for people"),
        Key("reset", ACTION, "back to the initial state; without it the device resets itself"),
        Key("time", TIME, "how the device takes its time"),
        Key("events", Table(ACTION, names=DOTTED), "how each event is made to happen"),
        Key("inputs", Table(INPUT), "signals that the bench plays"),
        Key("outputs", Table(OUTPUT, empty=False, names=DOTTED), "what the device shows", required=True),
        Key("faults", Table(ACTION), "how faults are forced"),
    ),
)


def mapping_for(system: System, map_file: str, device: str = "") -> tuple[Mapping | None, tuple[Problem, ...]]:
    """The mapping of a file; by the names of the spec where none is named. ``device`` is its name on the command line:
    what its points cannot do is a problem of the map."""
    if map_file:
        return load_mapping(map_file, system, device)
    if device.startswith("modbus:"):
        hint = "`safetymodel twin SPEC --write-map FILE` writes one for the twin"
        return None, (Problem("map-needed", NOWHERE, "a Modbus device needs a map of its points: --map FILE", hint),)
    return mapping_by_names(system), ()


def spec_and_map(spec: str | System, map_file: str, device: str = "") -> tuple[System, Mapping]:
    """For programs: a spec file (or its system) and a map file. Raises ValueError with the problems in words."""
    system, problems = (spec, ()) if isinstance(spec, System) else load(spec)
    mapping: Mapping | None = None
    if system is not None:
        mapping, problems = mapping_for(system, map_file, device)
    if system is None or mapping is None:
        raise ValueError("\n".join(problem.as_text() for problem in errors(problems)))
    return system, mapping


def load_mapping(file: str, system: System, device: str = "") -> tuple[Mapping | None, tuple[Problem, ...]]:
    """The mapping of a map file, and all that is wrong with it; no mapping exactly where something is an error."""
    data = read_bytes(file)
    return (None, (data,)) if isinstance(data, Problem) else read_mapping(data, file, system, device)


def read_mapping(
    data: bytes, file: str, system: System, device: str = ""
) -> tuple[Mapping | None, tuple[Problem, ...]]:
    """As :func:`load_mapping`, from the bytes of the file."""
    source = decode(data, file)
    if isinstance(source, Problem):
        return None, (source,)
    root, found = parse(source)
    problems = list(found)
    if root is None or root.kind != "map":
        if not problems:
            place = Span(file, 1) if root is None else source.span(root)
            problems.append(
                source.problem("not-a-map", place, "this is no map file", "begin with `safetymodel_map: 1`")
            )
        return None, tuple(problems)
    problems.extend(fit(source, root, MAP))
    mapping = _Reader(source, problems, system, device.startswith("modbus:")).mapping(root)
    return (None if errors(problems) else mapping), tuple(problems)


class _Reader:
    """``modbus``: the device speaks Modbus, so that what its points can do and show is known."""

    def __init__(self, source: Source, problems: list[Problem], system: System, modbus: bool) -> None:
        self.source = source
        self.problems = problems
        self.system = system
        self.modbus = modbus
        self._used: dict[Action, tuple[str, Node]] = {}

    def wrong(self, slug: str, node: Node, message: str, hint: str = "", **more: object) -> None:
        self.problems.append(self.source.problem(slug, self.source.span(node), message, hint, **more))

    def mapping(self, root: Node) -> Mapping:
        reset, time = root.get("reset"), root.get("time")
        settle, at_most = self.length(time, "settle"), self.length(time, "at_most")
        late = time.get("at_most") if time is not None else None
        if late is not None and at_most < settle:
            hint = "write a time as long as `settle`, or longer"
            self.wrong("bad-duration", late, "`at_most` is shorter than `settle`, before which nothing is read", hint)
        if reset is None and self.modbus:
            hint = "write `reset: {apply: coil N}`"
            self.wrong("no-reset", root, "a Modbus device does not reset itself: the map has no `reset`", hint)
        slack = time.get("slack") if time else None
        tick = time.get("tick") if time else None
        if tick is not None and self.system.tick is None:
            self.wrong("no-time", tick, "the spec has no durations, so no time passes in it", "remove `tick`")
        elif tick is not None:
            self.point(tick, "tick")
        return Mapping(
            events=self.actions(root, "events", "event", [event.name for event in self.system.events]),
            faults=self.actions(root, "faults", "fault", [fault.name for fault in self.system.faults]),
            inputs=self.inputs(root),
            outputs=self.outputs(root),
            reset=self.action(reset, "reset") if reset is not None else None,
            settle=settle,
            at_most=max(settle, at_most),
            slack=int(slack.text) if slack is not None else 0,
            tick=tick.text if tick is not None else None,
        )

    def length(self, time: Node | None, key: str) -> Fraction:
        node = time.get(key) if time is not None else None
        value = milliseconds(node.text) if node is not None else Fraction(0)
        if value is None or value > 3_600_000:
            assert node is not None
            self.wrong("bad-duration", node, f"`{key}` is longer than an hour", "write a shorter time")
            return Fraction(0)
        return value

    def pairs(self, root: Node, key: str) -> list[tuple[Node, Node]]:
        node = root.get(key)
        return [] if node is None else node.pairs

    def actions(self, root: Node, key: str, what: str, names: list[str]) -> tuple[Action | None, ...]:
        found: dict[str, Action | None] = {}
        for name, node in self.pairs(root, key):
            if name.text not in names:
                hint = self.forced_signal(name.text) or did_you_mean(name.text, names)
                self.wrong(f"unknown-{what}", name, f"the spec has no {what} {name.text}", hint)
            found[name.text] = action = self.action(node, f"{what} {name.text}")
            if action is not None:
                self.once(action, f"{what} {name.text}", node)
        return tuple(found.get(name) for name in names)

    def forced_signal(self, name: str) -> str:
        """What helps where somebody names a tester's force (``forced_SIGNAL_true``) as if it were a fault."""
        forced = next(
            (s.name for s in self.system.signals if re.fullmatch(f"forced_{s.name}_(true|false)_*", name)), ""
        )
        return f"a signal is forced where the bench plays it: `inputs: {{{forced}: {{point: ...}}}}`" if forced else ""

    def action(self, node: Node, owner: str) -> Action | None:
        apply, set_, to = node.get("apply"), node.get("set"), node.get("to")
        if (apply is None) == (set_ is None):
            self.wrong(
                "one-action", node, f"{owner} needs exactly one of `apply` and `set`", "`apply: POINT`, or `set:`"
            )
            return None
        if apply is not None:
            if to is not None:
                self.wrong("one-action", to, "`to` belongs to `set`", "remove it, or write `set:`")
            self.point(apply, "apply")
            return Action("apply", apply.text)
        assert set_ is not None
        value = True if to is None else value_of(to)
        if self.point(set_, "set"):
            self.value(set_.text, value, to or set_)
        return Action("set", set_.text, value)

    def once(self, action: Action, owner: str, node: Node) -> None:
        """An error where two things are brought about alike: the device cannot tell them apart."""
        if action in self._used:
            other, place = self._used[action]
            message = f"{action.point} brings about {other} and {owner}: the device cannot tell them apart"
            self.wrong("same-point", node, message, "give each a point of its own", others=(self.source.span(place),))
        self._used.setdefault(action, (owner, node))

    def point(self, node: Node, use: Use) -> bool:
        """Whether the device has such a point, fit for this use, as far as is known."""
        told = wrong_use(node.text, use) if self.modbus else None
        if told is not None:
            self.wrong("bad-point", node, *told)
        return told is None

    def value(self, point: str, value: Value, node: Node) -> None:
        """Something about a value that the point never takes or shows."""
        told = wrong_value(point, value) if self.modbus else None
        if told is not None:
            self.wrong("bad-value", node, *told)

    def inputs(self, root: Node) -> tuple[Input, ...]:
        names = {signal.name: signal.number for signal in self.system.signals}
        found = []
        for name, node in self.pairs(root, "inputs"):
            point = node.get("point")
            if name.text not in names:
                self.wrong(
                    "unknown-signal", name, f"the spec has no signal {name.text}", did_you_mean(name.text, names)
                )
            elif point is not None:
                self.point(point, "play")
                found.append(Input(names[name.text], point.text, _is_true(node.get("inverted"))))
        return tuple(found)

    def outputs(self, root: Node) -> tuple[Output, ...]:
        found = (self.output(name, node) for name, node in self.pairs(root, "outputs"))
        return tuple(output for output in found if output is not None)

    def output(self, name: Node, node: Node) -> Output | None:
        system = self.system
        point, values, inverted = node.get("point"), node.get("values"), node.get("inverted")
        subsystem = system.subsystem_named(name.text)
        truth = self.truth(name.text)
        if point is None:
            return None
        known = self.point(point, "read")
        if subsystem is not None and (values is not None or truth is None):
            if inverted is not None:
                self.wrong(
                    "inverted-states", inverted, "`inverted` belongs to a signal or condition", "swap the values"
                )
            table = self.values(name, values, subsystem.states)
            if known and self.modbus:
                self.shown(point, values, subsystem.states)
            return shows_subsystem(system, subsystem.number, point.text, table) if table is not None else None
        if truth is None:
            declared = [s.name for s in system.subsystems] + [s.name for s in system.signals]
            declared += [condition for condition, _ in system.conditions]
            hint = did_you_mean(name.text, declared)
            message = f"the spec has no subsystem, signal or condition {name.text}"
            self.wrong("unknown-output", name, message, hint)
            return None
        if values is not None:
            self.wrong("values-of-truth", values, f"{name.text} is true or false", "remove `values`; see `inverted`")
        return shows_truth(name.text, point.text, truth, _is_true(inverted))

    def shown(self, point: Node, values: Node | None, states: tuple[str, ...]) -> None:
        """Something about states that a Modbus point cannot show."""
        if values is None:
            hint = f"add `values: {{{example_values(point.text, states)}}}`, as the device has it"
            self.wrong("missing-values", point, f"{point.text} does not show states by their names", hint)
            return
        for _, value in values.pairs:
            self.value(point.text, value_of(value), value)

    def truth(self, name: str) -> Formula | None:
        for signal in self.system.signals:
            if signal.name == name:
                return SignalTrue(signal.number)
        return next((Defined(n, body) for n, body in self.system.conditions if n == name), None)

    def values(self, name: Node, values: Node | None, states: tuple[str, ...]) -> dict[str, Value] | None:
        """What the point shows in each state; by their names unless told."""
        if values is None:
            return {state: state for state in states}
        table: dict[str, Value] = {}
        for state, value in values.pairs:
            if state.text not in states:
                hint = did_you_mean(state.text, states) or f"its states: {', '.join(states)}"
                self.wrong("unknown-state", state, f"{name.text} has no state {state.text}", hint)
            table[state.text] = value_of(value)
        missing = [state for state in states if state not in table]
        if missing:
            message = f"`values` of {name.text} says nothing of the state {missing[0]}"
            self.wrong("missing-state", values, message, "give each state a value; several may have the same")
            return None
        return table


def value_of(node: Node) -> Value:
    """The value that a node stands for: a truth value or whole number where it is one, else its text."""
    data = node.data()
    return data if isinstance(data, bool | int) else node.text


def _is_true(node: Node | None) -> bool:
    return node is not None and node.text == "true"
