"""From the tree of a spec file to its description; every misfit becomes a problem with its place.

A part that does not fit the format is left out and its name remembered, so that the rest is still
checked and no mistake hides another.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar

from safetymodel.problems import Problem
from safetymodel.span import Span
from safetymodel.spec.description import (
    CommonCauseText,
    ConditionText,
    Description,
    Duration,
    EventText,
    FaultText,
    FunctionText,
    HazardText,
    Name,
    RequirementText,
    ScenarioText,
    SignalText,
    StepText,
    SubsystemText,
    TransitionText,
    Written,
)
from safetymodel.spec.durations import milliseconds, per_hour
from safetymodel.spec.expressions import Literal, Misread, parse_expression
from safetymodel.spec.failures import Report, common_cause, failure_of, mission_time
from safetymodel.spec.fit import fit
from safetymodel.spec.lost import lost_names
from safetymodel.spec.reader import Node, Source, decode, parse
from safetymodel.spec.responses import approach_of, response_of
from safetymodel.spec.schema import COMPANIONS, FORMS

T = TypeVar("T")

_EXPRESSIONS = {*FORMS, "for", "effect", "from", "until"}
_SAYING = {*_EXPRESSIONS, "within", "only_by", "prevent"}


def read_text(data: bytes, file: str) -> tuple[Description | None, tuple[Problem, ...]]:
    """The description of a spec file's bytes, and all that is wrong with its shape."""
    source = decode(data, file)
    if isinstance(source, Problem):
        return None, (source,)
    root, found = parse(source)
    problems = list(found)
    if root is None or root.is_null:
        if not problems:
            hint = "`safetymodel new FILE` writes a spec to begin with"
            problems.append(source.problem("empty-file", Span(file, 1), "there is nothing in this file", hint))
        return None, tuple(problems)
    if root.kind != "map":
        hint = "begin with `safetymodel: 1`"
        problems.append(source.problem("wrong-type", source.span(root), "a spec is a map of sections", hint))
        return None, tuple(problems)
    problems.extend(fit(source, root))
    description = _Describer(source, problems, lost_names(root)).describe(root)
    usable = root.get("subsystems") is not None
    return description if usable else None, tuple(problems)


def _belongs(key: str) -> str:
    owners = [form for form, keys in COMPANIONS if key in keys]
    owners = owners or (["never", "always", "cause"] if key == "prevent" else ["never", "always"])
    return f"it belongs to {', '.join(f'`{owner}`' for owner in owners)}; remove it here"


