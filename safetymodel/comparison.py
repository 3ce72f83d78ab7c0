"""The stories that need two verifications: comparing revisions, and results against a baseline."""

from __future__ import annotations

import json
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from safetymodel.claims.clock import Clock
from safetymodel.explore.choice import explore
from safetymodel.explore.engine import Limits, Progress
from safetymodel.faults.sets import sets_and_breaches
from safetymodel.model.system import System
from safetymodel.pipeline import Run, Unread, exit_code, verify
from safetymodel.problems import Problem
from safetymodel.report.baseline import Change, changes_between
from safetymodel.report.compared import Compared, SetsChange
from safetymodel.report.machine import FORMAT, declared_json, run_json
from safetymodel.revisions.compare import compare_behaviour
from safetymodel.span import Span


def compare(
    old: str,
    new: str,
    budget: int | None = None,
    sets_order: int = 1,
    limits: Limits | None = None,
    progress: Progress | None = None,
) -> Compared | tuple[Unread, ...]:
    """Read, verify and compare two revisions of a spec; the unread ones where one has problems.

    ``budget`` faults at once are in the behaviours (as many as the specs want withstood, unless told), minimal fault
    sets have up to ``sets_order``. Raises LimitReached where a limit leaves nothing to say.
    """
    started = time.monotonic()
    limits = limits or Limits()
    runs = [verify(path, None, "auto", limits, progress, "off") for path in (old, new)]
    unread = tuple(run for run in runs if isinstance(run, Unread))
    before, after = runs
    if unread or isinstance(before, Unread) or isinstance(after, Unread):
        return unread
    systems = before.system, after.system
    if budget is None:
        budget = max((r.withstand for system in systems for r in system.requirements), default=0)
    behaviours = compare_behaviour(*systems, budget, limits, progress)
    proved = behaviours.same_verdicts(sets_order)
    sets, left = ((), "") if proved else _sets_changes(systems, sets_order, limits, progress)
    results = [{**run_json(run), "declared": declared_json(run.system, True)} for run in (before, after)]
    return Compared(
        old=before,
        new=after,
        behaviours=behaviours,
        changes=changes_between(results[0], results[1], behaviours.same_claims, behaviours.meanings),
        sets=sets,
        sets_order=sets_order,
        sets_left=left,
        seconds=time.monotonic() - started,
        sets_proved=proved,
    )


def compare_exit_code(compared: Compared | tuple[Unread, ...]) -> int:
    """0 equal in behaviour, verdicts, claims and numbers, whatever the words; 1 different; 2 a spec has problems;
    3 undecided."""
    if not isinstance(compared, Compared):
        return 2
    b = compared.behaviours
    changed = [*compared.judged, *(change for change in compared.declared if not change.only_words)]
    if b.equal is False or changed or compared.sets:
        return 1
    judgements = [judgement for run in (compared.old, compared.new) for judgement in run.judgements]
    undecided = any(judgement.word == "undecided" for judgement in judgements)
    known = not undecided or b.same_verdicts(max(judgement.budget for judgement in judgements))
    return 0 if b.equal and known and not compared.sets_left else 3


Sets = dict[str, frozenset[tuple[str, ...]]]


def _sets_changes(
    systems: tuple[System, System], order: int, limits: Limits, progress: Progress | None
) -> tuple[tuple[SetsChange, ...], str]:
    """The minimal fault sets that only one revision has, of the requirements that both have; and what was left out."""
    if not order or not any(system.faults for system in systems):
        return (), ""
    reasons: list[str] = []
    found = [_minimal_sets(system, order, limits, progress, reasons) for system in systems]
    changes = []
    for name in found[1]:
        if name in found[0] and found[0][name] != found[1][name]:
            new, gone = found[1][name] - found[0][name], found[0][name] - found[1][name]
            changes.append(SetsChange(name, _sorted(new), _sorted(gone)))
    return tuple(changes), "; ".join(dict.fromkeys(reasons))


