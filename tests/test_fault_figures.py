"""The numbers of a requirement: from a spec and its minimal fault sets to figures, and how they are shown."""

from __future__ import annotations

import csv
import io
import json
from itertools import product

import pytest

from safetymodel.faults.channels import architecture_c, architecture_d, category_pfhd
from safetymodel.faults.figures import Figures, event_of, figures_of, has_numbers
from safetymodel.faults.rates import MISSION_HOURS
from safetymodel.model.build import load_text
from safetymodel.model.system import System
from safetymodel.report.numbers import CSV_HEADINGS, figures_csv, figures_json, said_of_figures, scientific, supposed
from safetymodel.report.terminal import plain_lines

LIFE = 175_200.0


def system_of(faults: dict[str, str], more: str = "", form: str = "never") -> System:
    """A door whose signals fail in the given ways; the numbers are what is looked at here."""
    signals = "".join(f"  s_{name}: {{reads: door is shut}}\n" for name in faults)
    lines = "".join(f"  {n}: {{signal: s_{n}, stuck: true{', ' + w if w else ''}}}\n" for n, w in faults.items())
    text = (
        "safetymodel: 1\ntitle: T\nsubsystems:\n  door: {states: [shut, open], events: {pull: }, transitions: "
        f"[{{from: shut, to: open, on: pull}}]}}\nsignals:\n{signals}faults:\n{lines}"
        f"requirements:\n  R1: {{{form}: door is open}}\n{more}"
    )
    system, problems = load_text(text, "t.yaml")
    assert system is not None, problems
    return system


def figures(system: System, *sets: str, up_to: int = 2, complete: bool = True) -> Figures:
    """The figures for minimal sets that are written as `a b`."""
    numbers = {fault.name: fault.number for fault in system.faults}
    chosen = [tuple(sorted(numbers[name] for name in one.split())) for one in sets]
    return figures_of(system, system.requirements[0], chosen, up_to, complete)


def shown(found: Figures) -> str:
    return "\n".join(line for block in said_of_figures(found) for line in plain_lines(block))


def test_the_pressure_tank_from_a_spec() -> None:
    """NUREG-0492 (1981), chapter VIII, reduced tree; data from memory, check against the printed handbook."""
    chances = {"T": 5e-6, "K2": 3e-5, "S": 1e-4, "K1": 3e-5, "R": 1e-4, "S1": 3e-5}
    system = system_of({name: f"probability: {p} / demand" for name, p in chances.items()})
    found = figures(system, "T", "K2", "S K1", "S R", "S S1")
    assert found.probability is not None
    assert found.probability.exact == pytest.approx(3.501584875e-5, rel=1e-9)  # recomputed (check-values, mark X)
    assert found.probability.exact < (found.probability.min_cut or 0) < found.probability.rare_event
    assert found.frequency is None
    assert found.pfhd is None
    assert found.level is None
    assert [s.events for s in found.sets] == [("K2",), ("T",), ("R", "S"), ("K1", "S"), ("S", "S1")]
    assert sum(s.share for s in found.sets) == pytest.approx(1)
    assert "probability in the spec: K1, K2, R, S, S1, T" in " ".join(found.assumptions)


def test_one_channel_is_architecture_c() -> None:
    system = system_of({"a": "rate: 1.0e-6 / h, coverage: 90 %, diagnostic_test: 1 h", "b": "rate: 2.0e-7 / h"})
    found = figures(system, "a", "b")
    expected = architecture_c([(1e-6, 0.9), (2e-7, 0.0)]).value
    assert found.pfhd is not None
    assert found.pfhd.value == pytest.approx(expected)
    assert found.level == "d"
    assert found.frequency is not None
    assert found.frequency.exact is not None
    assert found.frequency.exact <= found.pfhd.value
    assert "leads to a safe state before the function is needed: a (0.9 of them, every 1 h)" in shown(found)


def test_one_bare_channel_is_the_column_of_category_b() -> None:
    system = system_of({"a": "rate: 1.9e-6 / h", "b": "rate: 1.905175e-6 / h"})
    found = figures(system, "a", "b")
    assert found.channels is not None
    assert found.channels.mttfd == pytest.approx(30, rel=1e-4)
    assert (found.channels.mttfd_word, found.channels.coverage_word, found.channels.category) == ("high", "none", "B")
    assert found.channels.estimate is not None
    # ISO 13849-1 table K.1, 30 years, column B/1; value from memory, check against the printed standard
    assert found.channels.estimate.value == pytest.approx(3.80e-6, rel=0.005)
    assert found.channels.level == "b"


