"""Specs that mean harm, or are none at all: a clear problem, in bounded time and memory."""

from __future__ import annotations

import os
import time
import tracemalloc
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from safetymodel.model.build import load, load_text
from safetymodel.problems import Problem

HEAD = "safetymodel: 1\ntitle: T\n"
DOOR = "subsystems:\n  door:\n    states: [shut, open]\n    events: {pull: {}}\n    transitions:\n"
DOOR += "      - {from: shut, to: open, on: pull}\n"
SECONDS = 10.0
MEMORY = 400_000_000


@contextmanager
def bounded(seconds: float = SECONDS) -> Iterator[None]:
    begun = time.process_time()
    yield
    took = time.process_time() - begun
    assert took < seconds, f"took {took:.1f} s of processor time"


def problems_of(text: str | bytes, seconds: float = SECONDS) -> tuple[Problem, ...]:
    with bounded(seconds):
        _, problems = load_text(text, "hostile.yaml")
        printed = "\n".join(p.as_text() for p in problems)
    assert "\x1b" not in printed
    assert all(c == "\n" or c.isprintable() for c in printed)
    return problems


def slugs(text: str | bytes, seconds: float = SECONDS) -> list[str]:
    return [p.slug for p in problems_of(text, seconds)]


# -- files -------------------------------------------------------------------------------------


def test_a_missing_file_names_the_nearest(tmp_path: Path) -> None:
    (tmp_path / "whimbrel.yaml").write_text(HEAD)
    system, (problem,) = load(str(tmp_path / "wimbrel.yaml"))
    assert system is None
    assert (problem.slug, problem.hint) == ("no-such-file", "did you mean whimbrel.yaml?")
    _, (problem,) = load(str(tmp_path / "none" / "wimbrel.yaml"))
    assert problem.slug == "no-such-file"


