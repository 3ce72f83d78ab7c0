"""Another order of the bits for states that are known: the same states, in a diagram that is no larger."""

from __future__ import annotations

import random
from pathlib import Path

import pytest
from plain_walk import walk
from random_systems import random_spec
from worded_specs import system_of

from safetymodel.explore import arranging
from safetymodel.explore.decisions import Decisions, Movable
from safetymodel.explore.engine import LimitReached, Limits
from safetymodel.explore.places import Placing
from safetymodel.explore.sifting import sifted
from safetymodel.explore.symbolic import Symbolic
from safetymodel.model.system import System

PAIRS = 7
"""Pairs of subsystems that always move together."""


def pairs() -> System:
    """Of each pair both are up or both are down: the equality of two words (Bryant 1986 has its like)."""
    lines = ["safetymodel: 1", "title: Pairs", "subsystems:"]
    for row, owner in (("a", ""), ("b", "a{n}.")):
        for n in range(PAIRS):
            name = owner.format(n=n)
            lines += [f"  {row}{n}:", "    states: [down, up]"]
            if not owner:
                lines += ["    events: {lift: {by: operator, joint: true}, drop: {by: operator, joint: true}}"]
            lines += ["    transitions:"]
            lines += [
                f"      - {{from: down, to: up, on: {name}lift}}",
                f"      - {{from: up, to: down, on: {name}drop}}",
            ]
    return system_of("\n".join(lines) + "\n")


def movable(found: Symbolic, tmp_path: Path) -> Movable:
    found.encoding.decisions.write(tmp_path / "set", found.reached)
    return Movable(found.encoding.decisions.bits, tmp_path / "set")


def always(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(arranging, "CROWDED", 1)
    patch.setattr(arranging, "WORTH_MOVING", 1.0)


def test_words_that_are_equal_take_few_nodes_side_by_side(tmp_path: Path) -> None:
    apart = tuple(range(2 * PAIRS))
    far = Symbolic(pairs(), 0, order=apart)
    assert far.reached.node_count() > 2**PAIRS
    members, encoding = movable(far, tmp_path), far.encoding
    order = sifted(members, Placing(far.system), encoding.places, 10**9, lambda: None)
    near = Symbolic(pairs(), 0, order=order)
    assert near.reached.node_count() == members.nodes + 1 == 3 * PAIRS
    members.write(tmp_path / "set")
    there = near.encoding.decisions.read(tmp_path / "set", encoding.places.moved(near.encoding.places))
    assert there == near.reached
    assert near.encoding.decisions.count(near.reached) == 2**PAIRS


@pytest.mark.parametrize("part", range(4))
def test_random_states_are_the_same_in_the_other_order(part: int, monkeypatch: pytest.MonkeyPatch) -> None:
    moved = 0
    for seed in range(part, 60, 4):
        system = system_of(random_spec(random.Random(seed)))
        budget = min(seed % 3, len(system.faults))
        try:
            states = walk(system, budget, most=3_000).steps
        except AssertionError:
            continue
        before = Symbolic(system, budget)
        with monkeypatch.context() as patch:
            always(patch)
            found = Symbolic(system, budget)
        assert found.reached.node_count() <= before.reached.node_count() + len(system.faults)
        encoding = found.encoding
        assert encoding.decisions.count(found.reached) == len(states)
        assert all(encoding.decisions.holds(found.reached, encoding.values(state)) for state in states)
        assert found.rounds == before.rounds
        moved += encoding.order != before.encoding.order
    assert moved >= 3


def test_a_limit_on_the_way_to_a_better_order_loses_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    always(monkeypatch)
    asked = 0

    def over(*_: object) -> tuple[int, ...]:
        nonlocal asked
        asked += 1
        raise LimitReached("the limit of 1 s was reached")

    monkeypatch.setattr(arranging, "sifted", over)
    found = Symbolic(pairs(), 0, Limits(seconds=1000))
    assert asked == 1
    assert not found.shortfall
    assert found.encoding.decisions.count(found.reached) == 2**PAIRS


@pytest.mark.parametrize("writer", [Decisions, Movable])
def test_no_room_to_write_is_no_reason_to_stop(
    writer: type[Decisions] | type[Movable], monkeypatch: pytest.MonkeyPatch
) -> None:
    always(monkeypatch)
    asked = 0

    def full(*_: object) -> None:
        nonlocal asked
        asked += 1
        raise OSError("no space left")

    monkeypatch.setattr(writer, "write", full)
    found = Symbolic(pairs(), 0, order=tuple(range(2 * PAIRS)))
    assert asked == 1
    assert not found.shortfall
    assert found.encoding.decisions.count(found.reached) == 2**PAIRS


def test_no_folder_to_write_to_is_none_either(monkeypatch: pytest.MonkeyPatch) -> None:
    always(monkeypatch)
    asked = 0

    def none(**_: object) -> None:
        nonlocal asked
        asked += 1
        raise OSError("no usable temporary directory")

    monkeypatch.setattr("safetymodel.explore.arranging.tempfile.TemporaryDirectory", none)
    found = Symbolic(pairs(), 0)
    assert asked == 1
    assert found.encoding.decisions.count(found.reached) == 2**PAIRS


def test_where_bits_would_need_too_much_room_nothing_is_moved(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    apart = tuple(range(2 * PAIRS))
    far = Symbolic(pairs(), 0, order=apart)
    members = movable(far, tmp_path)
    monkeypatch.setattr(Movable, "has_room", lambda *_: False)
    assert sifted(members, Placing(far.system), far.encoding.places, 10**9, lambda: None) == apart


def test_it_is_over_early_where_it_costs_too_much(tmp_path: Path) -> None:
    apart = tuple(range(2 * PAIRS))
    far = Symbolic(pairs(), 0, order=apart)
    members, places = movable(far, tmp_path), far.encoding.places
    before = members.nodes
    assert sifted(members, Placing(far.system), places, 0, lambda: None) == apart
    some = sifted(members, Placing(far.system), places, 100 * before, lambda: None)
    assert 3 * PAIRS - 1 < members.nodes < before
    assert some != apart
