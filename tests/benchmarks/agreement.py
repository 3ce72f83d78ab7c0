"""Random specs, many of them: the engines agree with each other and with a plain walk. By hand:

    python tests/benchmarks/agreement.py [number of specs, 2000] [first seed, 0]

Each spec is explored under fault budgets 0, 1 and 2, every one also as a part of the largest. Compared are the counts
of settled and of all states, the enabled happenings, and of each requirement the verdict, the happenings and faults of
the shortest counterexample, the moment, the longest wait; between the two engines the runs themselves as well, and
chatter. A spec of more than 20,000 states is left out, and counted as such.
"""

from __future__ import annotations

import random
import sys
import time
from collections import Counter
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

from plain_walk import Walk, verdict, walk  # noqa: E402
from random_systems import random_spec  # noqa: E402

from safetymodel.claims.judge import find_chatter, judge  # noqa: E402
from safetymodel.claims.verdict import Judgement  # noqa: E402
from safetymodel.explore.engine import Limits  # noqa: E402
from safetymodel.explore.product import Product, ProductSpace, edge_count  # noqa: E402
from safetymodel.explore.symbolic import Symbolic, SymbolicSpace  # noqa: E402
from safetymodel.model.build import load_text  # noqa: E402
from safetymodel.model.system import Requirement, System  # noqa: E402

MOST_STATES = 20_000
WALKED_STATES = 3_000
MEMORY = 96_000_000
BUDGETS = (0, 1, 2)

counted: Counter[str] = Counter()
words: Counter[str] = Counter()
wrong: list[str] = []


def differ(where: str, what: str, *values: Any) -> None:
    if any(value != values[0] for value in values[1:]):
        wrong.append(f"{where}: {what}: {' / '.join(map(str, values))}")
        print("DISAGREEMENT", wrong[-1], flush=True)


def small_walk(system: System, budget: int) -> Walk | None:
    try:
        return walk(system, budget, most=WALKED_STATES)
    except AssertionError:
        return None


def against_the_walk(where: str, walked: Walk, requirement: Requirement, found: Judgement) -> None:
    word, distance, moment = verdict(walked, requirement)
    differ(where, "verdict, plain walk", found.word, word)
    if distance is not None:
        trace = found.trace
        differ(where, "counterexample", distance, trace and (trace.happenings, trace.end.flags.bit_count()))
    if moment is not None:
        differ(where, "moment", moment, found.moment and found.moment.steps)
    counted["verdicts compared with the plain walk"] += 1


def one_budget(where: str, system: System, budget: int, spaces: list[Any]) -> None:
    """``spaces``: of each engine one explored under this budget, and the part of a larger one."""
    counts = [(s.size(s.settled), s.size(s.reached)) for s in spaces]
    differ(where, "counts of states", *counts)
    happenings = [edge_count(s) for s in spaces if isinstance(s, ProductSpace)]
    differ(where, "enabled happenings", *happenings)
    walked = small_walk(system, budget) if counts[0][1] <= WALKED_STATES else None
    if walked is not None:
        differ(where, "counts of the plain walk", counts[0], walked.counts)
        differ(where, "happenings of the plain walk", happenings[0], walked.edges)
        counted["spaces compared with the plain walk"] += 1
    for requirement in system.requirements:
        here = f"{where}, {requirement.name} ({requirement.wording})"
        judgements = [judge(space, requirement) for space in spaces]
        differ(here, "judgements", *judgements)
        counted["verdicts compared between the engines"] += 1
        words[judgements[0].word] += 1
        if walked is not None:
            against_the_walk(here, walked, requirement, judgements[0])
    differ(where, "chatter", *[find_chatter(space) for space in spaces])
    counted["spaces compared between the engines"] += 1
    counted["states in them"] += counts[0][1]


def one_spec(seed: int) -> None:
    system, problems = load_text(random_spec(random.Random(seed)), f"random-{seed}.yaml")
    assert system is not None, "\n".join(p.as_text() for p in problems)
    counted["specs"] += 1
    counted["of them with durations"] += system.tick is not None
    budgets = sorted({min(b, len(system.faults)) for b in BUDGETS})
    few = Limits(states=MOST_STATES)
    largest = Product(system, budgets[-1], few)
    if largest.shortfall:
        counted["left out: too many states"] += 1
        return
    symbolic = Symbolic(system, budgets[-1], Limits(memory=MEMORY))
    for budget in budgets:
        spaces: list[Any] = [ProductSpace(largest, budget), SymbolicSpace(symbolic, budget)]
        if budget != budgets[-1]:
            spaces.append(ProductSpace(Product(system, budget)))
            spaces.append(SymbolicSpace(Symbolic(system, budget, Limits(memory=MEMORY))))
        one_budget(f"seed {seed}, budget {budget}", system, budget, spaces)


def main(number: int, first: int) -> int:
    started, processor = time.monotonic(), time.process_time()
    for seed in range(first, first + number):
        one_spec(seed)
        if (seed - first + 1) % 200 == 0:
            print(f"{seed - first + 1:,} specs, {time.monotonic() - started:,.0f} s", flush=True)
    for what, count in counted.items():
        print(f"{count:>14,} {what}")
    print("       verdicts", ", ".join(f"{word} {count:,}" for word, count in words.most_common()))
    print(f"{len(wrong):>14,} disagreements")
    print(f"{time.monotonic() - started:,.0f} s, {time.process_time() - processor:,.0f} s of processor time")
    return 1 if wrong or not words else 0


if __name__ == "__main__":
    numbers = [int(text) for text in sys.argv[1:]]
    raise SystemExit(main(*(numbers + [2000, 0][len(numbers) :])))
