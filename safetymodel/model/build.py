"""From a spec file to the composed system: families unfolded, names resolved, durations in ticks."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from dataclasses import replace
from fractions import Fraction
from math import gcd
from typing import TypeAlias

from safetymodel.model.doubts import doubts
from safetymodel.model.formula import Defined, Formula, SignalTrue
from safetymodel.model.lowering import Lowering, Scope
from safetymodel.model.quantities import approach_of, failure_of, milliseconds_of, value_of
from safetymodel.model.system import (
    CommonCause,
    Event,
    Fault,
    Form,
    Function,
    Hazard,
    Requirement,
    Role,
    Scenario,
    ScenarioStep,
    Signal,
    Subsystem,
    System,
    Transition,
)
from safetymodel.problems import Problem, errors
from safetymodel.spec.describe import read_text
from safetymodel.spec.description import (
    ConditionText,
    Description,
    Duration,
    FaultText,
    Name,
    RequirementText,
    ScenarioText,
    SignalText,
    StepText,
    SubsystemText,
    TransitionText,
)
from safetymodel.spec.reader import read_bytes

MOST_PROBLEMS = 400
MOST_TICKS = 1_000_000
"""Largest duration in ticks: a finer tick than the model can use is a mistake."""


def load(file: str) -> tuple[System | None, tuple[Problem, ...]]:
    """The system of a spec file, and all problems; no system exactly where one is an error."""
    data = read_bytes(file)
    if isinstance(data, Problem):
        return None, (data,)
    return load_text(data, file)


def load_text(data: bytes | str, file: str) -> tuple[System | None, tuple[Problem, ...]]:
    """As :func:`load`, from the text of a spec file."""
    if isinstance(data, str):
        data = data.encode("utf-8", "surrogatepass")
    description, problems = read_text(data, file)
    if description is None:
        return None, _shown(problems)
    builder = _Builder(description, hashlib.sha256(data).hexdigest())
    system = builder.build()
    found = [*problems, *builder.problems]
    if not errors(found):
        found.extend(doubts(system, description))
    return (None if errors(found) else system), _shown(found)


def _shown(found: Iterable[Problem]) -> tuple[Problem, ...]:
    """Problems in the order of the file, errors first, each once; the end of a long list is only counted."""
    problems = sorted(dict.fromkeys(found), key=lambda p: (p.severity != "error", p.span.line, p.span.column))
    if len(problems) <= MOST_PROBLEMS:
        return tuple(problems)
    first = problems[MOST_PROBLEMS]
    message = f"{len(problems) - MOST_PROBLEMS:,} more problems from here on are not shown"
    return (*problems[:MOST_PROBLEMS], Problem("more-problems", first.span, message, severity=first.severity))


Telling: TypeAlias = tuple[Formula, tuple[int, ...]]
"""What tells people of faults, and of which (their numbers)."""


class _Builder:
    def __init__(self, description: Description, digest: str) -> None:
        self.description = description
        self.digest = digest
        self.problems: list[Problem] = []
        self.source = description.source
        self.tick = self._tick()
        self.scope = Scope(description, self.problem)
        self.lower = Lowering(self.scope, self.problem)

    def problem(self, problem: Problem) -> None:
        self.problems.append(problem)

    def error(self, slug: str, name: Name, message: str, hint: str = "", *others: Name) -> None:
        places = tuple(other.span for other in others)
        self.problem(self.source.problem(slug, name.span, message, hint, others=places))

    # -- time -------------------------------------------------------------------------------

    def _durations(self) -> Iterable[Duration]:
        for subsystem in self.description.subsystems:
            for transition in subsystem.transitions:
                yield from transition.after or ()
        for requirement in self.description.requirements:
            if requirement.within is not None:
                yield requirement.within
        for scenario in self.description.scenarios:
            for step in scenario.steps:
                if step.wait is not None:
                    yield step.wait

    def _tick(self) -> Fraction | None:
        durations = list(self._durations())
        lengths = [d.ms for d in durations if d.ms]
        if not durations:
            return None
        if self.description.tick is not None:
            tick = self.description.tick.ms
            for duration in durations:
                if (duration.ms / tick).denominator != 1:
                    message = f"the tick of {self.description.tick.text} does not divide {duration.text}"
                    where = Name(duration.text, duration.span)
                    hint = "use a multiple of the tick, or a tick that divides all durations"
                    self.error("tick-does-not-divide", where, message, hint, Name("", self.description.tick.span))
        elif lengths:
            tick = _common(lengths)
        else:
            return None
        for duration in durations:
            if duration.ms / tick > MOST_TICKS:
                message = f"{duration.text} is more than {MOST_TICKS:,} ticks of {float(tick):g} ms"
                self.error("too-many-ticks", Name("", duration.span), message, "make the durations coarser")
        return tick

    def ticks(self, duration: Duration | None) -> int:
        if duration is None or self.tick is None:
            return 0
        return int(duration.ms / self.tick)

    # -- the whole --------------------------------------------------------------------------

    def build(self) -> System:
        d = self.description
        signals, order = self._signals()
        conditions = tuple((c.name.text, self.lower.condition(c.name.text)) for c in d.conditions)
        subsystems, transitions, moved = self._subsystems()
        events = tuple(
            Event(
                number=number,
                name=declared.name,
                subsystem=declared.subsystem,
                by=declared.text.by,
                text=declared.text.text,
                joint=declared.text.joint,
                movers=tuple((s, tuple(ts)) for s, ts in sorted(moved.get(number, {}).items())),
                span=declared.text.name.span,
                controllable=declared.text.controllable,
            )
            for number, declared in enumerate(self.scope.events)
        )
        telling = self._telling(signals)
        faults = tuple(self._fault(number, fault, telling) for number, fault in enumerate(d.faults))
        hazards = tuple(Hazard(h.name.text, h.text, h.severity, h.name.span) for h in d.hazards)
        return System(
            title=d.title,
            text=d.text,
            file=self.source.file,
            sha256=self.digest,
            tick=self.tick,
            subsystems=subsystems,
            events=events,
            transitions=transitions,
            signals=signals,
            signal_order=order,
            conditions=conditions,
            faults=faults,
            hazards=hazards,
            requirements=tuple(self._requirement(n, r) for n, r in enumerate(d.requirements)),
            scenarios=tuple(self._scenario(s) for s in d.scenarios),
            families=tuple((name, numbers) for name, numbers in self.scope.families.items()),
            common_causes=self._common_causes(),
            mission_time=value_of(d.mission_time),
            functions=tuple(
                Function(f.name.text, f.text, self.lower.formula(f.active), f.name.span) for f in d.functions
            ),
        )

    def _signals(self) -> tuple[tuple[Signal, ...], tuple[int, ...]]:
        signals = tuple(
            Signal(
                number,
                s.name.text,
                s.text,
                self.lower.formula(s.reads),
                s.name.span,
                self._indicated(s),
                milliseconds_of(s.response),
            )
            for number, s in enumerate(self.description.signals)
        )
        return signals, self.lower.signal_order(signals)

    def _indicated(self, by: SignalText | ConditionText) -> tuple[int, ...]:
        """The faults that a signal or condition tells of: those that it names, or with ``any`` every one."""
        found: set[int] = set()
        for name in by.indicates:
            if name.text == "any" and "any" not in self.scope.faults:
                found.update(range(len(self.description.faults)))
            else:
                number = self.scope.fault(name)
                found.update(() if number is None else (number,))
        return tuple(sorted(found))

    def _telling(self, signals: Iterable[Signal]) -> tuple[Telling, ...]:
        """What indicates faults, each with those that it tells of."""
        of_signals = ((SignalTrue(s.number), s.indicates) for s in signals)
        named = ((Defined(c.name.text, self.lower.condition(c.name.text)), c) for c in self.description.conditions)
        return (*of_signals, *((formula, self._indicated(c)) for formula, c in named))

    def _indications(self, number: int, text: FaultText, telling: Iterable[Telling]) -> tuple[Formula, ...]:
        own = () if text.revealed_by is None else (self.lower.formula(text.revealed_by),)
        return (*own, *(formula for formula, faults in telling if number in faults))

    def _subsystems(self) -> tuple[tuple[Subsystem, ...], tuple[Transition, ...], dict[int, dict[int, list[int]]]]:
        transitions: list[Transition] = []
        moved: dict[int, dict[int, list[int]]] = {}
        subsystems = []
        for number, member in enumerate(self.scope.members):
            first = len(transitions)
            for text in member.text.transitions:
                transitions.extend(self._transitions(number, member.text, text, len(transitions)))
            own = transitions[first:]
            longest = [0] * len(member.states)
            for t in own:
                if t.event is None:
                    longest[t.source] = max(longest[t.source], t.latest)
                else:
                    moved.setdefault(t.event, {}).setdefault(number, []).append(t.number)
            initial = 0
            wanted = member.text.initial
            if wanted is not None:
                initial = self.scope.state(member, wanted) or 0
            role: Role | None = member.text.role  # type: ignore[assignment]
            subsystems.append(
                Subsystem(
                    number=number,
                    name=member.name,
                    text=member.label,
                    role=role,
                    states=member.states,
                    initial=initial,
                    transitions=tuple(t.number for t in own),
                    longest=tuple(longest),
                    span=member.span,
                    family=member.family,
                    instance=member.instance,
                    response=milliseconds_of(member.text.response),
                )
            )
        return tuple(subsystems), tuple(transitions), moved

    def _transitions(self, number: int, owner: SubsystemText, text: TransitionText, first: int) -> Iterable[Transition]:
        member = self.scope.members[number]
        target = self.scope.state(member, text.target)
        event = self.scope.event(text.on, number) if text.on is not None else None
        interlock = self.lower.formula(text.interlock, number)
        physical = self.lower.formula(text.physical, number)
        earliest, latest = (self.ticks(d) for d in text.after) if text.after else (0, 0)
        seen: dict[str, Name] = {}
        for source_name in text.sources:
            if source_name.text in seen:
                message = f"the state {source_name.text} is named twice"
                self.error("duplicate-name", source_name, message, "name it once", seen[source_name.text])
                continue
            seen[source_name.text] = source_name
            source = self.scope.state(member, source_name)
            if source is None or target is None or (text.on is not None and event is None):
                continue
            if source == target and text.on is None and not latest:
                message = f"an automatic transition from {source_name.text} to itself never ends"
                hint = "name another target, or an event"
                self.problem(
                    self.source.problem("goes-round-at-once", source_name.span, message, hint, severity="warning")
                )
            yield Transition(
                number=first,
                subsystem=number,
                source=source,
                target=target,
                event=event,
                interlock=interlock,
                physical=physical,
                earliest=earliest,
                latest=latest,
                span=text.span,
                text=text.text,
                controllable=text.controllable or text.interlock is not None,
            )
            first += 1

    def _fault(self, number: int, text: FaultText, telling: tuple[Telling, ...]) -> Fault:
        return replace(
            self._failing(number, text),
            rate=text.rate,
            failure=failure_of(text.failure),
            indications=self._indications(number, text, telling),
        )

    def _failing(self, number: int, text: FaultText) -> Fault:
        span = text.name.span
        if text.signal is not None:
            signal = self.scope.signal(text.signal)
            value = text.value or False
            return Fault(number, text.name.text, text.text, "signal", signal or 0, span, value)
        assert text.subsystem is not None
        subject = self.scope.subsystem(text.subsystem)
        if subject is None:
            return Fault(number, text.name.text, text.text, "stuck", 0, span)
        member = self.scope.members[subject]
        if text.stuck is not None:
            state = None
            if text.stuck.text != "any" or "any" in member.states:
                state = self.scope.state(member, text.stuck, "or `any`")
            return Fault(number, text.name.text, text.text, "stuck", subject, span, state=state)
        assert text.jump is not None
        start, end = (self.scope.state(member, name) for name in text.jump)
        if start is not None and start == end:
            self.error("jump-to-itself", text.jump[1], f"the jump ends where it begins, in {text.jump[1].text}")
        return Fault(number, text.name.text, text.text, "jump", subject, span, state=start or 0, target=end or 0)

    def _kind_of_number(self, number: int) -> str:
        fault = self.description.faults[number]
        if fault.failure.probability is not None:
            return "probability"
        return "" if fault.rate is None and fault.failure.b10d is None else "rate"

    def _common_causes(self) -> tuple[CommonCause, ...]:
        owners: dict[int, Name] = {}
        causes = []
        for cause in self.description.common_causes:
            if cause.name.text in self.scope.faults:
                message = f"{cause.name.text} is a fault and a common cause"
                self.error("duplicate-name", cause.name, message, "rename one of them")
            numbers = []
            for name in cause.faults:
                number = self.scope.fault(name)
                if number is None:
                    continue
                if number in owners:
                    message = f"the fault {name.text} is in a group already"
                    self.error("two-causes", name, message, "a fault has one common cause", owners[number])
                    continue
                owners[number] = name
                numbers.append(number)
            kinds = {self._kind_of_number(number) for number in numbers} - {""}
            if len(kinds) > 1:
                message = f"common cause {cause.name.text} mixes faults with rates and faults with probabilities"
                self.error("mixed-cause", cause.name, message, "give all of them rates, or all of them probabilities")
            causes.append(CommonCause(cause.name.text, cause.text, tuple(numbers), cause.beta.value, cause.name.span))
        return tuple(causes)

    def _requirement(self, number: int, text: RequirementText) -> Requirement:
        form: Form = text.form  # type: ignore[assignment]
        declared = [h.name.text for h in self.description.hazards]
        for hazard in text.hazards:
            if hazard.text not in declared and not self.scope.ghost(hazard.text, "hazards"):
                message = f"there is no hazard {hazard.text}"
                self.error("unknown-hazard", hazard, message, self.scope.nearest(hazard.text, declared))
        only_by = tuple(self.scope.event(name, None) for name in text.only_by)
        return Requirement(
            number=number,
            name=text.name.text,
            text=text.text,
            form=form,
            subject=self.lower.formula(text.subject),
            span=text.name.span,
            allowed=None if text.allowed is None else self.lower.formula(text.allowed),
            effect=None if text.effect is None else self.lower.formula(text.effect),
            within=None if text.within is None else self.ticks(text.within),
            only_by=tuple(sorted({event for event in only_by if event is not None})),
            begins=None if text.begins is None else self.lower.formula(text.begins),
            ends=None if text.ends is None else self.lower.formula(text.ends),
            withstand=text.withstand,
            prevent=text.prevent,
            may_be_empty=text.may_be_empty,
            hazards=tuple(h.text for h in text.hazards),
            source=text.source,
            wording=wording(text),
            approach=approach_of(text.approach),
        )

    def _scenario(self, text: ScenarioText) -> Scenario:
        steps = tuple(self._step(step) for step in text.steps)
        ends_with = None if text.ends_with is None else self.lower.formula(text.ends_with)
        return Scenario(text.name.text, text.text, steps, ends_with, text.name.span)

    def _step(self, step: StepText) -> ScenarioStep:
        if step.kind == "check":
            return ScenarioStep("check", step.span, step.text, formula=self.lower.formula(step.check))
        if step.kind == "wait":
            return ScenarioStep("wait", step.span, step.text, number=self.ticks(step.wait))
        assert step.name is not None
        if step.kind == "fault":
            return ScenarioStep("fault", step.span, step.text, number=self.scope.fault(step.name) or 0)
        number = self.scope.event(step.name, None) or 0
        kind = "blocked" if step.kind == "blocked" else "event"
        return ScenarioStep(kind, step.span, step.text, number=number)  # type: ignore[arg-type]


def wording(text: RequirementText) -> str:
    """The claim as the spec puts it."""

    def said(written: object) -> str:
        return " ".join(getattr(written, "text", "").split())

    if text.form == "permissive":
        return f"permissive: {said(text.allowed)}, for: {said(text.subject)}"
    parts = [f"{text.form}: {said(text.subject)}"]
    if text.form == "start":
        parts.append(f"only_by: [{', '.join(name.text for name in text.only_by)}]")
    if text.form == "cause":
        parts.append(f"effect: {said(text.effect)}")
        parts.append(f"within: {text.within.text if text.within else 'reaction'}")
    if text.begins is not None:
        parts.append(f"from: {said(text.begins)}")
    if text.ends is not None:
        parts.append(f"until: {said(text.ends)}")
    return ", ".join(parts)


def _common(lengths: Iterable[Fraction]) -> Fraction:
    """The greatest common divisor of some lengths of time."""
    common = Fraction(0)
    for length in lengths:
        common = Fraction(
            gcd(common.numerator * length.denominator, length.numerator * common.denominator),
            common.denominator * length.denominator,
        )
    return common
