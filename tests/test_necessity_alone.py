"""Changes explored by themselves, and the runs that show what still comes about."""

from __future__ import annotations

import random
from collections import Counter

from random_systems import random_spec
from test_necessity import PUMP, TWINS, twin_channels

from safetymodel.explore.choice import explore
from safetymodel.explore.symbolic import SymbolicSpace
from safetymodel.insight.necessity.alone import WITHOUT_FAULTS, Alone
from safetymodel.insight.necessity.effects import Effect
from safetymodel.insight.necessity.mirrors import asked_with
from safetymodel.insight.necessity.record import Recorded, record_of
from safetymodel.insight.necessity.search import necessity
from safetymodel.insight.necessity.sentences import change_text
from safetymodel.insight.necessity.told import Telling
from safetymodel.insight.necessity.verdicts import Told
from safetymodel.insight.standing import word_of
from safetymodel.model.build import load_text
from safetymodel.model.system import System


def read(text: str) -> System:
    system, problems = load_text(text, "case.yaml")
    assert system is not None, problems
    return system


def effects_of(text: str) -> dict[str, Effect]:
    """What a review finds of a large spec, each change told; the same as where everybody who notices is asked for."""
    system = read(text)
    spaces = explore(system, sorted({0, *(r.withstand for r in system.requirements)}), "symbolic").spaces
    quick, whole = necessity(spaces, everything=False), necessity(spaces, everything=True)
    found = {change_text(system, e.change): e for e in quick.effects}
    for effect, full in zip(quick.effects, whole.effects, strict=True):
        text = change_text(system, effect.change)
        assert effect.known, text
        assert effect.noticed == full.noticed, text
        named = {n.requirement.name for n in effect.notices}
        assert named <= {n.requirement.name for n in full.notices}, text
    return found


JAM = """
safetymodel: 1
title: A valve that can jam
subsystems:
  valve: {states: [shut, open], events: {turn: {}, turn_back: {}}, transitions: [
    {from: shut, to: open, on: turn}, {from: open, to: shut, on: turn_back}]}
  bell: {states: [quiet, rings], transitions: [
    {from: quiet, to: rings, if: valve is open}, {from: rings, to: quiet, if: valve is shut}]}
faults: {valve_jams: {subsystem: valve, stuck: any}}
requirements:
  R1: {text: it rings while the valve is jammed open, cause: valve is open and fault valve_jams, effect: bell is rings,
    within: reaction, withstand: 1}
"""


def test_what_comes_about_under_a_fault_can_be_lost_before_it_strikes() -> None:
    found = effects_of(JAM)
    (opening,) = (e for text, e in found.items() if text == "valve: shut -> open on valve.turn, taken away")
    assert [(n.requirement.name, n.after) for n in opening.notices] == [("R1", "empty")]


TRIPLE = """
safetymodel: 1
title: A pump with three floats
subsystems:
  tank: {states: [full, empty], events: {drain: {}, fill: {}}, transitions: [
    {from: full, to: empty, on: drain, physically: pump is running}, {from: empty, to: full, on: fill}]}
  pump: {states: [still, running], events: {start: {}, stop: {}}, transitions: [
    {from: still, to: running, on: start, if: wet_a and wet_b and wet_c},
    {from: running, to: still, on: stop},
    {from: running, to: still, if: not wet_a or not wet_b or not wet_c}]}
signals: {wet_a: {reads: tank is full}, wet_b: {reads: tank is full}, wet_c: {reads: tank is full}}
faults: {a_hangs: {signal: wet_a, stuck: true}, b_hangs: {signal: wet_b, stuck: true},
  c_hangs: {signal: wet_c, stuck: true}}
requirements:
  R1: {text: it does not run dry, never: pump is running and tank is empty, withstand: 2}
"""


def test_what_only_two_faults_show_is_not_told_after_one() -> None:
    found = effects_of(TRIPLE)
    stops = [e for text, e in found.items() if text.startswith("pump: running -> still without")]
    assert len(stops) == 3
    assert all([n.requirement.name for n in e.notices] == ["R1"] for e in stops)
    told = told_alone(read(TRIPLE))
    assert any(e.noticed for e, _, _ in told)
    assert not any(one.decided for e, one, _ in told if e.noticed and e.change.kind == "part")


