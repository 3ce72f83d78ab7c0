"""Small files that stand for very much: families of families, conditions that are used again and again."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from safetymodel.model.build import load_text
from safetymodel.model.formula import HowMany, atoms

ROOT = Path(__file__).parent.parent
HEAD = "safetymodel: 1\ntitle: T\n"
DOOR = "subsystems:\n  door:\n    states: [shut, open]\n    events: {pull: {}}\n    transitions:\n"
LARGE = "conditions:\n  c0: door is open and door is open\n" + "".join(
    f"  c{n}: c{n - 1} and c{n - 1}\n" for n in range(1, 12)
)
SECONDS = 15.0


def family(members: int, condition: str, transitions: int) -> str:
    names = ", ".join(f"i{n}" for n in range(members))
    line = f"      - {{from: x, to: y, if: {condition}}}\n"
    return (
        f"{HEAD}subsystems:\n  a:\n    instances: [{names}]\n    states: [x, y]\n    transitions:\n{line * transitions}"
    )


SPECS = {
    "a family that counts itself": family(1900, "every a is x and some a is y", 40),
    "a family that counts itself, with self": family(1000, "self is x and every a is x and some a is y", 40),
    "many requirements on one large condition": f"{HEAD}{DOOR}      - {{from: shut, to: open, on: pull}}\n{LARGE}"
    + "requirements:\n"
    + "".join(f"  R{n}: {{never: c11}}\n" for n in range(2000)),
    "many transitions on one large condition": f"{HEAD}{LARGE}{DOOR}"
    + "      - {from: shut, to: open, on: pull, if: c11}\n" * 2000,
    "many unknown names": f"{HEAD}subsystems:\n"
    + "".join(
        f"  sub_{n}_of: {{states: [a], transitions: [{{from: a, to: a, if: sob_{n}_off is a}}]}}\n" for n in range(1500)
    ),
}
MEASURED = """
import resource, sys, time
resource.setrlimit(resource.RLIMIT_AS, (1_500_000_000,) * 2)
from safetymodel.model.build import load_text
system, problems = load_text(sys.stdin.read(), "large.yaml")
print(system is not None, len(problems), time.process_time())
"""


@pytest.mark.parametrize("name", SPECS)
def test_bounded_time_and_memory(name: str) -> None:
    """In a process of its own, which may have 1.5 GB of address space."""
    command = [sys.executable, "-c", MEASURED]
    done = subprocess.run(
        command, input=SPECS[name], capture_output=True, text=True, timeout=120, check=False, cwd=ROOT
    )
    assert done.returncode == 0, done.stderr[-2000:]
    system, problems, seconds = done.stdout.split()
    assert system == ("False" if "unknown" in name else "True")
    assert int(problems) <= 401
    assert float(seconds) < SECONDS


def test_members_that_are_counted_twice_are_kept_once() -> None:
    system, problems = load_text(family(50, "every a is x and some a is x|y", 2), "large.yaml")
    assert system is not None, [p.as_text() for p in problems]
    counts = [atom for t in system.transitions for atom in atoms(t.interlock) if isinstance(atom, HowMany)]
    assert len(counts) == 50 * 2 * 2
    assert len({id(count.members) for count in counts}) == 2
    assert {len(count.members) for count in counts} == {50}


def test_self_is_each_instance_and_all_else_is_shared() -> None:
    system, _ = load_text(family(3, "self is x and a.i1 is x", 1), "large.yaml")
    assert system is not None
    read = [[atom.subsystem for atom in atoms(t.interlock)] for t in system.transitions]  # type: ignore[union-attr]
    assert read == [[0, 1], [1, 1], [2, 1]]
