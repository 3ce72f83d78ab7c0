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


def fleet_text(lifts: int, leaves: int, consoles: int = 1, timed: bool = True, title: str = "") -> str:
    """A coach with any number of patient lifts, shielding leaves and imaging consoles. Invented.

    ``lifts``: each with a door, a threshold pad, a platform place, a hold-to-run lever and its valve (6 subsystems, 5
    faults). ``leaves``: each with two switches (1 subsystem, 2 faults). ``consoles``: each with an emergency stop, its
    relay and two contactors in series (5 subsystems, 3 faults). Besides them 6 subsystems and 1 fault of the road
    side. With ``timed`` a console warns for 2 s before it images, and the tick is 1 s. Eleven requirements (ten
    without time), of every form, some under two faults.
    """
    if lifts < 1 or leaves < 1 or consoles < 1:
        raise ValueError("a fleet coach needs at least one lift, one leaf and one console")
    ls, fs, cs = range(1, lifts + 1), range(1, leaves + 1), range(1, consoles + 1)
    lines = [
        "safetymodel: 1",
        f"title: {title or f'Coach of a fleet, lifts {lifts}, leaves {leaves}, consoles {consoles}'}",
        *(["tick: 1 s"] if timed else []),
        "subsystems:",
        *_ROAD_SIDE,
        *(line for i in ls for line in _lift(i)),
        *(line for j in fs for line in _leaf(j)),
        *(line for k in cs for line in _console(k, timed)),
        "signals:",
        "  brake_held_a: {reads: parking_brake is set}",
        "  brake_held_b: {reads: parking_brake is set}",
        "  bar_in_place: {reads: travel_bar is in_place}",
        "  moving: {reads: vehicle is driving}",
    ]
    for i in ls:
        lines += [
            f"  stowed_a_{i}: {{reads: lift_{i} is stowed}}",
            f"  stowed_b_{i}: {{reads: lift_{i} is stowed}}",
            f"  door_shut_a_{i}: {{reads: door_{i} is shut}}",
            f"  door_shut_b_{i}: {{reads: door_{i} is shut}}",
            f"  pad_clear_{i}: {{reads: pad_{i} is clear}}",
            f"  place_clear_a_{i}: {{reads: platform_{i} is clear}}",
            f"  place_clear_b_{i}: {{reads: platform_{i} is clear}}",
        ]
    for j in fs:
        lines += [f"  leaf_shut_{c}_{j}: {{reads: leaf_{j} is shut}}" for c in "ab"]
    for k in cs:
        lines += [
            f"  stop_free_a_{k}: {{reads: stop_{k} is released}}",
            f"  stop_free_b_{k}: {{reads: stop_{k} is released}}",
            f"  mirror_{k}: {{reads: contactor_a_{k} is open and contactor_b_{k} is open}}",
        ]
    lines += [
        "conditions:",
        f"  leaves_shut_a: {_all_of(f'leaf_shut_a_{j}' for j in fs)}",
        f"  leaves_shut_b: {_all_of(f'leaf_shut_b_{j}' for j in fs)}",
        f"  lifts_stowed: {_all_of(f'lift_{i} is stowed' for i in ls)}",
        f"  lifts_seen_stowed: {_all_of(f'stowed_{c}_{i}' for i in ls for c in 'ab')}",
        f"  leaves_shut: {_all_of(f'leaf_{j} is shut' for j in fs)}",
        f"  consoles_off: {_all_of(f'console_{k} is off' for k in cs)}",
        "  road_ready: lifts_seen_stowed and bar_in_place and consoles_off",
        f"  nobody_aboard: {_all_of(f'platform_{i} is clear' for i in ls)}",
    ]
    for i in ls:
        lines += [
            f"  may_move_{i}: door_shut_a_{i} and door_shut_b_{i} and pad_clear_{i}",
            f"  within_reach_{i}: lift_{i} is at_ground or lift_{i} is at_floor and door_{i} is open",
        ]
    beams = [f"beam_{k}" for k in cs]
    for k in cs:
        lines += [
            f"  beam_{k}: contactor_a_{k} is closed and contactor_b_{k} is closed",
            f"  may_image_{k}: leaves_shut_a and leaves_shut_b and relay_{k} is held and stop_free_a_{k}",
        ]
    lines.append(f"  beam: {' or '.join(beams)}")
    lines.append("faults:")
    lines.append("  brake_switch_bridged: {signal: brake_held_a, stuck: true, rate: 2.0e-7 / h}")
    for i in ls:
        lines += [
            f"  door_switch_bridged_{i}: {{signal: door_shut_a_{i}, stuck: true, rate: 3.0e-7 / h}}",
            f"  stowed_switch_bridged_{i}: {{signal: stowed_a_{i}, stuck: true, rate: 2.0e-7 / h}}",
            f"  place_sensor_dead_{i}: {{signal: place_clear_a_{i}, stuck: true, rate: 8.0e-7 / h}}",
            f"  valve_jammed_{i}: {{subsystem: valve_{i}, stuck: any, rate: 1.0e-6 / h}}",
            f"  door_latch_broken_{i}: {{subsystem: door_{i}, jump: {{from: shut, to: ajar}}, rate: 5.0e-7 / h}}",
        ]
    for j in fs:
        lines += [
            f"  leaf_switch_bridged_{j}: {{signal: leaf_shut_a_{j}, stuck: true, rate: 3.0e-7 / h}}",
            f"  leaf_catch_broken_{j}: {{subsystem: leaf_{j}, jump: {{from: shut, to: open}}, rate: 5.0e-7 / h}}",
        ]
    for k in cs:
        lines += [
            f"  contactor_a_welded_{k}: {{subsystem: contactor_a_{k}, stuck: closed, rate: 4.0e-7 / h}}",
            f"  contactor_b_welded_{k}: {{subsystem: contactor_b_{k}, stuck: closed, rate: 4.0e-7 / h}}",
            f"  relay_welded_{k}: {{subsystem: relay_{k}, stuck: held, rate: 4.0e-7 / h}}",
        ]
    open_and_moving = " or ".join(f"valve_{i} is not closed and door_{i} is not shut" for i in ls)
    stopped = " or ".join(f"stop_{k} is pressed" for k in cs)
    starts = ", ".join(f"console_{k}.start" for k in cs)
    imaging = " or ".join(f"console_{k} is warning|imaging" for k in cs)
    lines += [
        "hazards:",
        "  H1: {text: Somebody falls from a lift or is crushed by it, severity: serious}",
        "  H2: {text: The coach drives off with a lift out, severity: catastrophic}",
        "  H3: {text: Somebody outside is exposed, severity: serious}",
        "requirements:",
        "  R1: {text: The lifts are stowed while the coach drives, never: vehicle is driving and not lifts_stowed,"
        " prevent: true, hazard: H2, withstand: 2}",
        f"  R2: {{text: No lift moves with its door open, never: {open_and_moving}, hazard: H1, withstand: 1}}",
        "  R3: {text: No beam with a leaf open, always: not beam or leaves_shut, hazard: H3, withstand: 2}",
        "  R4: {text: Nobody boards a lift on the road, never: not nobody_aboard, from: vehicle is driving,"
        " until: vehicle is standing, hazard: H1, withstand: 1}",
        "  R5: {text: The lift is usable, possible: lift_1 is at_ground and platform_1 is occupied, withstand: 1}",
        "  R6: {text: Nobody is trapped on a lift, always_possible: nobody_aboard, hazard: H1, withstand: 0}",
        "  R7: {text: A lift leaves its place only while the coach is held, permissive: parking_brake is set and"
        " vehicle is standing, for: not lifts_stowed, hazard: H1, withstand: 1}",
        "  R8: {text: A lift starts only by its lever, start: valve_1 is not closed,"
        " only_by: [lever_1.push_up, lever_1.push_down], hazard: H1, withstand: 2}",
        f"  R9: {{text: Imaging starts only at a console, start: {imaging}, only_by: [{starts}], hazard: H3,"
        " withstand: 1}",
        f"  R10: {{text: A stop ends every beam, cause: beam and ({stopped}), effect: 'false', within: reaction,"
        " hazard: H3, withstand: 1}",
    ]
    if consoles > 1:  # the other consoles go on
        one = " or ".join(f"beam_{k} and stop_{k} is pressed" for k in cs)
        lines[-1] = (
            f"  R10: {{text: A stop ends its beam, cause: {one}, effect: 'false', within: reaction, hazard: H3,"
            " withstand: 1}"
        )
    if timed:
        lines.append(
            "  R11: {text: The warning ends in time, cause: console_1 is warning, effect: console_1 is not warning,"
            " within: 2 s, withstand: 1}"
        )
    return "\n".join(lines) + "\n"


