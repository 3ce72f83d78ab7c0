"""A description printed as the text of a spec file: reading it back gives the same description, places aside."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator

from safetymodel.spec.description import (
    ApproachText,
    CommonCauseText,
    ConditionText,
    Description,
    Duration,
    FaultText,
    FunctionText,
    Name,
    Quantity,
    RequirementText,
    ScenarioText,
    SignalText,
    StepText,
    SubsystemText,
    TransitionText,
)
from safetymodel.spec.schema import FORMAT

_PLAIN = re.compile(r"[A-Za-z][A-Za-z0-9_.|/+()-]*(?: [A-Za-z0-9_.|/+()-]+)*\Z")
_MEASURE = re.compile(
    r"[0-9][0-9.e+-]*(?: ?(?:ms|s|min)(?: ?\.\. ?[0-9][0-9.]* ?(?:ms|s|min))?"
    r"| ?(?:mm|cm|m)(?: ?/ ?s)?| %| ?/ ?(?:h|day|year|demand)| ?(?:cycles|h|days?|years?))\Z"
)
_WORDS_OF_YAML = ("true", "false", "null")
_ESCAPES = {'"': '\\"', "\\": "\\\\", "\n": "\\n", "\t": "\\t"}

Pair = tuple[str, str]


def quoted(text: str) -> str:
    """A scalar that YAML reads back as exactly this text; in quotes only where they are needed."""
    if (_PLAIN.match(text) or _MEASURE.match(text)) and text.lower() not in _WORDS_OF_YAML:
        return text
    return f'"{"".join(_ESCAPES.get(c) or (c if c.isprintable() else _escaped(c)) for c in text)}"'


def _escaped(character: str) -> str:
    code = ord(character)
    return f"\\x{code:02x}" if code < 0x100 else f"\\u{code:04x}" if code < 0x10000 else f"\\U{code:08x}"


def written_text(description: Description) -> str:
    """The text of a spec file that says what the description says, in the order of the format."""
    lines = [f"safetymodel: {FORMAT}", f"title: {quoted(description.title)}"]
    if description.text:
        lines.append(f"text: {quoted(description.text)}")
    if description.tick is not None:
        lines.append(f"tick: {quoted(description.tick.text)}")
    lines += ["", "subsystems:"]
    for subsystem in description.subsystems:
        lines += _subsystem(subsystem)
    lines += _section(
        "signals",
        ((s.name, _map(_signal(s))) for s in description.signals),
    )
    lines += _section("conditions", ((c.name, _condition(c)) for c in description.conditions))
    lines += _section("functions", ((f.name, _map(_function(f))) for f in description.functions))
    lines += _section("faults", ((f.name, _map(_fault(f))) for f in description.faults))
    lines += _section("common_causes", ((c.name, _map(_common_cause(c))) for c in description.common_causes))
    if description.mission_time is not None:
        lines += ["", f"mission_time: {quoted(description.mission_time.text)}"]
    lines += _section(
        "hazards", ((h.name, _map(list(_words(text=h.text, severity=h.severity)))) for h in description.hazards)
    )
    if description.requirements:
        lines += ["", "requirements:"]
    for requirement in description.requirements:
        lines.append(f"  {quoted(requirement.name.text)}:")
        lines += [f"    {key}: {value}" for key, value in _requirement(requirement)]
    if description.scenarios:
        lines += ["", "scenarios:"]
    for scenario in description.scenarios:
        lines += _scenario(scenario)
    return "\n".join(lines) + "\n"


def _section(title: str, entries: Iterable[tuple[Name, str]]) -> list[str]:
    lines = [f"  {quoted(name.text)}: {value}" for name, value in entries]
    return ["", f"{title}:", *lines] if lines else []


def _map(pairs: Iterable[Pair]) -> str:
    return "{" + ", ".join(f"{key}: {value}" for key, value in pairs) + "}"


def _words(**texts: str) -> Iterator[Pair]:
    return ((key, quoted(text)) for key, text in texts.items() if text)


def _names(names: Iterable[Name]) -> str:
    return f"[{', '.join(quoted(name.text) for name in names)}]"


def _one_or_list(names: tuple[Name, ...]) -> str:
    return quoted(names[0].text) if len(names) == 1 else _names(names)


def _subsystem(subsystem: SubsystemText) -> Iterator[str]:
    yield f"  {quoted(subsystem.name.text)}:"
    for key, value in _words(text=subsystem.text, role=subsystem.role or ""):
        yield f"    {key}: {value}"
    if subsystem.instances:
        yield f"    instances: {_names(subsystem.instances)}"
    yield f"    states: {_names(subsystem.states)}"
    if subsystem.initial is not None:
        yield f"    initial: {quoted(subsystem.initial.text)}"
    if subsystem.events:
        yield "    events:"
    for event in subsystem.events:
        marks = [(key, "true") for key in ("joint", "controllable") if getattr(event, key)]
        pairs = [*_words(by=event.by, text=event.text), *marks]
        yield f"      {quoted(event.name.text)}: {_map(pairs)}"
    if subsystem.transitions:
        yield "    transitions:"
    for transition in subsystem.transitions:
        yield f"      - {_map(_transition(transition))}"
    if subsystem.response is not None:
        yield f"    response: {quoted(subsystem.response.text)}"


def _transition(transition: TransitionText) -> Iterator[Pair]:
    yield "from", _one_or_list(transition.sources)
    yield "to", quoted(transition.target.text)
    if transition.on is not None:
        yield "on", quoted(transition.on.text)
    if transition.interlock is not None:
        yield "if", quoted(transition.interlock.text)
    if transition.physical is not None:
        yield "physically", quoted(transition.physical.text)
    if transition.after is not None:
        yield "after", quoted(_range(*transition.after))
    if transition.controllable:
        yield "controllable", "true"
    yield from _words(text=transition.text)


def _range(low: Duration, high: Duration) -> str:
    return low.text if low == high else f"{low.text}..{high.text}"


def _signal(signal: SignalText) -> Iterator[Pair]:
    yield "reads", quoted(signal.reads.text)
    if signal.indicates:
        yield "indicates", _one_or_list(signal.indicates)
    if signal.response is not None:
        yield "response", quoted(signal.response.text)
    yield from _words(text=signal.text)


def _condition(condition: ConditionText) -> str:
    if not condition.text and not condition.indicates:
        return quoted(condition.meaning.text)
    pairs: list[Pair] = [("means", quoted(condition.meaning.text))]
    if condition.indicates:
        pairs.append(("indicates", _one_or_list(condition.indicates)))
    return _map([*pairs, *_words(text=condition.text)])


def _fault(fault: FaultText) -> Iterator[Pair]:
    if fault.signal is not None:
        yield "signal", quoted(fault.signal.text)
        yield "stuck", "true" if fault.value else "false"
    if fault.subsystem is not None:
        yield "subsystem", quoted(fault.subsystem.text)
    if fault.stuck is not None:
        yield "stuck", quoted(fault.stuck.text)
    if fault.jump is not None:
        start, end = fault.jump
        yield "jump", _map([("from", quoted(start.text)), ("to", quoted(end.text))])
    if fault.rate is not None:
        yield "rate", quoted(f"{fault.rate!r} / h")
    if fault.revealed_by is not None:
        yield "revealed_by", quoted(fault.revealed_by.text)
    for key in ("b10d", "cycles", "probability", "proof_test", "coverage", "diagnostic_test"):
        quantity: Quantity | None = getattr(fault.failure, key)
        if quantity is not None:
            yield key, quoted(quantity.text)
    yield from _words(text=fault.text)


def _common_cause(cause: CommonCauseText) -> Iterator[Pair]:
    yield "faults", _names(cause.faults)
    yield "beta", quoted(cause.beta.text)
    yield from _words(text=cause.text)


def _requirement(requirement: RequirementText) -> Iterator[Pair]:
    yield from _words(text=requirement.text)
    if requirement.form == "permissive" and requirement.allowed is not None:
        yield "permissive", quoted(requirement.allowed.text)
        yield "for", quoted(requirement.subject.text)
    else:
        yield requirement.form, quoted(requirement.subject.text)
    if requirement.effect is not None:
        yield "effect", quoted(requirement.effect.text)
        yield "within", quoted(requirement.within.text) if requirement.within is not None else "reaction"
    if requirement.only_by:
        yield "only_by", _names(requirement.only_by)
    if requirement.begins is not None:
        yield "from", quoted(requirement.begins.text)
    if requirement.ends is not None:
        yield "until", quoted(requirement.ends.text)
    if requirement.withstand:
        yield "withstand", str(requirement.withstand)
    if requirement.prevent:
        yield "prevent", "true"
    if requirement.may_be_empty:
        yield "may_be_empty", "true"
    if requirement.hazards:
        yield "hazard", _one_or_list(requirement.hazards)
    yield from _words(source=requirement.source)
    if requirement.approach is not None:
        yield "approach", _map(_approach(requirement.approach))


def _approach(approach: ApproachText) -> Iterator[Pair]:
    for key in ("distance", "speed", "depth", "height", "stopping"):
        value: Quantity | Duration | None = getattr(approach, key)
        if value is not None:
            yield key, quoted(value.text)
    yield from _words(text=approach.text)


def _function(function: FunctionText) -> Iterator[Pair]:
    yield "active", quoted(function.active.text)
    yield from _words(text=function.text)


def _scenario(scenario: ScenarioText) -> Iterator[str]:
    yield f"  {quoted(scenario.name.text)}:"
    for key, value in _words(text=scenario.text):
        yield f"    {key}: {value}"
    yield "    steps:" if scenario.steps else "    steps: []"
    for step in scenario.steps:
        yield f"      - {_step(step)}"
    if scenario.ends_with is not None:
        yield f"    ends_with: {quoted(scenario.ends_with.text)}"


def _step(step: StepText) -> str:
    if step.check is not None and " ".join(step.text.split()) != step.text:
        return _map([("check", quoted(step.check.text))])  # its white space would not outlive a line of text
    return quoted(step.text)
