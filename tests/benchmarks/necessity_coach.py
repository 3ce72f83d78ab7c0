"""Which parts of the coach's conditions nobody notices, grouped by cause: writes `necessity_coach.md` beside itself.

    python tests/benchmarks/necessity_coach.py [SPEC]

Takes some minutes of processor time. The list is the input for mending the spec: a part is redundant, or a requirement
is missing, or a fault is not declared; what stays on purpose is told at the head of the spec. Ends with 1 where less
than 95 % of the parts are noticed.
"""

from __future__ import annotations

import os
import platform
import sys
import time
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

from safetymodel.explore.choice import explore
from safetymodel.insight.necessity.changes import spread_out
from safetymodel.insight.necessity.effects import Effect, Necessity
from safetymodel.insight.necessity.search import necessity
from safetymodel.insight.necessity.sentences import mirrored_sentences, summary
from safetymodel.model.build import load
from safetymodel.model.formula import SignalTrue, atoms
from safetymodel.model.system import System
from safetymodel.traces.fold import folded
from safetymodel.traces.wording import formula_text, short_name, transition_text

SPECS = Path(__file__).resolve().parent.parent.parent / "specs"
ENOUGH = 0.95
"""The share of parts that has to be noticed."""

CAUSES = (
    "Twin channels, neither with a declared fault: one can stand for the other, so neither is missed",
    "A signal without any fault: it never reads what is not so, and the rest of the condition says the same already",
    "A signal with a fault, and yet no difference: the rest of the condition, or the states that come about, imply it",
    "States of the logic: the rest of the condition, or the states that come about, imply it",
    "Without it more is let through, and no requirement forbids that",
    "Without it less is let through, and no requirement asks for that",
)


def cause_of(system: System, effect: Effect) -> str:
    """One of the causes."""
    if effect.differs:
        return CAUSES[4] if effect.more else CAUSES[5]
    assert effect.change.part is not None
    read = [atom.signal for atom in atoms(effect.change.part) if isinstance(atom, SignalTrue)]
    if not read:
        return CAUSES[3]
    failing = {f.subject for f in system.faults if f.kind == "signal"}
    if any(signal in failing for signal in read):
        return CAUSES[2]
    plain = [spread_out(signal.reads) for signal in system.signals]
    return CAUSES[0] if any(plain.count(plain[signal]) > 1 for signal in read) else CAUSES[1]


def lines_of(found: Necessity, effects: list[Effect]) -> Iterator[str]:
    """Transition by transition, alike parts in one line."""
    system = found.system
    for number in dict.fromkeys(e.change.transition for e in effects):
        t = system.transitions[number]
        yield f"- {transition_text(system, t)} ({t.span.short})"
        told: Counter[tuple[str, str]] = Counter()
        for effect in effects:
            if effect.change.transition == number and effect.change.part is not None:
                told[f"`{formula_text(system, effect.change.part)}`", run_text(system, effect)] += 1
        by_run: dict[str, list[str]] = {}
        for (part, run), times in told.items():
            by_run.setdefault(run, []).append(part if times == 1 else f"{part} (in {times} places)")
        for run, parts in by_run.items():
            yield f"  - {', '.join(parts)}{run}"


def run_text(system: System, effect: Effect) -> str:
    if effect.trace is None:
        return ""
    names = [short_name(system, group.step, group.ticks) for group in folded(effect.trace) if group.step]
    return f": after {', '.join(names)}" if names else ": at the start"


def main(spec: str) -> int:
    system, problems = load(spec)
    assert system is not None, problems
    started, wall = time.process_time(), time.monotonic()
    spaces = explore(system, sorted({0, *(r.withstand for r in system.requirements)})).spaces
    found = necessity(spaces, kinds=("part",), progress=lambda what, _: print(what, end="\r", flush=True))
    spent, waited = time.process_time() - started, time.monotonic() - wall
    groups: dict[str, list[Effect]] = {cause: [] for cause in CAUSES}
    for effect in found.unasked:
        groups[cause_of(found.system, effect)].append(effect)
    machine = f"{platform.machine()}, Python {platform.python_version()}"
    text = [
        f"# Parts of the conditions of {Path(spec).name} that nobody notices",
        "",
        f"Written by `necessity_coach.py`; sha256 of the spec {system.sha256[:12]}; {machine}; two cores shared with",
        f"other work; {spent:.0f} s of processor time, {waited:.0f} s of wall clock.",
        "",
        *summary(found),
        "",
        *mirrored_sentences(found),
        "",
        "Every part below is redundant, or a requirement or a fault is missing; or it stays on purpose, and the head",
        "of the spec says why.",
    ]
    for cause, effects in groups.items():
        if effects:
            per = Counter(
                found.system.subsystems[found.system.transitions[e.change.transition].subsystem].name for e in effects
            )
            text += ["", f"## {cause} ({len(effects)})", ""]
            text += [", ".join(f"{name} {number}" for name, number in per.most_common()) + ".", ""]
            text += lines_of(found, effects)
    out = Path(__file__).with_suffix(".md")
    out.write_text("\n".join(text) + "\n", encoding="utf-8")
    print(f"wrote {out.name}: {len(found.unasked)} parts, {spent:.0f} s")
    return 0 if found.parts and found.noticed_parts >= ENOUGH * found.parts else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1] if len(sys.argv) > 1 else os.path.relpath(SPECS / "whimbrel.yaml")))