def told_alone(system: System, counts: Counter[str] | None = None) -> list[tuple[Effect, Told, dict[str, bool]]]:
    """Each change that makes a difference: what it truly is, what comes of exploring it alone, and for each requirement
    that is neither broken nor empty whether what it needs may be missing. ``counts``: changes of which only situations
    were asked, by whether one is gone."""
    counts = Counter() if counts is None else counts
    spaces = explore(system, sorted({0, *(r.withstand for r in system.requirements)}), "symbolic").spaces
    whole = necessity(spaces, everything=True)
    most = max(spaces)
    plain = {r.name: word_of(spaces[r.withstand], r) for r in system.requirements}
    explored = Recorded(whole.system, most)
    space = SymbolicSpace(explored)
    mirrored = {r.name: word_of(SymbolicSpace(explored, r.withstand), r) for r in whole.system.requirements}
    asked = asked_with(whole.mirrored, plain, mirrored)
    names = frozenset(r.name for r in system.requirements if asked.words[r.name] != "broken")
    telling = Telling(space, asked, [e.change for e in whole.effects], True, record=explored.record)
    if telling.first.chatters:
        return []
    alone = Alone(space, record_of(explored.encoding, explored.start, lambda: None, WITHOUT_FAULTS), asked)
    found = []
    for effect, altered in zip(whole.effects, telling.altered, strict=True):
        if altered.differs:
            missing = {
                r.name: telling._witnesses.may_be_missing(r, altered)
                for r in telling.requirements
                if asked.words[r.name] in ("holds", "reacts")
            }
            known = alone.ways_kept(altered, Told({}, False, names, True))
            lost = {n.requirement.name for n in effect.notices if n.requirement.form == "always_possible"}
            assert effect.chatters or lost <= known.open, effect
            found.append((effect, alone.told(altered, known), missing))
            # those that become no worse than empty, and nothing else to be asked
            after = {n.requirement.name: n.after for n in effect.notices}
            silent = frozenset(name for name in missing if after.get(name, "empty") == "empty")
            if silent and not effect.chatters:
                told = alone.told(altered, Told({}, False, frozenset(), False, silent))
                gone = {name for name in silent if name in after}
                assert not told.decided or told.noticed == bool(gone), (effect, told)
                assert told.found.keys() <= gone, (effect, told)
                if told.decided:
                    counts["gone" if gone else "all arise"] += 1
    return found


FAR = """
safetymodel: 1
title: A fan behind a guard
subsystems:
  guard: {states: [down, up], events: {raise: {}, lower: {}}, transitions: [
    {from: down, to: up, on: raise}, {from: up, to: down, on: lower}]}
  fan: {states: [still, turns], events: {go: {}, halt: {}}, transitions: [
    {from: still, to: turns, on: go, if: guard is down}, {from: turns, to: still, on: halt},
    {from: turns, to: still, if: guard is up}]}
  lamp: {states: [whole, broken]}
  hood: {states: [closed, torn]}
faults: {lamp_breaks: {subsystem: lamp, jump: {from: whole, to: broken}},
  hood_tears: {subsystem: hood, jump: {from: closed, to: torn}}}
requirements:
  R1: {text: it does not turn in the open, never: fan is turns and guard is up and hood is torn, withstand: 1}
"""


TRAP = """
safetymodel: 1
title: A booth with a door and a bolt
subsystems:
  door: {states: [closed, open], events: {push: {}, pull: {}}, transitions: [
    {from: closed, to: open, on: push, if: bolt is drawn}, {from: open, to: closed, on: pull}]}
  bolt: {states: [drawn, shot], events: {shoot: {}}, transitions: [
    {from: drawn, to: shot, on: shoot, if: door is closed}, {from: shot, to: drawn, after: 2 s}]}
requirements:
  R1: {text: one can always get out, always_possible: door is open}
  R2: {text: one can always shut it, always_possible: bolt is shot}
"""


WATCHED_TRAP = (
    TRAP
    + """  R3: {text: it is not open and bolted, never: door is open and bolt is shot and seal is whole, withstand: 1}
faults: {seal_breaks: {subsystem: seal, jump: {from: whole, to: broken}}}
"""
).replace("  bolt: {states", "  seal: {states: [whole, broken]}\n  bolt: {states", 1)


