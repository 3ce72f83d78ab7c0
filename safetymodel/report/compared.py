"""What a comparison of two revisions has found, and the condition of a transition in one line."""

from __future__ import annotations

from dataclasses import dataclass

from safetymodel.model.formula import TRUE
from safetymodel.model.system import System, Transition
from safetymodel.report.baseline import Change, DeclaredChange
from safetymodel.report.said import RunView
from safetymodel.revisions.compare import Behaviours
from safetymodel.revisions.conditions import Moved
from safetymodel.traces.wording import formula_text, window_text


@dataclass(frozen=True, slots=True)
class SetsChange:
    """The minimal fault sets (names, sorted) of one requirement that only one revision has."""

    requirement: str
    new: tuple[tuple[str, ...], ...]
    gone: tuple[tuple[str, ...], ...]


@dataclass(frozen=True, slots=True)
class Compared:
    """Everything about two revisions. ``sets_order`` is how many faults the fault sets have at most; ``sets_left``
    says why some were not compared, empty where all were; with ``sets_proved`` they are the same by proof.
    ``changes`` has what got worse, better or otherwise different, in verdicts and in what is declared."""

    old: RunView
    new: RunView
    behaviours: Behaviours
    changes: tuple[Change, ...]
    sets: tuple[SetsChange, ...]
    sets_order: int
    sets_left: str
    seconds: float
    sets_proved: bool = False

    @property
    def worse(self) -> bool:
        return any(change.effect == "worse" for change in self.changes)

    @property
    def judged(self) -> tuple[Change, ...]:
        """The changes of requirements and scenarios, and of what was found; those of one together."""
        found = [c for c in self.changes if not isinstance(c, DeclaredChange) or c.of_requirements]
        subjects = list(dict.fromkeys(c.subject for c in found))
        return tuple(sorted(found, key=lambda c: subjects.index(c.subject)))

    @property
    def declared(self) -> tuple[DeclaredChange, ...]:
        """The other changes of what is declared."""
        moved = (_moved(self.behaviours, one) for one in self.behaviours.moved)
        found = (c for c in self.changes if isinstance(c, DeclaredChange) and not c.of_requirements)
        return (*found, *moved)


def _moved(b: Behaviours, one: Moved) -> DeclaredChange:
    old, new = (
        " or ".join(condition_text(system, t) for t in ways) for system, ways in ((b.old, one.old), (b.new, one.new))
    )
    text = f"as a whole the same, but another part is `if`, another `physically`: `{new}`, it was `{old}`"
    return DeclaredChange("other", one.name, text, "transition", one.name, "if and physically", old, new)


def condition_text(system: System, t: Transition) -> str:
    parts = [window_text(system, t)]
    for word, formula in (("if", t.interlock), ("physically", t.physical)):
        if formula != TRUE:
            parts.append(f"{word} {formula_text(system, formula)}")
    return ", ".join(part for part in parts if part) or "without any condition"
