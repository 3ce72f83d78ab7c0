"""Deliberate damage: do the agreement tests see it when an engine, or the review, is wrong?

Each mutation below is one small change of the code. It is applied to a copy of the package in a temporary
folder, and the agreement tests are run against that copy. A mutation that no test sees is a survivor. By hand:

    python tests/benchmarks/mutate_engines.py [first letters of a file or a number ...]
"""

from __future__ import annotations

import os
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
TESTS = (
    "tests/test_engines_cases.py",
    "tests/test_engines.py",
    "tests/test_coarser_views.py",
    "tests/test_state_spaces.py",
    "tests/test_sifting.py",
    "tests/test_rounds.py",
)
REVIEW = (
    "tests/test_necessity_parts.py",
    "tests/test_necessity_alone.py",
    "tests/test_necessity.py",
    "tests/test_second.py",
)
REVIEWED = ("insight/", "claims/part_invariant.py", "claims/inductive.py")
"""Rooms that these tests look at."""
SECONDS = 300
"""Processor time. A copy whose tests take longer has been damaged so that it does not end: caught."""


@dataclass(frozen=True)
class Mutation:
    file: str
    old: str
    new: str


MUTATIONS: tuple[Mutation, ...] = tuple(
    Mutation(*triple)
    for triple in (
        # -- the explicit engine ------------------------------------------------------------------
        (
            "explore/product.py",
            "settled.append(start + np.flatnonzero(~transient))",
            "settled.append(start + np.flatnonzero(transient | ~transient))",
        ),
        (
            "explore/product.py",
            "result[p.targets[edges]] = True\n        return result & self.reached",
            "result[p.targets[edges]] = True\n        return result",
        ),
        ("explore/product.py", "edges = p.edges_into(a & self.reached)", "edges = p.edges_into(a)[1:]"),
        ("explore/product.py", "self._flags[a].min()", "self._flags[a].max()"),
        (
            "explore/product.py",
            "frontier = self.after(frontier, kinds, events) & within & ~found",
            "frontier = self.after(frontier, kinds, events) & ~found",
        ),
        (
            "explore/product.py",
            "frontier = self.before(frontier, kinds) & ~found",
            "frontier = self.before(frontier, kinds[:1]) & ~found",
        ),
        ("explore/product.py", "inside = self._flags <= self.budget", "inside = self._flags <= product.budget"),
        (
            "explore/moves.py",
            "room = self._flags_up(batch) < self.budget",
            "room = self._flags_up(batch) + 1 < self.budget",
        ),
        (
            "explore/moves.py",
            'if f.kind == fault.kind == "signal" and f.subject == fault.subject',
            'if f.kind == fault.kind == "signal" and f.subject == fault.subject and f.value == fault.value',
        ),
        ("explore/moves.py", "self.logic.layout.clocks[subsystem].store(words, 0)", "pass"),
        (
            "explore/moves.py",
            "running = batch.clocks(subsystem) < longest",
            "running = batch.clocks(subsystem) + 1 < longest",
        ),
        (
            "explore/moves.py",
            "self.logic.both(movers) if event.joint else self.logic.either(movers)",
            "self.logic.either(movers)",
        ),
        (
            "explore/moves.py",
            "enabled = batch.truth(can[t])[rows]",
            "enabled = Batch(self.logic, after).truth(can[t])",
        ),
        ("explore/moves.py", "still &= ~enabled", "still &= True"),
        (
            "explore/logic.py",
            "early = self.clock_from(t.subsystem, t.earliest)",
            "early = self.clock_from(t.subsystem, t.earliest + 1)",
        ),
        (
            "explore/logic.py",
            "f.subject == t.subsystem and f.state in (None, t.source)",
            "f.subject == t.subsystem and f.state in (None, t.target)",
        ),
        ("explore/logic.py", "(number >= key[1]) & (number <= key[2])", "(number >= key[1])"),
        (
            "explore/logic.py",
            "self.either([high, self.both([reading, self.negate(low)])])",
            "self.either([high, reading])",
        ),
        (
            "explore/logic.py",
            "self.both([self.can[number], self.clock_from(t.subsystem, t.latest)])",
            "self.both([self.can[number], self.clock_from(t.subsystem, t.earliest)])",
        ),
        ("explore/table.py", "same &= word[held] == sought[pending]", "same = word[held] == sought[pending]"),
        ("explore/table.py", "order = np.lexsort(words)", "order = np.argsort(words[0])"),
        (
            "explore/table.py",
            "self._claim(np.arange(self.size, dtype=np.int32))",
            "self._claim(np.arange(first, self.size, dtype=np.int32))",
        ),
        ("explore/table.py", "lost = self._slots[slot] != numbers", "lost = self._slots[slot] < 0"),
        # -- the symbolic engine ------------------------------------------------------------------
        ("explore/saturation.py", "settled = settled | (new & calm)", "settled = settled | new"),
        ("explore/saturation.py", "new = self.close(new, tried, room)", "new = self.close(new, (), room)"),
        ("explore/pooling.py", "            return self.all\n", "            return ()\n"),
        (
            "explore/pooling.py",
            "if any(system.transitions[number].latest or number in anything",
            "if any(system.transitions[number].latest > 1 or number in anything",
        ),
        ("explore/pooling.py", "| support(t.physical, signals)\n", "| frozenset()\n"),
        ("explore/pooling.py", "disjoin((write.guard for write in writes), false)", "writes[0].guard"),
        ("explore/pooling.py", "moved = moved_by(row[0][0], system)", "moved = frozenset()"),
        ("explore/pooling.py", "(part.cube, part.value) if", "part.cube if"),
        ("explore/pooling.py", "events is None or move.number in events)", "True)"),
        (
            "explore/backwards.py",
            "from_within(pooled.operation, settled) for",
            "from_within(pooled.operation, reached) for",
        ),
        (
            "explore/backwards.py",
            "from_within(pooled.operation, reached) for",
            "from_within(pooled.operation, settled) for",
        ),
        ("explore/backwards.py", "from_within(pool.tick, settled)", "from_within(pool.tick, reached)"),
        ("explore/macrosteps.py", "members if self._strikes else", "members if False else"),
        ("explore/macrosteps.py", "return asked & ~found == false", "return asked & found != false"),
        ("explore/halves.py", "if not enough(found):", "if enough(found):"),
        ("explore/halves.py", "if found == here or enough(found):", "if True:"),
        ("explore/macrosteps.py", "if ends != looked_at[number]:", "if looked_at[number] == false:"),
        ("explore/macrosteps.py", "from_within(operation, settled)", "from_within(operation, reached)"),
        ("explore/macrosteps.py", "    yield from forwards.strikes\n", ""),
        (
            "explore/macrosteps.py",
            "yield forwards.readers.of_time, forwards.tick",
            "yield (), forwards.tick",
        ),
        ("explore/symbolic.py", "if cone not in self._narrow:", "if not self._narrow:"),
        ("explore/halves.py", "found = part(middle, end, found)", "found = part(middle + 1, end, found)"),
        ("explore/backwards.py", "for step in self.steps:", "for step in self.steps[1:]:"),
        ("explore/symbolic.py", "p.moved is None or p.moved & read", "p.moved is not None and p.moved & read"),
        ("explore/symbolic.py", "self._after(self.minus(a, on), turning", "self._after(a, turning"),
        ("explore/symbolic.py", "part.settled = self.settled & room", "part.settled = self.settled"),
        ("explore/symbolic.py", "part.reached = self.reached & room", "part.reached = self.reached"),
        ("claims/search.py", "Ahead(self, targets, coarse=True)", "Ahead(self, targets)"),
        (
            "claims/search.py",
            "if len(ways) - 1 > SHORT else None",
            "if len(ways) - 1 <= SHORT else None",
        ),
        ("claims/search.py", "if walker.watch is not NOTHING else {}", "if walker.watch is NOTHING else {}"),
        (
            "explore/saturation.py",
            "waiting.update(dict.fromkeys(self.readers.of[self.subjects[position]]))",
            "pass",
        ),
        (
            "explore/symbolic.py",
            "symbolic.reached & encoding.flags_at_most[self.budget]",
            "symbolic.reached",
        ),
        ("explore/symbolic.py", "((a, reactions), (settled, others))", "((a, reactions), (a, others))"),
        ("explore/symbolic.py", "saturation.grow(a, within & self.reached)", "saturation.grow(a, self.reached)"),
        (
            "explore/encoding.py",
            "guard = self.flags_at_most[self.budget - 1]",
            "guard = self.flags_at_most[0]",
        ),
        (
            "explore/encoding.py",
            "value = self.in_state(subsystem, state) & self.decisions.equals(self.clock_bits[subsystem], 0)",
            "value = self.in_state(subsystem, state)",
        ),
        (
            "explore/encoding.py",
            "fault.subject == t.subsystem and fault.state in (None, t.source)",
            "fault.subject == t.subsystem and fault.state == t.source",
        ),
        ("explore/encoding.py", "if moving and all(write.cube == true for write in chosen):", "if False:"),
        (
            "explore/encoding.py",
            "reading = reading | flag if fault.value else reading & ~flag",
            "reading = reading & ~flag if fault.value else reading | flag",
        ),
        (
            "explore/encoding.py",
            "arrived = arrived | (here & self.decisions.at_least(bits, 1) & ~beyond)",
            "arrived = arrived | (here & self.decisions.at_least(bits, 1))",
        ),
        (
            "explore/encoding.py",
            "stays = {s: false if event.joint or len(movers) == 1 else ~able[s] for s, _ in movers}",
            "stays = {s: ~able[s] for s, _ in movers}",
        ),
        ("explore/encoding.py", "if not readers[s]), None)", "if readers[s]), None)"),
        (
            "explore/encoding.py",
            "return [s for s in left if s in reached[smallest]]",
            "return [smallest]",
        ),
        (
            "explore/encoding.py",
            "for stage in reversed(self.stages):",
            "for stage in self.stages:",
        ),
        ("explore/decisions.py", "self.true if least <= n <= most else", "self.true if least <= n else"),
        (
            "explore/decisions.py",
            "result = bit & result if value >> place & 1 else bit | result",
            "result = bit | result if value >> place & 1 else bit & result",
        ),
        ("explore/decisions.py", "carry = carry & bit", "carry = bit"),
        ("explore/decisions.py", "borrow = borrow & ~bit", "borrow = ~bit"),
        # -- judging ------------------------------------------------------------------------------
        ("claims/search.py", "fewest = space.fewest_faults(everything)", "fewest = everything"),
        (
            "claims/stepping.py",
            "part = space.common(space.common(rest, space.settled), space.where(formula))",
            "part = space.common(rest, space.where(formula))",
        ),
        (
            "claims/stepping.py",
            "rest = space.minus(rest, part)\n                if not",
            "rest = space.common(rest, rest)\n                if not",
        ),
        (
            "claims/stepping.py",
            "source = space.common(members, space.where(leap.before))",
            "source = members",
        ),
        (
            "claims/search.py",
            "new = self._fresh(seen, self._reacted(landed))",
            "new = self._fresh(seen, landed)",
        ),
        (
            "claims/search.py",
            "self.within = [dict(targets)]\n        self._close()",
            "self.within = [dict(targets)]\n        self.cost = 0",
        ),
        ("claims/search.py", "return self.within[-2::-1]", "return self.within[::-1]"),
        ("claims/search.py", "forwards = is_plain(self.watch)", "forwards = True"),
        ("claims/search.py", "self._reacted(start) if forwards else dict(start)", "dict(start)"),
        ("explore/symbolic.py", "through.seen(self.settled))", "~through.seen(self.transient))"),
        ("explore/macrosteps.py", "members if self._strikes else", "members if False else"),
        ("explore/macrosteps.py", "return asked & ~found == false", "return asked & found != false"),
        ("explore/halves.py", "if not enough(found):", "if enough(found):"),
        ("explore/halves.py", "if found == here or enough(found):", "if True:"),
        ("explore/halves.py", "found = part(middle, end, found)", "found = part(middle + 1, end, found)"),
        (
            "claims/search.py",
            "middle = self._common(layers.found[depth], back.within[-1])",
            "middle = self._common(layers.found[depth], back.within[0])",
        ),
        ("claims/search.py", "self.within.append(found)\n        self._close()", "self.within.append(found)"),
        (
            "claims/search.py",
            "layers.append(self._common(self._reacted(self.happen(layers[-1])), ahead))",
            "layers.append(self._common(self.happen(layers[-1]), ahead))",
        ),
        ("claims/watch.py", "values=(OTHERS, LISTED)", "values=(OTHERS,)"),
        ("claims/watch.py", "values=tuple(range(late + 1))", "values=tuple(range(late))"),
        (
            "claims/breach_states.py",
            "left = space.minus(left, space.where(up))",
            "left = space.minus(left, space.where(AnyOf(up.parts)))",
        ),
        (
            "claims/breach_states.py",
            "entries = space.common(space.settled, space.where(opening(requirement)))",
            "entries = space.where(opening(requirement))",
        ),
        (
            "claims/breach_states.py",
            "landed = space.union(space.after(space.settled, HAPPENINGS, unlisted), space.start)",
            "landed = space.after(space.settled, HAPPENINGS, unlisted)",
        ),
        ("claims/forms.py", "target = bad if requirement.prevent else settled_bad", "target = settled_bad"),
        (
            "explore/engine.py",
            "kept = space.common(members, space.before(members, REACTION))",
            "kept = space.common(members, space.after(members, REACTION))",
        ),
        (
            "claims/forms.py",
            "ends = space.common(members, space.after(ends, REACTION))",
            "ends = space.after(ends, REACTION)",
        ),
        ("claims/forms.py", 'make_true = requirement.form == "never"', 'make_true = requirement.form != "never"'),
        ("claims/breach_states.py", "if not near.is_empty(late):\n        begun", "if False:\n        begun"),
        ("claims/breach_states.py", "_lasted(near, waiting, waiting", "_lasted(near, near.nothing(), waiting"),
        ("claims/breach_states.py", "if ticks == within:", "if ticks == requirement.within + 1:"),
        ("claims/breach_states.py", 'if kind != "fault")', 'if kind != "jump")'),
        ("claims/breach_states.py", "for _ in range(space.budget):", "for _ in range(space.budget - 1):"),
        (
            "claims/breach_states.py",
            "room = space.minus(space.reached, space.minus(space.settled, waiting))",
            "room = space.reached",
        ),
        # -- the review: what is told of a change without exploring it ------------------------------
        (
            "claims/part_invariant.py",
            "other._calm, other._passing = self._calm | calmed, self._passing | passing",
            "other._calm, other._passing = self._calm, self._passing | passing",
        ),
        (
            "claims/part_invariant.py",
            "if any(self._through.concerns(move) for move in moves):\n            return True",
            "if any(self._through.concerns(move) for move in moves):\n            return False",
        ),
        (
            "claims/part_invariant.py",
            "for move in moves:\n            for value, members in tuple(self.sets.items()):",
            "for move in ():\n            for value, members in tuple(self.sets.items()):",
        ),
        (
            "claims/part_invariant.py",
            "if here != self._false and self._land(value, here):\n                grown = True",
            "pass",
        ),
        (
            "claims/part_invariant.py",
            "for happening, operation in self._happenings():",
            "for happening, operation in ():",
        ),
        (
            "claims/part_invariant.py",
            "if not is_plain(self.watch) and any(members & passing",
            "if False and any(members & passing",
        ),
        (
            "claims/part_invariant.py",
            "if before == value:\n                    found",
            "if before == value and not self.watch.settling(before):\n                    found",
        ),
        (
            "claims/part_invariant.py",
            "self._unseen = () if is_plain(self.watch) else tuple(alike.values())",
            "self._unseen = ()",
        ),
        ("claims/part_invariant.py", "yield value, landed & self._passing\n", "pass\n"),
        ("insight/necessity/stuck.py", " and self._settles(altered, here):", ":"),
        (
            "insight/necessity/stuck.py",
            "yield from run.states[: run.still(altered)]",
            "yield from run.states",
        ),
        (
            "insight/necessity/alone.py",
            "members = [m & here for m in self._needed(requirement, faults)]",
            "members = list(self._needed(requirement, faults))",
        ),
        (
            "insight/necessity/alone.py",
            "left.open = [r for r in left.open if r.withstand or r in late]",
            "left.open = late",
        ),
        (
            "insight/necessity/ways_back.py",
            "(altered.lost | ~altered.reached)",
            "altered.lost",
        ),
        ("insight/necessity/ways_back.py", "asked = self._harmed & few", "asked = self._harmed & ~few"),
        (
            "claims/inductive.py",
            "if landing == value:\n                ways.append(self.gates.both(earlier))",
            "ways.append(self.gates.both(earlier))",
        ),
        (
            "claims/inductive.py",
            "return -self.gates.both([-way for way in ways])",
            "return self.gates.both(ways)",
        ),
        ("insight/necessity/alone.py", "return [m & begins for m in members]", "return members"),
        ("insight/necessity/alone.py", "if not arising:", "if len(arising) < 2:"),
        ("explore/rounds.py", "t.event is None and not t.latest]", "t.event is None and t.latest]"),
        ("explore/rounds.py", "reads[subsystem] = read & turning.keys()", "reads[subsystem] = set()"),
        ("explore/rounds.py", "if back == members:", "if back == encoding.decisions.true:"),
        (
            "explore/symbolic.py",
            "places.moved(self.encoding.places)",
            "self.encoding.places.moved(places)",
        ),
        ("explore/sifting.py", "self.cost, best = cost, place", "self.cost, best = cost, at"),
        ("explore/sifting.py", "(1 + self._reading.upwards(order) if self._reading else 1)", "1"),
        (
            "explore/sifting.py",
            "*above, *others[place : place + 1], *below",
            "*others[place : place + 1], *above, *below",
        ),
        ("explore/sifting.py", "if self.over or not self._members.has_room(nodes << lower):", "if self.over:"),
        ("explore/sifting.py", "if at + neighbours <= len(self.order):", "if at + neighbours < len(self.order):"),
        ("explore/ordering.py", "if further > 0:", "if further < 0:"),
        ("explore/arranging.py", "movable.nodes > WORTH_MOVING * nodes", "movable.nodes < WORTH_MOVING * nodes"),
        ("insight/necessity/alone.py", "if r.withstand or r in late]", "if r.withstand]"),
        ("insight/necessity/alone.py", "[r for r in left.open if r not in late], 0)", "[], 0)"),
        (
            "insight/necessity/witness.py",
            "            return altered.lost\n",
            "            return altered.calmed | altered.stirred\n",
        ),
        (
            "insight/necessity/witness.py",
            "    return altered.calmed | altered.stirred\n",
            "    return altered.false\n",
        ),
        (
            "insight/necessity/witness.py",
            "(moved_by(move, altered.encoding.system) or set()) & read",
            "{altered.encoding.system.transitions[altered.change.transition].subsystem} & read",
        ),
        ("insight/necessity/looks.py", "(happening & altered.encoding.calm)", "happening"),
        (
            "insight/necessity/looks.py",
            "for move, origin in row.items() if move not in changed)",
            "for origin in row.values())",
        ),
        ("insight/necessity/looks.py", "if self._may is not None and (", "if False and ("),
        ("insight/necessity/told.py", "altered.only_less and asks_of_every_run(requirement)", "altered.only_less"),
        ("insight/necessity/altered.py", "only_less = apart and", "only_less ="),
        ("insight/necessity/altered.py", 'only_less = apart and change.kind == "removed"', "only_less = apart"),
        ("claims/part_invariant.py", "other._leaping = None", "pass"),
        ("claims/part_invariant.py", "here & self.settled_with(value) != self._false", "False"),
        ("claims/part_invariant.py", "if members & reacting != self._false:", "if False:"),
    )
)


