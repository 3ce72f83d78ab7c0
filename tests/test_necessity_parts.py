"""What few subsystems tell of a changed system, held against the explicit engine on the whole of it."""

from __future__ import annotations

import random
from collections import Counter

from random_systems import random_spec
from test_necessity import PUMP, TWINS, twin_channels, words_of
from test_necessity_alone import FAR, JAM, MOMENT, OTHER_WAY, PAIR, PASSING, TRAP, TRIPLE, WINDOW, read

from safetymodel.claims.clock import Clock
from safetymodel.claims.part_invariant import PartInvariant
from safetymodel.claims.part_proof import part_proof
from safetymodel.claims.search import Walker
from safetymodel.claims.watch import NOTHING, is_plain, watch_of
from safetymodel.explore.choice import explore
from safetymodel.explore.cone import through_subsystems
from safetymodel.explore.engine import going_round, no_limit
from safetymodel.explore.symbolic import Symbolic, SymbolicSpace
from safetymodel.insight.necessity.changes import changes_of
from safetymodel.insight.necessity.kept import Rounds
from safetymodel.insight.necessity.mirrors import Asked
from safetymodel.insight.necessity.sentences import change_text
from safetymodel.insight.necessity.told import Telling
from safetymodel.insight.necessity.variants import changed_system
from safetymodel.insight.standing import RANK, word_of
from safetymodel.model.system import System


def spaces_of(system: System) -> tuple[SymbolicSpace, Asked]:
    space = SymbolicSpace(Symbolic(system, max(r.withstand for r in system.requirements)))
    words = {r.name: word_of(SymbolicSpace(space.symbolic, r.withstand), r) for r in system.requirements}
    return space, Asked(words, frozenset())


def held_against_the_whole(system: System, about: str) -> Counter[str]:
    counts: Counter[str] = Counter()
    space, asked = spaces_of(system)
    most = space.budget
    if space.size(space.reached) > 3_000:
        return counts
    telling = Telling(space, asked, changes_of(system), False)
    rounds = Rounds(space)
    for altered in telling.altered:
        why = f"{about}: {change_text(system, altered.change)}"
        changed = changed_system(system, altered.change)
        after = words_of(changed, "product")
        whole = explore(changed, (most,), "product").spaces[most]
        goes_round = not whole.is_empty(going_round(whole, whole.transient))
        if not rounds.may(altered):
            counts["comes to an end"] += 1
            assert not goes_round, why
        counts["goes round"] += goes_round
        for requirement in telling.requirements:
            before, word = asked.words[requirement.name], after[requirement.name]
            if telling.parts.keeps(requirement, altered) and not goes_round:
                worse = RANK[word] < RANK[before]
                counts["kept"] += 1
                counts["kept, but it does not arise"] += worse
                assert not worse or word == "empty", f"{why}: {requirement.name} {before} {word}"
        for name, claimed in telling._stuck.noticed(altered, lambda _: True).items():
            counts[f"noticed: {claimed}"] += 1
            assert RANK[after[name]] <= RANK[claimed] < RANK[asked.words[name]], f"{why}: {name} {after[name]}"
    return counts


def test_what_few_subsystems_tell_of_random_changes() -> None:
    counts: Counter[str] = Counter()
    for seed in (*range(40), 59):
        text = random_spec(random.Random(seed))
        counts += held_against_the_whole(read(twin_channels(text) if seed % 2 else text), str(seed))
    assert counts["kept"] > 4_000, counts
    assert counts["kept, but it does not arise"] > 20, counts
    assert counts["noticed: empty"] > 8, counts
    assert counts["noticed: broken"] > 5, counts
    assert counts["comes to an end"] > 400, counts


def test_what_few_subsystems_tell_of_small_specs() -> None:
    counts: Counter[str] = Counter()
    for text in (PUMP, TWINS, JAM, TRIPLE, FAR, TRAP, WINDOW, MOMENT, STIRRED, BEHIND, PAIR, PASSING, OTHER_WAY):
        counts += held_against_the_whole(read(text), text)
    assert counts["goes round"] >= 1, counts


