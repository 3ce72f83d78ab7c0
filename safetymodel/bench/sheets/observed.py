"""A commissioning sheet that a bench has worked: what was observed, and pass or fail, filled in row by row."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from safetymodel.bench.sheets.sheet_rows import Line
from safetymodel.bench.sheets.sheet_run import SheetRun, Worked, by_number
from safetymodel.bench.sheets.sheets import Chapter, Part, Sheet
from safetymodel.traces.wording import counted

AS_EXPECTED = "as expected"


def with_results(sheet: Sheet, done: SheetRun, device: str) -> Sheet:
    """The sheet with its walks filled in; what the bench does not do (wiring, read-back, signatures) stays blank."""
    worked = by_number(done, sheet)
    chapters = tuple(_chapter(chapter, worked) for chapter in sheet.chapters)
    words = [one.word for one in done.worked]
    left = len(done.plan.walks) - len(words)
    counts = [f"{words.count(word)} {word}" for word in ("pass", "fail", "not run", "ended") if word in words]
    counts += [f"{left} not begun"] if left else []
    told = [
        f"Worked by a bench on {device}: {counted(len(done.plan.walks), 'walk')}, {', '.join(counts) or 'none run'}."
    ]
    if done.error is not None:
        told.append(f"It ended early, which is never a pass: {done.error.message}.")
    told.append("What it left blank is for people: wiring, read-back, bypass check, signatures.")
    return replace(sheet, chapters=chapters, worked=tuple(told))


def _chapter(chapter: Chapter, worked: Mapping[str, Worked]) -> Chapter:
    parts = tuple(replace(part, lines=tuple(_lines(part, worked.get(part.number)))) for part in chapter.parts)
    return replace(chapter, parts=parts)


def _lines(part: Part, one: Worked | None) -> list[Line]:
    lines = list(part.lines)
    if one is None:
        return [replace(lines[0], observed="not begun"), *lines[1:]] if lines else []
    found = [replace(line, observed=AS_EXPECTED, verdict="pass") for line in lines[: one.rows]] + lines[one.rows :]
    last = max(one.rows - 1, 0)
    if not lines:
        return found
    if one.difference is not None:
        shown = [f"{name} shows {one.difference.shown[name]}" for name in one.difference.outputs]
        text = one.difference.restless or ", ".join(shown) or "no one state fits all outputs"
        text = text if one.rows else f"at the reset: {text}"
        found[last] = replace(lines[last], observed=text, verdict="fail")
    elif one.word != "pass":
        found[last] = replace(lines[last], observed=f"{one.word}: {one.reason}", verdict="")
    return found
