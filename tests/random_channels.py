"""Random small interlocks of several channels, as text: most of their minimal fault sets have two or three faults."""

from __future__ import annotations

import random


def channel_spec(rng: random.Random) -> str:
    """A guard with two or three switches, relays that read them and each other, and a load that some relays
    carry. Relays can weld or drop, switches can stick, the guard's latch can break. The requirements are of every form.
    """
    switches = rng.choice([2, 2, 3])
    relays = rng.choice([2, 3, 3])
    lines = [
        "safetymodel: 1",
        "title: Random channels",
        *(["tick: 100 ms"] if rng.random() < 0.3 else []),
        "subsystems:",
        "  guard:",
        "    states: [shut, open]",
        "    events: {pull: {by: somebody}, push: {by: somebody}}",
        "    transitions:",
        "      - {from: shut, to: open, on: pull}",
        "      - {from: open, to: shut, on: push}",
        "  ask:",
        "    states: [off, on]",
        "    events: {press: {by: somebody}, let_go: {by: somebody}}",
        "    transitions:",
        "      - {from: off, to: on, on: press}",
        "      - {from: on, to: off, on: let_go}",
    ]
    names = [f"s{i}" for i in range(switches)]
    for number in range(relays):
        # A relay is up while the operator asks, its switches say shut, and perhaps an earlier relay is up.
        chosen = rng.sample(names, rng.randint(1, 2))
        wish = rng.choice([" and ", " or "]).join(chosen)
        if number and rng.random() < 0.4:
            wish = f"({wish}) {rng.choice(['and', 'or'])} seen{rng.randrange(number)}"
        lines += [
            f"  k{number}:",
            "    states: [down, up]",
            "    transitions:",
            f"      - {{from: down, to: up, if: asked and ({wish})}}",
            f"      - {{from: up, to: down, if: not (asked and ({wish}))}}",
        ]
    lines.append("signals:")
    lines += [f"  {name}: {{reads: guard is shut}}" for name in names]
    lines += [f"  seen{i}: {{reads: k{i} is up}}" for i in range(relays)]
    lines.append("  asked: {reads: ask is on}")
    carry = [f"k{i} is up" for i in range(relays)]
    load = f" {rng.choice(('and', 'and', 'and', 'or'))} ".join(rng.sample(carry, rng.randint(2, relays)))
    lines += ["conditions:", f"  load: {load}", "faults:"]
    every = [f"{name}_bridged: {{signal: {name}, stuck: true}}" for name in names]
    every += [f"k{i}_welded: {{subsystem: k{i}, stuck: up}}" for i in range(relays)]
    every += [f"k{i}_burst: {{subsystem: k{i}, jump: {{from: down, to: up}}}}" for i in range(relays)]
    every += [f"seen{i}_stuck: {{signal: seen{i}, stuck: {rng.choice(['true', 'false'])}}}" for i in range(relays)]
    every += ["asked_lost: {signal: asked, stuck: false}", f"{names[0]}_broken: {{signal: {names[0]}, stuck: false}}"]
    lines += [f"  {fault}" for fault in rng.sample(every, rng.randint(4, 6))]
    within = rng.choice(["reaction", "100 ms"]) if "tick: 100 ms" in lines else "reaction"
    lines += [
        "requirements:",
        "  R0: {never: load and guard is open}",
        "  R1: {always: not load, from: guard is open, until: guard is shut}",
        f"  R2: {{cause: guard is open, effect: not load, within: {within}}}",
        f"  R3: {{permissive: {rng.choice(names)}, for: load}}",
        "  R4: {start: load, only_by: [ask.press]}",
        "  R5: {possible: load}",
        "  R6: {always_possible: not load and guard is open}",
        f"  R7: {{never: load and {rng.choice(names)} and guard is open}}",
    ]
    return "\n".join(lines) + "\n"
