"""Which definitions of a spec have changed as functions, whatever their wording; and what that weakens or strengthens.

Every answer is an equality of decision diagrams, so "unchanged" is a proof over all states, and rewording, reordering
and other names for intermediate conditions change nothing.
"""

from __future__ import annotations

import copy
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import Literal, TypeAlias

from safetymodel.explore.decisions import Diagram, disjoin
from safetymodel.explore.encoding import Encoding
from safetymodel.model.formula import Defined, Formula, SignalTrue, parts_of
from safetymodel.model.system import Requirement, System, Transition
from safetymodel.revisions.declared import Meaning, declarations
from safetymodel.revisions.joint import Placed, fault_key
from safetymodel.revisions.views import Key, Views, Ways
from safetymodel.span import NOWHERE

Direction = Literal["more", "less", "other", "same"]
"""What the new revision lets happen, beside the old: more of it, less, some more and some less, the same."""

PartKind = Literal["transition", "signal", "condition", "event", "subsystem", "start"]


@dataclass(frozen=True, slots=True, order=True)
class Part:
    """A named definition: a signal, a condition, an event, a subsystem; or a transition, by what it does."""

    kind: PartKind
    name: str


Share = Literal["both", "old", "new"]


@dataclass(frozen=True, slots=True)
class PartChange:
    """A signal, condition or event whose definition has changed, or that only one revision has."""

    part: Part
    share: Share
    old: Formula | None = None
    new: Formula | None = None
    direction: Direction = "other"


@dataclass(frozen=True, slots=True)
class WayChange:
    """A way to move whose conditions, or whose time, have changed as a function.

    ``old`` and ``new`` are the transitions, each in the numbering of its own revision. ``written`` compares the
    functions over all states, ``reached`` over what either revision can reach; None where that was not looked at.
    ``causes`` are the definitions that make the difference.
    """

    part: Part
    subsystem: str
    source: str
    target: str
    event: str
    old: tuple[Transition, ...]
    new: tuple[Transition, ...]
    written: Direction
    reached: Direction | None
    causes: tuple[Part, ...]
    key: Key


@dataclass(frozen=True, slots=True)
class Moved:
    """A way to move with the same condition in all, of which another part is the logic's and another nature's. The
    transitions are each in the numbering of their own revision."""

    name: str
    old: tuple[Transition, ...]
    new: tuple[Transition, ...]


Claim: TypeAlias = tuple[object, ...]


