"""Whether reactions can go on for ever, from any state: by groups of subsystems, and by all states."""

from __future__ import annotations

import random
from collections.abc import Callable

import pytest
from random_systems import random_chain, random_spec
from worded_specs import system_of

from safetymodel.explore.rounds import going_on, groups_of, some_round, together
from safetymodel.explore.symbolic import Symbolic


def test_those_that_lead_to_each_other() -> None:
    parts = together({1: {2}, 2: {3}, 3: {1, 4}, 4: {4}, 5: {1}})
    assert sorted(map(sorted, parts)) == [[1, 2, 3], [4], [5]]


@pytest.mark.parametrize("make", [random_spec, random_chain])
def test_random_reactions_go_round_where_those_of_all_states_do(make: Callable[[random.Random], str]) -> None:
    seen = {True: 0, False: 0}
    fewer = 0
    for seed in range(150):
        system = system_of(make(random.Random(seed)))
        budget = min(seed % 2, len(system.faults))
        encoding = Symbolic(system, budget).encoding
        everything = encoding.flags_at_most[budget] & encoding.transient
        left = going_on(encoding, everything, lambda: None) != encoding.decisions.false
        assert some_round(encoding, budget, lambda: None) == left, f"seed {seed}"
        seen[left] += 1
        automatic = sum(t.event is None for t in system.transitions)
        fewer += any(len(group) < automatic for group in groups_of(system))
    assert seen[False] >= 5
    assert fewer >= 5
    if make is random_spec:
        assert seen[True] >= 5


RING = """
safetymodel: 1
title: One follows the other, which turns away from it
subsystems:
  a:
    states: [low, high]
    transitions:
      - {from: low, to: high, if: b is high}
      - {from: high, to: low, if: b is low}
  b:
    states: [low, high]
    transitions:
      - {from: low, to: high, if: a is low}
      - {from: high, to: low, if: a is high}
"""


def test_some_go_round_only_together() -> None:
    system = system_of(RING)
    assert list(groups_of(system)) == [(0, 1, 2, 3)]
    assert some_round(Symbolic(system, 0).encoding, 0, lambda: None)
    alone = system_of(RING.replace("if: a is low", "if: b is low").replace("if: a is high", "if: b is low"))
    assert sorted(groups_of(alone)) == [(0, 1), (2, 3)]
    assert not some_round(Symbolic(alone, 0).encoding, 0, lambda: None)
