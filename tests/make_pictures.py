"""Draws the pictures under diagrams/ anew from the specs: `python tests/make_pictures.py`.

`test_pictures.py` draws them too and compares every byte, so a picture that no longer fits its spec fails there.
Always with the pip-installed drawing program, whose fonts and version are the same on every machine.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from verified import run_of

from safetymodel.claims.verdict import Trace
from safetymodel.diagrams.draw import draw_all
from safetymodel.explore.product import Product, ProductSpace
from safetymodel.faults.study import study
from safetymodel.model.build import load
from safetymodel.model.system import System
from safetymodel.pipeline import draw_fault_trees

ROOT = Path(__file__).resolve().parent.parent
FOLDER = ROOT / "diagrams"


@dataclass(frozen=True)
class Wanted:
    """Pictures of one spec: state diagrams of these subsystems, the map, a product graph, charts of these breaches.

    ``around`` names the subsystems of further maps, each drawn around one of them; ``through`` names the subsystems
    of a projection; ``whole`` asks for the whole product graph.
    """

    spec: str
    states: tuple[str, ...] = ()
    map: bool = False
    around: tuple[str, ...] = ()
    whole: bool = False
    through: tuple[str, ...] = ()
    broken: tuple[str, ...] = ()
    trees: int = 0
    """Fault trees of this many faults at once."""

    @property
    def folder(self) -> str:
        return Path(self.spec).stem


PICTURES: tuple[Wanted, ...] = (
    Wanted(
        "whimbrel.yaml",
        states=(
            "mode_key",
            "vehicle",
            "lift",
            "lift_door",
            "gantry_drive",
            "leaf",
            "search",
            "rear_bolt",
            "console",
            "k1",
            "contactor_watch",
            "stop_relay",
        ),
        map=True,
        around=("lift", "console"),
    ),
    Wanted("whimbrel-draft.yaml", broken=("B5", "L5", "L6", "L9", "D1")),
    Wanted("two-door-hatch.yaml", states=("inner_bolt", "outer_door", "panel"), map=True, broken=("R1",)),
    Wanted("platform-lift.yaml", states=("platform",), map=True, through=("platform", "outer_barrier")),
    Wanted("two-channel-estop.yaml", map=True),
    Wanted("textbook/pressure-tank.yaml", trees=2),
    Wanted("doors-in-series.yaml", trees=2),
    Wanted("textbook/mutual-exclusion-peterson.yaml", whole=True),
    Wanted("textbook/railway-crossing-broken.yaml", whole=True, broken=("R1",)),
    Wanted("textbook/railway-crossing-timed.yaml", whole=True),
)


def make(folder: Path, pictures: tuple[Wanted, ...] = PICTURES) -> list[Path]:
    """Draw into this folder; gives back the files in order. Raises RuntimeError where anything cannot be drawn."""
    written: list[Path] = []
    with _drawn_by("pure"):
        for wanted in pictures:
            system, _ = load(str(ROOT / "specs" / wanted.spec))
            if system is None:
                raise RuntimeError(f"{wanted.spec} cannot be read")
            written += _draw(system, wanted, folder / wanted.folder)
    return written


def _draw(system: System, wanted: Wanted, out: Path) -> list[Path]:
    written: list[Path] = []
    kinds: list[tuple[str, tuple[str, ...] | None]] = []
    if wanted.states:
        kinds.append(("states", wanted.states))
    if wanted.map:
        kinds.append(("map", None))
    kinds += [("map", (name,)) for name in wanted.around]
    if wanted.whole:
        kinds.append(("product", None))
    if wanted.through:
        kinds.append(("product", wanted.through))
    if wanted.broken:
        kinds.append(("timing", None))
    space = ProductSpace(Product(system, 0)) if wanted.whole or wanted.through else None
    for kind, only in kinds:
        paths, problems = draw_all(system, out, (kind,), only, _runs(system, wanted.broken), space)
        if problems:
            raise RuntimeError("\n".join(problem.as_text() for problem in problems))
        written += paths
    if wanted.trees:
        paths, problems = draw_fault_trees(study(system, wanted.trees, runs="off"), out)
        if problems:
            raise RuntimeError("\n".join(problem.as_text() for problem in problems))
        written += paths
    return written


def _runs(system: System, names: tuple[str, ...]) -> list[tuple[str, Trace, str]]:
    """The shortest counterexample of each of these requirements."""
    if not names:
        return []
    found = {judgement.requirement.name: judgement for judgement in run_of(Path(system.file)).judgements}
    runs = []
    for name in names:
        trace = found[name].trace
        if trace is None:
            raise RuntimeError(f"{name} of {system.file} has no counterexample")
        runs.append((name, trace, f"{name}: {found[name].requirement.text}"))
    return runs


@contextmanager
def _drawn_by(program: str) -> Iterator[None]:
    before = os.environ.get("SAFETYMODEL_DOT")
    os.environ["SAFETYMODEL_DOT"] = program
    try:
        yield
    finally:
        if before is None:
            del os.environ["SAFETYMODEL_DOT"]
        else:
            os.environ["SAFETYMODEL_DOT"] = before


def main() -> int:
    """Draw everything, and take away pictures that nothing asks for any more."""
    written = set(make(FOLDER))
    for path in sorted(FOLDER.rglob("*.svg")):
        if path not in written and path != FOLDER / "growth.svg":  # the benchmarks draw that one
            path.unlink()
            print(f"removed {path.relative_to(ROOT)}")
    print(f"drew {len(written)} pictures under {FOLDER.name}/")
    return 0


if __name__ == "__main__":
    sys.exit(main())
