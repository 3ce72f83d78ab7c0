"""Numbers of faults on random trees: against counting all 2^n cases, finite differences and a second average."""

from __future__ import annotations

from fractions import Fraction
from itertools import product
from math import exp, prod

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from safetymodel.faults import averages
from safetymodel.faults.common_cause import Group, event_data, with_common_causes
from safetymodel.faults.diagram import SetsDiagram
from safetymodel.faults.rates import EventData, average_probability, simple_probability
from safetymodel.faults.top import importances, min_cut_bound, minimal, rare_event_sum, top_exact, top_probability

Sets = tuple[frozenset[str], ...]
EVENTS = "abcdefg"


def cases(q: dict[str, Fraction]) -> list[tuple[frozenset[str], Fraction]]:
    """Every choice of events that are there, with its probability."""
    names = sorted(q)
    found = []
    for there in product((False, True), repeat=len(names)):
        chance = prod((q[n] if t else 1 - q[n] for n, t in zip(names, there, strict=True)), start=Fraction(1))
        found.append((frozenset(n for n, t in zip(names, there, strict=True) if t), chance))
    return found


def counted(sets: Sets, q: dict[str, Fraction]) -> Fraction:
    return sum((chance for there, chance in cases(q) if any(one <= there for one in sets)), start=Fraction(0))


families = st.lists(st.frozensets(st.sampled_from(EVENTS), min_size=1, max_size=4), min_size=1, max_size=9).map(minimal)
chances = st.fixed_dictionaries({e: st.fractions(0, 1, max_denominator=50) for e in EVENTS})


@settings(max_examples=60, deadline=None)
@given(families, chances)
def test_the_exact_value_is_the_count_of_all_cases(sets: Sets, q: dict[str, Fraction]) -> None:
    assert top_exact(sets, q) == counted(sets, q)


@settings(max_examples=60, deadline=None)
@given(families, chances)
def test_bounds_hold_in_their_order(sets: Sets, q: dict[str, Fraction]) -> None:
    exact = top_exact(sets, q)
    largest = max(prod((q[e] for e in one), start=Fraction(1)) for one in sets)
    assert largest <= exact <= min_cut_bound(sets, q) <= min(1, rare_event_sum(sets, q))
    floats = top_probability(sets, {e: float(p) for e, p in q.items()})
    assert floats.exact == pytest.approx(float(exact), rel=1e-12, abs=1e-300)
    assert floats.min_cut == pytest.approx(float(min_cut_bound(sets, q)), rel=1e-12, abs=1e-300)


@settings(max_examples=25, deadline=None)
@given(families, chances)
def test_birnbaum_is_a_difference(sets: Sets, q: dict[str, Fraction]) -> None:
    """The top is linear in each probability, so any finite difference is the derivative; here in exact fractions."""
    diagram = SetsDiagram(sets)
    found = diagram.sensitivity(q)
    assert set(found) == {e for one in sets for e in one}
    for event, gain in found.items():
        up, down = q | {event: Fraction(3, 4)}, q | {event: Fraction(1, 4)}
        assert gain == (counted(sets, up) - counted(sets, down)) * 2


@settings(max_examples=40, deadline=None)
@given(families, chances)
def test_fussell_vesely_is_a_share_of_the_cases(sets: Sets, q: dict[str, Fraction]) -> None:
    top = counted(sets, q)
    for found in importances(sets, {e: float(p) for e, p in q.items()}):
        part = counted(tuple(s for s in sets if found.event in s), q)
        assert found.fussell_vesely == pytest.approx(float(part / top) if top else 0.0, rel=1e-9, abs=1e-12)


