"""All pictures of a system, as SVG files in a folder."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from safetymodel.claims.verdict import Trace
from safetymodel.diagrams.dot_text import shown
from safetymodel.diagrams.interlock_map import interlock_dot, map_title
from safetymodel.diagrams.product_picture import MOST_NODES, PROJECT, product_dot
from safetymodel.diagrams.render import svg
from safetymodel.diagrams.sizes import too_large
from safetymodel.diagrams.state_diagram import alike_groups, subsystem_dot, title_of
from safetymodel.diagrams.timing_chart import timing_svg
from safetymodel.files import cannot_write, write_whole
from safetymodel.model.system import Subsystem, System
from safetymodel.names import did_you_mean
from safetymodel.problems import Problem
from safetymodel.span import NOWHERE

if TYPE_CHECKING:
    from safetymodel.explore.product import ProductSpace

KINDS = ("states", "map", "product", "timing")
"""The kinds of picture, in the order in which they are drawn."""

_MOST_NAME = 80

_Draw = Callable[[], "str | Problem"]
"""Draws one picture: SVG text, or why there is none."""


def draw_all(
    system: System,
    out_dir: Path,
    what: Sequence[str] = KINDS,
    only: Sequence[str] | None = None,
    traces: Sequence[tuple[str, Trace, str]] = (),
    space: ProductSpace | None = None,
) -> tuple[list[Path], tuple[Problem, ...]]:
    """Write these kinds of picture; gives back the files written and what could not be drawn.

    ``only`` names subsystems or families: state diagrams are drawn of these alone, the map around them, and the
    product graph is seen through them. ``traces`` are (name, run, title) for timing charts; where the name is a
    requirement's, the chart shows its parts and marks the breach. ``space`` is needed for ``product`` (ValueError
    without it). A file is written whole or not at all. Nothing is drawn where a kind or a name is unknown.
    """
    if wrong := mistakes(system, what, only):
        return [], wrong
    chosen, problems = _chosen(system, only)
    try:
        out_dir.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        return [], (cannot_write(out_dir, error),)
    written: list[Path] = []
    taken: set[str] = set()
    for name, drawn in _drawn(_pictures(system, what, chosen, traces, space)):
        if isinstance(drawn, Problem):
            # One picture among others that cannot be read is left out; alone it is what was asked for.
            aside = drawn.slug == "graph-too-large" and len(set(what)) > 1
            told = replace(drawn, severity="warning") if aside else drawn
            if told not in problems:
                problems.append(told)
            continue
        path = out_dir / f"{_file_name(name, taken)}.svg"
        try:
            write_whole(path, drawn)
        except OSError as error:
            problems.append(cannot_write(path, error))
            continue
        written.append(path)
    return written, tuple(problems)


def mistakes(system: System, what: Sequence[str], only: Sequence[str] | None) -> tuple[Problem, ...]:
    """What is wrong with a call of :func:`draw_all`: kinds of picture and names that there are none of."""
    return (*_chosen(system, only)[1], *_unknown_kinds(what))


def drawn_for_page(system: System) -> Iterator[tuple[str, tuple[int, ...], str | Problem]]:
    """(title, subsystems, SVG) of the interlock map (which stands for none), then of every state diagram; a problem in
    the place of the SVG where one cannot be drawn."""
    groups = alike_groups(system)
    pictures = [(map_title(system, []), partial(_map, system, []))]
    pictures += [(title_of(system, g[0], g), partial(_state_diagram, system, g)) for g in groups]
    members: list[tuple[int, ...]] = [(), *(tuple(s.number for s in group) for group in groups)]
    for numbers, (title, drawn) in zip(members, _drawn(pictures), strict=True):
        yield shown(title), numbers, drawn


def _drawn(pictures: Iterable[tuple[str, _Draw]]) -> Iterator[tuple[str, str | Problem]]:
    """The pictures in their order; a few are drawn at a time, since each is a run of another program."""
    listed = list(pictures)
    with ThreadPoolExecutor(min(4, os.cpu_count() or 1)) as pool:
        yield from zip((name for name, _ in listed), pool.map(lambda picture: picture[1](), listed), strict=True)


def _pictures(
    system: System,
    what: Sequence[str],
    chosen: Sequence[Subsystem] | None,
    traces: Sequence[tuple[str, Trace, str]],
    space: ProductSpace | None,
) -> Iterator[tuple[str, _Draw]]:
    """Each picture's name, and how it is drawn."""
    names = [s.name for s in chosen or ()]
    if "states" in what:
        wanted = {s.number for s in (system.subsystems if chosen is None else chosen)}
        for group in alike_groups(system):
            if any(s.number in wanted for s in group):
                yield f"state-{_diagram_name(system, group)}", partial(_state_diagram, system, group)
    if "map" in what:
        yield "-".join(["interlock-map", *names]), partial(_map, system, [s.number for s in chosen or ()])
    if "product" in what:
        if space is None:
            raise ValueError("a picture of the product graph needs the explored states")
        yield "-".join(["product", *names]), partial(_product, system, space, chosen)
    if "timing" in what:
        for name, trace, title in traces:
            claim = next((r for r in system.requirements if r.name == name), None)
            yield f"timing-{name}", partial(timing_svg, system, trace, shown(title), claim)


