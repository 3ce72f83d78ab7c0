"""What is suggested for each of the five mistakes of the coach's draft: `python tests/benchmarks/suggest_draft.py`.

Fails unless each suggestion makes its requirement pass and no other worse. (That for L6 fails the scenario
patient_aboard, in which the lift starts of itself, as L6 forbids.) Names as arguments restrict it to those
requirements. It takes some minutes: after each suggestion all requirements are verified again.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

from safetymodel.claims.judge import judge
from safetymodel.explore.choice import explore
from safetymodel.insight.suggest.search import suggest
from safetymodel.model.build import load

DRAFT = Path(__file__).resolve().parent.parent.parent / "specs" / "whimbrel-draft.yaml"
MISTAKES = ("D1", "B5", "L5", "L6", "L9")


def main(names: list[str]) -> int:
    system, _ = load(str(DRAFT))
    assert system is not None
    started = time.process_time()
    spaces = explore(system, (0, 1)).spaces
    before = {r.name: judge(spaces[r.withstand], r) for r in system.requirements}
    assert {name for name, judgement in before.items() if judgement.word == "broken"} == set(MISTAKES)
    print(f"verified in {time.process_time() - started:.0f} s of processor time", flush=True)
    wrong = 0
    for requirement in system.requirements:
        if requirement.name not in (names or MISTAKES):
            continue
        started = time.process_time()
        found = suggest(spaces, requirement, before)
        print(f"{requirement.name}: {found.outcome}, {time.process_time() - started:.0f} s of processor time")
        for sentence in found.sentences:
            print(f"  {sentence}", flush=True)
        wrong += found.after not in ("holds", "reacts") or bool(found.worse)
    return int(bool(wrong))


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
