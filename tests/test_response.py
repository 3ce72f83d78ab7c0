"""Response budgets: worked figures from outside, and the longest reaction against brute force."""

from __future__ import annotations

import random
from collections.abc import Callable, Collection, Iterator
from dataclasses import replace
from fractions import Fraction
from functools import partial
from itertools import combinations
from pathlib import Path

import networkx as nx
import pytest
from plain_walk import Walk
from test_defects import busy_system
from test_engines import random_system, small_walk

from safetymodel.claims.clock import Clock
from safetymodel.claims.judge import judge
from safetymodel.explore.choice import EngineName, explore
from safetymodel.explore.engine import Limits
from safetymodel.insight.distance import depth_at, distance_of, least_distance
from safetymodel.insight.influence import influence, mentioned
from safetymodel.insight.response import Budget, response_budgets
from safetymodel.insight.review import review
from safetymodel.model.build import load, load_text
from safetymodel.model.formula import AllOf, Formula, InState, Not
from safetymodel.model.state import State, initial_state
from safetymodel.model.step import Step, holds, steps
from safetymodel.model.system import Approach, Requirement, System
from safetymodel.span import NOWHERE

ENGINES: tuple[EngineName, ...] = ("product", "symbolic")
ROOT = Path(__file__).resolve().parent.parent


@pytest.mark.parametrize(
    ("milliseconds", "height", "needed"),
    [
        (35 + 485, 0, 2032),  # ISO 13855, worked example of a mat on the floor, as check-values.md has it (mark C)
        (300, 0, 1680),  # arithmetic from the formula of the same clause (mark X)
        (150, 100, 1400),  # likewise (mark X)
    ],
)
def test_a_mat_on_the_floor(milliseconds: int, height: float, needed: float) -> None:
    assert least_distance(Fraction(milliseconds), 1600, depth_at(height)) == pytest.approx(needed)
    found = distance_of(Approach(needed, NOWHERE, height=height), Fraction(milliseconds))
    assert found.needed == pytest.approx(needed)
    assert not distance_of(Approach(needed - 1, NOWHERE, height=height), Fraction(milliseconds)).suffices


def test_what_is_not_given_is_said() -> None:
    found = distance_of(Approach(3000, NOWHERE), Fraction(100))
    assert len(found.supposed) == 2
    assert found.suffices
    assert not distance_of(Approach(3000, NOWHERE, speed=1600, depth=850), Fraction(100)).supposed
    assert depth_at(1000) == 850  # value from memory, check against the printed standard
    assert any("1000 mm" in text for text in distance_of(Approach(3000, NOWHERE, height=1200), Fraction(1)).supposed)


def budgets_of(system: System, engine: EngineName, faults: int) -> tuple[Budget, ...]:
    spaces = explore(system, sorted({0, faults}), engine).spaces
    judged = tuple(judge(spaces[faults], r) for r in system.requirements)
    return response_budgets(spaces, judged, Clock(), Clock())


def with_responses(system: System, seed: int) -> System:
    """Some parts and switches with a response, of a few ms."""
    rng = random.Random(seed)

    def some() -> Fraction | None:
        return Fraction(rng.choice([1, 2, 5, 10])) if rng.random() < 0.7 else None

    return replace(
        system,
        subsystems=tuple(replace(s, response=some()) for s in system.subsystems),
        signals=tuple(replace(s, response=some()) for s in system.signals),
    )


def cost(system: System, parts: Collection[int], step: Step) -> Fraction:
    """What one step takes: the part that moves, and the slowest switch that its conditions read; of an event the
    other parts that it moves, and its own if that is a sensor; a tick as long as it is."""
    none = Fraction(0)
    if step.kind == "tick":
        return system.tick or none
    if step.kind == "event":
        own = system.events[step.number].subsystem
        moved = [system.subsystems[system.transitions[t].subsystem] for t in step.moved]
        counted = [s for s in moved if s.number in parts and (s.number != own or s.role == "sensor")]
        return max((s.response or none for s in counted), default=none)
    if step.kind not in ("reaction", "time"):
        return none
    t = system.transitions[step.number]
    if t.subsystem not in parts:
        return none
    read, todo = set[int](), [t.interlock, t.physical]
    while todo:
        _, new = mentioned([todo.pop()])
        todo += [system.signals[s].reads for s in new - read]
        read |= new
    switches = [system.signals[s].response or none for s in read]
    return (system.subsystems[t.subsystem].response or none) + max(switches, default=none)


