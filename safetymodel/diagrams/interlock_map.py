"""The interlock map: who reads whom, through which signal, for the logic and for nature."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass
from typing import Literal, TypeAlias

from safetymodel.diagrams.dot_text import Attribute, Raw, block, digraph, edge, label, node, wrapped
from safetymodel.diagrams.sizes import refusal
from safetymodel.diagrams.style import (
    ALARM,
    FAULTY_FILL,
    LOOKS,
    QUIET,
    SIGNAL_FILL,
    Sample,
    key_node,
    look_of,
    role_key,
)
from safetymodel.model.formula import Defined, Formula, HowMany, InState, SignalTrue, parts_of
from safetymodel.model.system import Fault, Subsystem, System
from safetymodel.problems import Problem

Kind = Literal["subsystem", "signal", "condition"]
Part: TypeAlias = tuple[Kind, int]
"""A node of the map: its kind and its number (a condition's is its place in ``system.conditions``)."""

_PREFIX: dict[Kind, str] = {"subsystem": "n", "signal": "g", "condition": "c"}


@dataclass(frozen=True, slots=True)
class Reading:
    """``reader`` looks at ``read``: as logic (an ``if``, a signal, a condition) or, with ``physical``, as nature."""

    read: Part
    reader: Part
    physical: bool = False


def readings(system: System, keep_conditions: bool = True) -> tuple[Reading, ...]:
    """Who reads whom, each pair once for logic and once for nature, in the order of the spec.

    A signal stands between what it reads and its readers. A named condition does so where that
    takes fewer lines than drawing what it reads at each of its readers; otherwise, and without ``keep_conditions``,
    its readers read what it reads. What a subsystem reads of itself is left out.
    """
    direct = _direct(system)
    while True:
        costly = _costly(direct, keep_conditions)
        if costly is None:
            break
        direct = _without(direct, costly)
    return tuple(sorted((r for r in direct if r.read != r.reader), key=_spec_order))


_KINDS: tuple[Kind, ...] = ("subsystem", "signal", "condition")


def _spec_order(reading: Reading) -> tuple[int, int, int, int, bool]:
    (read, a), (reader, b) = reading.read, reading.reader
    return _KINDS.index(reader), b, _KINDS.index(read), a, reading.physical


def _direct(system: System) -> dict[Reading, None]:
    """Every reading as the spec has it, conditions by their names."""
    places = {name: number for number, (name, _) in enumerate(system.conditions)}
    found: dict[Reading, None] = {}
    for transition in system.transitions:
        reader: Part = ("subsystem", transition.subsystem)
        for formula, physical in ((transition.interlock, False), (transition.physical, True)):
            found.update(dict.fromkeys(Reading(part, reader, physical) for part in _mentions(places, formula)))
    for signal in system.signals:
        for part in _mentions(places, signal.reads):
            found[Reading(part, ("signal", signal.number))] = None
    for number, (_, body) in enumerate(system.conditions):
        for part in _mentions(places, body):
            found[Reading(part, ("condition", number))] = None
    return found


def _mentions(places: dict[str, int], formula: Formula) -> Iterator[Part]:
    """What a formula names, a condition by its name alone."""
    stack = [formula]
    while stack:
        part = stack.pop()
        match part:
            case InState(subsystem, _, _):
                yield ("subsystem", subsystem)
            case SignalTrue(signal):
                yield ("signal", signal)
            case HowMany(_, _, members, _):
                for member in members:
                    yield ("subsystem", member.subsystem)
            case Defined(name, _) if name in places:
                yield ("condition", places[name])
            case _:
                stack.extend(parts_of(part))


def _costly(direct: dict[Reading, None], keep: bool) -> int | None:
    """A condition that is better not drawn: nobody reads it, or it saves no lines."""
    reads: dict[int, set[Part]] = {}
    read_by: dict[int, set[tuple[Part, bool]]] = {}
    for reading in direct:
        (kind, number), (other, place) = reading.read, reading.reader
        if kind == "condition":
            read_by.setdefault(number, set()).add((reading.reader, reading.physical))
        if other == "condition":
            reads.setdefault(place, set()).add(reading.read)
    for number in sorted({*reads, *read_by}):
        into, out = len(reads.get(number, ())), len(read_by.get(number, ()))
        if not keep or into * out <= into + out:
            return number
    return None


def _without(direct: dict[Reading, None], condition: int) -> dict[Reading, None]:
    """The readings with this condition's readers reading what it reads."""
    this: Part = ("condition", condition)
    reads = [r.read for r in direct if r.reader == this]
    kept: dict[Reading, None] = {}
    for reading in direct:
        if reading.reader == this:
            continue
        if reading.read == this:
            kept.update(dict.fromkeys(Reading(part, reading.reader, reading.physical) for part in reads))
        else:
            kept[reading] = None
    return kept


MOST_NODES = 300
MOST_ARROWS = 800
SUBJECT_WIDTH = 3.0
"""Width in points of the border of what a map is drawn around."""


def interlock_dot(system: System, around: Collection[int] = ()) -> str | Problem:
    """The map as DOT text.

    An arrow goes from what is read, through a signal (a small sheet), to the reader. Logic is drawn solid, nature
    dotted. A signal that a declared fault can hold is grey and says so. Families are boxed. ``around`` names the
    numbers of subsystems: then only what these read is drawn, and who reads them. A problem ``graph-too-large`` where
    the map could not be read.
    """
    found = readings(system)
    couplings = _couplings(system)
    if around:
        found = _touching(found, around)
        couplings = [pair for pair in couplings if not set(pair).isdisjoint(around)]
        drawn = {part for r in found for part in (r.read, r.reader)}
        drawn.update(("subsystem", n) for n in (*around, *(n for pair in couplings for n in pair)))
    else:
        drawn = {part for r in found for part in (r.read, r.reader) if part[0] == "condition"}
        drawn.update(("subsystem", s.number) for s in system.subsystems)
        drawn.update(("signal", s.number) for s in system.signals)
    parts = sum(kind != "condition" for kind, _ in drawn)
    hint = "draw it around some subsystems: --what map --only a,b"
    limits = (parts, "subsystems and signals", MOST_NODES)
    if (refused := refusal("the interlock map", limits, (found, MOST_ARROWS), hint)) is not None:
        return refused
    body = [
        *_subsystems(system, drawn, around),
        *_signals(system, drawn),
        *_conditions(system, drawn),
        *_edges(found),
        *(edge(f"n{owner}", f"n{mover}", style="dashed", arrowhead="vee", color=QUIET) for owner, mover in couplings),
        *_keys(system, found, drawn, bool(couplings), bool(around)),
    ]
    title = [*wrapped(map_title(system, around), 90), "who reads whom, from left to right"]
    return digraph(title, body, {"rankdir": "LR", "nodesep": 0.12, "ranksep": 0.75, "newrank": True})


def map_title(system: System, around: Collection[int] = ()) -> str:
    """What the map shows, in words."""
    names = ", ".join(system.subsystems[n].name for n in around)
    return f"Interlock map: {system.title}" + (f", around {names}" if names else "")


def _touching(found: Iterable[Reading], around: Collection[int]) -> tuple[Reading, ...]:
    """The readings on the ways from these subsystems to the next ones, and from the next ones to these."""
    listed = tuple(found)
    starts: set[Part] = {("subsystem", number) for number in around}
    kept: set[Reading] = set()
    for backwards in (True, False):
        leading: dict[Part, list[Reading]] = {}
        for reading in listed:
            leading.setdefault(reading.reader if backwards else reading.read, []).append(reading)
        todo, seen = list(starts), set(starts)
        while todo:
            for reading in leading.get(todo.pop(), ()):
                kept.add(reading)
                onwards = reading.read if backwards else reading.reader
                if onwards[0] != "subsystem" and onwards not in seen:
                    seen.add(onwards)
                    todo.append(onwards)
    return tuple(reading for reading in listed if reading in kept)


def _subsystems(system: System, drawn: Collection[Part], around: Collection[int]) -> Iterator[str]:
    here = [s for s in system.subsystems if ("subsystem", s.number) in drawn]
    members = {number for _, numbers in system.families for number in numbers}
    for subsystem in here:
        if subsystem.number not in members:
            yield _subsystem(subsystem, subsystem.name, subsystem.number in around)
    for place, (family, numbers) in enumerate(system.families):
        of_family = [s for s in here if s.number in numbers]
        if of_family:
            head = [f"  graph [label={label(family)}, labeljust=l, fontsize=11, style=solid, color={label(QUIET)}];"]
            inside = [_subsystem(s, s.instance or "", s.number in around) for s in of_family]
            yield from block(f"subgraph cluster_f{place}", [*head, *inside])


def _subsystem(subsystem: Subsystem, name: str, subject: bool) -> str:
    pairs: dict[str, Attribute] = dict(look_of(subsystem.role).attributes())
    if subject:
        pairs["penwidth"] = SUBJECT_WIDTH
    return node(f"n{subsystem.number}", label=Raw(label(wrapped(name, 22))), height=0.35, margin="0.1,0.05", **pairs)


def _signals(system: System, drawn: Collection[Part]) -> Iterator[str]:
    for signal in system.signals:
        if ("signal", signal.number) not in drawn:
            continue
        held = [f for f in system.faults if f.kind == "signal" and f.subject == signal.number]
        lines = wrapped(signal.name, 26)
        if held:
            lines.append(_held(held))
        pairs: dict[str, Attribute] = {
            "label": Raw(label(lines)),
            "shape": "note",
            "style": "filled",
            "fillcolor": FAULTY_FILL if held else SIGNAL_FILL,
            "fontsize": 10.0,
            "height": 0.26,
            "margin": "0.09,0.04",
        }
        if held:
            pairs |= {"color": ALARM, "penwidth": 2.0}
        yield node(f"g{signal.number}", **pairs)


def _held(faults: list[Fault]) -> str:
    """How declared faults can hold a signal: ``stuck true``, ``stuck true or false``."""
    values = sorted({fault.value for fault in faults}, reverse=True)
    return "stuck " + " or ".join("true" if value else "false" for value in values)


def _conditions(system: System, drawn: Iterable[Part]) -> Iterator[str]:
    for kind, number in sorted(drawn):
        if kind == "condition":
            lines = wrapped(system.conditions[number][0], 24)
            yield node(
                f"c{number}",
                label=Raw(label(lines)),
                shape="underline",
                fontsize=10.0,
                height=0.22,
                margin="0.04,0.02",
                style="filled",
                fillcolor="white",
            )


def _edges(found: Iterable[Reading]) -> Iterator[str]:
    for reading in found:
        (kind, number), (other, place) = reading.read, reading.reader
        pairs: dict[str, Attribute] = {}
        if reading.physical:
            pairs = {"style": "dotted", "penwidth": 1.6}
        if other != "subsystem":
            pairs |= {"arrowhead": "none", "color": QUIET}
        yield edge(f"{_PREFIX[kind]}{number}", f"{_PREFIX[other]}{place}", **pairs)


def _couplings(system: System) -> list[tuple[int, int]]:
    """Subsystems that move on an event of another one (owner of the event, mover), each pair once."""
    return list({(e.subsystem, mover): None for e in system.events for mover, _ in e.movers if mover != e.subsystem})


def _keys(system: System, found: tuple[Reading, ...], drawn: set[Part], coupled: bool, around: bool) -> Iterator[str]:
    roles = {s.role for s in system.subsystems if ("subsystem", s.number) in drawn}
    yield from role_key(look for look in LOOKS if look.role in roles)
    samples = []
    if any(not r.physical and r.reader[0] == "subsystem" for r in found):
        samples.append(Sample("solid arrow: read by the control logic (if)"))
    if any(r.physical for r in found):
        samples.append(Sample("dotted arrow: demanded by nature (physically)", "dotted", width=2))
    if coupled:
        samples.append(Sample("dashed arrow: moves on an event of the other", "dashed", QUIET))
    signals = {number for kind, number in drawn if kind == "signal"}
    held = signals & {f.subject for f in system.faults if f.kind == "signal"}
    if held < signals:
        samples.append(Sample("small sheet: a signal", boxed=True))
    if held:
        meaning = "grey sheet, thick border: a signal that a fault can hold"
        samples.append(Sample(meaning, colour=ALARM, width=2, boxed=True, fill=FAULTY_FILL))
    notes = ["underlined: a named condition"] if any(kind == "condition" for kind, _ in drawn) else []
    if around:
        notes += ["thick black border: what the map is drawn around;", "lines between the other parts are left out"]
    yield from key_node(samples, notes)