def _sorted(sets: frozenset[tuple[str, ...]]) -> tuple[tuple[str, ...], ...]:
    return tuple(sorted(sets, key=lambda names: (len(names), names)))


def _minimal_sets(system: System, order: int, limits: Limits, progress: Progress | None, reasons: list[str]) -> Sets:
    found: Sets = {}
    clock = Clock(limits.seconds)
    space = explore(system, (order,), "auto", limits, progress).spaces[order]
    space.on_work = clock.check
    for requirement in system.requirements:
        if progress is not None:
            progress(f"fault sets of {requirement.name}", 0)
        sets, _ = sets_and_breaches(space, requirement, clock)
        if not sets.complete:
            reasons.append(f"{requirement.name}: {sets.reason}")
            continue
        found[requirement.name] = frozenset(
            tuple(sorted(system.faults[f].name for f in one.faults)) for one in sets.sets
        )
    return found


# -- baseline -------------------------------------------------------------------------------------


def read_baseline(path: str) -> list[dict[str, Any]] | Problem:
    """The results that a file of `verify --json` holds, one a spec; a problem where it is none."""

    def problem(message: str, line: int = 1) -> Problem:
        hint = "make one with: safetymodel verify SPEC... --json FILE"
        return Problem("bad-baseline", Span(path, line), message, hint)

    try:
        text = Path(path).read_text(encoding="utf-8")
    except FileNotFoundError:
        return problem(f"there is no file {path}")
    except (OSError, ValueError) as error:
        return problem(f"cannot read {path}: {getattr(error, 'strerror', None) or error}")
    try:
        data = json.loads(text)
    except json.JSONDecodeError as error:
        return problem(f"this is no JSON: {error.msg}", error.lineno)
    except RecursionError:
        return problem("this is nested too deep to be a results file")
    results = data if isinstance(data, list) else [data]
    for result in results:
        if not isinstance(result, dict) or "spec" not in result or "requirements" not in result:
            return problem("this is no results file of `verify --json`, or of a spec that had problems")
        if result.get("format") != FORMAT:
            return problem(f"this results file has format {result.get('format')!r}, this program reads {FORMAT}")
    return results


def against_baseline(results: Sequence[Run | Unread], baseline: list[dict[str, Any]]) -> list[tuple[str, Change]]:
    """(spec file, change) for everything that differs from the baseline. Specs are matched by file name; where both
    sides have one spec only, those two belong together."""
    runs = [result for result in results if isinstance(result, Run)]
    known = {result["spec"]["file"]: result for result in baseline}
    found: list[tuple[str, Change]] = []
    for run in runs:
        file = run.system.file
        before = known.get(file)
        if before is None and len(runs) == len(baseline) == 1:
            before = baseline[0]
        if before is None:
            found.append((file, Change("other", "", "is not in the baseline")))
            continue
        if "declared" not in before:
            text = "was kept by an earlier version, without faults and numbers: make it anew to have them watched"
            found.append((file, Change("other", "", text)))
        try:
            found.extend((file, change) for change in changes_between(before, run_json(run)))
        except (KeyError, TypeError, AttributeError):
            found.append((file, Change("worse", "", "the baseline lacks parts of a results file: make it anew")))
    seen = {run.system.file for run in runs}
    if not (len(runs) == len(baseline) == 1):
        found.extend(
            (file, Change("worse", "", "is in the baseline, and was not verified"))
            for file in known
            if file not in seen
        )
    return found


def baseline_exit_code(results: Sequence[Run | Unread], changes: Sequence[tuple[str, Change]]) -> int:
    """With a baseline: 1 where anything got worse, 3 where something is undecided, else 0, whatever is still as bad as
    it was; 2 and 4 as ever."""
    code = exit_code(results)
    if code in (2, 4):
        return code
    if any(change.effect == "worse" for _, change in changes):
        return 1
    undecided = (run.shortfall or any(j.word == "undecided" for j in run.judgements) for run in results)  # type: ignore[union-attr]
    return 3 if any(undecided) else 0
