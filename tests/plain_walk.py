"""A plain walk over the reference step function, and verdicts read off it by brute force.

Written apart from explore/ and claims/, as slow and as simple as it can be: the tests compare the
engines with it on small systems.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Hashable, Iterator
from dataclasses import dataclass
from itertools import combinations

import networkx as nx

from safetymodel.model import formula as fm
from safetymodel.model.state import State, initial_state
from safetymodel.model.step import Step, holds, is_settled, steps
from safetymodel.model.system import Requirement, System


@dataclass
class Walk:
    system: System
    budget: int
    steps: dict[State, tuple[Step, ...]]
    settled: set[State]

    @property
    def counts(self) -> tuple[int, int]:
        """Settled states, all states."""
        return len(self.settled), len(self.steps)

    @property
    def edges(self) -> int:
        """Happenings out of settled states."""
        return sum(len(self.steps[s]) for s in self.settled)


def walk(system: System, budget: int, most: int = 200_000) -> Walk:
    """Every reached state with its steps."""
    start = initial_state(system)
    found: dict[State, tuple[Step, ...]] = {}
    queue = deque([start])
    seen = {start}
    while queue:
        state = queue.popleft()
        found[state] = tuple(steps(system, state, budget))
        for step in found[state]:
            if step.after not in seen:
                assert len(seen) < most, "too large for a plain walk"
                seen.add(step.after)
                queue.append(step.after)
    return Walk(system, budget, found, {s for s in found if is_settled(system, s)})


Memory = Hashable


def shortest(
    walked: Walk,
    first: Callable[[State], Memory],
    follow: Callable[[State, Memory, Step], Memory],
    breach: Callable[[State | None, Memory, Step | None, State, Memory], bool],
) -> tuple[int, int] | None:
    """Fewest happenings, then fewest faults, to a breach; None where there is none.

    ``breach`` is asked of every step (before, memory before, step, after, memory after), and of the
    start with None for what is before it.
    """
    start = initial_state(walked.system)
    memory = first(start)
    if breach(None, memory, None, start, memory):
        return 0, 0
    best: tuple[int, int] | None = None
    distance = {(start, memory): 0}
    queue = deque([(start, memory)])
    while queue:
        node = queue.popleft()
        state, memory = node
        here = distance[node]
        if best is not None and here > best[0]:
            continue
        for step in walked.steps[state]:
            new_memory = follow(state, memory, step)
            cost = here + (step.kind != "reaction")
            if breach(state, memory, step, step.after, new_memory):
                found = (cost, step.after.flags.bit_count())
                best = found if best is None else min(best, found)
            target = (step.after, new_memory)
            if target not in distance or cost < distance[target]:
                distance[target] = cost
                if step.kind == "reaction":
                    queue.appendleft(target)
                else:
                    queue.append(target)
    return best


def verdict(walked: Walk, requirement: Requirement) -> tuple[str, tuple[int, int] | None, int | None]:
    """(word, (happenings, faults) of a shortest counterexample, longest moment in reaction steps)."""
    form = requirement.form
    if form in ("never", "always") or (form == "cause" and requirement.within is None):
        return _invariant(walked, requirement)
    if form == "possible":
        return _possible(walked, requirement)
    if form == "always_possible":
        return _always_possible(walked, requirement)
    if form == "cause":
        return _deadline(walked, requirement)
    return _starts(walked, requirement)


def _is(walked: Walk, state: State, f: fm.Formula | None) -> bool:
    assert f is not None
    return holds(walked.system, state, f)


def _window(walked: Walk, requirement: Requirement):  # type: ignore[no-untyped-def]
    def entered(state: State, watching: bool) -> bool:
        if state not in walked.settled or requirement.begins is None:
            return watching
        if requirement.ends is not None and _is(walked, state, requirement.ends):
            return False
        return watching or _is(walked, state, requirement.begins)

    def first(state: State) -> bool:
        return entered(state, requirement.begins is None)

    def follow(_: State, watching: bool, step: Step) -> bool:
        return entered(step.after, watching)

    return first, follow


def _watched_states(walked: Walk, requirement: Requirement) -> set[State]:
    first, follow = _window(walked, requirement)
    start = initial_state(walked.system)
    seen = {(start, first(start))}
    todo = list(seen)
    while todo:
        state, watching = todo.pop()
        for step in walked.steps[state]:
            node = (step.after, follow(state, watching, step))
            if node not in seen:
                seen.add(node)
                todo.append(node)
    return {state for state, watching in seen if watching}


def _invariant(walked: Walk, requirement: Requirement) -> tuple[str, tuple[int, int] | None, int | None]:
    def bad(state: State, subject: fm.Formula = requirement.subject) -> bool:
        if requirement.form == "cause":
            return _is(walked, state, subject) and not _is(walked, state, requirement.effect)
        return holds(walked.system, state, subject) == (requirement.form == "never")

    first, follow = _window(walked, requirement)
    watched = _watched_states(walked, requirement)
    judged = watched if requirement.prevent else watched & walked.settled

    def to(targets: set[State]) -> tuple[int, int] | None:
        def breach(_a: object, _b: object, _c: object, state: State, watching: Memory) -> bool:
            return bool(watching) and state in targets

        return shortest(walked, first, follow, breach)

    if any(bad(s) for s in judged):
        return "broken", to({s for s in judged if bad(s)}), None
    moments = {s for s in watched - walked.settled if bad(s)}
    graph = nx.DiGraph()
    graph.add_nodes_from(moments)
    graph.add_edges_from((s, t.after) for s in moments for t in walked.steps[s] if t.after in moments)
    if not nx.is_directed_acyclic_graph(graph):
        on_cycle = {n for c in nx.strongly_connected_components(graph) if len(c) > 1 for n in c}
        on_cycle |= set(nx.nodes_with_selfloops(graph))
        endless = on_cycle | {a for n in on_cycle for a in nx.ancestors(graph, n)}
        return "broken", to(endless), None
    if _is_empty(walked, requirement, watched, judged, bad):
        return "empty", None, None
    if moments:
        return "reacts", None, nx.dag_longest_path_length(graph) + 1
    return "holds", None, None


def _is_empty(walked, requirement, watched, judged, bad) -> bool:  # type: ignore[no-untyped-def]
    if requirement.form == "cause":
        return not any(_is(walked, s, requirement.subject) for s in walked.steps)
    if not watched & walked.settled:
        return True
    for both in replaced(requirement.subject):
        if all(not any(bad(s, changed) for s in judged) for changed in both):
            return True
    return False


def replaced(f: fm.Formula) -> Iterator[tuple[fm.Formula, fm.Formula]]:
    """For each mention, the formula with that one mention true, and with it false."""
    if isinstance(f, fm.Not):
        for a, b in replaced(f.part):
            yield fm.Not(a), fm.Not(b)
    elif isinstance(f, fm.AllOf | fm.AnyOf):
        for i, part in enumerate(f.parts):
            for a, b in replaced(part):
                yield tuple(type(f)((*f.parts[:i], x, *f.parts[i + 1 :])) for x in (a, b))  # type: ignore[misc]
    elif isinstance(f, fm.Defined):
        yield from replaced(f.body)
    elif not isinstance(f, fm.Constant):
        yield fm.TRUE, fm.FALSE


def _can_lead_to(walked: Walk, good: set[State]) -> set[State]:
    into: dict[State, list[State]] = {}
    for state, offered in walked.steps.items():
        for step in offered:
            if step.kind != "fault":
                into.setdefault(step.after, []).append(state)
    seen, todo = set(good), list(good)
    while todo:
        for before in into.get(todo.pop(), ()):
            if before not in seen:
                seen.add(before)
                todo.append(before)
    return seen


def _plain(state: State) -> int:
    return 0


def _keep(_: State, memory: Memory, __: Step) -> Memory:
    return memory


def _possible(walked: Walk, requirement: Requirement) -> tuple[str, tuple[int, int] | None, int | None]:
    good = {s for s in walked.settled if _is(walked, s, requirement.subject)}
    if not good:
        return "broken", None, None
    hopeful = _can_lead_to(walked, good)
    start = initial_state(walked.system)

    def react(states: set[State]) -> set[State]:
        seen, todo = set(states), list(states)
        while todo:
            for step in walked.steps[todo.pop()]:
                if step.kind == "reaction" and step.after not in seen:
                    seen.add(step.after)
                    todo.append(step.after)
        return seen & walked.settled

    def struck(state_set: set[State], left: frozenset[int]) -> set[State]:
        """The settled states after exactly these faults struck first, in any order."""
        if not left:
            return state_set
        found: set[State] = set()
        for f in left:
            after = {t.after for s in state_set for t in walked.steps[s] if t.kind == "fault" and t.number == f}
            found |= struck(react(after), left - {f})
        return found

    for count in range(walked.budget + 1):
        for chosen in combinations(range(len(walked.system.faults)), count):
            here = struck(react({start}), frozenset(chosen))
            if here and not here & hopeful:
                return "broken", (count, count), None
    return "holds", None, None


def _always_possible(walked: Walk, requirement: Requirement) -> tuple[str, tuple[int, int] | None, int | None]:
    if not walked.settled:
        return "empty", None, None
    trapped = walked.settled - _can_lead_to(walked, {s for s in walked.settled if _is(walked, s, requirement.subject)})
    if not trapped:
        return "holds", None, None
    return "broken", shortest(walked, _plain, _keep, lambda a, b, c, state, d: state in trapped), None


def _deadline(walked: Walk, requirement: Requirement) -> tuple[str, tuple[int, int] | None, int | None]:
    allowed = requirement.within
    assert allowed is not None

    def waits(state: State) -> bool:
        return _is(walked, state, requirement.subject) and not _is(walked, state, requirement.effect)

    def first(state: State) -> Memory:
        return 0 if state in walked.settled and waits(state) else None

    def follow(_: State, lasted: Memory, step: Step) -> Memory:
        if step.after in walked.settled and not waits(step.after):
            return None
        if lasted is None:
            return 0 if step.after in walked.settled else None
        assert isinstance(lasted, int)
        return min(lasted + (step.kind == "tick"), allowed)

    def breach(_: State | None, lasted: Memory, step: Step | None, __: State, ___: Memory) -> bool:
        return step is not None and step.kind == "tick" and lasted == allowed

    found = shortest(walked, first, follow, breach)
    if found is not None:
        return "broken", found, None
    if not any(_is(walked, s, requirement.subject) for s in walked.settled):
        return "empty", None, None
    return "holds", None, None


def _starts(walked: Walk, requirement: Requirement) -> tuple[str, tuple[int, int] | None, int | None]:
    subject = requirement.subject
    started = False

    def follow(_: State, latest: Memory, step: Step) -> Memory:
        if step.kind == "reaction":
            return latest
        return step.kind == "event" and step.number in requirement.only_by

    def breach(before: State | None, _: Memory, step: Step | None, after: State, latest: Memory) -> bool:
        nonlocal started
        if before is None or _is(walked, before, subject) or not _is(walked, after, subject):
            return False
        started = True
        if requirement.form == "permissive":
            return not _is(walked, before, requirement.allowed)
        return not latest

    found = shortest(walked, lambda state: False, follow, breach)
    if found is not None:
        return "broken", found, None
    return ("holds" if started else "empty"), None, None