def test_two_channels_are_architecture_d() -> None:
    one = "rate: 1.0e-6 / h, coverage: 90 %, diagnostic_test: 24 h"
    more = "common_causes:\n  heat: {faults: [a, b], beta: 5 %, text: heat in the box}\nmission_time: 20 years\n"
    system = system_of({"a": one, "b": one}, more)
    found = figures(system, "a b")
    assert found.pfhd is not None
    # IEC 62061 architecture D; formula from memory, check against the printed standard; figure recomputed (mark X)
    assert found.pfhd.value == pytest.approx(6.5831e-8, rel=5e-5)
    assert found.pfhd.value == pytest.approx(architecture_d((1e-6, 0.9), (1e-6, 0.9), 0.05, LIFE, 24).value)
    assert found.level == "e"
    assert [s.events for s in found.sets] == [("heat",), ("a", "b")]
    assert found.frequency is not None
    assert found.frequency.exact is not None
    assert 0.9 * found.pfhd.value < found.frequency.exact < found.pfhd.value
    assert found.channels is not None
    assert (found.channels.category, found.channels.coverage_word) == ("3", "medium")
    assert found.channels.estimate is not None
    assert found.channels.estimate.value == pytest.approx(category_pfhd("3", 1e6 / 8760, 0.9, 0.05).value, rel=1e-12)
    text = shown(found)
    assert "common cause heat: beta 0.05 of the mean of a, b" in text
    assert "mission time 20 years (in the spec)" in text
    assert "channel 2: MTTFd 114 years, DC 90%: b" in text


def test_b10d_with_cycles() -> None:
    # 60e6 cycles, 2,534,400 a year: 236.7 years (check-values, mark X)
    system = system_of({"a": "b10d: 6.0e7 cycles, cycles: 2534400 / year", "b": "b10d: 1.0e6 cycles, cycles: 12 / day"})
    number = event_of(system.faults[0], MISSION_HOURS)
    assert number is not None
    assert number.rate == pytest.approx(1 / (236.7 * 8760), rel=2e-4)
    other = event_of(system.faults[1], MISSION_HOURS)
    assert other is not None
    assert other.rate == pytest.approx(0.1 * 12 / 24 / 1e6)
    found = figures(system, "a")
    assert found.pfhd is not None
    assert found.pfhd.value == pytest.approx(number.rate or 0)
    assert "a: MTTFd 236.7 years" in shown(found)
    assert "replaced after 23.7 years" in shown(found)
    assert found.worn == ()


def test_a_part_that_wears_out_before_the_mission_ends_is_said() -> None:
    # T10d = B10d / nop = 2e6 / 876,000 = 2.28 years (ISO 13849-1, C.4.2; from memory), of a mission of 20
    worn = "b10d: 2.0e6 cycles, cycles: 100 / h"
    found = figures(system_of({"a": worn, "b": "rate: 1.0e-7 / h"}), "a b")
    assert [(name, round(years, 2)) for name, years in found.worn] == [("a", 2.28)]
    assert "to be replaced before the mission ends: a after 2.28 years (T10d)" in shown(found)
    assert "and no figure counts that this mends anything" in shown(found)
    assert "part is replaced" not in shown(found)  # it would contradict what stays until the end of the mission
    assert figures_json(found)["replace_before_mission_ends"][0]["fault"] == "a"
    assert figures(system_of({"a": worn}, "mission_time: 2 years\n"), "a").worn == ()


def test_a_figure_does_not_look_as_if_it_were_in_another_band() -> None:
    """PL e lies below 1e-7 (ISO 13849-1, table 3; from memory)."""
    edge = shown(figures(system_of({"a": "rate: 1e-6 / h, coverage: 90 %, diagnostic_test: 1 h"}), "a"))
    assert "PFHd by the simplified formulas: 1.00e-07 / h, in the band of PL d" in edge
    below = shown(figures(system_of({"a": "rate: 9.999e-8 / h"}), "a"))
    assert "PFHd by the simplified formulas: 9.999e-08 / h, in the band of PL e" in below
    share = "rate: 1.0e-6 / h, coverage: 89.6 %, diagnostic_test: 1 h"
    assert "DCavg 89.6% (low)" in shown(figures(system_of({"a": share}), "a"))
    assert "MTTFd 29.95 years (medium)" in shown(figures(system_of({"a": "rate: 3.8115e-6 / h"}), "a"))


