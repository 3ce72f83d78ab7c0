"""Peers side by side on the same systems: seconds, memory, and whether they count the same. By hand:

    python tests/benchmarks/peers/run.py RAW [--report]

Every measurement is a process of its own. What is measured is added to the file RAW at once, one JSON object a line,
and what is there already is not measured again, so that a long run can be stopped and taken up. At the end (or with
`--report` at once) `tests/benchmarks/results.md` and `diagrams/growth.svg` are written. Needs the extra `bench-peers`.
"""

from __future__ import annotations

import json
import os
import platform
import resource
import subprocess
import sys
import tempfile
import time
from datetime import date
from importlib.metadata import version
from pathlib import Path
from typing import Any

from growth_chart import Curve, growth_svg
from systems import CASES, ROOT, Case

HERE = Path(__file__).resolve().parent
RESULTS = HERE.parent / "results.md"
CHART = ROOT / "diagrams" / "growth.svg"

PATIENCE = {"live machines": 3_000, "networkx product": 60}
"""Seconds of processor time that a peer may take on one system; others get :data:`USUAL_PATIENCE`."""
USUAL_PATIENCE = 60
MOST_WRITTEN = {"live machines": 3_000_000, "networkx product": 110_000, "explicit": 3_000_000}
"""States up to which those peers are tried that write every one of them down."""
ROOM = 6_000_000_000
"""Bytes of address space for those peers that write states down."""

COUNTING = ("live machines", "networkx product", "explicit", "symbolic", "dd")
LEGEND = {
    "live machines": "breadth-first search over live `transitions` machines",
    "networkx product": "synchronous product of `networkx` graphs",
    "explicit": "our explicit engine",
    "symbolic": "our symbolic engine",
    "dd": "our encoding over `dd.cudd`",
    "bare oxidd": "the same fixpoint by hand in `oxidd`",
    "symbolic, breach": "our symbolic engine, states and judgement",
    "symbolic, proof": "our symbolic engine, states and judgement",
    "z3 unrolled": "`z3-solver`, steps unrolled to the breach",
    "z3 Horn": "`z3-solver`, fixed-point engine",
}
TOO_LONG, NO_ROOM = "too long", "no room"
Raw = dict[tuple[str, str], dict[str, Any]]


def fits(peer: str, case: Case) -> bool:
    """Whether the peer can say anything about the system."""
    if case.states is not None and case.states > MOST_WRITTEN.get(peer, case.states):
        return False
    if case.family == "fleet" and peer in MOST_WRITTEN:
        return case.size <= (3 if peer == "explicit" else 1) and peer != "networkx product"
    if peer == "networkx product":
        return case.family in ("philosophers", "kanban", "textbook/booking-system")
    if peer == "dd":
        return case.family != "two-door-hatch"
    if peer == "bare oxidd":
        return case.family == "philosophers" and case.size >= 20
    if peer in ("symbolic, breach", "z3 unrolled"):
        return case.family == "kanban" or (case.family == "fleet" and case.budget == 1)
    if peer in ("symbolic, proof", "z3 Horn"):
        return case.family in ("kanban", "philosophers", "fleet")
    return True


def tried() -> list[tuple[str, Case]]:
    """Every peer on every system that it fits, sizes ascending; the slowest peer last."""
    return [(p, c) for p in reversed(LEGEND) for c in CASES.values() if fits(p, c)]


def measure(peer: str, case: Case) -> dict[str, Any]:
    patience = PATIENCE.get(peer, USUAL_PATIENCE)

    def limited() -> None:
        resource.setrlimit(resource.RLIMIT_CPU, (patience, patience + 5))
        if peer in ("live machines", "networkx product", "explicit"):
            resource.setrlimit(resource.RLIMIT_AS, (ROOM, ROOM))

    with tempfile.TemporaryFile("w+") as out, tempfile.TemporaryFile("w+") as err:
        command = [sys.executable, str(HERE / "child.py"), peer, case.name]
        child = subprocess.Popen(command, stdout=out, stderr=err, preexec_fn=limited)
        _, status, usage = os.wait4(child.pid, 0)
        child.returncode = os.waitstatus_to_exitcode(status)
        out.seek(0)
        err.seek(0)
        found: dict[str, Any] = {"peer": peer, "case": case.name, "memory": usage.ru_maxrss * 1024}
        if child.returncode == 0:
            return {**found, **json.loads(out.read().splitlines()[-1])}
        trouble = err.read()
        if child.returncode < 0:
            return {**found, "failed": TOO_LONG}
        if "MemoryError" in trouble or "ArrayMemoryError" in trouble:
            return {**found, "failed": NO_ROOM}
        print(f"{peer} on {case.name} failed:\n{trouble}")
        return {**found, "failed": "error: " + trouble.strip().splitlines()[-1][:80]}


