"""Who notices each change of random specs, held against one verification for each change.

    python tests/benchmarks/necessity_agreement.py [HOW MANY] [FIRST SEED]

Prints how much was compared; ends with an error at the first disagreement. 150 specs take some minutes.
"""

from __future__ import annotations

import sys
import time
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from test_necessity import compared


def main(many: int, first: int) -> int:
    started = time.process_time()
    found: Counter[str] = Counter()
    for seed in range(first, first + many):
        one = compared(seed)
        found += one
        found["specs"] += bool(one)
    print(dict(found), f"{time.process_time() - started:.0f} s of processor time")
    return 0 if found["specs"] else 1


if __name__ == "__main__":
    sys.exit(main(*(int(n) for n in (*sys.argv[1:3], *("150", "1000")[len(sys.argv) - 1 :]))))
