"""Two revisions for other programs: the JSON of `compare --json`."""

from __future__ import annotations

from typing import Any

from safetymodel.report.compared import Compared, condition_text
from safetymodel.report.machine import FORMAT
from safetymodel.report.said import RunView
from safetymodel.revisions.compare import Behaviours, Divergence
from safetymodel.revisions.conditions import Part, PartChange, WayChange
from safetymodel.revisions.sequences import Label
from safetymodel.traces.save import trace_json
from safetymodel.traces.wording import formula_text


def comparison_json(compared: Compared) -> dict[str, Any]:
    """The whole comparison as plain data, in the form of its schema."""
    b = compared.behaviours
    return {
        "format": FORMAT,
        "old": _spec(compared.old),
        "new": _spec(compared.new),
        "worse": compared.worse,
        "requirements": [{"id": c.subject, "effect": c.effect, "what": c.text} for c in compared.judged],
        "same_claims": list(b.same_claims),
        "behaviour": {
            "equal": b.equal,
            "faults": b.budget,
            "road": b.road,
            "reason": b.reason,
            "parts_where": [_divergence(b, d) for d in b.divergences],
        },
        "conditions": [_way(b, way) for way in b.ways],
        "definitions": [_part(b, change) for change in b.parts],
        "unchanged_subsystems": list(b.unchanged),
        "faults": {"new": list(b.added_faults), "gone": list(b.removed_faults), "other": list(b.changed_faults)},
        "declared": [
            {"kind": c.kind, "name": c.name, "what": c.what, "effect": c.effect, "old": c.old, "new": c.new}
            for c in compared.declared
        ],
        "fault_sets": {
            "up_to": compared.sets_order,
            "complete": not compared.sets_left,
            "requirements": [
                {"id": s.requirement, "new": [list(n) for n in s.new], "gone": [list(n) for n in s.gone]}
                for s in compared.sets
            ],
        },
        "seconds": round(compared.seconds, 3),
    }


def _spec(run: RunView) -> dict[str, str]:
    return {"file": run.system.file, "title": run.system.title, "sha256": run.system.sha256}


def _named(part: Part) -> dict[str, str]:
    return {"kind": part.kind, "name": part.name}


def _label(label: Label) -> dict[str, str]:
    return {"kind": label[0], "name": label[1]}


def _divergence(b: Behaviours, d: Divergence) -> dict[str, Any]:
    run, system = (d.new_run, b.new) if d.new_run is not None else (d.old_run, b.old)
    return {
        "after": [_label(label) for label in d.labels],
        "only_old": [_label(label) for label in d.only_old],
        "only_new": [_label(label) for label in d.only_new],
        "states": [
            {"subsystem": s.subsystem, "old": list(s.old), "new": list(s.new), "since": s.since} for s in d.states
        ],
        "causes": [_named(cause) for cause in d.causes],
        "run": [] if run is None else trace_json(system, run),
    }


def _way(b: Behaviours, way: WayChange) -> dict[str, Any]:
    return {
        "subsystem": way.subsystem,
        "from": way.source,
        "to": way.target,
        "on": way.event,
        "as_written": way.written,
        "where_reached": way.reached,
        "old": [{"condition": condition_text(b.old, t), "place": t.span.short} for t in way.old],
        "new": [{"condition": condition_text(b.new, t), "place": t.span.short} for t in way.new],
        "causes": [_named(cause) for cause in way.causes],
    }


def _part(b: Behaviours, change: PartChange) -> dict[str, Any]:
    return {
        **_named(change.part),
        "in": change.share,
        "direction": change.direction,
        "old": None if change.old is None else formula_text(b.old, change.old),
        "new": None if change.new is None else formula_text(b.new, change.new),
    }