def only_for_a_moment(walk) -> Iterator[Requirement]:  # type: ignore[no-untyped-def]
    """Claims that are true in every settled state and in some transient one are not."""
    settled = {pair for s in walk.settled for pair in combinations(enumerate(s.states), 2)}
    passing = {pair for s in walk.steps.keys() - walk.settled for pair in combinations(enumerate(s.states), 2)}
    for number, ((one, a), (other, b)) in enumerate(sorted(passing - settled)):
        effect = InState(other, (b,), negated=True)
        yield Requirement(number, f"Q{number}", "", "cause", InState(one, (a,)), NOWHERE, effect=effect)


def formulas_of(requirement: Requirement) -> tuple[Formula, ...]:
    return tuple(f for f in (requirement.subject, requirement.effect) if f is not None)


def lasting_states(system: System, walk: Walk, requirement: Requirement) -> set[State]:
    """The states that break it, or in which the cause has no effect."""
    if requirement.form == "cause":
        assert requirement.effect is not None
        cause, effect = requirement.subject, requirement.effect
        return {s for s in walk.steps if holds(system, s, cause) and not holds(system, s, effect)}
    wrong = requirement.subject if requirement.form == "never" else Not(requirement.subject)
    return {s for s in walk.steps if holds(system, s, wrong)}


def longest(walk: Walk, room: set[State], lasting: set[State], taken: Callable[[Step], Fraction]) -> Fraction | None:
    """What lasts longest: the costliest run through the room from a step into a lasting state to the last step out of
    one; None where it can be made costlier without end. Looked for from its end."""
    graph = nx.DiGraph()
    graph.add_nodes_from(room)
    for state in room:
        graph.add_edges_from((state, t.after) for t in walk.steps[state] if t.after in room)
    into = set[State]().union(*(nx.ancestors(graph, s) | {s} for s in lasting))
    first: dict[State, Fraction] = {}
    for state, offered in walk.steps.items():
        if state not in room or (state not in lasting and state not in walk.settled):
            for step in offered:
                if step.after in lasting:
                    begun = taken(step) if step.kind == "event" else Fraction(0)
                    first[step.after] = max(begun, first.get(step.after, Fraction(0)))
    start = initial_state(walk.system)
    if start in lasting:
        first.setdefault(start, Fraction(0))
    passed = into & set[State]().union(*(nx.descendants(graph, s) | {s} for s in first))
    groups = nx.condensation(graph.subgraph(passed))
    worth: dict[int, Fraction] = {}
    where = groups.graph["mapping"]
    for group in reversed(list(nx.topological_sort(groups))):
        ways = [Fraction(0)]
        for state in groups.nodes[group]["members"]:
            for step in walk.steps[state]:
                if step.after in passed and where[step.after] == group:
                    if taken(step):
                        return None
                elif step.after in passed:
                    ways.append(taken(step) + worth[where[step.after]])
                elif state in lasting:
                    ways.append(taken(step))
        worth[group] = max(ways)
    return max(begun + worth[where[state]] for state, begun in first.items())


@pytest.mark.parametrize("engine", ENGINES)
def test_the_longest_reaction_of_random_systems(engine: EngineName) -> None:
    looked = timed = 0
    for seed in range(80):
        system = with_responses(random_system(seed) if seed % 3 else busy_system(seed), seed)
        faults = min(seed % 2, len(system.faults))
        walk = small_walk(system, faults)
        if walk is None or len(walk.steps) > 1_500:
            continue
        system = replace(system, requirements=tuple(only_for_a_moment(walk))[:5])
        for budget in budgets_of(system, engine, faults):
            if budget.requirement.begins is not None:
                continue
            bad = lasting_states(system, walk, budget.requirement) - walk.settled
            assert budget.steps == longest(walk, bad, bad, lambda step: Fraction(step.kind == "reaction")), seed
            if budget.time is not None:
                parts = influence(system, formulas_of(budget.requirement)).subsystems
                assert budget.time == longest(walk, bad, bad, partial(cost, system, parts)), seed
                timed += 1
            _shows(system, budget, faults, seed)
            looked += 1
            if budget.time is not None:
                _in_a_window(system, budget, engine, faults, seed)
    assert looked > 20
    assert timed > 10


