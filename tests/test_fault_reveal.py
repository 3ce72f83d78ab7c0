"""Whether a fault makes itself known: held against strongly connected components of a plain walk."""

from __future__ import annotations

import random
from collections import Counter
from dataclasses import replace

import networkx as nx
import pytest
from plain_walk import Walk
from random_channels import channel_spec
from random_systems import random_spec
from test_fault_sets import random_system, spaces_of, walks_of

from safetymodel.faults.reveal import Reveal, demand_of, reveals
from safetymodel.model.build import load_text
from safetymodel.model.formula import Formula, InState, Not, SignalTrue
from safetymodel.model.state import State
from safetymodel.model.step import holds
from safetymodel.model.system import Fault, System


def some_indication(rng: random.Random, system: System) -> Formula:
    subsystem = rng.choice(system.subsystems)
    found: Formula = InState(subsystem.number, (rng.randrange(len(subsystem.states)),))
    if system.signals and rng.random() < 0.4:
        found = SignalTrue(rng.choice(system.signals).number)
    return Not(found) if rng.random() < 0.5 else found


def with_indications(system: System, seed: int) -> System:
    rng = random.Random(seed)
    faults = (replace(f, indications=tuple(some_indication(rng, system) for _ in range(2))) for f in system.faults)
    return replace(system, faults=tuple(faults))


def graph_of(walked: Walk, room: set[State]) -> nx.MultiDiGraph:
    """The steps inside a set of states, no fault striking."""
    graph = nx.MultiDiGraph()
    graph.add_nodes_from(room)
    for state in room:
        inside = (s for s in walked.steps[state] if s.kind != "fault" and s.after in room)
        graph.add_edges_from((state, s.after, s.kind) for s in inside)
    return graph


def staying(walked: Walk, graph: nx.MultiDiGraph) -> set[State]:
    """States of the graph where a run can stay for ever: in rounds that take time, in rounds of reactions, or
    where there is no time in any settled state."""
    found: set[State] = set()
    for part in nx.strongly_connected_components(graph):
        inside = [k for a, b, k in graph.edges(part, keys=True) if b in part]
        if "tick" in inside:
            found |= part
    reacting = nx.MultiDiGraph((a, b) for a, b, k in graph.edges(keys=True) if k == "reaction")
    for part in nx.strongly_connected_components(reacting):
        if len(part) > 1 or any(reacting.has_edge(s, s) for s in part):
            found |= part
    if walked.system.tick is None:
        found |= graph.nodes & walked.settled
    return found


def reachable(graph: nx.MultiDiGraph, starts: set[State]) -> set[State]:
    seen = {s for s in starts if s in graph}
    for start in list(seen):
        seen |= nx.descendants(graph, start)
    return seen


def expected_word(walked: Walk, fault: Fault) -> str:
    system = walked.system
    bit = 1 << fault.number
    up = {s for s in walked.steps if s.flags & bit}
    struck = {t.after for s in walked.steps for t in walked.steps[s] if t.kind == "fault"}
    if not struck:
        return "cannot strike"
    told = {s for s in up & walked.settled if any(holds(system, s, i) for i in fault.indications)}
    silent = graph_of(walked, up - told)
    quiet = reachable(silent, struck)
    reactions = silent.edge_subgraph([(a, b, k) for a, b, k in silent.edges(keys=True) if k == "reaction"])
    first = {s for s in struck if s in silent} | reachable(reactions, struck)
    endless = staying(walked, reactions) - walked.settled if reactions else set()
    if not first & walked.settled and not endless:
        return "at once"
    if not quiet & staying(walked, silent) and not endless:
        return "in time"
    demand = {s for s in up if holds(system, s, demand_of(system, fault))}
    if fault.kind == "jump":
        landed = {t.after for s in quiet & walked.settled for t in walked.steps[s] if t.kind == "jump"}
        after = {s for s in landed if s in silent} | reachable(reactions, landed)
        begun = after & walked.settled & demand
        demanded = any(t.kind == "jump" for s in up for t in walked.steps[s])
    else:
        begun = quiet & walked.settled & demand
        demanded = bool(demand)
    lasting = graph_of(walked, (up - told) & (demand | (up - walked.settled)))
    if demanded and not endless and not reachable(lasting, begun) & staying(walked, lasting):
        return "at demand"
    everything = reachable(graph_of(walked, up), struck)
    return "in some runs" if everything & told else "never"