def test_ways_back_are_asked_though_others_may_break_with_faults() -> None:
    effects_of(WATCHED_TRAP)
    told = {change_text(read(WATCHED_TRAP), effect.change): one for effect, one, _ in told_alone(read(WATCHED_TRAP))}
    assert told["bolt: shot -> drawn after 2 s, taken away"].found == {"R1": "broken"}
    assert told["door: open -> closed on door.pull, taken away"].found == {"R2": "broken"}


def test_ways_back_that_are_lost() -> None:
    found = effects_of(TRAP)
    told = {change_text(read(TRAP), effect.change): one for effect, one, _ in told_alone(read(TRAP))}
    for text, name in (
        ("bolt: shot -> drawn after 2 s, taken away", "R1"),
        ("door: open -> closed on door.pull, taken away", "R2"),
        ("door: closed -> open on door.push, taken away", "R1"),
    ):
        assert told[text].found == {name: "broken"}, text
        assert name in {n.requirement.name for n in found[text].notices}, text


PAIR = """
safetymodel: 1
title: A leaf that is pushed open together with a lever, and a hall behind it
subsystems:
  lever: {states: [home, away], events: {push: {joint: true}, pull: {}}, transitions: [
    {from: home, to: away, on: push}, {from: away, to: home, on: pull}]}
  leaf: {states: [shut, open], events: {slam: {}}, transitions: [
    {from: shut, to: open, on: lever.push}, {from: open, to: shut, on: slam}]}
  hall: {states: [empty, taken], events: {come: {}, go: {}}, transitions: [
    {from: empty, to: taken, on: come, if: leaf is shut}, {from: taken, to: empty, on: go, if: lever is home|away}]}
requirements:
  R1: {text: it is opened only with the hall empty, permissive: hall is empty|taken, for: leaf is open}
"""


def test_a_step_of_several_is_gone_with_one_of_them() -> None:
    found = effects_of(PAIR)
    pushed = found["lever: home -> away on lever.push, taken away"]
    assert [(n.requirement.name, n.after) for n in pushed.notices] == [("R1", "empty")]
    held_against_the_whole(read(PAIR), "pair", Counter())


PASSING = """
safetymodel: 1
title: A lamp that takes a key, which springs out when the guard is raised
subsystems:
  guard: {states: [down, up], events: {raise: {}, lower: {}}, transitions: [
    {from: down, to: up, on: raise}, {from: up, to: down, on: lower}]}
  key: {states: [in, out], transitions: [
    {from: in, to: out, if: guard is up}, {from: out, to: in, if: guard is down}]}
  lamp: {states: [dark, lit], events: {light: {}, put_out: {}}, transitions: [
    {from: dark, to: lit, on: light, if: key is in}, {from: lit, to: dark, on: put_out}]}
requirements:
  R1: {text: it is lit only behind the guard, permissive: guard is down, for: lamp is lit}
"""

OTHER_WAY = """
safetymodel: 1
title: A lamp that lights otherwise once its condition is turned round
subsystems:
  fan: {states: [off, on], events: {start: {}, stop: {}}, transitions: [
    {from: off, to: on, on: start, if: lamp is dark}, {from: on, to: off, on: stop, if: guard is down}]}
  guard: {states: [down, up], events: {raise: {}, lower: {}}, transitions: [
    {from: down, to: up, on: raise, if: fan is on}, {from: up, to: down, on: lower}]}
  latch: {states: [off, on], transitions: [{from: off, to: on, if: lamp is lit and fan is on}]}
  lamp: {states: [dark, lit], events: {light: {}, put_out: {}}, transitions: [
    {from: dark, to: lit, on: light, if: latch is on or fan is off, physically: guard is down or latch is on},
    {from: lit, to: dark, on: put_out}]}
requirements:
  R1: {text: it is lit only behind the guard, permissive: guard is down, for: lamp is lit}
"""


