"""Who notices a change: all changes at once, held against one verification for each."""

from __future__ import annotations

import random
import re
from collections import Counter
from pathlib import Path

import pytest
from random_systems import random_spec

from safetymodel.claims.clock import Clock
from safetymodel.explore.choice import explore
from safetymodel.explore.engine import LimitReached, going_round
from safetymodel.insight.necessity.alone import Alone
from safetymodel.insight.necessity.altered import Altered
from safetymodel.insight.necessity.changes import changes_of
from safetymodel.insight.necessity.effects import Necessity
from safetymodel.insight.necessity.mirrors import mirrors_of, with_mirrors
from safetymodel.insight.necessity.search import necessity
from safetymodel.insight.necessity.sentences import effect_sentence, mirrored_sentences, summary
from safetymodel.insight.necessity.variants import changed_system
from safetymodel.insight.necessity.verdicts import Told
from safetymodel.insight.standing import RANK, word_of
from safetymodel.model.build import load, load_text
from safetymodel.model.formula import TRUE
from safetymodel.model.step import can_move
from safetymodel.model.system import System
from safetymodel.traces.wording import formula_text

SPECS = Path(__file__).resolve().parent.parent / "specs"


def words_of(system: System, engine: str = "auto") -> dict[str, str]:
    budgets = sorted({0, *(r.withstand for r in system.requirements)})
    spaces = explore(system, budgets, engine).spaces  # type: ignore[arg-type]
    return {r.name: word_of(spaces[r.withstand], r) for r in system.requirements}


def twin_channels(text: str) -> str:
    """The text with a further signal beside the first, which has a fault: it reads the same, and conditions ask it."""
    reads = re.search(r"^  s0: (\{reads: .*\})$", text, re.MULTILINE)
    if reads is None or "faults:" not in text:
        return text
    text = text.replace(reads[0], f"{reads[0]}\n  twin: {reads[1]}")
    text = text.replace("faults:", "faults:\n  torn_off: {signal: s0, stuck: false}", 1)
    return re.sub(r"\bif: ([^,}()]*\bs0\b[^,}()]*)([,}])", r"if: (\1) and twin\2", text)


def compared(seed: int) -> Counter[str]:
    text = random_spec(random.Random(seed))
    system, _ = load_text(twin_channels(text) if seed % 2 else text, "random.yaml")
    assert system is not None
    found: Counter[str] = Counter()
    budgets = sorted({0, *(r.withstand for r in system.requirements)})
    spaces = explore(system, budgets).spaces
    if max(space.size(space.reached) for space in spaces.values()) > 400:
        return found
    mirrored = with_mirrors(system, mirrors_of(system)) if max(budgets) else system
    found["mirrored faults"] += len(mirrored.faults) - len(system.faults)
    plain, before = words_of(system), words_of(mirrored)
    kept = {name for name in plain if RANK[before[name]] < RANK[plain[name]]}
    found["asked without them"] += len(kept)
    before.update({name: plain[name] for name in kept})
    whole = explore(mirrored, (budgets[-1],), "product").spaces[budgets[-1]]
    goes_round = not whole.is_empty(going_round(whole, whole.transient))
    all_of_them = {e.change.number: e for e in necessity(spaces, everything=True).effects}
    quickly = {e.change.number: e for e in necessity(spaces, everything=False).effects}
    for change in changes_of(system):
        after = words_of(changed_system(mirrored, change), "product")
        if kept:
            without = words_of(changed_system(system, change), "product")
            after.update({name: without[name] for name in kept})
        worse = {
            name: word for name, word in after.items() if before[name] != "broken" and RANK[word] < RANK[before[name]]
        }
        got = {n.requirement.name: n.after for n in all_of_them[change.number].notices}
        assert got == worse, f"{seed}: {change}"
        quick = quickly[change.number]
        assert quick.known
        whole = explore(changed_system(mirrored, change), (budgets[-1],), "product").spaces[budgets[-1]]
        chatters = not whole.is_empty(going_round(whole, whole.transient))
        brings = chatters and not goes_round
        assert all_of_them[change.number].chatters == brings, f"{seed}: {change}"
        assert bool(quick.notices) == bool(worse) or quick.chatters, f"{seed}: {change}"
        assert brings or not quick.chatters, f"{seed}: {change}"
        found["chatter"] += quick.chatters
        assert all(n.requirement.name in worse for n in quick.notices)
        assert quick.differs or not worse
        if quick.trace is not None:
            t = mirrored.transitions[change.transition]
            other = changed_system(mirrored, change).transitions[change.transition]
            end = quick.trace.end
            if change.kind != "late":
                assert can_move(mirrored, end, t) != can_move(mirrored, end, other)
            found["traces"] += 1
        found[change.kind] += 1
        found["noticed"] += bool(worse)
        found["no difference"] += not quick.differs
    return found