@settings(max_examples=40, deadline=None)
@given(families, chances, st.sampled_from((0.02, 0.1, 0.5)))
def test_common_causes_are_the_split_of_the_members(sets: Sets, q: dict[str, Fraction], beta: float) -> None:
    """The same tree with "a or G" in the place of a, counted over all cases."""
    groups = [Group("G", ("a", "b", "c"), beta)]
    split, counting = with_common_causes(sets, groups)
    data = {e: EventData(probability=float(p)) for e, p in q.items()}
    events = event_data(data, counting, sorted({e for one in sets for e in one}))
    chance = {e: Fraction(d.probability or 0.0) for e, d in events.items()}
    members = set("abc") if counting else set()
    expected = Fraction(0)
    for there, weight in cases(chance):
        down = there | (members if "G" in there else set())
        expected += weight * any(one <= down for one in sets)
    assert float(top_exact(split, chance)) == pytest.approx(float(expected), rel=1e-12, abs=1e-300)


# -- averages over time -------------------------------------------------------------------------------------

rates = st.sampled_from((0.0, 1e-8, 1e-6, 5e-6, 2e-5))
numbers = st.one_of(
    st.builds(
        EventData,
        rate=rates,
        proof_test=st.sampled_from((8_760.0, 20_000.0, 175_200.0)),
        coverage=st.sampled_from((0.0, 0.6, 0.99)),
        diagnostic_test=st.sampled_from((24.0, 2_000.0)),
    ),
    st.builds(EventData, probability=st.sampled_from((0.0, 1e-4, 0.3, 1.0))),
)
few = st.lists(st.frozensets(st.sampled_from("abcd"), min_size=1, max_size=3), min_size=1, max_size=5).map(minimal)


@settings(max_examples=60, deadline=None)
@given(few, st.fixed_dictionaries(dict.fromkeys("abcd", numbers)))
def test_the_simple_formulas_are_never_less(sets: Sets, data: dict[str, EventData]) -> None:
    at = averages.moments(data)
    diagram = SetsDiagram(sets)
    chance = {e: simple_probability(d) for e, d in data.items()}
    exact = averages.average_frequency(diagram, data, at)
    by_set = [averages.set_frequency(sorted(one), data, at) for one in sets]
    simple = [averages.simple_set_frequency(sorted(one), data, chance) for one in sets]
    slack = 1 + 1e-9
    assert all(one <= other * slack for one, other in zip(by_set, simple, strict=True))
    assert exact <= sum(by_set) * slack
    top = averages.average_top(diagram, at)
    assert top <= at.average(min_cut_bound(sets, at.values)) * slack
    assert top <= sum(averages.set_probability(sorted(one), at) for one in sets) * slack


@settings(max_examples=60, deadline=None)
@given(st.fixed_dictionaries(dict.fromkeys("ab", numbers)))
def test_one_event_has_its_own_average(data: dict[str, EventData]) -> None:
    at = averages.moments(data)
    assert at.weights.sum() == pytest.approx(1, rel=1e-12)
    for event, number in data.items():
        found = averages.set_probability([event], at)
        assert found == pytest.approx(average_probability(number), rel=1e-6, abs=1e-15) or number.coverage > 0
        # a part that is found and a part that is not may be tested together: then they are not independent in time
        assert found == pytest.approx(average_probability(number), rel=0.1, abs=1e-15)


def test_two_that_are_tested_together() -> None:
    """The average of (l t)^2 over the interval is (l T)^2 / 3, not the (l T / 2)^2 of two averages."""
    data = {e: EventData(rate=1e-9, proof_test=8_760.0) for e in "ab"}
    at = averages.moments(data)
    x = 1e-9 * 8_760
    assert averages.set_probability("ab", at) == pytest.approx(x * x / 3, rel=1e-4)
    assert averages.set_frequency("ab", data, at) == pytest.approx(1e-18 * 8_760, rel=1e-4)
    # three: frequency l^3 T^2, and the simple formula gives the same where failures are rare
    three = {e: EventData(rate=1e-9, proof_test=8_760.0) for e in "abc"}
    at = averages.moments(three)
    chance = {e: simple_probability(d) for e, d in three.items()}
    assert averages.set_frequency("abc", three, at) == pytest.approx(1e-27 * 8_760**2, rel=1e-4)
    assert averages.simple_set_frequency("abc", three, chance) == pytest.approx(1e-27 * 8_760**2, rel=1e-12)