def test_the_share_follows_from_the_column_before_it() -> None:
    more = "common_causes:\n  heat: {faults: [a, b], beta: 5 %}\n"
    rates = {"a": "rate: 3.0e-6 / h", "b": "rate: 2.0e-6 / h", "c": "rate: 1.0e-8 / h"}
    pair = figures(system_of(rates, more), "a b", "c")
    rows = [line.split("  ") for line in shown(pair).splitlines() if line.endswith("%")]
    cells = [[cell.strip() for cell in row if cell.strip()] for row in rows]
    assert len(cells) == 3
    whole = sum(float(cell[3]) for cell in cells)
    for cell in cells:
        assert float(cell[4].removesuffix("%")) == pytest.approx(100 * float(cell[3]) / whole, abs=0.3)
    assert "simplified  share of it" in shown(pair)
    chances = shown(figures(system_of({"a": "probability: 0.1 / demand"}), "a"))
    assert "probability  share of it" in chances


def test_where_the_simplified_formulas_do_not_hold() -> None:
    """l T = 6.7: half of it is no probability any more; the exact average is 0.851 (1 - (1 - exp(-x)) / x)."""
    found = figures(system_of({"a": "rate: 3.8052e-5 / h", "b": "rate: 1.14155e-6 / h"}), "a b")
    assert [(event, round(x, 2)) for event, x in found.stretched] == [("a", 6.67)]
    assert "the simplified formulas give too much here" in shown(found)
    assert "see a (6.7)" in shown(found)
    assert figures_json(found)["simplified_does_not_hold_for"][0]["event"] == "a"
    assert figures(system_of({"a": "rate: 1.0e-6 / h", "b": "rate: 1.0e-6 / h"}), "a b").stretched == ()
    assert figures(system_of({"a": "rate: 3.8052e-5 / h"}), "a").stretched == ()  # alone, no l T / 2 is in it


def test_a_proof_test_makes_it_better() -> None:
    rare = figures(system_of({"a": "rate: 1.0e-6 / h", "b": "rate: 1.0e-6 / h"}), "a b").pfhd
    often = "rate: 1.0e-6 / h, proof_test: 1 year"
    tested = figures(system_of({"a": often, "b": often}), "a b")
    assert rare is not None
    assert tested.pfhd is not None
    assert rare.value / tested.pfhd.value == pytest.approx(20)
    assert "proof test finds and mends these for certain: a (every 8760 h), b (every 8760 h)" in shown(tested)


def test_faults_without_numbers_are_not_passed_over() -> None:
    system = system_of({"a": "rate: 1.0e-6 / h", "b": "", "c": ""})
    found = figures(system, "a", "a b", "b c")
    assert found.missing == ("b", "c")
    assert found.left_out == (("a", "b"), ("b", "c"))
    assert found.frequency is not None
    assert found.pfhd is None
    assert found.level is None
    assert "without numbers: b, c (in 2 sets)" in shown(found)
    assert "figures are too small, and give no PFHd" in shown(found)
    nothing = figures(system, "b c")
    assert nothing.sets == ()
    assert "no figures: every minimal set has a fault without" in shown(nothing)
    assert "a safe" not in shown(nothing)


def test_no_sets_are_no_figure() -> None:
    system = system_of({"a": "rate: 1.0e-6 / h"})
    assert "no set of up to 2 faults defeats it; larger sets were not counted" in shown(figures(system))
    assert "no set of up to 1 fault defeats it" in shown(figures(system, up_to=1))
    assert "broken without any fault" in shown(figures(system, ""))
    assert figures_json(figures(system, "")) == {"id": "R1", "no_figures_because": "it is broken without any fault"}


def test_a_limit_is_said() -> None:
    system = system_of({"a": "rate: 1.0e-6 / h"})
    assert "there may be more sets" not in shown(figures(system, "a"))
    found = figures(system, "a", complete=False)
    assert "there may be more sets, so the figures may be too small, and give no PFHd" in shown(found)
    assert (found.pfhd, found.level, found.channels) == (None, None, None)
    nothing = shown(figures(system, complete=False))
    assert "undecided: a limit ended the search before any set was found" in nothing
    assert "no set of up to" not in nothing