def _in_a_window(system: System, whole: Budget, engine: EngineName, faults: int, seed: int) -> None:
    """Watched only from some state on, it takes no longer, and the run is one of the model's."""
    claim = whole.requirement
    assert claim.effect is not None
    subject = AllOf((claim.subject, Not(claim.effect)))
    for part in system.subsystems:
        begins = InState(part.number, (len(part.states) - 1,))
        watched = replace(claim, form="never", subject=subject, effect=None, begins=begins)
        for budget in budgets_of(replace(system, requirements=(watched,)), engine, faults):
            assert whole.time is not None
            assert budget.time is not None
            assert budget.time <= whole.time, seed
            state = initial_state(system)
            assert budget.run is not None
            for step in budget.run.steps:
                assert step in tuple(steps(system, state, faults)), seed
                state = step.after


def _shows(system: System, budget: Budget, faults: int, seed: int) -> None:
    """The run is one of the model's, and its end costs what is said."""
    assert budget.run is not None
    state = initial_state(system)
    for step in budget.run.steps:
        assert step in tuple(steps(system, state, faults)), seed
        state = step.after
    parts = influence(system, formulas_of(budget.requirement)).subsystems
    shown = budget.run.steps[budget.begins :]
    if budget.time is None:
        assert len(shown) == budget.steps
    else:
        assert sum(cost(system, parts, step) for step in shown) == budget.time


def deadlines(system: System, rng: random.Random) -> Iterator[Requirement]:
    """Claims that some state is left in time, and has an approach."""
    places = [(s.number, state) for s in system.subsystems for state in range(len(s.states))]
    for number in range(14):
        (one, a), (other, b) = rng.sample(places, 2)
        effect = InState(other, (b,), negated=rng.random() < 0.5)
        approach = Approach(1000, NOWHERE)
        yield Requirement(
            number, f"Q{number}", "", "cause", InState(one, (a,)), NOWHERE, effect=effect, within=8, approach=approach
        )


def test_the_longest_wait_of_random_systems() -> None:
    looked = endless = 0
    for seed in range(56):
        system = with_responses(random_system(seed) if seed % 2 else busy_system(seed), seed)
        faults = min(seed % 2, len(system.faults))
        walk = small_walk(system, faults) if system.tick is not None else None
        if walk is None or len(walk.steps) > 1_500:
            continue
        system = replace(system, requirements=tuple(deadlines(system, random.Random(seed))))
        found = [budgets_of(system, engine, faults) for engine in ENGINES]
        for budget, other in zip(*found, strict=True):
            assert (budget.time, budget.doubt == "") == (other.time, other.doubt == ""), seed
            assert budget.missing == other.missing, seed
            if budget.word != "holds":
                assert budget.distance is not None
                assert budget.distance.suffices is not True
                continue
            lasting = lasting_states(system, walk, budget.requirement)
            if not lasting:
                assert budget.time is None or any(len(e.movers) > 1 for e in system.events), seed
                continue
            parts = influence(system, formulas_of(budget.requirement)).subsystems
            room = (lasting & walk.settled) | (walk.steps.keys() - walk.settled)
            expected = longest(walk, room, lasting, partial(cost, system, parts))
            if expected is None:
                assert "again and again" in budget.doubt, seed
                endless += 1
                continue
            assert budget.time == expected, seed
            _shows(system, budget, faults, seed)
            _shows(system, other, faults, seed)
            looked += 1
    assert looked > 25
    assert endless > 5


def test_the_loading_bay_is_32_mm_short() -> None:
    system, _ = load(str(ROOT / "specs" / "loading-bay.yaml"))
    assert system is not None
    found = review(system)
    (budget,) = found.response or ()
    assert budget.time == 520
    assert budget.distance is not None
    assert budget.distance.needed == pytest.approx(2032)
    assert found.short == (budget,)
    assert found.found
    nearer = load_text((ROOT / "specs" / "loading-bay.yaml").read_text().replace("2 m, height", "2.1 m, height"), "b")[
        0
    ]
    assert nearer is not None
    assert not review(nearer, parts=("response",)).found


SAW = """
safetymodel: 1
title: Saw
tick: 100 ms
subsystems:
  pad:
    role: sensor
    states: [clear, occupied]
    events: {step_on: {by: anyone}, step_off: {by: anyone}}
    transitions: [{from: clear, to: occupied, on: step_on}, {from: occupied, to: clear, on: step_off}]
  filter:
    states: [ok, seen, tripped]
    response: 10 ms
    transitions:
      - {from: ok, to: seen, if: not clear}
      - {from: seen, to: tripped, after: 200 ms}
      - {from: tripped, to: ok, if: clear}
  saw:
    role: actuator
    states: [still, turning]
    response: 100 ms
    events: {go: {by: sawyer}, halt: {by: sawyer}}
    transitions:
      - {from: still, to: turning, on: go, if: filter is ok}
      - {from: turning, to: still, on: halt}
      - {from: turning, to: still, if: filter is tripped}
  lamp:
    states: ["off", lit]
    transitions: [{from: "off", to: lit, if: filter is tripped}, {from: lit, to: "off", if: filter is ok}]
signals: {clear: {reads: pad is clear, response: 25 ms}}
requirements:
  R1:
    cause: pad is occupied
    effect: saw is still
    within: 200 ms
    approach: {distance: 1600 mm, height: 500 mm, speed: 2000 mm / s}
  R2: {possible: saw is turning}
"""