def test_random_specs() -> None:
    found: Counter[str] = Counter()
    for seed in (*range(24), 27, 40, 120):  # 27 and 40: chatter; 120: a `possible` that faults from the start keep away
        found += compared(seed)
    assert min(found[kind] for kind in ("part", "removed", "negated", "late")) >= 40
    assert found["noticed"] >= 70
    assert found["no difference"] >= 30
    assert found["traces"] >= 30
    assert found["mirrored faults"] >= 5
    assert found["chatter"] >= 4


def hatch(everything: bool | None = None) -> Necessity:
    system, problems = load(str(SPECS / "two-door-hatch.yaml"))
    assert system is not None, problems
    budgets = sorted({0, *(r.withstand for r in system.requirements)})
    return necessity(explore(system, budgets).spaces, everything=everything)


def test_parts_are_told_by_what_they_say() -> None:
    found = hatch()
    parts = {formula_text(found.system, e.change.part) for e in found.of_kind("part") if e.change.part is not None}
    assert "inner_shut" in parts
    assert 0 < found.noticed_parts <= found.parts
    assert all(e.known for e in found.effects)


PUMP = """
safetymodel: 1
title: A pump that is kept from running dry
subsystems:
  tank: {states: [full, empty], events: {drain: {}, fill: {}}, transitions: [
    {from: full, to: empty, on: drain, physically: pump is running}, {from: empty, to: full, on: fill}]}
  cover: {states: [shut, open], events: {lift: {}, close: {}}, transitions: [
    {from: shut, to: open, on: lift}, {from: open, to: shut, on: close}]}
  pump: {states: [still, running], events: {start: {}, stop: {}}, transitions: [
    {from: still, to: running, on: start, if: wet and covered and wet},
    {from: running, to: still, on: stop},
    {from: running, to: still, if: not wet}]}
signals: {wet: {reads: tank is full}, covered: {reads: cover is shut}}
requirements:
  R1: {text: it does not run dry, never: pump is running and tank is empty}
  R2: {text: it can run, possible: pump is running}
"""


def test_a_missing_requirement_and_a_redundant_part() -> None:
    system, problems = load_text(PUMP, "pump.yaml")
    assert system is not None, problems
    found = necessity(explore(system, (0,)).spaces)
    said = [effect_sentence(system, e) for e in found.of_kind("part")]
    start = "pump: still -> running on pump.start without"
    nobody = "nobody asked for this: redundant, or a requirement is missing."
    same = "It makes no difference in any situation that can come about under these faults."
    assert said == [
        f"{start} `wet`: {nobody} {same}",
        f"{start} `covered`: {nobody} After the run shown (1 happening) it can happen, and could not before.",
        f"{start} `wet`: {nobody} {same}",
        "pump: running -> still without `not wet`: noticed by R1 (reacts, then empty) and R2 (holds, then broken).",
    ]
    assert [s.split(" (")[0] for s in summary(found)][:2] == [
        "1 of 4 parts of the conditions is noticed when left out",
        "2 of the others make no difference in any situation that can come about under these faults.",
    ]
    (covered,) = (e for e in found.of_kind("part") if e.trace is not None)
    assert covered.trace is not None
    assert [step.kind for step in covered.trace.steps] == ["event"]
    removed = [e.change.transition for e in found.of_kind("removed") if e.notices]
    assert len(removed) >= 2  # the start of the pump, and its reaction


TWINS = """
safetymodel: 1
title: A pump with two floats
subsystems:
  tank: {states: [full, empty], events: {drain: {}, fill: {}}, transitions: [
    {from: full, to: empty, on: drain, physically: pump is running}, {from: empty, to: full, on: fill}]}
  pump: {states: [still, running], events: {start: {}, stop: {}}, transitions: [
    {from: still, to: running, on: start, if: wet_a and wet_b},
    {from: running, to: still, on: stop},
    {from: running, to: still, if: not (wet_a and wet_b)}]}
  lamp: {states: [dark, lit], transitions: [{from: dark, to: lit, if: wet_b}, {from: lit, to: dark, if: not wet_b}]}
signals: {wet_a: {reads: tank is full}, wet_b: {reads: not tank is empty}, wet_c: {reads: tank is full}}
faults: {float_hangs: {signal: wet_a, stuck: true}, lamp_floats: {signal: wet_c, stuck: false}}
requirements:
  R1: {text: it does not run dry, never: pump is running and tank is empty, withstand: 1}
  R2: {text: it can run, possible: pump is running}
  R3: {text: the lamp tells, cause: tank is empty, effect: lamp is dark, within: reaction, withstand: 1}
"""