def load_raw(path: Path) -> Raw:
    lines = path.read_text().splitlines() if path.exists() else []
    return {(m["peer"], m["case"]): m for m in map(json.loads, lines)}


def run(path: Path) -> Raw:
    for peer, case in tried():
        raw = load_raw(path)
        lost = {(p, CASES[c].family, CASES[c].budget) for (p, c), m in raw.items() if "failed" in m}
        if (peer, case.name) in raw or (peer, case.family, case.budget) in lost:
            continue
        found = measure(peer, case)
        with path.open("a") as file:
            file.write(json.dumps(found) + "\n")
        print(f"{peer:18} {case.name:40} {found.get('seconds', found.get('failed'))}", flush=True)
    return load_raw(path)


def disagreements(raw: Raw) -> list[str]:
    """Counts that differ from what is known or between peers, verdicts that are not what they must be."""
    found = []
    for case in CASES.values():
        counts = {p: m["states"] for (p, c), m in raw.items() if c == case.name and "states" in m}
        expected = case.states if case.states is not None else counts.get("symbolic")
        found += [
            f"{peer} counts {count:,} states of {case.name}, not {expected:,}"
            for peer, count in counts.items()
            if expected is not None and count != expected
        ]
    for (peer, name), m in raw.items():
        wanted = {"z3 unrolled": "broken", "symbolic, breach": "broken", "z3 Horn": "holds", "symbolic, proof": "holds"}
        if peer in wanted and "word" in m and m["word"] != wanted[peer]:
            found.append(f"{peer} says {m['word']} of {name}, not {wanted[peer]}")
        other = raw.get(("symbolic, breach", name), {}).get("depth")
        if peer == "z3 unrolled" and "depth" in m and other is not None and m["depth"] > other:
            found.append(f"z3 unrolled finds a breach of {name} after {m['depth']} steps, we after {other}")
    return found


# -- the page ---------------------------------------------------------------------------------


def seconds(m: dict[str, Any] | None, key: str = "seconds") -> str:
    if m is None:
        return ""
    if "failed" in m:
        return f"*{m['failed']}*"
    value = m[key]
    return f"{value:,.0f}" if value >= 100 else f"{value:.3g}" if value >= 0.1 else f"{value:.4f}"


def cell(m: dict[str, Any] | None) -> str:
    if m is None or "failed" in m:
        return seconds(m)
    return f"{seconds(m)} s, {m['memory'] / 1e6:,.0f} MB"


def table(head: list[str], rows: list[list[str]]) -> str:
    lines = [f"| {' | '.join(head)} |", "|" + " --- |" * len(head)]
    return "\n".join(lines + [f"| {' | '.join(row)} |" for row in rows])


def machine() -> str:
    lines = [line for line in Path("/proc/cpuinfo").read_text().splitlines() if "model name" in line]
    cpu = lines[0].partition(":")[2].strip() if lines else platform.machine()
    memory = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") / 1e9
    names = ("oxidd", "numpy", "networkx", "transitions", "z3-solver", "dd")
    versions = ", ".join(f"{name} {version(name)}" for name in names)
    return f"{cpu}, {os.cpu_count()} cores (shared), {memory:.0f} GB; Python {platform.python_version()}, {versions}"


