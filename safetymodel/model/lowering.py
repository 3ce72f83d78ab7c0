"""Names to numbers, and expressions to formulas."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

from safetymodel.model.definitions import circle, in_order, measure, mentions_self, named
from safetymodel.model.formula import (
    TRUE,
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
from safetymodel.model.system import Signal
from safetymodel.names import did_you_mean
from safetymodel.problems import Problem
from safetymodel.span import Span
from safetymodel.spec.description import Description, EventText, Name, SubsystemText, Written
from safetymodel.spec.expressions import (
    RESERVED,
    Expression,
    Is,
    Joined,
    Literal,
    Members,
    Named,
    Negation,
    Struck,
    Word,
)

MOST_MEMBERS = 2_000
MOST_TRANSITIONS = 100_000
MOST_STATES = 4_000
MOST_MENTIONS = 10_000
MOST_DEPTH = 150
MOST_COMPARED = 20_000
MOST_LISTED = 8

Report = Callable[[Problem], None]


@dataclass(frozen=True, slots=True)
class Member:
    """One subsystem, or one instance of a family."""

    name: str
    text: SubsystemText
    states: tuple[str, ...]
    family: str | None
    instance: str | None
    span: Span

    @property
    def label(self) -> str:
        if self.instance is None or not self.text.text:
            return self.text.text
        return f"{self.text.text} ({self.instance.replace('_', ' ')})"


@dataclass(frozen=True, slots=True)
class DeclaredEvent:
    name: str
    subsystem: int
    text: EventText


class Scope:
    """Every declared name, and the problems of names that are used."""

    def __init__(self, description: Description, report: Report) -> None:
        self.description = description
        self.source = description.source
        self.report = report
        self._compared = 0
        self.members: list[Member] = []
        self.families: dict[str, tuple[int, ...]] = {}
        self.events: list[DeclaredEvent] = []
        self.plain_events: dict[str, list[str]] = {}
        for text in description.subsystems:
            self._declare(text)
        self.by_name = {member.name: number for number, member in enumerate(self.members)}
        self.event_numbers = {event.name: number for number, event in enumerate(self.events)}
        self.signals = {s.name.text: number for number, s in enumerate(description.signals)}
        self.faults = {f.name.text: number for number, f in enumerate(description.faults)}
        self.conditions = {c.name.text: c for c in description.conditions}
        self._one_namespace()

    def error(self, slug: str, name: Name, message: str, hint: str = "", *others: Name) -> None:
        places = tuple(other.span for other in others)
        self.report(self.source.problem(slug, name.span, message, hint, others=places))

    def _reserved(self, name: Name) -> None:
        if name.text in RESERVED:
            self.error("reserved-word", name, f"`{name.text}` is a word of the expressions", "choose another name")

    def _one_namespace(self) -> None:
        """What an expression may name at its beginning: no reserved word; a bare name is one thing only.

        A subsystem may share its name with a signal or condition, since `NAME is STATE` tells them
        apart; people may not, so there is a warning.
        """
        d = self.description
        declared = [("a family" if s.instances else "a subsystem", s.name) for s in d.subsystems]
        bare = [*(("a signal", s.name) for s in d.signals), *(("a condition", c.name) for c in d.conditions)]
        for name in (*(name for _, name in bare), *(f.name for f in d.faults)):
            self._reserved(name)
        subsystems = {name.text: (what, name) for what, name in declared}
        first: dict[str, tuple[str, Name]] = {}
        for what, name in bare:
            known, other = first.setdefault(name.text, (what, name))
            if other is not name:
                self.error("duplicate-name", name, f"{name.text} is {known} and {what}", "rename one of them", other)
            elif name.text in subsystems:
                known, other = subsystems[name.text]
                message, hint = f"{name.text} is {known} and {what}", "rename one of them"
                place = other.span
                self.report(
                    self.source.problem("same-name", name.span, message, hint, severity="warning", others=(place,))
                )

    def _distinct(self, names: Iterable[Name], what: str) -> None:
        seen: dict[str, Name] = {}
        for name in names:
            if name.text in seen:
                message = f"the {what} {name.text} is named twice"
                self.error("duplicate-name", name, message, "rename or remove one", seen[name.text])
            seen.setdefault(name.text, name)

    def _declare(self, text: SubsystemText) -> None:
        self._reserved(text.name)
        self._distinct(text.states, "state")
        self._distinct(text.instances, "instance")
        for state in text.states:
            if state.text in ("not", "and", "or"):
                self._reserved(state)
        states = tuple(dict.fromkeys(state.text for state in text.states))
        if len(states) > MOST_STATES:
            message = f"{text.name.text} has more than {MOST_STATES:,} states"
            self.error("too-many-states", text.name, message, "leave out what no requirement depends on")
        instances: list[Name | None] = list({i.text: i for i in text.instances}.values()) or [None]
        work = len(instances) * sum(len(t.sources) for t in text.transitions)
        if len(self.members) + len(instances) > MOST_MEMBERS or work > MOST_TRANSITIONS:
            message = f"with {text.name.text} the system has more than {MOST_MEMBERS:,} subsystems"
            if work > MOST_TRANSITIONS:
                message = f"{text.name.text} unfolds to more than {MOST_TRANSITIONS:,} transitions"
            self.error("too-large", text.name, message, "leave out what no requirement depends on")
            instances = instances[:1]
        first = len(self.members)
        for instance in instances:
            name = text.name.text if instance is None else f"{text.name.text}.{instance.text}"
            number = len(self.members)
            span = text.name.span if instance is None else instance.span
            family = None if instance is None else text.name.text
            self.members.append(Member(name, text, states, family, instance.text if instance else None, span))
            for event in text.events:
                self.events.append(DeclaredEvent(f"{name}.{event.name.text}", number, event))
        if text.instances:
            self.families[text.name.text] = tuple(range(first, len(self.members)))

    # -- looking up -------------------------------------------------------------------------

    def state(self, member: Member, name: Name, more: str = "") -> int | None:
        """The number of a state of a subsystem."""
        if name.text in member.states:
            return member.states.index(name.text)
        listed = f"its states: {', '.join(member.states[:12])} {more}".strip()
        hint = self.nearest(name.text, member.states, listed)
        self.error("unknown-state", name, f"{member.text.name.text} has no state {name.text}", hint)
        return None

    def subsystem(self, name: Name) -> int | None:
        """The number of a subsystem (of a family: of an instance, named whole)."""
        if name.text in self.by_name:
            return self.by_name[name.text]
        if name.text in self.families:
            members = [self.members[n].name for n in self.families[name.text]]
            hint = f"name one of {', '.join(members[:6])}; in an expression also `every {name.text} is ...`"
            self.error("family-not-one", name, f"{name.text} is a family of {len(members)}, not one subsystem", hint)
            return None
        head, _, tail = name.text.partition(".")
        if not self.ghost(head, "subsystems"):
            if tail and head in self.families:
                members = [self.members[n].instance or "" for n in self.families[head]]
                hint = self.nearest(tail, members, f"its instances: {', '.join(members[:12])}")
                self.error("unknown-instance", name, f"the family {head} has no instance {tail}", hint)
            elif tail and head in self.by_name:
                self.error("not-a-family", name, f"{head} is not a family", f"write {head}")
            else:
                hint = self.nearest(name.text, [*self.by_name, *self.families])
                if name.text in self.signals or name.text in self.conditions:
                    hint = f"{name.text} is a signal or condition: write its bare name"
                self.error("unknown-subsystem", name, f"there is no subsystem {name.text}", hint)
        return None

    def signal(self, name: Name) -> int | None:
        if name.text not in self.signals and not self.ghost(name.text, "signals"):
            hint = self.nearest(name.text, self.signals)
            self.error("unknown-signal", name, f"there is no signal {name.text}", hint)
        return self.signals.get(name.text)

    def fault(self, name: Name) -> int | None:
        if name.text not in self.faults and not self.ghost(name.text, "faults"):
            self.error("unknown-fault", name, f"there is no fault {name.text}", self.nearest(name.text, self.faults))
        return self.faults.get(name.text)

    def event(self, name: Name, owner: int | None) -> int | None:
        """The number of an event: named whole, or bare inside the subsystem that declares it."""
        if owner is not None:
            own = f"{self.members[owner].name}.{name.text}"
            if own in self.event_numbers:
                return self.event_numbers[own]
        if name.text in self.event_numbers:
            return self.event_numbers[name.text]
        head, _, tail = name.text.rpartition(".")
        texts = [s for s in self.description.subsystems if s.name.text == head]
        if head in self.families and any(event.name.text == tail for text in texts for event in text.events):
            members = [f"{self.members[n].name}.{tail}" for n in self.families[head]]
            message = f"{name.text} is an event of each of the family {head}"
            self.error("family-not-one", name, message, f"name one of {', '.join(members[:6])}")
        elif not (self.ghost(name.text, "subsystems") or self.ghost(head.split(".")[0]) or self.ghost(f"{head}.*")):
            own = "" if owner is None else self.members[owner].text.name.text
            if own and (self.ghost(f"{own}.{name.text}") or self.ghost(f"{own}.*")):
                return None
            bare = [e.name for e in self.events if e.name.endswith(f".{name.text}")]
            own_names = [f.name.text for f in self.members[owner].text.events] if owner is not None else []
            hint = f"name it whole: {bare[0]}" if bare else self.nearest(name.text, [*own_names, *self.event_numbers])
            if not hint and own and name.text.isidentifier():
                hint = f"declare it in {own}: `events: {{{name.text}: {{by: operator}}}}`"
            self.error("unknown-event", name, f"there is no event {name.text}", hint)
        return None

    def ghost(self, name: str, *sections: str) -> bool:
        """Whether the name was declared with a mistake, or may have been in a section that was taken out."""
        ghosts = self.description.ghosts
        return name in ghosts or any(f"*{section}" in ghosts for section in sections)

    def nearest(self, name: str, declared: Iterable[str], otherwise: str = "") -> str:
        """A hint with the nearest declared name, or all of a few; after much searching none is looked for any more."""
        known = list(declared)
        near = ""
        if self._compared < MOST_COMPARED:
            self._compared += len(known)
            near = did_you_mean(name, known)
        return near or otherwise or (f"declared: {', '.join(known)}" if 0 < len(known) <= MOST_LISTED else "")


class Lowering:
    """Expressions to formulas, conditions put in where they are named."""

    def __init__(self, scope: Scope, report: Report) -> None:
        self.scope = scope
        self.report = report
        self._conditions: dict[str, Formula] = {}
        self._sizes: dict[str, tuple[int, int]] = {}
        self._oversized: set[str] = set()
        self._shared: dict[int, Formula] = {}
        self._names: dict[tuple[int, int], Name] = {}
        self._counts: dict[tuple[str, tuple[int, ...], bool], tuple[InState, ...]] = {}
        self._order_conditions()

    def condition(self, name: str) -> Formula:
        return self._conditions.get(name, TRUE)

    def formula(self, written: Written | None, owner: int | None = None) -> Formula:
        """The formula of an expression; ``owner`` is what ``self`` means, inside a family.

        Without ``self`` it is the same for each instance, and lowered once.
        """
        if written is None:
            return TRUE
        if id(written) in self._shared:  # the description keeps it alive
            return self._shared[id(written)]
        formula = self._looked_at(written, owner)
        if not mentions_self(written.tree):
            self._shared[id(written)] = formula
        return formula

    def _looked_at(self, written: Written, owner: int | None) -> Formula:
        known_too_large = not self._oversized.isdisjoint(named(written.tree)) if self._oversized else False
        formula = self._lower(written.tree, written, owner)
        if known_too_large or not self._small(formula, written):
            return TRUE
        return formula

    def _small(self, formula: Formula, written: Written) -> bool:
        mentions, depth = measure(formula, self._sizes)
        if mentions <= MOST_MENTIONS and depth <= MOST_DEPTH:
            return True
        self._problem(
            "condition-too-large",
            written.place(),
            f"with its conditions put in, this has {mentions:,} mentions, {depth} deep",
            f"at most {MOST_MENTIONS:,} mentions and {MOST_DEPTH} levels are allowed",
        )
        return False

    def _problem(self, slug: str, span: Span, message: str, hint: str = "") -> None:
        self.report(self.scope.source.problem(slug, span, message, hint))

    # -- definitions in order ---------------------------------------------------------------

    def _order_conditions(self) -> None:
        """Lower each condition after those that it names; those in a ring are reported."""
        texts = self.scope.conditions
        needs = {name: named(c.meaning.tree) & texts.keys() for name, c in texts.items()}

        def lower(name: str) -> None:
            meaning = texts[name].meaning
            before = named(meaning.tree) & self._oversized
            formula = self._lower(meaning.tree, meaning, None)
            if before or not self._small(formula, meaning):
                self._oversized.add(name)
                formula = TRUE
            self._conditions[name] = formula
            mentions, depth = measure(formula, self._sizes)
            self._sizes[name] = mentions, depth + 1

        def ring(names: list[str]) -> None:
            first = texts[names[0]].name
            message = f"{circle(names)}: a condition that needs itself"
            self._problem("cyclic-condition", first.span, message, "say it with states or signals instead")
            for name in names:
                self._conditions[name] = TRUE

        in_order(needs, lower, ring)

    def signal_order(self, signals: tuple[Signal, ...]) -> tuple[int, ...]:
        """Signals so that each comes after those that it reads; those in a ring are reported."""
        needs = {s.number: {a.signal for a in atoms(s.reads) if isinstance(a, SignalTrue)} for s in signals}
        order: list[int] = []

        def ring(numbers: list[int]) -> None:
            names = [signals[n].name for n in numbers]
            message = f"{circle(names)}: a signal that reads itself"
            self._problem("cyclic-signal", signals[numbers[0]].span, message, "a signal reads states or other signals")
            order.extend(numbers)

        in_order(needs, order.append, ring)
        return tuple(order)

    # -- trees ------------------------------------------------------------------------------

    def _lower(self, tree: Expression, written: Written, owner: int | None) -> Formula:
        match tree:
            case Literal(value):
                return Constant(value)
            case Negation(part):
                return Not(self._lower(part, written, owner))
            case Joined(word, parts):
                lowered = tuple(self._lower(part, written, owner) for part in parts)
                return AllOf(lowered) if word == "and" else AnyOf(lowered)
            case Named(name):
                return self._bare(self._name(name, written))
            case Struck(name):
                fault = self.scope.fault(self._name(name, written))
                return TRUE if fault is None else FaultUp(fault)
            case Is(name, states, negated):
                return self._is(name, states, negated, written, owner)
            case Members():
                return self._members(tree, written)

    def _name(self, word: Word, written: Written) -> Name:
        key = (id(written), word.offset)
        if key not in self._names:
            self._names[key] = Name(word.text, written.place(word.offset, len(word.text)))
        return self._names[key]

    def _bare(self, name: Name) -> Formula:
        if name.text in self.scope.signals:
            return SignalTrue(self.scope.signals[name.text])
        if name.text in self.scope.conditions:
            return Defined(name.text, self.condition(name.text))
        if not self.scope.ghost(name.text, "signals", "conditions"):
            known = [*self.scope.signals, *self.scope.conditions]
            hint = self.scope.nearest(name.text, known)
            if name.text in self.scope.by_name or name.text == "self":
                hint = f"{name.text} is a subsystem: write `{name.text} is STATE`"
            elif name.text in self.scope.families:
                hint = f"{name.text} is a family: write `every {name.text} is STATE`"
            self.scope.error("unknown-name", name, f"there is no signal or condition {name.text}", hint)
        return TRUE

    def _is(self, word: Word, states: tuple[Word, ...], negated: bool, written: Written, owner: int | None) -> Formula:
        name = self._name(word, written)
        number: int | None
        if word.text == "self":
            if owner is None or self.scope.members[owner].family is None:
                self.scope.error("self-outside-family", name, "`self` outside a family", "name the subsystem")
                return TRUE
            number = owner
        else:
            number = self.scope.subsystem(name)
        if number is None:
            return TRUE
        found = self._states(number, states, written)
        return InState(number, found, negated) if found else TRUE

    def _states(self, number: int, states: tuple[Word, ...], written: Written) -> tuple[int, ...]:
        member = self.scope.members[number]
        numbers = [self.scope.state(member, self._name(state, written)) for state in states]
        return tuple(sorted({n for n in numbers if n is not None}))

    def _members(self, tree: Members, written: Written) -> Formula:
        name = self._name(tree.family, written)
        numbers = self.scope.families.get(name.text)
        if numbers is None:
            if name.text in self.scope.by_name:
                hint = f"write `{name.text} is STATE`"
                self.scope.error("not-a-family", name, f"{name.text} is not a family", hint)
            elif not self.scope.ghost(name.text, "signals", "conditions"):
                hint = self.scope.nearest(name.text, self.scope.families)
                self.scope.error("unknown-family", name, f"there is no family {name.text}", hint)
            return TRUE
        found = self._states(numbers[0], tree.states, written)
        if not found:
            return TRUE
        size = len(numbers)
        least, most = {
            "every": (size, size),
            "some": (1, size),
            "no": (0, 0),
            "at least": (tree.number, size),
            "at most": (0, tree.number),
            "exactly": (tree.number, tree.number),
        }[tree.how]
        names = "|".join(state.text for state in tree.states)
        counted = tree.how in ("at least", "at most", "exactly")
        how = f"{tree.how} {tree.number} of" if counted else tree.how
        wording = f"{how} {name.text} {'are' if counted else 'is'} {'not ' if tree.negated else ''}{names}"
        if least > size:
            place = written.place(tree.family.offset, len(tree.family.text))
            message = f"`{wording}` is never true: {name.text} has {size} instances"
            self.report(self.scope.source.problem("never-so-many", place, message, severity="warning"))
        key = (name.text, found, tree.negated)
        if key not in self._counts:
            self._counts[key] = tuple(InState(n, found, tree.negated) for n in numbers)
        return HowMany(least, most, self._counts[key], wording)