def copy_of_project(folder: Path) -> None:
    skipped = shutil.ignore_patterns("__pycache__", "benchmarks", ".*")
    for part in ("safetymodel", "specs", "tests"):
        shutil.copytree(ROOT / part, folder / part, ignore=skipped)
    shutil.copy(ROOT / "pyproject.toml", folder)


def tests_of(mutation: Mutation) -> tuple[str, ...]:
    """Those that look at the room of a mutation."""
    return REVIEW if mutation.file.startswith(REVIEWED) else TESTS


def run_tests(folder: Path, tests: tuple[str, ...] = TESTS, only: str = "") -> tuple[str, str]:
    """(caught | survived | endless, the first failing test). ``only`` narrows the tests, as for pytest's ``-k``."""
    command = [sys.executable, "-m", "pytest", "-x", "-q", "-p", "no:cacheprovider", "--tb=no", *tests]
    if only:
        command += ["-k", only]
    environment = {**os.environ, "PYTHONPATH": str(folder), "PYTHONDONTWRITEBYTECODE": "1"}

    def limited() -> None:
        resource.setrlimit(resource.RLIMIT_CPU, (SECONDS, SECONDS))

    done = subprocess.run(
        command, cwd=folder, env=environment, capture_output=True, text=True, preexec_fn=limited, check=False
    )
    if done.returncode < 0:
        return "endless", ""
    if done.returncode not in (0, 1, 2):
        raise SystemExit(f"the tests did not run:\n{done.stdout}\n{done.stderr}")
    first = next((line for line in done.stdout.splitlines() if line.startswith(("FAILED", "ERROR"))), "")
    return ("caught" if done.returncode else "survived"), first[:110]