class Definitions:
    """The definitions of both revisions, compared."""

    def __init__(self, views: Views) -> None:
        self.views = views
        self.encoding = views.encoding
        self.old, self.new = views.joint.old, views.joint.new
        self._signal_of = {s.name: self.new.signals[s.number] for s in self.new.system.signals}
        self._condition_of = {name: self.new.formula(body) for name, body in self.new.system.conditions}

    def _here(self, formula: Formula) -> Formula:
        """An old formula with everything that it names as the new revision has it, where that has it."""

        def signal(number: int) -> int:
            name = self.old.system.signals[number].name
            return self._signal_of.get(name, self.old.signals[number])

        def condition(named: Defined) -> Formula | None:
            body = self._condition_of.get(named.name)
            return None if body is None else Defined(named.name, body)

        return self.old.formula(formula, signal, condition)

    # -- signals, conditions, events ------------------------------------------------------------

    def parts(self) -> tuple[PartChange, ...]:
        """The signals, conditions and events that have changed by themselves, not by what they read."""
        found = [*self._formulas("signal", _readings(self.old.system), _readings(self.new.system))]
        found += self._formulas("condition", dict(self.old.system.conditions), dict(self.new.system.conditions))
        joint = [{e.name: e.joint for e in placed.system.events} for placed in (self.old, self.new)]
        for name in dict.fromkeys((*joint[1], *joint[0])):
            part = Part("event", name)
            if name not in joint[0] or name not in joint[1]:
                found.append(PartChange(part, "new" if name in joint[1] else "old"))
            elif joint[0][name] != joint[1][name]:
                found.append(PartChange(part, "both", direction="less" if joint[1][name] else "more"))
        return tuple(found)

    def _formulas(self, kind: PartKind, old: dict[str, Formula], new: dict[str, Formula]) -> Iterator[PartChange]:
        for name in dict.fromkeys((*new, *old)):
            part = Part(kind, name)
            if name not in old or name not in new:
                yield PartChange(part, "new" if name in new else "old", old.get(name), new.get(name))
                continue
            before = self.views.meaning(self._here(old[name]))
            after = self.views.meaning(self.new.formula(new[name]))
            if before != after:
                yield PartChange(part, "both", old[name], new[name], direction(before, after, self.encoding))

    # -- ways to move ---------------------------------------------------------------------------

    def ways(self, changed: tuple[PartChange, ...], reached: Diagram | None) -> tuple[WayChange, ...]:
        """Every way to move that is not the same function; ``reached`` are the states of either revision, if known."""
        found = []
        parts = {change.part for change in changed}
        for key, (before, after) in self.views.both.items():
            pairs = ((before.able, after.able), (before.due, after.due), (before.window, after.window))
            if all(one == other for one, other in pairs):
                continue
            inside = None if reached is None else [(one & reached, other & reached) for one, other in pairs]
            subsystem = self.views.joint.system.subsystems[key[0]]
            part = Part("transition", self.way_name(key))
            old, new = self._own(key)
            found.append(
                WayChange(
                    part=part,
                    subsystem=subsystem.name,
                    source=subsystem.states[key[1]],
                    target=subsystem.states[key[2]],
                    event=key[3],
                    old=old,
                    new=new,
                    written=self._direction(pairs),
                    reached=None if inside is None else self._direction(inside),
                    causes=self._causes(key, part, old, new, parts),
                    key=key,
                )
            )
        return tuple(found)

    def way_name(self, key: Key) -> str:
        subsystem = self.views.joint.system.subsystems[key[0]]
        on = f" on {key[3]}" if key[3] else ""
        return f"{subsystem.name}: {subsystem.states[key[1]]} -> {subsystem.states[key[2]]}{on}"

    def _own(self, key: Key) -> tuple[tuple[Transition, ...], tuple[Transition, ...]]:
        old, new = self.views.keys[key]
        there = {place: n for n, place in enumerate(self.old.transitions)}
        return (
            tuple(self.old.system.transitions[there[t.number]] for t in old),
            tuple(self.new.system.transitions[t.number] for t in new),
        )

    def _direction(self, pairs: list[tuple[Diagram, Diagram]] | tuple[tuple[Diagram, Diagram], ...]) -> Direction:
        found = {direction(before, after, self.encoding) for before, after in pairs} - {"same"}
        if not found:
            return "same"
        return found.pop() if len(found) == 1 else "other"

    def _causes(
        self, key: Key, part: Part, old: tuple[Transition, ...], new: tuple[Transition, ...], changed: set[Part]
    ) -> tuple[Part, ...]:
        """The changed definitions of which each by itself makes a difference here: the transition, or what it reads,
        through whatever chain; all of them where only several together do."""
        itself = [part] if self._timed(old, self._here) != self._timed(new, self.new.formula) else []
        named = {p for placed, ways in ((self.old, old), (self.new, new)) for t in ways for p in mentions(placed, t)}
        possible = (*itself, *sorted(named & changed)) or (part,)
        return tuple(p for p in possible if self.alone(p, key) != self.views.both[key][1]) or possible

    # -- the difference that one definition makes ------------------------------------------------

    def alone(self, part: Part, key: Key) -> Ways:
        """Where the new revision would move by this key if this one definition were as the old one has it."""
        old, new = self.views.keys[key]
        if part.kind == "transition":
            own = self._own(key)[0]
            bodies = [(self._here(t.interlock), self._here(t.physical)) for t in own]
            return self._with(old, self.encoding, bodies)
        encoding = copy.copy(self.encoding)
        encoding.signals = list(self.encoding.signals)
        encoding.forget_formulas()
        swap = self._swapped(part)
        for number in self.new.system.signal_order:
            signal = self.new.system.signals[number]
            reads = self._old_signal(part) if part == Part("signal", signal.name) else None
            encoding.signals[number] = encoding.reading(number, reads or self.new.formula(signal.reads, None, swap))
        bodies = [
            (self.new.formula(t.interlock, None, swap), self.new.formula(t.physical, None, swap))
            for t in self._own(key)[1]
        ]
        return self._with(new, encoding, bodies)

    def _with(self, transitions: list[Transition], encoding: Encoding, bodies: list[tuple[Formula, Formula]]) -> Ways:
        found = [encoding.formula(interlock) & encoding.formula(physical) for interlock, physical in bodies]
        return self.views.ways(transitions, found)

    def _old_signal(self, part: Part) -> Formula | None:
        found = next((s for s in self.old.system.signals if s.name == part.name), None)
        return None if found is None else self._here(found.reads)

    def _swapped(self, part: Part) -> Callable[[Defined], Formula | None]:
        """Puts the old body of this condition in the place of the new one."""
        old = dict(self.old.system.conditions).get(part.name) if part.kind == "condition" else None
        body = None if old is None else self._here(old)
        return lambda named: None if body is None or named.name != part.name else Defined(part.name, body)

    def _timed(
        self, transitions: tuple[Transition, ...], place: Callable[[Formula], Formula]
    ) -> dict[tuple[int, int], Diagram]:
        found: dict[tuple[int, int], list[Diagram]] = {}
        for t in transitions:
            both = self.views.meaning(place(t.interlock)) & self.views.meaning(place(t.physical))
            found.setdefault((t.earliest, t.latest), []).append(both)
        return {time: disjoin(parts, self.encoding.decisions.false) for time, parts in found.items()}

    # -- subsystems -----------------------------------------------------------------------------

    def unchanged(self, ways: tuple[WayChange, ...]) -> tuple[str, ...]:
        """The subsystems that have the same states, the same start and the same ways to move, as functions."""
        changed = {way.subsystem for way in ways}
        events = [{e.name: e.joint for e in placed.system.events} for placed in (self.old, self.new)]
        odd = {name for name in events[0].keys() & events[1].keys() if events[0][name] != events[1][name]}
        for placed in (self.old, self.new):
            for event in placed.system.events:
                if event.name in odd:
                    changed.update(placed.system.subsystems[s].name for s, _ in event.movers)
        same = []
        for s in self.new.system.subsystems:
            other = self.old.system.subsystem_named(s.name)
            if other is None or s.name in changed or set(s.states) != set(other.states):
                continue
            if s.states[s.initial] == other.states[other.initial]:
                same.append(s.name)
        return tuple(same)

    # -- requirements ---------------------------------------------------------------------------

    def same_claim(self, old: Requirement, new: Requirement) -> bool:
        """Whether two requirements say the same of the model, as functions."""
        flags = [(r.withstand, r.prevent, r.may_be_empty, r.approach and replace(r.approach, span=NOWHERE, text=""))
                 for r in (old, new)]  # fmt: skip
        return flags[0] == flags[1] and self._claim(self.old, old) == self._claim(self.new, new)

    def meanings(self) -> dict[Meaning, bool]:
        """Whether the expressions that both revisions declare outside the logic are the same functions. What a
        requirement claims is there as ``claim``."""
        found: dict[Meaning, bool] = {}
        before = {(d.kind, d.name): d.formulas for d in declarations(self.old.system)}
        for declared in declarations(self.new.system):
            theirs = before.get((declared.kind, declared.name), {})
            for what in declared.formulas.keys() & theirs.keys():
                old = {self.views.meaning(self.old.formula(f)) for f in theirs[what]}
                new = {self.views.meaning(self.new.formula(f)) for f in declared.formulas[what]}
                found[declared.kind, declared.name, what] = old == new
        claims = {r.name: r for r in self.old.system.requirements}
        for r in self.new.system.requirements:
            if r.name in claims:
                same = self._claim(self.old, claims[r.name]) == self._claim(self.new, r)
                found["requirement", r.name, "claim"] = same
        return found

    def moved(self, ways: tuple[WayChange, ...]) -> tuple[Moved, ...]:
        """Ways to move that are the same functions, of which another part is now `if`, and another `physically`."""
        changed = {way.key for way in ways}
        found = []
        for key, (before, after) in self.views.keys.items():
            if key in changed or not before or not after:
                continue
            halves = [(self._either(ts, "interlock"), self._either(ts, "physical")) for ts in (before, after)]
            if halves[0] != halves[1]:
                found.append(Moved(self.way_name(key), *self._own(key)))
        return tuple(found)

    def _either(self, transitions: list[Transition], half: Literal["interlock", "physical"]) -> Diagram:
        parts = (self.views.meaning(getattr(t, half)) for t in transitions)
        return disjoin(parts, self.encoding.decisions.false)

    def _claim(self, placed: Placed, r: Requirement) -> Claim:
        def of(formula: Formula | None) -> Diagram | None:
            return None if formula is None else self.views.meaning(placed.formula(formula))

        subject, form = self.views.meaning(placed.formula(r.subject)), str(r.form)
        if form == "never":
            subject, form = self.views.valid & ~subject, "always"
        events = frozenset(placed.system.events[e].name for e in r.only_by)
        return (form, subject, of(r.allowed), of(r.effect), of(r.begins), of(r.ends), r.within, events)


