"""A state diagram of one subsystem: what moves it, under which conditions, and what faults do to it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

from safetymodel.diagrams.dot_text import Attribute, Raw, digraph, edge, label, node, shown, wrapped
from safetymodel.diagrams.sizes import refusal
from safetymodel.diagrams.style import ALARM, INK, Sample, key_node
from safetymodel.model.formula import TRUE, Formula
from safetymodel.model.system import Fault, Subsystem, System, Transition
from safetymodel.problems import Problem
from safetymodel.traces.wording import and_list, formula_text, window_text

WIDTH = 34
"""Characters of a line of a label."""
MOST_INSTANCES = 12
"""Instances that a title names."""
MOST_STATES = 100
MOST_ARROWS = 250
MOST_LINES = 14
"""Lines of one condition that are drawn; the rest is in the spec."""


@dataclass(frozen=True, slots=True)
class _Arrow:
    """A transition as it is drawn, without anything that differs between instances of a family."""

    source: int
    target: int
    automatic: bool
    trigger: str
    interlock: str
    physical: str
    text: str


def drawn_once(system: System) -> tuple[Subsystem, ...]:
    """The subsystems that need a diagram: of instances that are alike only the first."""
    return tuple(group[0] for group in alike_groups(system))


def alike_groups(system: System) -> tuple[tuple[Subsystem, ...], ...]:
    """The subsystems in groups whose diagram is the same, in the order of the spec; one diagram serves a group.

    Only instances of one family share a diagram. An instance that the family's text names by its own name differs
    from the others, and is drawn for itself.
    """
    groups: dict[object, list[Subsystem]] = {}
    for subsystem in system.subsystems:
        same: object = subsystem.number
        if subsystem.family is not None:
            same = (subsystem.family, subsystem.initial, _arrows(system, subsystem))
        groups.setdefault(same, []).append(subsystem)
    return tuple(tuple(group) for group in groups.values())


def alike(system: System, subsystem: Subsystem) -> tuple[Subsystem, ...]:
    """The instances of the same family whose diagram is the same, itself included, in the order of the spec."""
    members = dict(system.families).get(subsystem.family or "", ())
    if len(members) < 2:
        return (subsystem,)
    drawn = _arrows(system, subsystem)
    found = (system.subsystems[n] for n in members)
    return tuple(m for m in found if m.initial == subsystem.initial and _arrows(system, m) == drawn)


def title_of(system: System, subsystem: Subsystem, same: tuple[Subsystem, ...] = ()) -> str:
    """What the diagram is called: the label, and the name or the family with its alike instances (``same``)."""
    same = same or alike(system, subsystem)
    first = same[0]
    text, name = first.text, first.name
    if len(same) > 1:
        instances = [m.instance or m.name for m in same]
        more = [f"{len(instances) - MOST_INSTANCES} more"] if len(instances) > MOST_INSTANCES else []
        name = f"{first.family}: {and_list(instances[:MOST_INSTANCES] + more)}, alike"
        text = text.removesuffix(f" ({first.instance})")
    return shown(f"{text} ({name})" if text else name)


def subsystem_dot(system: System, subsystem: Subsystem, same: tuple[Subsystem, ...] = ()) -> str | Problem:
    """The state diagram as DOT text.

    Solid arrows wait for an event, dashed ones are automatic. Faults are drawn apart: a jump as a dotted arrow, a
    stuck state with a second border and the fault's name. For a family, the diagram stands for every alike instance
    (``same``, found where it is not given). A problem ``graph-too-large`` where it could not be read.
    """
    same = same or alike(system, subsystem)
    arrows = _arrows(system, subsystem)
    refused = refusal(
        f"the state diagram of {subsystem.name}",
        (len(subsystem.states), "states", MOST_STATES),
        (arrows, MOST_ARROWS),
        "its transitions are in the spec",
        subsystem.span,
    )
    if refused is not None:
        return refused
    numbers = {m.number for m in same}
    faults = [f for f in system.faults if f.kind != "signal" and f.subject in numbers]
    body = [
        node("begin", shape="point", width=0.12, label="", color=INK, fillcolor=INK),
        *_states(system, subsystem, faults, len(same) > 1),
        edge("begin", f"s{subsystem.initial}"),
        *(_arrow(*together) for together in _drawn_together(arrows)),
        *_jumps(system, faults, len(same) > 1),
        *_key(arrows, faults),
        "  {rank=sink; key;}",
    ]
    title = wrapped(title_of(system, subsystem, same), 70)
    if subsystem.role:
        title.append(f"role: {subsystem.role}")
    everywhere = [f for f in faults if f.kind == "stuck" and f.state is None]
    for fault in everywhere:
        title.extend(wrapped(f"may be stuck in any state: {_fault(system, fault, len(same) > 1)}", 70))
    return digraph(title, body, {"rankdir": "TB", "nodesep": 0.45, "ranksep": 0.5, "nslimit": 3.0, "nslimit1": 3.0})


def _arrows(system: System, subsystem: Subsystem) -> tuple[_Arrow, ...]:
    """The transitions as drawn; an instance of a family calls itself ``self``, as the spec may."""
    view = system
    if subsystem.family is not None:
        own = replace(subsystem, name="self")
        renamed = (*system.subsystems[: subsystem.number], own, *system.subsystems[subsystem.number + 1 :])
        view = replace(system, subsystems=renamed)
    return tuple(_described(view, subsystem, system.transitions[n]) for n in subsystem.transitions)


def _described(system: System, subsystem: Subsystem, transition: Transition) -> _Arrow:
    return _Arrow(
        transition.source,
        transition.target,
        transition.event is None,
        _trigger(system, subsystem, transition),
        _condition(system, transition.interlock),
        _condition(system, transition.physical),
        transition.text,
    )


def _condition(system: System, formula: Formula) -> str:
    return "" if formula == TRUE else formula_text(system, formula)


def _trigger(system: System, subsystem: Subsystem, transition: Transition) -> str:
    if transition.event is None:
        return window_text(system, transition) or "automatic"
    event = system.events[transition.event]
    own = event.subsystem == subsystem.number
    name = event.name.removeprefix(f"{subsystem.name}.") if own else event.name
    who = f" (by {event.by})" if event.by else ""
    return f"on {name}{who}" + (", jointly" if event.joint else "")


def _drawn_together(arrows: tuple[_Arrow, ...]) -> list[list[_Arrow]]:
    """Several from one state back to itself are one arrow: side by side they would cross each other's words."""
    groups: dict[object, list[_Arrow]] = {}
    for number, arrow in enumerate(arrows):
        back = arrow.source == arrow.target
        groups.setdefault((arrow.source, arrow.automatic) if back else number, []).append(arrow)
    return list(groups.values())