def test_looks_at_steps_take_those_of_the_changed_system_from_where_they_can_happen() -> None:
    for text in (PASSING, OTHER_WAY):
        effects_of(text)
        counts: Counter[str] = Counter()
        held_against_the_whole(read(text), text, counts)
        assert counts["not noticed"], counts
    (negated,) = (
        e for text, e in effects_of(OTHER_WAY).items() if text.startswith("lamp: dark") and "opposite" in text
    )
    assert not negated.noticed


CALL = """
safetymodel: 1
title: A lamp that a button lights by way of a relay
subsystems:
  button: {states: [up, down], events: {press: {}, release: {}}, transitions: [
    {from: up, to: down, on: press}, {from: down, to: up, on: release}]}
  relay: {states: [off, on], transitions: [
    {from: off, to: on, if: button is down}, {from: on, to: off, if: button is up}]}
requirements:
  R1: {text: it can always be lit, always_possible: relay is on}
  R2: {text: it can always be put out, always_possible: relay is off and button is up}
"""


def test_a_way_back_by_a_reaction_that_is_taken_away() -> None:
    found = effects_of(CALL)
    told = {change_text(read(CALL), effect.change): one for effect, one, _ in told_alone(read(CALL))}
    for text, name in (("relay: off -> on, taken away", "R1"), ("relay: on -> off, taken away", "R2")):
        assert told[text].found == {name: "broken"}, text
        assert [n.requirement.name for n in found[text].notices] == [name], text


def test_a_fault_that_the_changed_transition_knows_nothing_of() -> None:
    effects_of(FAR)
    told = {change_text(read(FAR), effect.change): one for effect, one, _ in told_alone(read(FAR))}
    assert told["fan: turns -> still without `guard is up`"].decided
    assert told["fan: turns -> still, at any later moment"].found == {"R1": "broken"}
    assert told["fan: turns -> still, taken away"].found == {"R1": "broken"}


WINDOW = """
safetymodel: 1
title: A lamp that stays dark from the alarm until the key is reset
subsystems:
  alarm: {states: [quiet, rings], events: {ring: {}, hush: {}}, transitions: [
    {from: quiet, to: rings, on: ring}, {from: rings, to: quiet, on: hush}]}
  key: {states: [turned, reset], events: {turn: {}, turn_back: {}}, transitions: [
    {from: turned, to: reset, on: turn_back}, {from: reset, to: turned, on: turn}]}
  lamp: {states: [dark, lit], events: {light: {}}, transitions: [
    {from: dark, to: lit, on: light, if: key is reset and alarm is quiet}, {from: lit, to: dark, on: alarm.ring},
    {from: lit, to: dark, on: key.turn}]}
  hood: {states: [closed, open], events: {lift: {}, drop: {}}, transitions: [
    {from: closed, to: open, on: lift, if: alarm is rings or key is reset, physically: door is closed},
    {from: open, to: closed, on: drop}, {from: open, to: closed, on: alarm.ring},
    {from: open, to: closed, on: key.turn}]}
  door: {states: [closed, open], events: {pull: {}, push: {}}, transitions: [
    {from: closed, to: open, on: pull, physically: hood is closed}, {from: open, to: closed, on: push}]}
requirements:
  R1: {text: it stays dark, never: lamp is lit, from: alarm is rings, until: key is reset}
  R2: {text: one at a time, never: door is open and hood is open, from: alarm is rings, until: key is reset}
"""


def test_what_is_watched_for_a_time() -> None:
    found = effects_of(WINDOW)
    assert not found["lamp: dark -> lit on lamp.light without `alarm is quiet`"].noticed
    noticed = found["lamp: dark -> lit on lamp.light without `key is reset`"].notices
    assert noticed
    assert {n.after for n in noticed} <= {"reacts", "broken"}
    noticed = found["hood: closed -> open on hood.lift without `alarm is rings`"].notices
    assert [(n.requirement.name, n.after) for n in noticed] == [("R2", "empty")]
    held_against_the_whole(read(WINDOW), "window", Counter())