@pytest.mark.parametrize("part", range(3))
def test_words_are_those_of_a_plain_walk(part: int) -> None:
    words: Counter[str] = Counter()
    for seed in range(part, 60, 3):
        system = with_indications(random_system(seed, channel_spec if seed % 4 == 3 else random_spec), seed)
        walks = walks_of(system, 1) if system.faults else None
        if walks is None:
            continue
        found = {name: reveals(space) for name, space in spaces_of(system, 1).items()}
        for fault in system.faults:
            expected = expected_word(walks[frozenset([fault.number])], fault)
            words[expected] += 1
            for name, all_of_them in found.items():
                assert all_of_them[fault.number].word == expected, f"seed {seed}, {name}, {fault.name}"
        assert found["product"] == found["symbolic"], seed
    assert len(words) >= 4, words


WATCHED = """
safetymodel: 1
title: Guard with a watched contactor
tick: 100 ms
subsystems:
  guard:
    states: [shut, open]
    events: {pull: {by: nurse}, push: {by: nurse}}
    transitions:
      - {from: shut, to: open, on: pull}
      - {from: open, to: shut, on: push}
  contactor:
    states: [out, in]
    transitions:
      - {from: out, to: in, if: guard_shut}
      - {from: in, to: out, if: not guard_shut}
  watch:
    states: [quiet, doubting, alarm]
    transitions:
      - {from: quiet, to: doubting, if: pulled and not guard_shut}
      - {from: doubting, to: quiet, if: not (pulled and not guard_shut)}
      - {from: doubting, to: alarm, if: pulled and not guard_shut, after: 300 ms}
  lamp:
    states: [dark, lit]
    transitions:
      - {from: dark, to: lit, if: alarmed}
signals:
  guard_shut: {reads: guard is shut}
  pulled: {reads: contactor is in}
  alarmed: {reads: watch is alarm, indicates: any}
faults:
  welded: {subsystem: contactor, stuck: in}
  switch_bridged: {signal: guard_shut, stuck: true}
  switch_broken: {signal: guard_shut, stuck: false, revealed_by: guard is shut and contactor is out}
  contact_lost: {signal: pulled, stuck: false}
  lamp_gone: {subsystem: lamp, stuck: dark, revealed_by: guard is open}
"""


def watched() -> dict[str, Reveal]:
    system, problems = load_text(WATCHED, "watched.yaml")
    assert system is not None, [p.as_text() for p in problems]
    return {system.faults[r.fault].name: r for r in reveals(spaces_of(system, 1)["symbolic"])}


def test_a_watched_contactor() -> None:
    found = watched()
    # the weld shows when the guard is opened, three ticks after; a guard that is shut again before does not count
    assert (found["welded"].word, found["welded"].wait) == ("at demand", 3)
    assert found["switch_bridged"].word == "never"  # nothing reads the guard another way
    assert found["contact_lost"].word == "never"
    # true of a shut guard before the logic has reacted, and never settled so without the fault
    assert found["switch_broken"].also_without == ()
    assert found["lamp_gone"].also_without == (0,)  # an open guard tells nothing of the lamp
    assert found["welded"].also_without == ()


def test_a_condition_indicates_as_a_signal_does() -> None:
    told = WATCHED.replace(", indicates: any", "").replace(
        "faults:\n",
        "conditions:\n  alarm: {means: watch is alarm, indicates: [welded, contact_lost], text: horn}\nfaults:\n",
    )
    system, problems = load_text(told, "watched.yaml")
    assert system is not None, [p.as_text() for p in problems]
    found = {system.faults[r.fault].name: r for r in reveals(spaces_of(system, 1)["symbolic"])}
    assert (found["welded"].word, found["welded"].wait) == ("at demand", 3)
    assert found["contact_lost"].word == "never"
    assert found["switch_bridged"].word == "undeclared"


def test_without_a_declared_indication_nothing_is_revealed() -> None:
    system, _ = load_text(WATCHED.replace(", indicates: any", ""), "watched.yaml")
    assert system is not None
    found = {system.faults[r.fault].name: r for r in reveals(spaces_of(system, 1)["product"])}
    assert found["welded"].word == "undeclared"
    assert not found["welded"].revealed
    assert found["welded"].demanded
