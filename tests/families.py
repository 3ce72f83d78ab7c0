"""Textbook systems of any size, as spec text: what the specs under specs/textbook/ are written with.

Every function returns a whole spec file of format 1. Sizes are not bounded here; the number of
states grows quickly (see the check values beside the tests).
"""

from __future__ import annotations

from collections.abc import Iterable

_KANBAN_MOVES: tuple[tuple[str, tuple[str, ...], tuple[str, ...], str], ...] = (
    ("k1_to_m1", ("k1",), ("m1",), "a part enters the line"),
    *(
        move
        for i in (1, 2, 3, 4)
        for move in (
            (f"m{i}_to_b{i}", (f"m{i}",), (f"b{i}",), f"cell {i} finds a part to be reworked"),
            (f"b{i}_to_m{i}", (f"b{i}",), (f"m{i}",), f"cell {i} has reworked it"),
            (f"m{i}_to_o{i}", (f"m{i}",), (f"o{i}",), f"cell {i} has finished a part"),
        )
    ),
    ("split", ("o1", "k2", "k3"), ("k1", "m2", "m3"), "a part goes on from cell 1 to cells 2 and 3 together"),
    ("join", ("o2", "o3", "k4"), ("k2", "k3", "m4"), "parts go on from cells 2 and 3 together to cell 4"),
    ("o4_to_k4", ("o4",), ("k4",), "a part leaves the line"),
)
"""The 16 moves: name, places that lose a token, places that gain one, label."""


def kanban_text(n: int, title: str = "") -> str:
    """The Kanban line of four cells with ``n`` tickets a cell.

    Source of the definition: Ciardo and Tilgner 1996, ICASE report 96-35. A place is a subsystem
    whose states c0 to cn count its tokens; a move is a joint event of all places that it touches.
    """
    if n < 1:
        raise ValueError("a Kanban line needs at least one ticket a cell")
    tickets = "1 ticket" if n == 1 else f"{n} tickets"
    lines = [
        "safetymodel: 1",
        f"title: {title or f'Kanban line, four cells, {tickets} a cell'}",
        "subsystems:",
    ]
    states = ", ".join(f"c{j}" for j in range(n + 1))
    for i in (1, 2, 3, 4):
        for kind, label in (("k", "tickets free"), ("m", "parts in work"), ("b", "rework"), ("o", "parts finished")):
            place = f"{kind}{i}"
            lines += [
                f"  {place}:",
                f"    text: Cell {i}, {label}",
                f"    states: [{states}]",
                f"    initial: c{n if kind == 'k' else 0}",
            ]
            own = [(name, text) for name, losing, _, text in _KANBAN_MOVES if losing[0] == place]
            if own:
                lines.append("    events:")
                lines += [f"      {name}: {{joint: true, text: {text}}}" for name, text in own]
            lines.append("    transitions:")
            for name, losing, gaining, _ in _KANBAN_MOVES:
                event = name if losing[0] == place else f"{losing[0]}.{name}"
                if place in losing:
                    lines += [f"      - {{from: c{j}, to: c{j - 1}, on: {event}}}" for j in range(1, n + 1)]
                if place in gaining:
                    lines += [f"      - {{from: c{j}, to: c{j + 1}, on: {event}}}" for j in range(n)]
    empty = _all_of(f"k{i} is c{n}" for i in (1, 2, 3, 4))
    lines += [
        "requirements:",
        f"  R1: {{text: A full cell 1 has nothing finished, never: m1 is c{n} and o1 is not c0}}",
        f"  R2: {{text: Cell 4 can fill up, possible: o4 is c{n}}}",
        f"  R3: {{text: The line can always be emptied, always_possible: {empty}}}",
        "  R4: {text: Cells 2 and 3 never hold finished parts together, never: o2 is not c0 and o3 is not c0}",
    ]
    return "\n".join(lines) + "\n"


def philosophers_text(n: int, title: str = "") -> str:
    """Dining philosophers, ``n`` at least 2, each with a left and a right hand, and a fork to the left.

    Source of the definition: the model of Ciardo, Luettgen and Siminiceanu 2000. A philosopher
    starts to wait with both hands at once, takes the two forks in any order, and puts both back at once.
    """
    if n < 2:
        raise ValueError("a table needs at least two philosophers")
    lines = [
        "safetymodel: 1",
        f"title: {title or f'Dining philosophers, {n} at the table'}",
        "subsystems:",
    ]
    for i in range(1, n + 1):
        lines += [
            f"  left_{i}:",
            f"    text: Left hand of philosopher {i}",
            "    role: person",
            "    states: [idle, waiting, holding]",
            "    events:",
            f"      sit: {{joint: true, by: philosopher {i}, text: wants to eat}}",
            f"      take: {{joint: true, by: philosopher {i}, text: takes the fork to the left}}",
            f"      put: {{joint: true, by: philosopher {i}, text: puts both forks back}}",
            "    transitions:",
            "      - {from: idle, to: waiting, on: sit}",
            "      - {from: waiting, to: holding, on: take}",
            "      - {from: holding, to: idle, on: put}",
            f"  right_{i}:",
            f"    text: Right hand of philosopher {i}",
            "    role: person",
            "    states: [idle, waiting, holding]",
            "    events:",
            f"      take: {{joint: true, by: philosopher {i}, text: takes the fork to the right}}",
            "    transitions:",
            f"      - {{from: idle, to: waiting, on: left_{i}.sit}}",
            "      - {from: waiting, to: holding, on: take}",
            f"      - {{from: holding, to: idle, on: left_{i}.put}}",
        ]
        before = (i - 2) % n + 1
        lines += [
            f"  fork_{i}:",
            f"    text: Fork between philosophers {before} and {i}",
            "    states: [free, taken]",
            "    transitions:",
            f"      - {{from: free, to: taken, on: left_{i}.take}}",
            f"      - {{from: free, to: taken, on: right_{before}.take}}",
            f"      - {{from: taken, to: free, on: left_{i}.put}}",
            f"      - {{from: taken, to: free, on: left_{before}.put}}",
        ]
    idle = _all_of(f"left_{i} is idle" for i in range(1, n + 1))
    lines += [
        "requirements:",
        "  R1: {text: A fork is never in two hands, never: left_2 is holding and right_1 is holding}",
        "  R2: {text: Philosopher 1 can eat, possible: left_1 is holding and right_1 is holding}",
        f"  R3: {{text: Everybody can always get up again, always_possible: {idle}}}",
    ]
    return "\n".join(lines) + "\n"


def _all_of(parts: Iterable[str]) -> str:
    return " and ".join(parts)
