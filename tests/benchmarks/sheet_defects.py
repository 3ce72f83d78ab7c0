"""30 seeded defects of the coach's twin: does its commissioning sheet find them?

    python tests/benchmarks/sheet_defects.py [SEEDS, such as 1,2,3]

The sheet is planned once. Each defect gets a twin of its own that works the sheet from the start up to the first
difference. Of a defect that is not found the symbolic engine is asked whether any run under one fault or force shows it
(`seeded_defects.Oracle`): if not, no test can find it. If so, 2,000 steps of a fuzz run with faults and forces look for
it too, and what the plan says of the dropped part is printed.
"""

from __future__ import annotations

import platform
import sys
import time
from collections import Counter
from datetime import UTC, datetime
from pathlib import Path

from seeded_defects import Oracle

from safetymodel.bench.defects import Defect, some_defects
from safetymodel.bench.device import DeviceError
from safetymodel.bench.hunt import Bounds, hunt
from safetymodel.bench.mapping import mapping_by_names
from safetymodel.bench.sheets.commission import Commissioning, commission
from safetymodel.bench.sheets.sheet_run import mapping_with_forces, run_sheet
from safetymodel.bench.sights import part_list
from safetymodel.bench.stimulus import stimulus_name
from safetymodel.bench.twin import Twin

ROOT = Path(__file__).parent.parent.parent
SPEC = ROOT / "specs" / "whimbrel.yaml"
DEFECTS = 30


def found_by(commissioned: Commissioning, defect: Defect) -> str:
    """How the sheet finds a defect; empty where it does not."""
    plan = commissioned.plan
    mapping = mapping_with_forces(plan.forced, mapping_by_names(commissioned.system), by_names=True)
    try:
        twin = Twin(plan.forced.system, [defect])
        done = run_sheet(plan, mapping, twin, first_only=True)
    except DeviceError as error:
        return f"at the reset: {error.message}"
    if done.error is not None:
        return f"device: {done.error.message}"
    if done.failed:
        return f"walk {len(done.worked)}, row {done.failed[0].rows}"
    return ""


def why_not(commissioned: Commissioning, defect: Defect) -> tuple[str, bool]:
    """What the sheet says of a dropped part or a slow transition; whether it lists a reason why that is not shown."""
    plan = commissioned.plan
    if defect.kind == "slow":
        told = [g for g in plan.goals if g.kind == "prompt" and g.stages[0].ways[0].number == defect.number]
    elif defect.part is not None:
        parts = part_list(defect.part.formula)
        told = [g for g in plan.goals if g.transition == defect.part.transition and g.part in parts]
    else:
        return "", False
    said = [
        f"{goal.kind}: {plan.outcomes[goal.number]}"
        + (f" ({plan.reasons[goal.number]})" if goal.number in plan.reasons else "")
        for goal in told
    ]
    return "; ".join(said) or "a part of a conjunction that one passage shows", any(
        g.number in plan.reasons for g in told
    )


def could_be_found(commissioned: Commissioning, oracle: Oracle, defect: Defect) -> str:
    """Whether any test can show the defect: by the symbolic engine, then by a fuzz run; empty where none can."""
    least = oracle.shortest(defect)
    if least is None:
        return ""
    forced = commissioned.plan.forced
    mapping = mapping_with_forces(forced, mapping_by_names(commissioned.system), by_names=True)
    found = hunt(forced.system, mapping, Twin(forced.system, [defect]), 0, Bounds(steps=2_000))
    if found.ended != "difference":
        return f"a run of {least} happenings comes to where it decides otherwise; a fuzz run does not find it"
    rows = ", ".join(stimulus_name(forced.system, row) for row in found.record.stimuli[-4:])
    return f"FINDABLE, by a run of {least} happenings; a fuzz run finds it, ending in {rows}"


def main(seeds: list[int]) -> int:
    print(f"{datetime.now(UTC):%Y-%m-%d}, {platform.machine()}, Python {platform.python_version()}; processor time")
    started = time.process_time()
    commissioned = commission(str(SPEC))
    assert isinstance(commissioned, Commissioning)
    plan = commissioned.plan
    print(f"planned in {time.process_time() - started:.0f} s: {dict(Counter(plan.outcomes))}")
    print(f"{len(plan.walks)} walks, {plan.rows} rows, at least {plan.least}")
    started = time.process_time()
    mapping = mapping_with_forces(plan.forced, mapping_by_names(commissioned.system), by_names=True)
    sound = run_sheet(plan, mapping, Twin(plan.forced.system))
    print(f"a sound twin passes: {sound.passed}, in {time.process_time() - started:.1f} s")
    looked, open_ones = 0, 0
    missed_of: list[tuple[int, Defect]] = []
    for seed in seeds:
        drawn = some_defects(commissioned.system, DEFECTS, seed)
        missed = []
        for defect in drawn:
            how = found_by(commissioned, defect)
            print(f"  {defect.name}: {how or 'NOT FOUND'}", flush=True)
            if not how:
                missed.append(defect)
        print(f"seed {seed}: {len(drawn) - len(missed)} of {len(drawn)} found")
        missed_of += [(seed, defect) for defect in missed]
        looked += len(drawn)
    oracle = Oracle(plan.forced.system)
    for seed, defect in missed_of:
        found, (said, listed) = could_be_found(commissioned, oracle, defect), why_not(commissioned, defect)
        print(
            f"  seed {seed}, not found: {defect.name}, {defect.text}. {found or 'NO RUN SHOWS IT'}. The sheet: {said}",
            flush=True,
        )
        open_ones += bool(found) and not listed
    print(f"{len(missed_of)} not found; {open_ones} of them that some run can show and the sheet gives no reason for")
    return 0 if sound.passed and looked and not open_ones else 1


if __name__ == "__main__":
    sys.exit(main([int(word) for word in (sys.argv[1] if len(sys.argv) > 1 else "1").split(",")]))