def saw(*changes: tuple[str, str]) -> Budget:
    """The budget of R1 after these changes of the text."""
    text = SAW
    for old, new in changes:
        assert text.count(old) == 1
        text = text.replace(old, new)
    system, problems = load_text(text, "saw.yaml")
    assert system is not None, problems
    return (review(system, parts=("response",)).response or ())[0]


def test_a_deadline_counts_the_reactions_before_in_and_after_its_wait() -> None:
    budget = saw()
    assert budget.ticks == 2
    # by hand: the pad's switch 25 + filter 10, the wait 200, filter 10, saw 100; the lamp makes no difference
    assert budget.time == 345
    assert budget.distance is not None
    assert budget.distance.needed == pytest.approx(2000 * 0.345 + 1000)
    assert budget.distance.suffices is False
    assert saw(("1600 mm, height", "1690 mm, height")).distance.suffices is True  # type: ignore[union-attr]
    assert saw(("speed: 2000 mm / s}", "speed: 2000 mm / s, stopping: 5 ms}")).time == 350


def test_a_time_that_is_missing_is_no_pass() -> None:
    far = ("1600 mm, height", "1700 mm, height")
    for given, name in (("    response: 10 ms\n", "filter"), (", response: 25 ms", "clear")):
        budget = saw((given, ""), far)
        assert budget.missing == (name,)
        assert budget.distance is not None
        assert budget.distance.suffices is None
        assert budget.unshown == f"no `response` of {name}"
    # too near on a part of the times is too near
    assert saw(("    response: 10 ms\n", ""), ("1600 mm, height", "1500 mm, height")).distance.suffices is False  # type: ignore[union-attr]


def test_without_any_time_nothing_is_shown() -> None:
    text = (ROOT / "specs" / "loading-bay.yaml").read_text()
    for given in ("    response: 485 ms\n", ", response: 20 ms", "    response: 15 ms                            #"):
        text = text.replace(given, "" if "#" not in given else "    #")
    system, _ = load_text(text, "bay.yaml")
    assert system is not None
    found = review(system, parts=("response",))
    (budget,) = found.response or ()
    assert budget.time is None
    assert budget.distance is not None
    assert budget.distance.suffices is None
    assert not found.found
    assert found.undecided == ("the distance of R1 (no `response` of relay, pad_clear and table)",)


def test_what_moves_at_the_same_instant_takes_its_response() -> None:
    tripping = ("- {from: ok, to: seen, if: not clear}", "- {from: ok, to: seen, on: pad.step_on}")
    budget = saw(tripping)
    assert budget.time == 10 + 200 + 10 + 100
    assert budget.run is not None
    assert budget.run.steps[budget.begins].kind == "event"
    assert saw(tripping, ("    response: 10 ms\n", "")).missing == ("filter",)
    # a sensor shows what happens so much later
    assert saw(("    role: sensor\n", "    role: sensor\n    response: 7 ms\n")).time == 352


RELAY = """  key:
    states: [a, b]
    events: {turn: {}}
    transitions: [{from: a, to: b, on: turn}, {from: b, to: a, on: turn}]
  relay:
    states: [a, b]
    response: 5 ms
    transitions: [{from: a, to: b, if: key is b}, {from: b, to: a, if: key is a}]
  lamp:
"""


def test_what_goes_on_meanwhile_without_end_has_no_longest_time() -> None:
    far = ("1600 mm, height", "3000 mm, height")
    held = (
        "- {from: turning, to: still, if: filter is tripped}",
        "- {from: turning, to: still, if: filter is tripped or (relay is b and filter is tripped)}",
    )
    budget = saw(("  lamp:\n", RELAY), held, far)
    assert budget.unshown == "no longest time is known: key.turn can happen again and again meanwhile"
    assert budget.time == 200
    # what only decides whether an event can happen takes no time away
    budget = saw(("  lamp:\n", RELAY), ("go, if: filter is ok}", "go, if: filter is ok and relay is b}"), far)
    assert budget.time == 345
    assert not budget.unshown