def _arrow(*together: _Arrow) -> str:
    lines: list[str] = []
    for arrow in together:
        lines.extend(wrapped(arrow.trigger, WIDTH, "  "))
        for word, text in (("if", arrow.interlock), ("physically", arrow.physical)):
            if text:
                lines.extend(_cut(wrapped(f"{word} {text}", WIDTH, "   ")))
        if arrow.text:
            lines.extend(wrapped(f"({arrow.text})", WIDTH, " "))
    pairs: dict[str, Attribute] = {"label": Raw(label([f" {line}" for line in lines], "l"))}
    if arrow.automatic:
        pairs["style"] = "dashed"
    return edge(f"s{arrow.source}", f"s{arrow.target}", **pairs)


def _cut(lines: list[str]) -> list[str]:
    return lines if len(lines) <= MOST_LINES else [*lines[: MOST_LINES - 1], "   ... (see the spec)"]


def _states(system: System, subsystem: Subsystem, faults: list[Fault], several: bool) -> Iterator[str]:
    for number, name in enumerate(subsystem.states):
        stuck = [f for f in faults if f.kind == "stuck" and f.state == number]
        lines = wrapped(name, 24)
        for fault in stuck:
            lines.extend(wrapped(f"stuck: {_fault(system, fault, several)}", 28))
        pairs: dict[str, Attribute] = {
            "label": Raw(label(lines)),
            "shape": "box",
            "style": "rounded,filled",
            "fillcolor": "white",
        }
        if number == subsystem.initial:
            pairs["penwidth"] = 2.0
        if stuck:
            pairs |= {"peripheries": 2, "color": ALARM}
        yield node(f"s{number}", **pairs)


def _fault(system: System, fault: Fault, several: bool) -> str:
    subject = system.subsystems[fault.subject]
    where = f"{subject.instance or subject.name}, " if several else ""
    return f"{where}fault {fault.name}"


def _jumps(system: System, faults: list[Fault], several: bool) -> Iterator[str]:
    for fault in faults:
        if fault.kind == "jump" and fault.state is not None:
            lines = wrapped(f"jump: {_fault(system, fault, several)}", WIDTH, "  ")
            yield edge(
                f"s{fault.state}",
                f"s{fault.target}",
                label=Raw(label([f" {line}" for line in lines], "l")),
                style="dotted",
                penwidth=2.0,
                color=ALARM,
                fontcolor=ALARM,
                arrowhead="odiamond",
            )


def _key(arrows: tuple[_Arrow, ...], faults: list[Fault]) -> list[str]:
    samples = [Sample("thick border: initial state", width=2, boxed=True)]
    if any(not a.automatic for a in arrows):
        samples.append(Sample("solid arrow: waits for an event"))
    if any(a.automatic for a in arrows):
        samples.append(Sample("dashed arrow: automatic, of the logic or of time", "dashed"))
    if any(f.kind == "jump" for f in faults):
        samples.append(Sample("dotted arrow with a diamond: a fault moves it", "dotted", ALARM, width=2))
    if any(f.kind == "stuck" and f.state is not None for f in faults):
        samples.append(Sample("double border: a fault can hold it there", colour=ALARM, boxed=True, double=True))
    notes = []
    if any(a.interlock for a in arrows):
        notes.append("if: what the control logic demands")
    if any(a.physical for a in arrows):
        notes.append("physically: what nature demands")
    return key_node(samples, notes)
