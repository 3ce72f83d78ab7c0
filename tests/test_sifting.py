"""Another order of the bits for states that are known: the same states, in a diagram that is no larger."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from plain_walk import walk
from random_systems import random_spec
from worded_specs import system_of

from safetymodel.explore import arranging, sifting
from safetymodel.explore.arranging import arranged
from safetymodel.explore.decisions import Decisions, Movable
from safetymodel.explore.engine import LimitReached, Limits
from safetymodel.explore.ordering import Reading
from safetymodel.explore.places import Placing
from safetymodel.explore.sifting import sifted, sifted_again
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


def shuffled(seed: int) -> tuple[Symbolic, Reading]:
    """A random system, explored in a random order of its subsystems."""
    rng = random.Random(seed)
    system = system_of(random_spec(rng))
    order = list(range(len(system.subsystems)))
    rng.shuffle(order)
    return Symbolic(system, min(seed % 3, len(system.faults)), order=tuple(order)), Reading(system)


def little_room(members: Movable, found: Symbolic) -> int:
    """Nodes for which there is room: enough to pass any one subsystem, seldom several."""
    placing = Placing(found.system)
    return members.nodes << 2 + max(placing.width(subsystem) for subsystem in found.encoding.order)


@pytest.mark.parametrize("part", range(4))
def test_neighbours_are_moved_together_where_that_is_better(part: int, tmp_path: Path) -> None:
    better = 0
    for seed in range(part, 80, 4):
        found, reading = shuffled(seed)
        encoding, members = found.encoding, movable(found, tmp_path)
        placing, places = Placing(found.system), encoding.places

        def cost(order: tuple[int, ...], members: Movable = members, reading: Reading = reading) -> float:
            return members.nodes * (1 + reading.upwards(order))

        first = cost(places.order)
        again = sifted_again(members, placing, places, 10**9, lambda: None, reading)
        cost_again = cost(again)
        assert cost_again <= first
        members.write(tmp_path / "set")
        there = Symbolic(found.system, found.budget, order=again)
        bits = places.moved(there.encoding.places)
        assert there.encoding.decisions.read(tmp_path / "set", bits) == there.reached
        # as often as one likes: each by itself
        members = movable(found, tmp_path)
        order = places.order
        while (new := sifted(members, placing, replace(places, order=order), 10**9, lambda: None)) != order:
            order = new
        better += cost_again < members.nodes * (1 + reading.upwards(order))
    assert better >= 5


def test_neighbours_pass_step_by_step_where_there_is_little_room(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    steps = 0
    for seed in range(20):
        found, reading = shuffled(seed)
        placing, places = Placing(found.system), found.encoding.places
        wide = sifted_again(movable(found, tmp_path), placing, places, 10**9, lambda: None, reading)
        members = movable(found, tmp_path)
        room_for = little_room(members, found)
        refused: list[int] = []

        def room(self: Movable, nodes: int, most: int = room_for, refused: list[int] = refused) -> bool:
            refused += [nodes] if nodes >= most else []
            return nodes < most

        with monkeypatch.context() as patch:
            patch.setattr(Movable, "has_room", room)
            assert sifted_again(members, placing, places, 10**9, lambda: None, reading) == wide
        steps += len(refused)
    assert steps > 10


def test_what_comes_to_stand_higher_has_the_room_that_was_asked_for(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    kept_apart = 0
    for seed in range(12):
        found, reading = shuffled(seed)
        placing, places = Placing(found.system), found.encoding.places
        members = movable(found, tmp_path)
        room_for = little_room(members, found)
        asked: list[int] = []
        stood = [list(places.order)]
        put = sifting._Sifting._put

        def room(self: Movable, nodes: int, room_for: int = room_for, asked: list[int] = asked) -> bool:
            asked[:] = [nodes // self.nodes] if nodes < room_for else []
            return nodes < room_for

        def noted(
            self: sifting._Sifting,
            order: list[int],
            stood: list[list[int]] = stood,
            asked: list[int] = asked,
            placing: Placing = placing,
            put: Callable[..., None] = put,
        ) -> None:
            nonlocal kept_apart
            before = {member: place for place, member in enumerate(stood[-1])}
            risen = {
                lower
                for place, lower in enumerate(order)
                if any(before[upper] < before[lower] for upper in order[place + 1 :])
            }
            if asked:
                assert 1 << sum(map(placing.width, risen)) == asked[0]
                kept_apart += len(risen) == 1
            asked.clear()
            put(self, order)
            stood.append(list(order))

        with monkeypatch.context() as patch:
            patch.setattr(Movable, "has_room", room)
            patch.setattr(sifting._Sifting, "_put", noted)
            sifted_again(members, placing, places, 10**9, lambda: None, reading)
    assert kept_apart > 100


def test_more_is_tried_only_while_there_is_time(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    found, reading = shuffled(3)
    members, placing, places = movable(found, tmp_path), Placing(found.system), found.encoding.places
    assert sifted_again(members, placing, places, 0, lambda: None, reading) == places.order

    asked = 0

    def over() -> None:
        nonlocal asked
        asked += 1
        raise LimitReached("the limit of 1 s was reached")

    for crowded, times in ((found.reached.node_count() + 1, 0), (1, 1)):
        monkeypatch.setattr(arranging, "CROWDED", crowded)
        with arranged(found.encoding, found.reached, 10**9, over, much=True) as better:
            assert better is None
        assert asked == times


def test_what_goes_up_is_what_a_reader_reads_above_it() -> None:
    lines = ["safetymodel: 1", "title: Readers", "subsystems:"]
    for name, condition in (("a", ""), ("b", ", if: a is down"), ("c", ", if: a is down and b is down")):
        lines += [f"  {name}:", "    states: [down, up]", f"    events: {{lift_{name}: {{by: operator}}}}"]
        lines += [f"    transitions: [{{from: down, to: up, on: lift_{name}{condition}}}]"]
    reading = Reading(system_of("\n".join(lines) + "\n"))
    assert reading.upwards((2, 1, 0)) == 0
    assert reading.upwards((0, 1, 2)) == 1
    assert reading.upwards((1, 0, 2)) == pytest.approx(3 / 4)  # c two places below b, one below a; b above a
    assert reading.upwards((0, 2, 1)) == pytest.approx(3 / 4)  # b two below a, c one below; c above b
    assert Reading(pairs()).upwards(tuple(range(2 * PAIRS))) == 0
