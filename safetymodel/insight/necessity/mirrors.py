"""Faults of one signal looked at in the signals that read the same as well, so that twin channels are asked alike.

A spec often declares the fault of one of two channels only, for the other can fail in the same way. A part that reads
the channel without a declared fault then makes no difference, though it is there for just that.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from safetymodel.claims.verdict import Word
from safetymodel.explore.decisions import Diagram
from safetymodel.explore.encoding import Encoding
from safetymodel.insight.necessity.changes import spread_out
from safetymodel.insight.standing import RANK
from safetymodel.model.system import Fault, Requirement, System


@dataclass(frozen=True, slots=True)
class Mirror:
    """The declared fault ``of`` in another ``signal``; ``fault`` is its own number in the system that has them too."""

    fault: int
    of: int
    signal: int


def mirrors_of(system: System) -> tuple[Mirror, ...]:
    """Each declared fault of a signal in every other signal that reads the same and cannot fail so by itself."""
    declared = {(f.subject, f.value) for f in system.faults if f.kind == "signal"}
    plain = [spread_out(signal.reads) for signal in system.signals]
    found: list[Mirror] = []
    for fault in system.faults:
        if fault.kind != "signal":
            continue
        for signal in system.signals:
            if (signal.number, fault.value) not in declared and plain[signal.number] == plain[fault.subject]:
                declared.add((signal.number, fault.value))
                found.append(Mirror(len(system.faults) + len(found), fault.number, signal.number))
    return tuple(found)


def with_mirrors(system: System, mirrors: tuple[Mirror, ...]) -> System:
    """The system in which these can strike too."""
    if not mirrors:
        return system
    more = []
    for mirror in mirrors:
        fault, signal = system.faults[mirror.of], system.signals[mirror.signal]
        # no name of a spec has a blank in it
        name = f"{fault.name} in {signal.name}"
        more.append(replace(fault, number=mirror.fault, name=name, text=name, subject=signal.number))
    faults: tuple[Fault, ...] = (*system.faults, *more)
    return replace(system, faults=faults)


@dataclass(frozen=True, slots=True)
class Asked:
    """``words``: the verdict on each requirement as it is asked; ``plain`` names those that are asked without mirrored
    faults."""

    words: Mapping[str, Word]
    plain: frozenset[str]
    mirrors: tuple[Mirror, ...] = ()

    def few(self, encoding: Encoding, requirement: Requirement, most: int | None = None) -> Diagram:
        """The states with no more faults than the requirement withstands as it is asked, nor ``most``, if given."""
        found = encoding.flags_at_most[min(requirement.withstand, encoding.budget if most is None else most)]
        return found & self.declared(encoding) if requirement.name in self.plain else found

    def declared(self, encoding: Encoding) -> Diagram:
        """The states in which no mirrored fault is up. Flags never go down: these are those of the declared system."""
        found = encoding.decisions.true
        for mirror in self.mirrors:
            found = found & ~encoding.flag(mirror.fault)
        return found


def asked_again(system: System, mirrors: tuple[Mirror, ...], words: Mapping[str, Word]) -> list[Requirement]:
    """Those on which the verdict may be another one with mirrored faults. ``words``: the verdicts without."""
    return [r for r in system.requirements if mirrors and r.withstand and words[r.name] != "broken"]


def asked_with(mirrors: tuple[Mirror, ...], words: Mapping[str, Word], again: Mapping[str, Word]) -> Asked:
    """How each requirement is asked. ``again``: the verdicts with mirrored faults, on those that they concern."""
    plain = frozenset(name for name, word in again.items() if RANK[word] < RANK[words[name]])
    told = {**words, **{name: word for name, word in again.items() if name not in plain}}
    return Asked(told, plain, mirrors)