def test_one_and_two_channels_are_iec_62061() -> None:
    """Architectures C and D come out of the sets; formulas from memory, check against the printed standard."""
    from safetymodel.faults.channels import architecture_c, architecture_d

    part = EventData(rate=1e-6, coverage=0.9, diagnostic_test=24)
    data = dict.fromkeys("ab", part)
    chance = {e: simple_probability(part) for e in "ab"}
    assert averages.simple_set_frequency("a", data, chance) == pytest.approx(architecture_c([(1e-6, 0.9)]).value)
    sets, counting = with_common_causes((frozenset("ab"),), [Group("G", ("a", "b"), 0.05)])
    events = event_data(data, counting, "ab")
    total = 0.0
    for one in sets:
        chance = {e: simple_probability(d) for e, d in events.items()}
        total += averages.simple_set_frequency(sorted(one), events, chance)
    assert total == pytest.approx(architecture_d((1e-6, 0.9), (1e-6, 0.9), 0.05, 175_200, 24).value, rel=1e-12)
    assert total == pytest.approx(6.5831e-8, rel=5e-5)


def test_the_average_against_a_plain_sum_over_time() -> None:
    data = {
        "a": EventData(rate=2e-5, proof_test=20_000),
        "b": EventData(rate=1e-5, proof_test=60_000, coverage=0.5, diagnostic_test=4_000),
        "c": EventData(probability=0.2),
    }
    sets = minimal([{"a", "b"}, {"b", "c"}])
    at = averages.moments(data)
    steps, total, often = 200_000, 0.0, 0.0
    for n in range(steps):
        t = (n + 0.5) / steps * 60_000
        a = 1 - exp(-2e-5 * (t % 20_000))
        b = 1 - exp(-5e-6 * t) * exp(-5e-6 * (t % 4_000))
        total += b * (1 - (1 - a) * 0.8)
        often += 2e-5 * (1 - a) * b * 0.8 + 1e-5 * (1 - b) * (1 - (1 - a) * 0.8)
    assert not at.averaged
    assert averages.average_top(SetsDiagram(sets), at) == pytest.approx(total / steps, rel=1e-5)
    assert averages.average_frequency(SetsDiagram(sets), data, at) == pytest.approx(often / steps, rel=1e-5)


def test_unrelated_tests_multiply_their_averages() -> None:
    data = {
        "a": EventData(rate=1e-6),
        "b": EventData(rate=1e-5, proof_test=8.0),
        "c": EventData(rate=2e-5, proof_test=8.0),
        "d": EventData(rate=1e-6, proof_test=50_000.0),
    }
    at = averages.moments(data)
    assert not at.averaged
    q = {e: average_probability(d) for e, d in data.items()}
    assert averages.set_probability("b", at) == pytest.approx(4e-5, rel=1e-4)
    assert averages.set_probability("ab", at) == pytest.approx(q["a"] * q["b"], rel=1e-6)
    assert averages.set_probability("ad", at) == pytest.approx(q["a"] * q["d"], rel=1e-6)
    assert averages.set_probability("bc", at) == pytest.approx(q["b"] * q["c"] * 4 / 3, rel=1e-3)


def test_very_many_kinds_of_intervals_end_in_averages() -> None:
    data = {f"e{n}": EventData(rate=1e-6, proof_test=1_000.0 + 7.3 * n) for n in range(12)}
    at = averages.moments(data)
    assert at.averaged
    assert at.weights.size <= averages.MOST_MOMENTS
    for event, number in data.items():
        assert averages.set_probability([event], at) == pytest.approx(average_probability(number), rel=1e-9)