_ROAD_SIDE = (
    "  mode_key:",
    "    text: Mode key",
    "    role: control",
    "    states: [in_cab, at_lift_post, at_console]",
    "    events:",
    "      to_cab: {by: crew, text: takes the mode key to the cab}",
    "      to_lift_post: {by: crew, text: takes the mode key to the lift post}",
    "      to_console: {by: crew, text: takes the mode key to the console}",
    "    transitions:",
    "      - {from: in_cab, to: at_lift_post, on: to_lift_post, physically: parking_brake is set}",
    "      - {from: in_cab, to: at_console, on: to_console, physically: parking_brake is set}",
    "      - {from: at_lift_post, to: in_cab, on: to_cab, physically: lifts_stowed}",
    "      - {from: at_lift_post, to: at_console, on: to_console, physically: lifts_stowed}",
    "      - {from: at_console, to: in_cab, on: to_cab, physically: consoles_off}",
    "      - {from: at_console, to: at_lift_post, on: to_lift_post, physically: consoles_off}",
    "  parking_brake:",
    "    text: Parking brake",
    "    role: actuator",
    "    states: [set, released]",
    "    events:",
    "      set: {by: driver, text: sets the parking brake}",
    "      release: {by: driver, text: releases the parking brake}",
    "    transitions:",
    "      - {from: released, to: set, on: set}",
    "      - {from: set, to: released, on: release, physically: mode_key is in_cab}",
    "  drive_permit:",
    "    text: Permission to drive",
    "    role: control",
    "    states: [denied, granted]",
    "    transitions:",
    "      - {from: denied, to: granted, if: road_ready}",
    "      - {from: granted, to: denied, if: not road_ready}",
    "  vehicle:",
    "    text: Coach",
    "    role: actuator",
    "    states: [standing, driving]",
    "    events:",
    "      move_off: {by: driver, text: moves off}",
    "      halt: {by: driver, text: comes to a halt}",
    "    transitions:",
    "      - from: standing",
    "        to: driving",
    "        on: move_off",
    "        if: drive_permit is granted",
    "        physically: parking_brake is released",
    "      - {from: driving, to: standing, on: halt}",
    "      - {from: driving, to: standing, on: parking_brake.set}",
    "  cab_warning:",
    "    text: Warning lamp in the cab",
    "    role: actuator",
    "    states: [dark, lit]",
    "    transitions:",
    "      - {from: dark, to: lit, if: moving and not road_ready}",
    "      - {from: lit, to: dark, if: not (moving and not road_ready)}",
    "  travel_bar:",
    "    text: Travel bar across the leaves",
    "    role: actuator",
    "    states: [in_place, lifted]",
    "    events:",
    "      take_off: {by: radiographer, text: lifts the travel bar off}",
    "      put_on: {by: radiographer, text: puts the travel bar on}",
    "    transitions:",
    "      - {from: in_place, to: lifted, on: take_off}",
    "      - {from: lifted, to: in_place, on: put_on, physically: leaves_shut}",
)