def test_what_is_no_file(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.yaml")
    for file in (str(tmp_path), str(tmp_path / "pipe.yaml"), "/dev/zero"):
        with bounded(2):
            _, (problem,) = load(file)
        assert problem.slug == "not-a-file", file


def test_names_that_no_file_can_have(tmp_path: Path) -> None:
    for file in ("x\0y", str(tmp_path / ("n" * 5000)), "\udcff\udc00.yaml"):
        _, (problem,) = load(file)
        assert problem.slug in ("cannot-read", "no-such-file"), file
        assert all(c == "\n" or c.isprintable() for c in problem.as_text())
    _, (problem,) = load("x\0y")
    assert problem.slug == "cannot-read"


def test_a_huge_file_is_not_read_whole(tmp_path: Path) -> None:
    path = tmp_path / "huge.yaml"
    with path.open("wb") as stream:
        stream.truncate(100_000_000)
    tracemalloc.start()
    try:
        with bounded(2):
            _, (problem,) = load(str(path))
        assert tracemalloc.get_traced_memory()[1] < 20_000_000
    finally:
        tracemalloc.stop()
    assert problem.slug == "file-too-large"


@pytest.mark.parametrize(
    ("data", "slug", "place"),
    [
        (b"", "empty-file", (1, 1)),
        (b"\n\n# nothing\n", "empty-file", (1, 1)),
        (b"\xef\xbb\xbf", "empty-file", (1, 1)),
        (b"safetymodel: 1\ntitle: a\0b\n", "control-character", (2, 9)),
        (b"safetymodel: 1\ntitle: \x1b[31mred\n", "control-character", (2, 8)),
        (b"safetymodel: 1\ntitle: caf\xe9\n", "not-utf-8", (2, 11)),
        ("safetymodel: 1\n".encode("utf-16"), "not-utf-8", (1, 1)),
        (bytes(range(256)) * 50, "not-utf-8", (2, 118)),
        (b"\x7fELF\x02\x01\x01" + b"\0" * 100, "control-character", (1, 1)),
        (b"null\n", "empty-file", (1, 1)),
        (b"%YAML 9.9\n---\na: b\n", "yaml-syntax", (1, 1)),
        (b"&a [*a]\n", "cyclic-alias", (1, 5)),
        (b"? [a]\n: b\n", "key-not-a-word", (1, 3)),
    ],
)
def test_text_that_is_no_spec(data: bytes, slug: str, place: tuple[int, int]) -> None:
    (problem,) = problems_of(data)
    assert (problem.slug, (problem.span.line, problem.span.column)) == (slug, place), problem.as_text()


def test_a_byte_order_mark_and_all_line_ends_are_read() -> None:
    for text in (HEAD + DOOR, (HEAD + DOOR).replace("\n", "\r\n"), (HEAD + DOOR).replace("\n", "\r")):
        system, problems = load_text(b"\xef\xbb\xbf" + text.encode(), "x.yaml")
        assert system is not None, [p.as_text() for p in problems]


# -- YAML --------------------------------------------------------------------------------------


def test_alias_bomb() -> None:
    lines = ["a0: &a0 [x, x, x, x, x, x, x, x, x, x]"]
    lines += [f"a{n}: &a{n} [{', '.join([f'*a{n - 1}'] * 10)}]" for n in range(1, 12)]
    assert slugs("\n".join(lines)) == ["too-many-aliases"]


def test_many_values() -> None:
    assert slugs(HEAD + "text: [" + "a," * 70_000 + "]", 30) == ["too-much-content"]


@pytest.mark.parametrize("tag", ["!!python/object/apply:os.system [ls]", "!x y", "!!str 1", "!<tag:a,2000:b> c"])
def test_tags(tag: str) -> None:
    assert slugs(f"{HEAD}text: {tag}\n") == ["yaml-tag"]


@pytest.mark.parametrize("text", ["[" * 20_000, "{a: " * 20_000, "[" * 20_000 + "]" * 20_000])
def test_deep_flow(text: str) -> None:
    assert slugs(HEAD + "text: " + text) == ["nested-too-deep"]


def test_deep_blocks() -> None:
    assert slugs(HEAD + "text:\n" + "".join(" " * n + "a:\n" for n in range(1, 1000))) == ["nested-too-deep"]
    assert slugs(HEAD + "text:\n" + "- " * 20_000 + "a\n") == ["nested-too-deep"]
    assert slugs(HEAD + "text:\n" + "? " * 20_000 + "a\n") == ["key-not-a-word"]


def test_many_duplicates_and_unknown_keys() -> None:
    found = slugs(HEAD + DOOR + "text: t\n" * 5_000)
    assert found[0] == "duplicate-key"
    assert found[-1] == "more-problems"
    assert len(found) < 2_000
    assert "unknown-key" in slugs(HEAD + DOOR + "".join(f"key{n}: t\n" for n in range(5_000)))


def test_long_scalars() -> None:
    assert slugs(HEAD + DOOR + "text: " + "word " * 200_000 + "\n") == []
    found = slugs(HEAD + DOOR + "requirements:\n  " + "R" * 100_000 + ": {never: door is open}\n")
    assert found[0] == "yaml-syntax"


# -- expressions -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "text",
    [
        "(" * 9_000 + "door is open" + ")" * 9_000,
        "not " * 4_000 + "door is open",
        "(not " * 3_000 + "door is open" + ")" * 3_000,
        "(not not not not not " * 13 + "door is open" + ")" * 13,
        "(" * 19_000,
        "door is open and (" * 1_000 + "door is open" + ")" * 1_000,
    ],
)
def test_deep_expressions(text: str) -> None:
    assert slugs(f"{HEAD}{DOOR}requirements:\n  R1: {{never: {text}}}\n") == ["bad-expression"]


def test_nesting_up_to_the_limit_is_read() -> None:
    text = "(not " * 29 + "door is open" + ")" * 29
    system, problems = load_text(f"{HEAD}{DOOR}requirements:\n  R1: {{never: {text}}}\n", "x.yaml")
    assert system is not None, [p.as_text() for p in problems]


def test_wide_expressions() -> None:
    text = " and ".join(["door is open"] * 1_100)
    assert slugs(f"{HEAD}{DOOR}requirements:\n  R1: {{never: {text}}}\n") == []
    assert slugs(f"{HEAD}{DOOR}requirements:\n  R1: {{never: {text * 3}}}\n") == ["bad-expression"]


def test_many_unknown_names() -> None:
    signals = "".join(f"  signal_number_{n}: {{reads: door is open}}\n" for n in range(3_000))
    wrong = " and ".join(f"sygnal_namber_{n}" for n in range(900))
    found = slugs(f"{HEAD}{DOOR}signals:\n{signals}requirements:\n  R1: {{never: {wrong}}}\n")
    assert "unknown-name" in found


