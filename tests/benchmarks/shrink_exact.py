"""Shortened sequences on random models, held against the shortest that there are.

    python tests/benchmarks/shrink_exact.py [FIRST SEED] [LAST SEED]

such as `100 400`, which it does unless told. Twins with one defect, with two, with a condition turned round and with a
move to somewhere else; every third map hides a third of the subsystems. A run by chance ends in a difference, is
shortened, and compared with everything that can be done, breadth first, to 4,000 situations.
"""

from __future__ import annotations

import platform
import sys
import time
from collections import Counter
from datetime import UTC, datetime
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))

from plain_bench import some_wrong

from safetymodel.bench.reactions import CannotTrack
from safetymodel.bench.shortest.shrink import shrink
from safetymodel.bench.stimulus import happenings_of


def main(first: int, last: int) -> int:
    gaps: Counter[int] = Counter()
    rows, tried, spent, untold = [], 0, 0.0, 0
    for seed in range(first, last):
        for wrong in some_wrong(seed, most=4_000):
            if wrong.least is None:
                untold += 1
                continue
            started = time.process_time()
            try:
                short = shrink(wrong.system, wrong.mapping, wrong.twin, wrong.record, wrong.tracker)
            except CannotTrack:
                untold += 1
                continue
            spent += time.process_time() - started
            tried += short.tried
            length = happenings_of(short.record.stimuli)
            gaps[length - wrong.least] += 1
            if not 0 <= length - wrong.least <= 2:
                rows.append(f"| {seed} | {wrong.name} | {wrong.least} | {length} | {short.note} |")
        if seed % 50 == 49:
            print(seed + 1, sorted(gaps.items()), flush=True)
    lines = [
        "# Shortened sequences on random models",
        "",
        f"Seeds {first} to {last - 1}. {datetime.now(UTC):%Y-%m-%d}, {platform.machine()}, Python "
        f"{platform.python_version()}; {spent:.0f} s of processor time for shortening, {tried:,} sequences tried. Not "
        f"compared, since there are too many situations or possible states: {untold:,}.",
        "",
        "| happenings more than the shortest | sequences |",
        "| --- | --- |",
        *(f"| {gap} | {count:,} |" for gap, count in sorted(gaps.items())),
        "",
        "More than 2:",
        "",
        "| seed | twin | shortest | shortened to | note |",
        "| --- | --- | --- | --- | --- |",
        *rows,
    ]
    (Path(__file__).parent / "shrink_exact.md").write_text("\n".join(lines) + "\n", encoding="utf-8")
    return 0 if gaps and min(gaps) >= 0 else 1


if __name__ == "__main__":
    numbers = [int(word) for word in sys.argv[1:]]
    sys.exit(main(*(numbers + [100, 400][len(numbers) :])[:2]))