def _diagram_name(system: System, group: tuple[Subsystem, ...]) -> str:
    """The family's name where the diagram stands for all of it, else the subsystem's."""
    members = dict(system.families).get(group[0].family or "", ())
    return group[0].family or "" if len(members) == len(group) else group[0].name


def _state_diagram(system: System, group: tuple[Subsystem, ...]) -> str | Problem:
    return _rendered(subsystem_dot(system, group[0], group), title_of(system, group[0], group))


def _map(system: System, around: Sequence[int]) -> str | Problem:
    return _rendered(interlock_dot(system, around), shown(map_title(system, around)))


def _rendered(dot: str | Problem, title: str) -> str | Problem:
    return dot if isinstance(dot, Problem) else svg(dot, title)


def _product(system: System, space: ProductSpace, chosen: Sequence[Subsystem] | None) -> str | Problem:
    from safetymodel.explore.product_graph import product_graph, projected_graph

    size = space.size(space.reached)
    if chosen is None and size > MOST_NODES:
        least = "" if space.complete else "at least "
        return too_large("the product graph", f"{least}{size:,} system states", MOST_NODES, PROJECT)
    if not space.complete:
        reason = f"not all of the product graph is known ({space.shortfall}), so it cannot be drawn"
        return Problem("graph-too-large", NOWHERE, reason, "draw a smaller model, or one with fewer faults")
    faults = f"with up to {space.budget} faults" if space.budget != 1 else "with up to 1 fault"
    limits = faults if space.budget else "without faults"
    if chosen is not None:
        graph = projected_graph(space, [s.number for s in chosen])
        title = f"{system.title}, seen through {', '.join(s.name for s in chosen)}, {limits}"
    else:
        graph = product_graph(space)
        title = f"Product graph: {system.title}, {limits}"
    return _rendered(product_dot(graph, title, projected=chosen is not None), title)


def _chosen(system: System, only: Sequence[str] | None) -> tuple[list[Subsystem] | None, list[Problem]]:
    """The subsystems that ``only`` names, each once; a family's name stands for its instances."""
    if only is None:
        return None, []
    families = dict(system.families)
    numbers: dict[int, None] = {}
    problems: list[Problem] = []
    for name in only:
        subsystem = system.subsystem_named(name)
        if subsystem is not None:
            numbers[subsystem.number] = None
        elif name in families:
            numbers.update(dict.fromkeys(families[name]))
        else:
            hint = did_you_mean(name, [*(s.name for s in system.subsystems), *families])
            problems.append(Problem("unknown-name", NOWHERE, f"there is no subsystem or family {shown(name)}", hint))
    if not numbers and not problems:
        problems.append(Problem("nothing-named", NOWHERE, "--only names no subsystem", "name some: --only a,b"))
    return [system.subsystems[n] for n in numbers], problems


def _unknown_kinds(what: Sequence[str]) -> list[Problem]:
    known = f"known: {', '.join(KINDS)}"
    if not what:
        return [Problem("nothing-named", NOWHERE, "--what names no kind of picture", known)]
    return [
        Problem("unknown-picture", NOWHERE, f"there is no picture {shown(kind)}", did_you_mean(kind, KINDS) or known)
        for kind in what
        if kind not in KINDS
    ]


def _file_name(name: str, taken: set[str]) -> str:
    """A name that every file system takes, and that no other file of the folder has in upper or lower case."""
    plain = "".join(c if c.isascii() and (c.isalnum() or c in "-_.") else "_" for c in name)[:_MOST_NAME]
    unique, count = plain, 1
    while unique.lower() in taken:
        count += 1
        unique = f"{plain}-{count}"
    taken.add(unique.lower())
    return unique
