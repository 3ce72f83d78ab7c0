"""A thousand damaged specs: each gives a system or located problems, never an exception, and quickly."""

from __future__ import annotations

import random
import re
import time
from collections.abc import Callable
from functools import cache
from pathlib import Path

import pytest

from safetymodel.model.build import load_text

SPECS = Path(__file__).resolve().parent.parent / "specs"
SMALL = 4_500
COUNT = 1_000
PARTS = 10

Damage = Callable[[random.Random, str], str]
_ODD = "\t{}[]:,#&*!|>'\"%@`-?\\ \n=().~0é\U0001f512"


@cache
def small_specs() -> tuple[str, ...]:
    texts = [path.read_text(encoding="utf-8") for path in sorted(SPECS.rglob("*.yaml"))]
    return tuple(text for text in texts if len(text) < SMALL)


def drop_character(rng: random.Random, text: str) -> str:
    at = rng.randrange(len(text))
    return text[:at] + text[at + 1 :]


def double_character(rng: random.Random, text: str) -> str:
    at = rng.randrange(len(text))
    return text[:at] + text[at] + text[at:]


def odd_character(rng: random.Random, text: str) -> str:
    at = rng.randrange(len(text))
    return text[:at] + rng.choice(_ODD) + text[at + rng.randint(0, 1) :]


def swap_characters(rng: random.Random, text: str) -> str:
    at = rng.randrange(len(text) - 1)
    return text[:at] + text[at + 1] + text[at] + text[at + 2 :]


def drop_line(rng: random.Random, text: str) -> str:
    lines = text.split("\n")
    del lines[rng.randrange(len(lines))]
    return "\n".join(lines)


def double_line(rng: random.Random, text: str) -> str:
    lines = text.split("\n")
    at = rng.randrange(len(lines))
    lines.insert(at, lines[at])
    return "\n".join(lines)


def swap_lines(rng: random.Random, text: str) -> str:
    lines = text.split("\n")
    one, other = rng.randrange(len(lines)), rng.randrange(len(lines))
    lines[one], lines[other] = lines[other], lines[one]
    return "\n".join(lines)


def indent_line(rng: random.Random, text: str) -> str:
    lines = text.split("\n")
    at = rng.randrange(len(lines))
    lines[at] = "  " + lines[at] if rng.random() < 0.5 else lines[at][2:]
    return "\n".join(lines)


def drop_word(rng: random.Random, text: str) -> str:
    word = rng.choice(list(re.finditer(r"\w+", text)))
    return text[: word.start()] + text[word.end() :]


def swap_words(rng: random.Random, text: str) -> str:
    one, other = sorted(rng.sample(list(re.finditer(r"\w+", text)), 2), key=lambda m: m.start())
    return text[: one.start()] + other[0] + text[one.end() : other.start()] + one[0] + text[other.end() :]


def drop_value(rng: random.Random, text: str) -> str:
    value = rng.choice(list(re.finditer(r"(?<=: )[^,{}\n]+", text)))
    return text[: value.start()] + rng.choice(["", "[]", "{}", "null", "3", "[a, b]", "{a: b}"]) + text[value.end() :]


def drop_key(rng: random.Random, text: str) -> str:
    pair = rng.choice(list(re.finditer(r"\w+: [^,{}\n]+,? ?", text)))
    return text[: pair.start()] + text[pair.end() :]


def cut_off(rng: random.Random, text: str) -> str:
    return text[: rng.randrange(len(text))]


DAMAGES: tuple[Damage, ...] = (
    drop_character,
    double_character,
    odd_character,
    swap_characters,
    drop_line,
    double_line,
    swap_lines,
    indent_line,
    drop_word,
    swap_words,
    drop_value,
    drop_value,
    drop_key,
    cut_off,
)


def mutated(seed: int) -> str:
    """A small spec with one to three damages."""
    rng = random.Random(seed)
    text = rng.choice(small_specs())
    for _ in range(rng.choice([1, 1, 1, 2, 3])):
        text = rng.choice(DAMAGES)(rng, text)
    return text


@pytest.mark.parametrize("part", range(PARTS))
def test_damaged_specs_give_problems_or_systems(part: int) -> None:
    assert len(small_specs()) >= 4
    kept = refused = 0
    for seed in range(part, COUNT, PARTS):
        text = mutated(seed)
        begun = time.process_time()
        system, problems = load_text(text, "mutated.yaml")
        took = time.process_time() - begun
        lines = text.split("\n")
        assert took < 2, f"seed {seed} took {took:.1f} s"
        errors = [p for p in problems if p.severity == "error"]
        assert (system is None) == bool(errors), seed
        assert len(problems) < 120, f"seed {seed}: a cascade of {len(problems)} problems"
        for problem in problems:
            context = f"seed {seed}: {problem}"
            assert problem.span.file == "mutated.yaml", context
            assert 1 <= problem.span.line <= len(lines), context
            assert 1 <= problem.span.column <= len(lines[problem.span.line - 1]) + 1, context
            assert problem.message.strip(), context
            assert problem.slug in problem.as_text(), context
            assert "Error" not in problem.message, context
            assert not re.search(r"<[a-z ]+>|while (parsing|scanning)", problem.message), context
        kept += system is not None
        refused += system is None
    assert kept >= 5, "too few survive"
    assert refused >= 20, "too few are refused"