EXPLICIT = ("explore/product.py", "explore/moves.py", "explore/logic.py", "explore/table.py")


def damage(folder: Path, mutation: Mutation) -> tuple[str, str]:
    """Run the tests of the damaged engine first, all of them where those see nothing."""
    path = folder / "safetymodel" / mutation.file
    original = path.read_text(encoding="utf-8")
    path.write_text(original.replace(mutation.old, mutation.new, 1), encoding="utf-8")
    try:
        if mutation.file.startswith("explore/"):
            only = "not symbolic" if mutation.file in EXPLICIT else "not product and not explicit"
            found = run_tests(folder, only=only)
            if found[0] != "survived":
                return found
        return run_tests(folder, tests_of(mutation))
    finally:
        path.write_text(original, encoding="utf-8")


def main(wanted: list[str]) -> int:
    chosen = [
        (number, m)
        for number, m in enumerate(MUTATIONS, 1)
        if not wanted or str(number) in wanted or any(m.file.startswith(w) for w in wanted if not w.isdigit())
    ]
    texts = {m.file: (ROOT / "safetymodel" / m.file).read_text(encoding="utf-8") for _, m in chosen}
    if not chosen:
        print("no mutation has that name or number")
        return 2
    missing = [f"{n} {m.file}: {m.old}" for n, m in chosen if m.old not in texts[m.file]]
    if missing:
        print("the code has changed, mend these mutations first:", *missing, sep="\n  ")
        return 2
    counts = {"caught": 0, "survived": 0, "endless": 0}
    survivors = []
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        copy_of_project(folder)
        for tests in {tests_of(m) for _, m in chosen}:
            what, first = run_tests(folder, tests)
            if what != "survived":
                print(f"the tests fail without any damage: {what} {first}")
                return 2
        for number, mutation in chosen:
            started = time.monotonic()
            what, first = damage(folder, mutation)
            counts[what] += 1
            seconds = time.monotonic() - started
            print(f"{number:3} {what:8} {seconds:5.0f} s  {mutation.file}: {mutation.new[:70]!r} {first}", flush=True)
            if what == "survived":
                survivors.append((number, mutation))
    words = f"{counts['caught']} caught, {counts['endless']} did not end, {counts['survived']} survived"
    print(f"{len(chosen)} mutations: {words}")
    for number, mutation in survivors:
        print(f"survivor {number} {mutation.file}\n  - {mutation.old}\n  + {mutation.new}")
    return 1 if survivors else 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