def _lift(i: int) -> list[str]:
    return [
        f"  lift_{i}:",
        f"    text: Lift {i}",
        "    role: actuator",
        "    states: [stowed, at_floor, between, at_ground]",
        "    events:",
        "      unfold: {by: attendant, text: unfolds the platform at the floor}",
        "      fold: {by: attendant, text: folds the platform away}",
        "      sink: {by: lift, text: sinks}",
        "      rise: {by: lift, text: rises}",
        "    transitions:",
        "      - from: stowed",
        "        to: at_floor",
        "        on: unfold",
        "        if: brake_held_a and brake_held_b",
        "        physically: mode_key is at_lift_post",
        "      - from: at_floor",
        "        to: stowed",
        "        on: fold",
        f"        if: place_clear_a_{i} and place_clear_b_{i} and may_move_{i} and valve_{i} is closed",
        f"      - {{from: at_floor, to: between, on: sink, physically: valve_{i} is lowering}}",
        f"      - {{from: between, to: at_ground, on: sink, physically: valve_{i} is lowering}}",
        f"      - {{from: at_ground, to: between, on: rise, physically: valve_{i} is lifting}}",
        f"      - {{from: between, to: at_floor, on: rise, physically: valve_{i} is lifting}}",
        f"  lever_{i}:",
        f"    text: Lever of lift {i}, has to be held",
        "    role: control",
        "    states: [at_rest, up, down]",
        "    events:",
        "      push_up: {by: attendant, text: pushes the lever up}",
        "      push_down: {by: attendant, text: pushes the lever down}",
        "      let_go: {by: attendant, text: lets go of the lever}",
        "    transitions:",
        "      - {from: at_rest, to: up, on: push_up}",
        "      - {from: at_rest, to: down, on: push_down}",
        "      - {from: [up, down], to: at_rest, on: let_go}",
        f"  valve_{i}:",
        f"    text: Valve of lift {i}",
        "    role: control",
        "    states: [closed, lifting, lowering]",
        "    transitions:",
        f"      - {{from: closed, to: lifting, on: lever_{i}.push_up, if: lever_{i} is at_rest and may_move_{i}}}",
        f"      - {{from: closed, to: lowering, on: lever_{i}.push_down, if: lever_{i} is at_rest and may_move_{i}}}",
        f"      - {{from: lifting, to: closed, if: lever_{i} is not up or not may_move_{i}}}",
        f"      - {{from: lowering, to: closed, if: lever_{i} is not down or not may_move_{i}}}",
        f"  door_{i}:",
        f"    text: Door of lift {i}",
        "    role: barrier",
        "    states: [shut, ajar, open]",
        "    events:",
        "      pull: {by: anyone, text: pulls the door open}",
        "      push: {by: anyone, text: pushes the door shut}",
        "      push_lightly: {by: anyone, text: pushes the door to without catching it}",
        "    transitions:",
        f"      - {{from: shut, to: open, on: pull, physically: lift_{i} is at_floor}}",
        "      - {from: ajar, to: open, on: pull}",
        "      - {from: [open, ajar], to: shut, on: push}",
        "      - {from: open, to: ajar, on: push_lightly}",
        f"  pad_{i}:",
        f"    text: Threshold pad of lift {i}",
        "    role: sensor",
        "    states: [clear, occupied]",
        "    events:",
        "      step_on: {by: patient, text: steps on the pad}",
        "      step_off: {by: patient, text: steps off the pad}",
        "    transitions:",
        "      - {from: clear, to: occupied, on: step_on}",
        "      - {from: occupied, to: clear, on: step_off}",
        f"  platform_{i}:",
        f"    text: Place on lift {i}",
        "    role: person",
        "    states: [clear, occupied]",
        "    events:",
        "      board: {by: patient, text: gets on}",
        "      alight: {by: patient, text: gets off}",
        "    transitions:",
        f"      - {{from: clear, to: occupied, on: board, physically: within_reach_{i}}}",
        f"      - {{from: occupied, to: clear, on: alight, physically: within_reach_{i}}}",
    ]


