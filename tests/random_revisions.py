"""Random pairs of specs: a random one, and the same with a few changes; or with other words and nothing else."""

from __future__ import annotations

import random
import re
from collections.abc import Callable

from random_systems import random_spec

CONDITION = re.compile(r"(?:if|physically): (.+?)(?=, (?:if|physically|after|on):|}$)")
TRANSITION = re.compile(r"^      - \{from.*$", re.MULTILINE)


def changed(text: str, rng: random.Random, changes: int) -> str:
    """The text with so many changes of what it says; each may happen to change nothing."""
    for _ in range(changes):
        text = rng.choice(CHANGES)(text, rng)
    return text


def _one_line(text: str, rng: random.Random, change: Callable[[str], str]) -> str:
    lines = list(TRANSITION.finditer(text))
    if not lines:
        return text
    line = rng.choice(lines)
    return text[: line.start()] + change(line.group()) + text[line.end() :]


def negate_a_condition(text: str, rng: random.Random) -> str:
    def change(line: str) -> str:
        return CONDITION.sub(lambda m: m[0].replace(m[1], f"not ({m[1]})"), line, count=1)

    return _one_line(text, rng, change)


def drop_a_condition(text: str, rng: random.Random) -> str:
    return _one_line(
        text,
        rng,
        lambda line: (
            re.sub(r", if: .+?(?=, physically|, after|}$)", "", line, count=1)
            if " on:" in line or " after:" in line
            else line
        ),
    )


def another_state(text: str, rng: random.Random) -> str:
    def change(line: str) -> str:
        return re.sub(r"to: q\d", f"to: q{rng.randrange(2)}", line) if " on:" in line else line

    return _one_line(text, rng, change)


def another_time(text: str, rng: random.Random) -> str:
    return text.replace("200 ms", "300 ms", 1) if rng.random() < 0.5 else text.replace("100 ms", "200 ms", 1)


def another_reading(text: str, rng: random.Random) -> str:
    readings = re.findall(r"^  s\d: \{reads: (.+)\}$", text, re.MULTILINE)
    if not readings:
        return text
    reading = rng.choice(readings)
    return text.replace(f"reads: {reading}}}", f"reads: not ({reading})}}")


def drop_a_transition(text: str, rng: random.Random) -> str:
    lines = list(TRANSITION.finditer(text))
    line = rng.choice(lines)
    before = text[: line.start()].rstrip("\n").rsplit("\n", 1)[-1]
    after = text[line.end() + 1 :].split("\n", 1)[0]
    alone = before.endswith("transitions:") and not after.startswith("      - ")
    return text if alone else text[: line.start()] + text[line.end() + 1 :]


def joint_or_not(text: str, rng: random.Random) -> str:
    return text.replace("{joint: true, by: someone}", "{by: someone}", 1)


CHANGES = (
    negate_a_condition,
    negate_a_condition,
    drop_a_condition,
    another_state,
    another_time,
    another_reading,
    drop_a_transition,
    joint_or_not,
)


def reworded(text: str, rng: random.Random) -> str:
    """Other words for the same: titles, texts, double negation, turned conjunctions, an intermediate condition."""
    text = text.replace("title: Random system", "title: The same in other words").replace("by: someone", "by: anybody")
    text = CONDITION.sub(lambda m: m[0].replace(m[1], f"not (not ({m[1]}))") if rng.random() < 0.5 else m[0], text)
    turned = re.sub(r"if: (m\w+ is q\d) and (m\w+ is q\d)(?=[,}])", r"if: \2 and \1", text)
    return turned.replace("somebody is hurt", "a person is hurt")


def pair(seed: int, changes: int) -> tuple[str, str]:
    rng = random.Random(seed)
    text = random_spec(rng)
    return text, changed(text, rng, changes)