def test_numbers_without_end() -> None:
    nines = "9" * 5_000
    text = f"{HEAD}tick: {nines} ms\n{DOOR}faults:\n  f: {{subsystem: door, stuck: open, rate: {nines} / h}}\n"
    text += f"requirements:\n  R1: {{never: door is open, withstand: {nines}}}\n"
    text += f"  R2: {{never: 'at least {nines} of door are open'}}\n  R3: {{never: {nines}}}\n"
    text += f"  R4: {{cause: door is open, effect: door is shut, within: 0.{nines} s}}\n"
    found = slugs(text)
    assert {"bad-duration", "bad-rate", "out-of-range"} <= set(found)


# -- definitions -------------------------------------------------------------------------------


def test_conditions_that_double() -> None:
    lines = "".join(f"  c{n}: c{n - 1} and c{n - 1}\n" for n in range(1, 41))
    found = slugs(f"{HEAD}{DOOR}conditions:\n  c0: door is open\n{lines}requirements:\n  R1: {{never: c40}}\n")
    assert found == ["condition-too-large"]


@pytest.mark.parametrize("backwards", [False, True])
@pytest.mark.parametrize("closed", [False, True])
def test_long_chains_of_conditions(backwards: bool, closed: bool) -> None:
    count = 2_000 if closed else 10_000
    lines = [f"  c{n}: c{n - 1}\n" for n in range(1, count)]
    if backwards:
        lines.reverse()
    first = f"c{count - 1}" if closed else "door is open"
    found = slugs(
        f"{HEAD}{DOOR}conditions:\n  c0: {first}\n{''.join(lines)}requirements:\n  R1: {{never: c{count - 1}}}\n"
    )
    assert found == (["cyclic-condition"] if closed else ["condition-too-large"])


@pytest.mark.parametrize("backwards", [False, True])
@pytest.mark.parametrize("closed", [False, True])
def test_long_chains_of_signals(backwards: bool, closed: bool) -> None:
    count = 10_000 if backwards and not closed else 2_000
    lines = [f"  s{n}: {{reads: s{n - 1}}}\n" for n in range(1, count)]
    if backwards:
        lines.reverse()
    first = f"s{count - 1}" if closed else "door is open"
    text = f"{HEAD}{DOOR}signals:\n  s0: {{reads: {first}}}\n{''.join(lines)}"
    text += f"requirements:\n  R1: {{never: s{count - 1}}}\n"
    with bounded(20):
        system, problems = load_text(text, "x.yaml")
    if closed:
        (problem,) = problems
        assert problem.slug == "cyclic-signal"
        assert len(problem.message) < 200
    else:
        assert system is not None
        names = [system.signals[n].name for n in system.signal_order]
        assert names == [f"s{n}" for n in range(count)]


def test_many_rings() -> None:
    lines = "".join(f"  a{n}: {{reads: b{n}}}\n  b{n}: {{reads: a{n}}}\n" for n in range(800))
    found = slugs(f"{HEAD}{DOOR}signals:\n{lines}")
    assert found[0] == "cyclic-signal"


# -- sizes -------------------------------------------------------------------------------------


def test_many_states() -> None:
    names = ", ".join(f"q{n}" for n in range(50_000))
    assert slugs(f"{HEAD}subsystems:\n  door:\n    states: [{names}]\n", 30) == ["too-many-states"]


def test_a_family_that_unfolds() -> None:
    members = ", ".join(f"i{n}" for n in range(1_900))
    transitions = "".join(f"      - {{from: q{n}, to: q{n + 1}, if: self is q1}}\n" for n in range(60))
    states = ", ".join(f"q{n}" for n in range(61))
    text = (
        f"{HEAD}subsystems:\n  f:\n    instances: [{members}]\n    states: [{states}]\n    transitions:\n{transitions}"
    )
    assert slugs(text, 30) == ["too-large"]


def test_many_mistakes_are_cut_short() -> None:
    lines = "".join(f"  R{n}: {{never: dor is open}}\n" for n in range(1_500))
    found = problems_of(f"{HEAD}{DOOR}requirements:\n{lines}")
    assert found[-1].slug == "more-problems"
    assert found[-1].message.startswith("1,100 more")