def report(raw: Raw) -> str:
    wrong = disagreements(raw)
    rows = []
    for case in CASES.values():
        ours = raw.get(("symbolic", case.name))
        if ours is None or "states" not in ours:
            continue
        count = f"{ours['states']:,}" if ours["states"] < 10**12 else f"{ours['states']:.3e}"
        rows.append([case.name, count, *(cell(raw.get((p, case.name))) for p in COUNTING)])
    judged = [
        [
            case.name,
            cell(raw.get(("symbolic, breach", case.name))),
            cell(raw.get(("z3 unrolled", case.name))),
            cell(raw.get(("symbolic, proof", case.name))),
            cell(raw.get(("z3 Horn", case.name))),
        ]
        for case in CASES.values()
        if (("z3 unrolled", case.name) in raw or ("z3 Horn", case.name) in raw)
    ]
    lines = [
        "# Peers side by side",
        "",
        f"Measured {date.today().isoformat()}. {machine()}.",
        "",
        "Seconds are processor time, after the spec is read; of our engines they include the encoding. Runs of less",
        "than 0.3 s are repeated and the median is given. Memory is the greatest resident memory of the process,",
        "libraries included. Every measurement is a process of its own. *too long*: not within",
        f"{USUAL_PATIENCE} s of processor time ({PATIENCE['live machines']:,} s for the live machines); *no room*: not",
        f"within {ROOM / 1e9:.0f} GB. Empty: does not fit the peer, or is too large for it.",
        "",
        *[f"- {peer}: {text}" for peer, text in LEGEND.items()],
        "",
        "## Counting every state",
        "",
        table(["system", "states", *COUNTING], rows),
        "",
        "## One `never` judged",
        "",
        table(["system", "broken: symbolic", "broken: z3 unrolled", "holds: symbolic", "holds: z3 Horn"], judged),
        "",
        "## What follows",
        "",
        *[f"- {line}" for line in ratios(raw)],
        "",
        "## Agreement",
        "",
    ]
    if wrong:
        lines += ["**THE PEERS DO NOT AGREE:**", "", *[f"- {w}" for w in wrong]]
    else:
        lines.append("Every count is the known one, or where none is known the same from every peer; so is every")
        lines.append("verdict.")
    return "\n".join(lines) + "\n"


def ratios(raw: Raw) -> list[str]:
    found = []
    live = [m for (p, _), m in raw.items() if p == "live machines" and "seconds" in m]
    if live:
        largest = max(live, key=lambda m: m["states"])
        ours = raw["symbolic", largest["case"]]
        found.append(
            f"The largest system that the live machines finish is {largest['case']} ({largest['states']:,} states): "
            f"{largest['seconds']:,.0f} s against {ours['seconds']:.4f} s of the symbolic engine, encoding included: "
            f"{largest['seconds'] / ours['seconds']:,.0f} times as long"
            f" ({largest['seconds'] / ours['explore']:,.0f} times without the encoding)."
        )
        slowest = max(live, key=lambda m: m["seconds"] / raw["symbolic", m["case"]]["seconds"])
        if slowest is not largest:
            own = raw["symbolic", slowest["case"]]
            found.append(
                f"The greatest ratio is that of {slowest['case']}: {slowest['seconds'] / own['seconds']:,.0f}."
            )
    for peer in ("networkx product", "explicit", "dd"):
        pairs = [
            (m["seconds"] / raw["symbolic", c]["seconds"], m)
            for (p, c), m in raw.items()
            if p == peer and "seconds" in m and "seconds" in raw.get(("symbolic", c), {})
        ]
        if pairs:
            ratio, m = max(pairs, key=lambda pair: pair[1]["states"])
            text = f"{ratio:,.2f} times the time of our symbolic engine"
            found.append(f"{LEGEND[peer]}: {text} on {m['case']}, the largest it finishes.")
    over = [
        (c, raw["symbolic", c]["explore"] / m["explore"])
        for (p, c), m in raw.items()
        if p == "bare oxidd" and "explore" in m and "explore" in raw.get(("symbolic", c), {})
    ]
    if over:
        text = ", ".join(f"{ratio:.2f} ({c})" for c, ratio in over)
        found.append(f"Exploring alone, our engine over the bare script: {text}.")
    return found


def chart(raw: Raw) -> str:
    curves = []
    for peer in COUNTING:
        for family in ("philosophers",):
            points = [
                (float(CASES[c].size), m["seconds"])
                for (p, c), m in raw.items()
                if p == peer and c in CASES and CASES[c].family == family and "seconds" in m
            ]
            if points:
                curves.append(Curve(LEGEND[peer].replace("`", ""), tuple(sorted(points))))
    title = "Dining philosophers: time to count every state"
    return growth_svg(curves, title, "philosophers", "seconds of processor time")


def main(arguments: list[str]) -> int:
    path = Path(arguments[0])
    raw = load_raw(path) if "--report" in arguments else run(path)
    text = report(raw)
    RESULTS.write_text(text, encoding="utf-8")
    CHART.write_text(chart(raw), encoding="utf-8")
    wrong = disagreements(raw)
    print("\n".join(["", *(f"DISAGREEMENT: {w}" for w in wrong)]) or "", f"{time.strftime('%H:%M')} written", sep="\n")
    return 1 if wrong else 0


if __name__ == "__main__":
    if len(sys.argv) < 2:
        raise SystemExit(__doc__)
    raise SystemExit(main(sys.argv[1:]))