def test_faults_of_one_channel_are_looked_at_in_its_twin_as_well() -> None:
    alike = TWINS.replace("not tank is empty", "tank is full")
    for text, twins in ((TWINS, 2), (alike, 4)):
        system, problems = load_text(text, "pump.yaml")
        assert system is not None, problems
        assert len(mirrors_of(system)) == twins
        found = necessity(explore(system, (0, 1)).spaces)
        parts = {formula_text(system, e.change.part): e for e in found.of_kind("part") if e.change.part is not None}
        stops = [e for e in found.of_kind("part") if "running -> still without" in effect_sentence(found.system, e)]
        # what the second float stops is noticed when the first can hang; the other way round if the second can hang too
        assert [bool(e.notices) for e in stops] == [twins == 4, True]
        # the lamp reads one float alone: when that hangs R3 breaks, so it is asked without the mirrored faults
        assert found.unmirrored == (("R3",) if twins == 4 else ())
        assert parts["not wet_b"].known
        told = " ".join(mirrored_sentences(found))
        assert ("float_hangs in wet_b" in told) == (twins == 4)
        assert ("R3 did not pass with these" in told) == (twins == 4)


def test_chatter_is_told_apart() -> None:
    system, problems = load_text(TWINS, "pump.yaml")
    assert system is not None, problems
    found = necessity(explore(system, (0, 1)).spaces, everything=False)
    (dark,) = (e for e in found.of_kind("part") if "dark -> lit" in effect_sentence(system, e))
    assert dark.chatters
    assert dark not in found.unasked
    assert "go round for ever" in effect_sentence(system, dark)
    assert any("go round for ever" in sentence for sentence in summary(found))


def test_no_time_is_no_verdict() -> None:
    system, problems = load_text(PUMP, "pump.yaml")
    assert system is not None, problems
    found = necessity(explore(system, (0,)).spaces, clock=Clock(0.0))
    assert found.shortfall
    assert not any(e.known for e in found.effects)
    assert not found.unasked
    assert "not known" in effect_sentence(system, found.effects[0])
    told = list(summary(found))
    assert told[0] == "0 of 4 parts of the conditions are noticed when left out; of 4 it is not known."
    assert told[-1] == "Not everything is known: no time was left."


def test_what_is_known_when_time_is_up_is_kept() -> None:
    system, problems = load_text(PUMP, "pump.yaml")
    assert system is not None, problems
    found = necessity(explore(system, (0,)).spaces, rest=lambda: Clock(0.0))
    assert found.shortfall
    assert not found.unasked
    system, problems = load(str(SPECS / "two-door-hatch.yaml"))
    assert system is not None, problems
    calls, most = 0, 10**9

    class Counting(Clock):
        def check(self) -> None:
            nonlocal calls
            calls += 1
            if calls > most:
                raise LimitReached("enough")

    spaces = explore(system, (0, 1)).spaces
    everything = {e.change.number: e for e in necessity(spaces, everything=False, rest=Counting, runs=Clock).effects}
    calls, most = 0, calls * 9 // 10
    some = necessity(spaces, everything=False, rest=Counting, runs=Clock)
    known = [e for e in some.effects if e.known]
    assert 0 < len(known) < len(some.effects)
    assert all(bool(e.noticed) == bool(everything[e.change.number].noticed) for e in known)


def test_what_the_readme_says_of_the_table() -> None:
    text = (SPECS / "loading-bay.yaml").read_text(encoding="utf-8")
    more = "  R3: {text: nothing starts without it, permissive: relay is up, for: table is going_down}\n"
    for asked, noticed in ((text, False), (text.replace("  R2: {", more + "  R2: {"), True)):
        system, problems = load_text(asked, "loading-bay.yaml")
        assert system is not None, problems
        found = necessity(explore(system, (0,)).spaces)
        (start,) = (e for e in found.of_kind("part") if formula_text(system, e.change.part or TRUE) == "relay is up")
        assert bool(start.notices) == noticed


def test_most_is_told_without_exploring_anew(monkeypatch: pytest.MonkeyPatch) -> None:
    explored: list[int] = []
    told = Alone.told

    def counting(self: Alone, altered: Altered, may: frozenset[str]) -> Told:
        explored.append(altered.change.number)
        return told(self, altered, may)

    monkeypatch.setattr(Alone, "told", counting)
    monkeypatch.setattr("safetymodel.insight.necessity.jobs.look", None)
    found = hatch(everything=False)
    open_parts = [e for e in found.of_kind("part") if e.change.number in explored]
    assert found.parts == 13
    assert len(open_parts) <= 5
    assert explored  # where steps are taken away and there are new states it has to be