BYPASS = """
safetymodel: 1
title: A lamp that stays dark from the first bay until the trolley rests again
subsystems:
  trolley: {states: [rests, first, second], events: {go: {}, next: {}, skip: {}, back: {}}, transitions: [
    {from: rests, to: first, on: go}, {from: first, to: second, on: next}, {from: rests, to: second, on: skip},
    {from: second, to: rests, on: back}]}
  lamp: {states: [dark, lit], events: {light: {}}, transitions: [
    {from: dark, to: lit, on: light, if: trolley is rests}, {from: lit, to: dark, on: trolley.go},
    {from: lit, to: dark, on: trolley.skip}]}
requirements:
  R1: {text: it stays dark, never: lamp is lit, from: trolley is first, until: trolley is rests}
"""


def test_where_a_window_has_not_opened_nothing_comes_about_in_it() -> None:
    counts: Counter[str] = Counter()
    held_against_the_whole(read(BYPASS), "bypass", counts)
    assert counts["gone"], counts
    assert counts["all arise"], counts


MOMENT = """
safetymodel: 1
title: A saw that stops when its hood is lifted, and rings a bell
subsystems:
  hood: {states: [shut, lifted], events: {lift: {}, drop: {}}, transitions: [
    {from: shut, to: lifted, on: lift}, {from: lifted, to: shut, on: drop}]}
  saw: {states: [still, turns], events: {go: {}}, transitions: [
    {from: still, to: turns, on: go, if: hood is shut and bell is quiet}, {from: turns, to: still, if: hood is lifted}]}
  bell: {states: [quiet, rings], events: {hush: {}}, transitions: [
    {from: quiet, to: rings, if: hood is lifted and saw is turns}, {from: rings, to: quiet, on: hush}]}
  lamp: {states: [dark, lit], events: {light: {}, out: {}}, transitions: [
    {from: dark, to: lit, on: light, if: saw is still and alarm is quiet}, {from: lit, to: dark, on: out},
    {from: lit, to: dark, on: alarm.ring}]}
  alarm: {states: [quiet, rings], events: {ring: {}}, transitions: [{from: quiet, to: rings, on: ring}]}
requirements:
  R1: {text: it does not turn under a lifted hood, never: saw is turns and hood is lifted, from: lamp is dark|lit}
  R2: {text: the lamp stays dark after an alarm, never: lamp is lit,
    from: saw is turns and hood is lifted or alarm is rings}
"""


def test_moments_do_not_begin_or_break_what_settled_states_do() -> None:
    found = effects_of(MOMENT)
    lamp = found["lamp: dark -> lit on lamp.light without `saw is still`"]
    assert not lamp.noticed
    held_against_the_whole(read(MOMENT), "moment", Counter())


def test_logic_that_can_go_round_for_ever() -> None:
    told = {change_text(read(TWINS), effect.change): one for effect, one, _ in told_alone(read(TWINS))}
    assert told["lamp: dark -> lit without `wet_b`"].chatters


def held_against_the_whole(system: System, about: str, counts: Counter[str]) -> None:
    for effect, told, missing in told_alone(system, counts):
        why = f"{about}: {effect}"
        after = {n.requirement.name: n.after for n in effect.notices}
        if told.decided:
            counts["noticed" if told.noticed else "not noticed"] += 1
            assert told.noticed == effect.noticed, why
            assert told.found.keys() <= after.keys(), why
            assert effect.chatters or not told.chatters, why
        else:
            counts["open"] += 1
        for name, may in missing.items():
            counts["shown"] += not may
            assert may or after.get(name) != "empty", f"{why}: {name}"


def test_each_change_of_small_specs_alone() -> None:
    counts: Counter[str] = Counter()
    alike = TWINS.replace("not tank is empty", "tank is full")
    for text in (PUMP, TWINS, alike, JAM, TRIPLE, FAR, TRAP):
        held_against_the_whole(read(text), text, counts)
    assert counts["noticed"] > 30, counts
    assert counts["not noticed"] > 10, counts


def test_each_change_of_random_specs_alone() -> None:
    counts: Counter[str] = Counter()
    for seed in range(40):
        text = random_spec(random.Random(seed))
        system = read(twin_channels(text) if seed % 2 else text)
        if not max(r.withstand for r in system.requirements) or len(system.faults) <= 3:
            held_against_the_whole(system, str(seed), counts)
    assert counts["noticed"] > 70, counts
    assert counts["not noticed"] > 150, counts
    assert counts["shown"] > 600, counts
    assert counts["gone"] > 20, counts
    assert counts["all arise"] > 100, counts