def test_a_requirement_that_is_never_broken_asks_for_its_stopping() -> None:
    locked = (
        (
            "    cause: pad is occupied\n    effect: saw is still\n    within: 200 ms\n",
            "    never: saw is turning and pad is occupied\n",
        ),
        ("to: occupied, on: step_on}", "to: occupied, on: step_on, physically: saw is still}"),
        ("on: go, if: filter is ok}", "on: go, if: pad is clear}"),
    )
    budget = saw(*locked)
    assert budget.word == "holds"
    assert budget.distance is not None
    assert budget.distance.suffices is None
    assert "`stopping`" in budget.unshown
    told = saw(*locked, ("speed: 2000 mm / s}", "speed: 2000 mm / s, stopping: 0 ms}"))
    assert told.time == 0
    assert told.distance is not None
    assert told.distance.suffices is True


def test_what_an_event_moves_together_takes_its_response_where_nothing_is_broken() -> None:
    never = ("    cause: pad is occupied\n    effect: saw is still\n    within: 200 ms\n",
             "    never: saw is turning and pad is occupied\n")  # fmt: skip
    at_once = (
        "- {from: turning, to: still, on: halt}",
        "- {from: turning, to: still, on: halt}\n      - {from: turning, to: still, on: pad.step_on}",
    )
    only_clear = ("on: go, if: filter is ok}", "on: go, if: pad is clear}")
    budget = saw(never, at_once, only_clear)
    assert budget.word == "holds"
    assert budget.time == 100
    assert saw(never, at_once, only_clear, ("    response: 100 ms\n", "")).missing == ("saw",)


def test_broken_empty_and_undecided_requirements_with_an_approach_are_listed() -> None:
    for change, word in (
        (("within: 200 ms", "within: 100 ms"), "broken"),
        (("cause: pad is", "cause: false and pad is"), "empty"),
    ):
        budget = saw(change, ("1600 mm, height", "3000 mm, height"))
        assert budget.word == word
        assert word in budget.unshown
        assert budget.time is None
    system, _ = load_text(SAW.replace("1600 mm, height", "3 m, height"), "saw.yaml")
    assert system is not None
    limited = review(system, parts=("response",), limits=Limits(states=3))
    assert [b.word for b in limited.response or ()] == ["undecided"]
    assert "the distance of R1 (the requirement is undecided)" in limited.undecided
    assert not limited.found


def test_in_a_window_only_what_is_watched_begins_it() -> None:
    text = """
safetymodel: 1
title: Slide
subsystems:
  slide:
    states: [back, middle, front]
    events: {jump: {}, move: {}, push: {}}
    transitions:
      - {from: back, to: front, on: jump}
      - {from: back, to: middle, on: move}
      - {from: middle, to: front, on: push}
  cam:
    states: [down, up]
    response: 10 ms
    transitions: [{from: down, to: up, on: slide.jump}, {from: down, to: up, on: slide.move}]
  stop:
    states: ["off", "on"]
    response: 50 ms
    transitions: [{from: "off", to: "on", if: slide is front and cam is up}]
requirements:
  R1: {never: slide is front and stop is off, from: slide is middle}
  R2: {never: slide is front and stop is off}
"""
    system, problems = load_text(text, "slide.yaml")
    assert system is not None, problems
    for engine in ENGINES:
        # the jump moves the cam too, which takes 10 ms; the push does not
        assert [b.time for b in budgets_of(system, engine, 0)] == [50, 60]


def test_fewer_faults_than_it_has_to_withstand_show_nothing() -> None:
    text = SAW.replace("1600 mm, height", "3 m, height").replace("within: 200 ms", "within: 200 ms\n    withstand: 1")
    system, _ = load_text(text + "faults: {clear_bridged: {signal: clear, stuck: false}}\n", "saw.yaml")
    assert system is not None
    for faults, suffices in ((None, True), (0, None)):
        (budget,) = review(system, faults, parts=("response",)).response or ()
        assert budget.distance is not None
        assert budget.distance.suffices is suffices


def test_parts_without_a_response_are_named() -> None:
    text = (ROOT / "specs" / "loading-bay.yaml").read_text().replace("    response: 485 ms\n", "")
    system, _ = load_text(text, "bay.yaml")
    assert system is not None
    (budget,) = review(system).response or ()
    assert budget.missing == ("table",)
    assert budget.time == 35