def _leaf(j: int) -> list[str]:
    return [
        f"  leaf_{j}:",
        f"    text: Shielding leaf {j}",
        "    role: barrier",
        "    states: [shut, open]",
        "    events:",
        "      pull: {by: anyone, text: pulls the leaf open}",
        "      push: {by: anyone, text: pushes the leaf shut}",
        "    transitions:",
        "      - {from: shut, to: open, on: pull, physically: travel_bar is lifted}",
        "      - {from: open, to: shut, on: push}",
    ]


def _console(k: int, timed: bool) -> list[str]:
    begin = "after: 2 s" if timed else "on: confirm"
    return [
        f"  console_{k}:",
        f"    text: Console {k}",
        "    role: control",
        "    states: [off, ready, warning, imaging]",
        "    events:",
        "      switch_on: {by: radiographer, text: switches the console on}",
        "      switch_off: {by: radiographer, text: switches the console off}",
        "      start: {by: radiographer, text: starts an image}",
        *([] if timed else ["      confirm: {by: radiographer, text: confirms the start}"]),
        "      end: {by: radiographer, text: ends an image}",
        "    transitions:",
        "      - {from: off, to: ready, on: switch_on, physically: mode_key is at_console}",
        "      - {from: ready, to: off, on: switch_off}",
        f"      - {{from: ready, to: warning, on: start, if: may_image_{k} and mirror_{k}}}",
        f"      - {{from: warning, to: imaging, {begin}, if: may_image_{k}}}",
        "      - {from: [warning, imaging], to: ready, on: end}",
        f"      - {{from: [warning, imaging], to: ready, if: not may_image_{k}}}",
        f"  stop_{k}:",
        f"    text: Emergency stop {k}",
        "    role: control",
        "    states: [released, pressed]",
        "    events:",
        "      press: {by: anyone, text: presses the emergency stop}",
        "      pull_out: {by: anyone, text: pulls the emergency stop out}",
        "    transitions:",
        "      - {from: released, to: pressed, on: press}",
        "      - {from: pressed, to: released, on: pull_out}",
        f"  relay_{k}:",
        f"    text: Relay of emergency stop {k}",
        "    role: control",
        "    states: [dropped, held]",
        "    events:",
        "      reset: {by: radiographer, text: resets the relay}",
        "    transitions:",
        f"      - {{from: dropped, to: held, on: reset, if: stop_free_a_{k} and stop_free_b_{k}}}",
        f"      - {{from: held, to: dropped, if: not (stop_free_a_{k} and stop_free_b_{k})}}",
        *_contactor(k, "a", f"leaves_shut_a and relay_{k} is held"),
        *_contactor(k, "b", f"leaves_shut_b and stop_free_b_{k}"),
    ]


def _contactor(k: int, channel: str, permit: str) -> list[str]:
    return [
        f"  contactor_{channel}_{k}:",
        f"    text: Contactor {channel} of console {k}",
        "    role: actuator",
        "    states: [open, closed]",
        "    transitions:",
        f"      - {{from: open, to: closed, if: console_{k} is imaging and {permit}}}",
        f"      - {{from: closed, to: open, if: not (console_{k} is imaging and {permit})}}",
    ]


def _all_of(parts: Iterable[str]) -> str:
    return " and ".join(parts)