STIRRED = """
safetymodel: 1
title: A vent that opens by itself, and is shut again by a key
subsystems:
  heater: {states: [off, on], events: {start: {}, stop: {}}, transitions: [
    {from: off, to: on, on: start}, {from: on, to: off, on: stop}]}
  vent: {states: [shut, open], events: {close: {}}, transitions: [
    {from: shut, to: open, after: 1 s}, {from: open, to: shut, if: fan is off and key is turned},
    {from: open, to: shut, on: close}]}
  fan: {states: [runs, off], events: {halt: {}, go: {}}, transitions: [
    {from: runs, to: off, on: halt, if: key is home}, {from: off, to: runs, on: go}]}
  key: {states: [home, turned], events: {turn: {}, turn_back: {}}, transitions: [
    {from: home, to: turned, on: turn, if: fan is runs}, {from: turned, to: home, on: turn_back}]}
requirements:
  R1: {text: the vent is open soon, cause: heater is on, effect: vent is open, within: 2 s}
"""
"""Where less makes the vent shut again it does so before anything has settled, and the wait goes on."""

BEHIND = """
safetymodel: 1
title: A flag that is hoisted behind a gate
subsystems:
  gate: {states: [shut, open, back], events: {push: {}, pull: {}, go_on: {}}, transitions: [
    {from: shut, to: open, on: push}, {from: open, to: shut, on: pull}, {from: open, to: back, on: go_on},
    {from: back, to: shut, on: pull}]}
  flag: {states: [up, down], events: {fall: {}, hoist: {}}, transitions: [
    {from: up, to: down, on: fall, if: gate is open}, {from: down, to: up, on: hoist, if: gate is back}]}
requirements:
  R1: {text: the flag can always be up, always_possible: flag is up}
scenarios:
  through: {text: through the gate, steps: [gate.push, flag.fall, gate.pull]}
"""
"""Where the gate cannot be pushed the flag never falls, though from down it could not be hoisted any more."""


def test_a_way_out_that_is_taken_away_is_seen_by_one_subsystem() -> None:
    system = read(TRAP)
    space, asked = spaces_of(system)
    telling = Telling(space, asked, changes_of(system), False)
    found = {
        change_text(system, altered.change): telling._stuck.noticed(altered, lambda _: True)
        for altered in telling.altered
    }
    assert found["bolt: shot -> drawn after 2 s, taken away"] == {"R1": "broken"}
    assert found["door: open -> closed on door.pull, taken away"] == {"R2": "broken"}
    assert found["bolt: drawn -> shot on bolt.shoot, taken away"]


def test_a_part_holds_all_that_is_reached_of_it() -> None:
    """Every state that a run comes to is in the sets with its value; where few subsystems show it, all of them do."""
    counts: Counter[str] = Counter()
    for seed in range(80):
        system = read(random_spec(random.Random(seed)))
        space, asked = spaces_of(system)
        for requirement in system.requirements:
            word = asked.words[requirement.name]
            if word not in ("holds", "reacts") or requirement.form in ("possible", "always_possible"):
                continue
            part_space = SymbolicSpace(space.symbolic, requirement.withstand)
            encoding, watch = space.symbolic.encoding, watch_of(system, requirement)
            few = encoding.flags_at_most[part_space.budget]
            found = part_proof(part_space, requirement, word, few, no_limit)
            counts["proved" if found is not None else "not proved"] += 1
            if found is None:
                continue
            seen = through_subsystems(encoding, found.subsystems).seen
            reached = Walker(part_space, NOTHING if is_plain(watch) else watch, Clock()).reached()
            for value, members in reached.items():
                if value in watch.values:
                    outside = seen(members) & ~found.sets.get(value, part_space.nothing())
                    assert part_space.is_empty(outside), f"{seed}: {requirement.name}"
            counts["fewer"] += len(found.subsystems) < len(system.subsystems)
            whole = PartInvariant(encoding, frozenset(range(len(system.subsystems))), watch, few, space.start, no_limit)
            assert whole.keeps(requirement, word), f"{seed}: {requirement.name}"
    assert counts["proved"] > 100, counts
    assert counts["fewer"] > 40, counts
    assert counts["not proved"] < 5, counts