def test_use_has_no_level() -> None:
    found = figures(system_of({"a": "rate: 1.0e-6 / h"}, form="possible"), "a")
    assert found.frequency is not None
    assert (found.pfhd, found.level) == (None, None)
    assert "lost availability" in shown(found)


def test_rates_and_probabilities_together() -> None:
    system = system_of({"a": "rate: 1.0e-6 / h", "b": "probability: 0.01 / demand", "c": "probability: 0.5 / demand"})
    mixed = figures(system, "a b")
    assert mixed.pfhd is not None
    assert mixed.pfhd.value == pytest.approx(1e-8)
    some = figures(system, "a b", "b c")
    assert some.pfhd is None  # the second set comes at demands, not in hours
    assert some.frequency is not None
    assert [s.frequency is None for s in some.sets] == [False, True]
    assert [s.share for s in some.sets] == [1.0, None]  # none of that figure, though of the probability it is most
    assert "not in this figure: b + c (no rate, only a probability for each demand)" in shown(some)
    assert any(line.split() == ["b", "+", "c", "5.00e-03", "-", "-", "-"] for line in shown(some).splitlines())
    assert "share" not in figures_json(some)["sets"][1]


def test_a_high_rate_has_no_level() -> None:
    found = figures(system_of({"a": "rate: 1.0e-3 / h"}), "a")
    assert found.pfhd is not None
    assert found.level is None
    assert "above all bands of PL" in shown(found)


def test_no_rate_at_all_in_a_spec() -> None:
    assert not has_numbers(system_of({"a": "", "b": ""}))
    assert has_numbers(system_of({"a": "", "b": "rate: 0 / h"}))
    zero = figures(system_of({"b": "rate: 0 / h"}), "b")
    assert zero.pfhd is not None
    assert zero.pfhd.value == 0
    assert zero.channels is None
    assert [s.share for s in zero.sets] == [0.0]


def test_as_json_and_csv() -> None:
    system = system_of({"a": "rate: 1.0e-6 / h", "b": "rate: 1.0e-6 / h", "c": ""})
    found = figures(system, "a b", "a c")
    data = json.loads(json.dumps(figures_json(found), allow_nan=False))
    assert data["sets"][0]["events"] == ["a", "b"]
    assert data["faults_without_numbers"] == ["c"]
    assert data["frequency_per_h"]["exact"] == found.frequency.exact if found.frequency else False
    assert "pfhd" not in data
    rows = list(csv.reader(io.StringIO(figures_csv([found, found]))))
    assert tuple(rows[0]) == CSV_HEADINGS
    assert len(rows) == 5
    assert all(len(row) == len(CSV_HEADINGS) for row in rows)
    assert float(rows[1][4]) == found.sets[0].frequency
    assert rows[2] == ["R1", "a c", "2", "", "", "", ""]


def test_every_assumption_is_shown() -> None:
    one = "rate: 1.0e-6 / h, coverage: 90 %, diagnostic_test: 24 h"
    found = figures(system_of({"a": one, "b": one}), "a b")
    text = shown(found)
    assert found.channels is not None
    assert found.channels.estimate is not None
    sentences = supposed(found)
    assert {*found.assumptions, *found.channels.estimate.assumptions} <= set(sentences)
    assert all(f"- {sentence}" in text for sentence in sentences)
    assert "safe." not in text


def test_long_lists_are_cut_in_the_terminal_only() -> None:
    system = system_of({f"f{n}": "rate: 1.0e-7 / h" for n in range(12)})
    pairs = [f"f{a} f{b}" for a, b in product(range(6), range(6, 12))]
    found = figures(system, *pairs)
    assert "and 16 sets more; JSON and CSV have all" in shown(found)
    assert len(figures_json(found)["sets"]) == 36
    assert found.channels is not None
    assert [len(c.faults) for c in found.channels.channels] == [6, 6]


@pytest.mark.parametrize(("value", "text"), [(0.0, "0"), (1.0, "1"), (3.501584875e-5, "3.50e-05"), (12.0, "1.20e+01")])
def test_figures_are_written_with_three_digits(value: float, text: str) -> None:
    assert scientific(value) == text