class _Describer:
    def __init__(self, source: Source, problems: list[Problem], ghosts: frozenset[str]) -> None:
        self.source = source
        self.problems = problems
        self.ghosts = set(ghosts)

    def problem(self, slug: str, span: Span, message: str, hint: str = "") -> None:
        self.problems.append(self.source.problem(slug, span, message, hint))

    # -- small things -----------------------------------------------------------------------

    def name(self, node: Node) -> Name:
        return Name(node.text, self.source.span(node))

    def optional_name(self, node: Node | None) -> Name | None:
        return None if node is None or node.is_null else self.name(node)

    def names(self, node: Node | None) -> tuple[Name, ...]:
        if node is None or node.is_null:
            return ()
        return tuple(self.name(item) for item in (node.items if node.kind == "list" else [node]))

    def words(self, node: Node | None) -> str:
        if node is None or node.is_null:
            return ""
        if node.kind == "list":
            return "; ".join(self.words(item) for item in node.items)
        return " ".join(node.text.split())

    def truth(self, node: Node | None) -> bool:
        return node is not None and node.text == "true"

    def written(self, node: Node | None) -> Written | None:
        if node is None or node.is_null:
            return None
        tree = parse_expression(node.text)
        if isinstance(tree, Misread):
            span = self.source.inside(node, tree.offset, tree.length)
            self.problem("bad-expression", span, tree.message, tree.hint)
            tree = Literal(True)
        return Written(node.text, tree, node, self.source)

    def condition(self, name: Node, node: Node) -> ConditionText:
        """An expression, or a map with it."""
        if node.kind != "map":
            return ConditionText(self.name(name), self.needed(node))
        meaning, text = self.needed(node.get("means")), self.words(node.get("text"))
        return ConditionText(self.name(name), meaning, text, self.names(node.get("indicates")))

    def needed(self, node: Node | None) -> Written:
        return self.written(node) or Written("true", Literal(True), node, self.source)

    def duration(self, text: str, span: Span) -> Duration | None:
        value = milliseconds(text)
        if value is None:
            self.problem("bad-duration", span, f"`{text.strip()}` is not a duration up to a year", "for example 300 ms")
            return None
        return Duration(value, text.strip(), span)

    def each(self, node: Node | None) -> list[tuple[Node, Node]]:
        return [] if node is None else node.pairs

    # -- sections ---------------------------------------------------------------------------

    def describe(self, root: Node) -> Description:
        tick_node = root.get("tick")
        tick = None
        if tick_node is not None and not tick_node.is_null:
            tick = self.duration(tick_node.text, self.source.span(tick_node))
            if tick is not None and not tick.ms:
                self.problem("bad-duration", tick.span, "a tick must be longer than nothing")
                tick = None
        return Description(
            title=self.words(root.get("title")),
            text=self.words(root.get("text")),
            tick=tick,
            subsystems=tuple(
                self.subsystem(k, v) for k, v in self.each(root.get("subsystems")) if "instances" not in v.lost
            ),
            signals=tuple(
                SignalText(
                    self.name(k),
                    self.needed(v.get("reads")),
                    self.words(v.get("text")),
                    self.names(v.get("indicates")),
                    response_of(self.report_of(), v.get("response")),
                )
                for k, v in self.each(root.get("signals"))
            ),
            conditions=tuple(self.condition(k, v) for k, v in self.each(root.get("conditions"))),
            faults=self.kept(self.each(root.get("faults")), self.fault),
            hazards=tuple(
                HazardText(self.name(k), self.words(v.get("text")), self.words(v.get("severity")))
                for k, v in self.each(root.get("hazards"))
            ),
            requirements=self.kept(self.each(root.get("requirements")), self.requirement),
            scenarios=tuple(self.scenario(k, v) for k, v in self.each(root.get("scenarios"))),
            source=self.source,
            ghosts=frozenset(self.ghosts),
            common_causes=self.kept(self.each(root.get("common_causes")), self.common_cause),
            mission_time=mission_time(self.report_of(), root.get("mission_time")),
            functions=tuple(
                FunctionText(self.name(k), self.needed(v.get("active")), self.words(v.get("text")))
                for k, v in self.each(root.get("functions"))
            ),
        )

    def kept(self, pairs: list[tuple[Node, Node]], make: Callable[[Node, Node], T | None]) -> tuple[T, ...]:
        found = []
        for key, value in pairs:
            item = make(key, value)
            if item is None:
                self.ghosts.add(key.text)
            else:
                found.append(item)
        return tuple(found)

    def subsystem(self, key: Node, value: Node) -> SubsystemText:
        transitions = []
        node = value.get("transitions")
        for item in node.items if node else ():
            made = self.transition(item)
            if made is not None:
                transitions.append(made)
        return SubsystemText(
            name=self.name(key),
            states=self.names(value.get("states")),
            text=self.words(value.get("text")),
            role=self.words(value.get("role")) or None,
            initial=self.optional_name(value.get("initial")),
            instances=self.names(value.get("instances")),
            events=tuple(
                EventText(
                    self.name(k),
                    self.words(v.get("by")),
                    self.words(v.get("text")),
                    self.truth(v.get("joint")),
                    self.truth(v.get("controllable")),
                )
                for k, v in self.each(value.get("events"))
            ),
            transitions=tuple(transitions),
            response=response_of(self.report_of(), value.get("response")),
        )

    def transition(self, node: Node) -> TransitionText | None:
        source, target = node.get("from"), node.get("to")
        if source is None or target is None:
            return None
        after = self.after(node.get("after"))
        on = self.optional_name(node.get("on"))
        if on is not None and after is not None:
            message = "`after` beside `on`: a transition waits for time or for an event, not both"
            hint = "leave one out, or put a timed state before the event"
            self.problem("after-with-on", self.source.span(node.key("after") or node), message, hint)
            after = None
        return TransitionText(
            sources=self.names(source),
            target=self.name(target),
            on=on,
            interlock=self.written(node.get("if")),
            physical=self.written(node.get("physically")),
            after=after,
            controllable=self.truth(node.get("controllable")),
            text=self.words(node.get("text")),
            span=self.source.span(node),
        )

    def after(self, node: Node | None) -> tuple[Duration, Duration] | None:
        if node is None:
            return None
        first, dots, second = node.text.partition("..")
        low = self.duration_in(node, 0, first)
        high = self.duration_in(node, len(first) + len(dots), second) if dots else low
        if low is None or high is None:
            return None
        if low.ms > high.ms:
            span, hint = self.source.span(node), "write the shorter first"
            self.problem("reversed-duration", span, f"`{node.text.strip()}` ends before it begins", hint)
            return None
        return low, high

    def duration_in(self, node: Node, offset: int, text: str) -> Duration | None:
        """A duration that is a part of a text."""
        offset += len(text) - len(text.lstrip())
        return self.duration(text, self.source.inside(node, offset, len(text.strip())))

    def fault(self, key: Node, value: Node) -> FaultText | None:
        if set(value.lost) & {"signal", "subsystem", "stuck", "jump"}:
            return None
        span = self.source.span(key)
        signal, subsystem = value.get("signal"), value.get("subsystem")
        stuck, jump = value.get("stuck"), value.get("jump")
        ways = "`signal` and `stuck: true` or `false`; `subsystem` and `stuck: STATE`; or `subsystem` and `jump`"
        if (signal is None) == (subsystem is None) or (stuck is None) == (jump is None):
            message = f"fault {key.text} must say one thing that fails"
            self.problem("fault-without-effect", span, message, f"write {ways}")
            return None
        word = stuck is not None and stuck.text in ("true", "false") and stuck.plain
        if signal is not None and not word:
            where = self.source.span(stuck or jump or key)
            message = "a signal is stuck at true or false" if stuck is not None else "a signal does not jump"
            hint = "write `stuck: true` or `stuck: false`, without quotes"
            self.problem("stuck-signal", where, message, hint)
            return None
        if subsystem is not None and stuck is not None and word:
            hint = "name the state, or `any`"
            self.problem("stuck-subsystem", self.source.span(stuck), "a subsystem is stuck in a state", hint)
            return None
        rate_node = value.get("rate")
        rate = per_hour(rate_node.text) if rate_node is not None else None
        if rate_node is not None and rate is None:
            message = f"`{rate_node.text.strip()[:40]}` is not a rate below 1e12 / h"
            self.problem("bad-rate", self.source.span(rate_node), message, "for example 2.0e-7 / h")
        ends = None
        if jump is not None:
            start, end = jump.get("from"), jump.get("to")
            if start is None or end is None:
                return None
            ends = (self.name(start), self.name(end))
        return FaultText(
            name=self.name(key),
            text=self.words(value.get("text")),
            signal=self.optional_name(signal),
            value=self.truth(stuck) if signal is not None else None,
            subsystem=self.optional_name(subsystem),
            stuck=self.name(stuck) if subsystem is not None and stuck is not None else None,
            jump=ends,
            rate=rate,
            revealed_by=self.written(value.get("revealed_by")),
            failure=failure_of(self.report_of(), key, value),
        )

    def common_cause(self, key: Node, value: Node) -> CommonCauseText | None:
        return common_cause(self.report_of(), self.name(key), value, self.words(value.get("text")))

    def report_of(self) -> Report:
        """Where the rooms beside this one leave their problems."""
        return Report(self.source, self.problem)

    def requirement(self, key: Node, value: Node) -> RequirementText | None:
        if set(value.lost) & _SAYING:
            self.look_over(value)
            return None
        span = self.source.span(key)
        given = [form for form in FORMS if value.get(form) is not None]
        if len(given) != 1:
            what = f"{len(given)} forms ({', '.join(given)})" if given else "no form"
            where = self.source.span(value.key(given[1]) or key) if given else span
            self.problem("one-form", where, f"requirement {key.text} has {what}", f"give one of {', '.join(FORMS)}")
            self.look_over(value)
            return None
        form = given[0]
        if not self.companions(key, value, form):
            self.look_over(value)
            return None
        subject = value.get("for") if form == "permissive" else value.get(form)
        within = value.get("within")
        deadline = None
        if within is not None and within.text != "reaction":
            deadline = self.duration(within.text, self.source.span(within))
            if deadline is None:
                return None
        withstand = value.get("withstand")
        return RequirementText(
            name=self.name(key),
            form=form,
            subject=self.needed(subject),
            text=self.words(value.get("text")),
            allowed=self.written(value.get("permissive")),
            effect=self.written(value.get("effect")),
            within=deadline,
            only_by=self.names(value.get("only_by")),
            begins=self.written(value.get("from")),
            ends=self.written(value.get("until")),
            withstand=int(withstand.text) if withstand is not None and not withstand.is_null else 0,
            prevent=self.truth(value.get("prevent")),
            may_be_empty=self.truth(value.get("may_be_empty")),
            hazards=self.names(value.get("hazard")),
            source=self.words(value.get("source")),
            approach=approach_of(
                self.report_of(), value, form, self.words((value.get("approach") or value).get("text"))
            ),
        )

    def look_over(self, value: Node) -> None:
        """Report what is wrong with the expressions of a requirement that cannot be kept."""
        for name, part in value.pairs:
            if name.text in _EXPRESSIONS:
                self.written(part)

    def companions(self, key: Node, value: Node, form: str) -> bool:
        """Whether the keys that belong to the form are there, and no others."""
        good = True
        needed = dict(COMPANIONS).get(form, ())
        for other in needed:
            if value.get(other) is None:
                good = False
                self.problem("missing-key", self.source.span(key), f"`{form}` needs `{other}`", f"add `{other}:`")
        foreign = [k for _, keys in COMPANIONS for k in keys if k not in needed]
        if form not in ("never", "always"):
            foreign += ["from", "until"]
        for other in foreign:
            node = value.key(other)
            if node is not None:
                good = False
                message = f"`{other}` does not belong to `{form}`"
                self.problem("misplaced-key", self.source.span(node), message, _belongs(other))
        start, end = value.get("from"), value.key("until")
        if end is not None and start is None and form in ("never", "always"):
            good = False
            message = "`until` without `from` does not say when the watch begins again"
            hint = "`from: true` watches from the start, and again after each `until`"
            self.problem("until-without-from", self.source.span(end), message, hint)
        if form not in ("never", "always", "cause") and self.truth(value.get("prevent")):
            good = False
            where = self.source.span(value.key("prevent") or key)
            self.problem("misplaced-key", where, f"`prevent` does not belong to `{form}`", _belongs("prevent"))
        return good

    def scenario(self, key: Node, value: Node) -> ScenarioText:
        node = value.get("steps")
        steps = [self.step(item) for item in (node.items if node else ())]
        return ScenarioText(
            name=self.name(key),
            steps=tuple(step for step in steps if step is not None),
            text=self.words(value.get("text")),
            ends_with=self.written(value.get("ends_with")),
        )

    def step(self, node: Node) -> StepText | None:
        span = self.source.span(node)
        if node.kind == "map":
            written = self.needed(node.get("check"))
            return StepText("check", f"check {written.text}", check=written, span=span)
        text = " ".join(node.text.split())
        word, _, rest = text.partition(" ")
        if word == "check" and rest:
            offset = node.text.index("check") + len("check")
            tree = parse_expression(" " * offset + node.text[offset:])
            if isinstance(tree, Misread):
                where = self.source.inside(node, tree.offset, tree.length)
                self.problem("bad-expression", where, tree.message, tree.hint)
                return None
            return StepText("check", text, check=Written(rest, tree, node, self.source), span=span)
        if word == "wait" and rest:
            wait = self.duration_in(node, node.text.index("wait") + 4, node.text[node.text.index("wait") + 4 :])
            return StepText("wait", text, wait=wait, span=span) if wait is not None else None
        named = Name(rest or text, self.source.inside(node, len(text) - len(rest or text), len(rest or text)))
        if word in ("blocked", "fault") and rest and " " not in rest:
            return StepText(word, text, named, span=span)
        if not rest and text:
            return StepText("event", text, named, span=span)
        hint = "a step is an event, `wait 3 s`, `fault NAME`, `blocked EVENT` or `check EXPRESSION`"
        self.problem("bad-step", span, f"`{text}` is not a step of a scenario", hint)
        return None