def direction(before: Diagram, after: Diagram, encoding: Encoding) -> Direction:
    """What the second set has beside the first."""
    false = encoding.decisions.false
    more, less = after & ~before != false, before & ~after != false
    if more and less:
        return "other"
    return "more" if more else "less" if less else "same"


def _readings(system: System) -> dict[str, Formula]:
    return {s.name: s.reads for s in system.signals}


def mentions(placed: Placed, transition: Transition) -> set[Part]:
    """Every signal and condition that a transition reads, through whatever chain."""
    system = placed.system
    found: set[Part] = set()
    todo: list[Formula] = [transition.interlock, transition.physical]
    while todo:
        node = todo.pop()
        if isinstance(node, Defined):
            found.add(Part("condition", node.name))
        if isinstance(node, SignalTrue):
            part = Part("signal", system.signals[node.signal].name)
            if part not in found:
                found.add(part)
                todo.append(system.signals[node.signal].reads)
        todo.extend(parts_of(node))
    return found


def fault_changes(old: System, new: System) -> tuple[tuple[str, ...], tuple[str, ...], tuple[str, ...]]:
    """The names of faults that only the new revision declares, that only the old one does, that do something else."""
    before = {f.name: fault_key(old, f) for f in old.faults}
    after = {f.name: fault_key(new, f) for f in new.faults}
    return (
        tuple(name for name in after if name not in before),
        tuple(name for name in before if name not in after),
        tuple(name for name in after if name in before and before[name] != after[name]),
    )
