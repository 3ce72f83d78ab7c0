"""Minimal fault sets of many random specs, held against brute force: `python tests/benchmarks/fault_agreement.py 500`.

Every requirement of every spec is judged once for each combination of up to three faults, on a plain walk over the
reference step function, and the least combinations that break it are compared with those of both engines.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from random_channels import channel_spec
from random_systems import random_spec
from test_fault_sets import compared


def main(count: int) -> int:
    started = time.monotonic()
    looked = sets = several = seed = 0
    while looked < count:
        found = compared(seed, channel_spec if seed % 3 == 2 else random_spec)
        seed += 1
        if found != (0, 0):
            looked += 1
            sets, several = sets + found[0], several + found[1]
    seconds = time.monotonic() - started
    print(f"{looked} specs agree: {sets} minimal sets, {several} of them of several faults, {seconds:.0f} s")
    return 0 if sets else 1


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]) if len(sys.argv) > 1 else 500))
