"""Suggested conditions of random specs, held against brute force: `python tests/benchmarks/suggest_agreement.py 500`.

For every broken requirement of every spec the game is played once more on states that are written down: whether
anything can be done, that nothing lost comes about with the conditions, and that nothing is held back that could be let
through.
"""

from __future__ import annotations

import sys
import time
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from test_suggest_random import compared


def main(count: int) -> int:
    started = time.process_time()
    found: Counter[str] = Counter()
    looked = seed = 0
    while looked < count:
        one = compared(seed)
        seed += 1
        if one:
            looked += 1
            found += one
    print(f"{looked} specs agree, {time.process_time() - started:.0f} s of processor time")
    for what, number in sorted(found.items()):
        print(f"  {what}: {number}")
    return 0 if found["least restrictive"] else 1


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]) if len(sys.argv) > 1 else 500))
