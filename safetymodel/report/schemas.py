"""JSON Schemas of what the commands write: `verify --json`, `faults --json`, `review --json`, `compare --json`.

They are strict (no key that is not named here), so that a test of ours notices when a key comes or goes. ``format``
rises when a key changes its meaning or goes; a new key alone does not raise it.
"""

from __future__ import annotations

from typing import Any, get_args

from safetymodel.claims.verdict import Road, Word
from safetymodel.insight.defects import DefectKind
from safetymodel.insight.matrix import Does, Untried
from safetymodel.insight.necessity.changes import Kind as ChangeKind
from safetymodel.insight.suggest.suggested import Outcome, Sight
from safetymodel.model.step import Kind
from safetymodel.model.system import Form
from safetymodel.report.baseline import Effect
from safetymodel.report.machine import FORMAT
from safetymodel.revisions.conditions import Direction, PartKind, Share
from safetymodel.revisions.declared import DeclaredKind

Schema = dict[str, Any]

TEXT: Schema = {"type": "string"}
TRUTH: Schema = {"type": "boolean"}
COUNT: Schema = {"type": "integer", "minimum": 0}
NUMBER: Schema = {"type": "number"}
NAMES: Schema = {"type": "array", "items": TEXT}
DIGITS: Schema = {"type": "string", "pattern": "^[0-9]+$", "description": "a count, which may outgrow 64 bits"}


def _of(*values: object) -> Schema:
    return {"enum": list(values)}


def _list(items: Schema) -> Schema:
    return {"type": "array", "items": items}


def _map(values: Schema) -> Schema:
    return {"type": "object", "additionalProperties": values}


def _or_null(schema: Schema) -> Schema:
    return {"anyOf": [schema, {"type": "null"}]}


def _object(required: dict[str, Schema], optional: dict[str, Schema] | None = None) -> Schema:
    return {
        "type": "object",
        "properties": {**required, **(optional or {})},
        "required": list(required),
        "additionalProperties": False,
    }


SPEC = _object({"file": TEXT, "title": TEXT, "sha256": {"type": "string", "pattern": "^[0-9a-f]{64}$"}})
PROBLEM = _object(
    {
        "slug": TEXT, "severity": _of("error", "warning"), "file": TEXT, "line": COUNT, "column": COUNT,
        "message": TEXT, "hint": TEXT,
    }
)  # fmt: skip
STEP = _object(
    {
        "kind": _of(*get_args(Kind)),
        "name": TEXT,
        "by": TEXT,
        "text": TEXT,
        "changes": _map({"type": "array", "items": TEXT, "minItems": 2, "maxItems": 2}),
    },
    {"ticks": COUNT, "place": TEXT},
)
STATES = _map(_object({"settled": DIGITS, "all": DIGITS}, {"complete": TRUTH}))
REQUIREMENT = _object(
    {
        "id": TEXT, "text": TEXT, "form": _of(*get_args(Form)), "claim": TEXT, "where": _map(TEXT), "prevent": TRUTH,
        "verdict": _of(*get_args(Word)), "passes": TRUTH, "withstand": COUNT, "budget": COUNT, "hazards": NAMES,
        "source": TEXT,
    },
    {
        "happenings": COUNT, "faults": NAMES, "trace": _list(STEP),
        "longest_moment": {
            "type": "object",
            "properties": {"reactions": _or_null(COUNT), "ms": NUMBER},
            "required": ["reactions", "ms"],
        },
        "longest_wait_ms": NUMBER, "empty_because": TEXT, "reason": TEXT, "nearest_blocked": NAMES,
        "second_opinion": _object({"road": _of(*get_args(Road)), "agrees": _or_null(TRUTH), "reason": TEXT}),
    },
)  # fmt: skip
DECLARED_KIND = _of(*get_args(DeclaredKind))
VERIFIED = _object(
    {
        "format": _of(FORMAT), "spec": SPEC, "engine": TEXT, "engine_reason": TEXT, "tick_ms": _or_null(NUMBER),
        "states": STATES, "requirements": _list(REQUIREMENT),
        "scenarios": _list(
            _object({"id": TEXT, "ok": TRUTH, "steps": _list(_object({"step": TEXT, "ok": TRUTH, "why": NAMES}))})
        ),
        "findings": _list(
            _object(
                {
                    "slug": TEXT, "severity": _of("error", "warning"), "message": TEXT, "trace": _list(STEP),
                    "goes_round_from": _or_null(COUNT),
                }
            )
        ),
        "problems": _list(PROBLEM), "seconds": NUMBER,
    },
    {
        "disagreement": TEXT, "shortfall": TEXT,
        "declared": _list(_object({"kind": DECLARED_KIND, "name": TEXT, "values": _map(TEXT)})),
    },
)  # fmt: skip
UNREAD = _object({"format": _of(FORMAT), "spec": _object({"file": TEXT}), "problems": _list(PROBLEM)})

FAULTS = _object(
    {
        "format": _of(FORMAT), "spec": SPEC, "up_to": COUNT, "engine": TEXT, "engine_reason": TEXT,
        "tick_ms": _or_null(NUMBER), "states": STATES,
        "requirements": _list(
            _object(
                {
                    "id": TEXT, "text": TEXT, "withstand": COUNT, "minimal_fault_sets": _list(NAMES),
                    "complete": TRUTH, "stands": _or_null(TRUTH),
                    "runs": _list(_object({"faults": NAMES, "happenings": COUNT, "trace": _list(STEP)})),
                },
                {"reason": TEXT, "empty_because": TEXT},
            )
        ),
        "effects": _list(
            _object(
                {
                    "fault": TEXT, "text": TEXT, "immediate": TEXT, "signals": NAMES, "subsystems": NAMES,
                    "defeats_alone": NAMES,
                    "defeats_together": _list(_object({"id": TEXT, "with": _list(NAMES)})),
                    "use_lost": NAMES,
                },
                {
                    "shows": TEXT, "shows_text": TEXT, "revealed": TRUTH, "called_on": TRUTH, "after_ms": NUMBER,
                    "undecided": NAMES,
                },
            )
        ),
        "hidden_faults": NAMES, "undecided_faults": NAMES,
        "categories": _list(
            _object(
                {
                    "id": TEXT, "behaves_as": TEXT, "because": TEXT, "singles": NAMES, "hidden": NAMES,
                    "hidden_sets": _list(NAMES),
                }
            )
        ),
        "not_shown": NAMES,
        "figures": {"type": "array", "items": {"type": "object"}, "description": "what follows from rates"},
        "problems": _list(PROBLEM), "seconds": NUMBER,
    },
    {"shortfall": TEXT},
)  # fmt: skip

PART = {"kind": _of(*get_args(PartKind)), "name": TEXT}
LABEL = _object({"kind": _of(*get_args(Kind)), "name": TEXT})
CONDITIONS = _list(_object({"condition": TEXT, "place": TEXT}))
DIRECTION = _of(*get_args(Direction))
EFFECT = _of(*get_args(Effect))
COMPARED = _object(
    {
        "format": _of(FORMAT), "old": SPEC, "new": SPEC, "worse": TRUTH,
        "requirements": _list(_object({"id": TEXT, "effect": EFFECT, "what": TEXT})),
        "same_claims": NAMES,
        "behaviour": _object(
            {
                "equal": _or_null(TRUTH), "faults": COUNT, "road": _of("sequences", "conditions"), "reason": TEXT,
                "parts_where": _list(
                    _object(
                        {
                            "after": _list(LABEL), "only_old": _list(LABEL), "only_new": _list(LABEL),
                            "states": _list(
                                _object({"subsystem": TEXT, "old": NAMES, "new": NAMES}, {"since": COUNT})
                            ),
                            "causes": _list(_object(PART)), "run": _list(STEP),
                        }
                    )
                ),
            }
        ),
        "conditions": _list(
            _object(
                {
                    "subsystem": TEXT, "from": TEXT, "to": TEXT, "on": TEXT, "as_written": DIRECTION,
                    "where_reached": _or_null(DIRECTION), "old": CONDITIONS, "new": CONDITIONS,
                    "causes": _list(_object(PART)),
                }
            )
        ),
        "definitions": _list(
            _object(
                {
                    **PART, "in": _of(*get_args(Share)), "direction": DIRECTION, "old": _or_null(TEXT),
                    "new": _or_null(TEXT),
                }
            )
        ),
        "unchanged_subsystems": NAMES,
        "faults": _object({"new": NAMES, "gone": NAMES, "other": NAMES}),
        "fault_sets": _object(
            {
                "up_to": COUNT, "complete": TRUTH,
                "requirements": _list(_object({"id": TEXT, "new": _list(NAMES), "gone": _list(NAMES)})),
            }
        ),
        "seconds": NUMBER,
    },
    {
        "declared": _list(
            _object(
                {
                    "kind": DECLARED_KIND, "name": TEXT, "what": TEXT, "effect": EFFECT, "old": _or_null(TEXT),
                    "new": _or_null(TEXT),
                }
            )
        ),
    },
)  # fmt: skip

PLACE = _object({"file": TEXT, "line": COUNT, "column": COUNT})
WORD = _of(*get_args(Word))
TURNED = _list(_object({"requirement": TEXT, "before": WORD, "after": WORD}))
WHEN = _object({"states": _map(NAMES), "exact": TRUTH})
DEFECT = _object(
    {
        "kind": _of(*get_args(DefectKind)), "message": TEXT, "faults": COUNT, "places": _list(PLACE),
        "transitions": NAMES, "runs": _list(_list(STEP)),
    },
    {
        "state": {"type": "array", "items": TEXT, "minItems": 2, "maxItems": 2}, "event": TEXT, "condition": TEXT,
        "goes_round_from": COUNT,
    },
)  # fmt: skip
CHANGED = _list(_object({"requirement": TEXT, "before": WORD, "after": WORD, "text": TEXT}))
SUGGESTION = _object(
    {
        "requirement": TEXT, "faults": COUNT, "outcome": _of(*get_args(Outcome)), "before": WORD,
        "after": _or_null(WORD),
        "conditions": _list(
            _object(
                {
                    "transition": TEXT, "place": PLACE, "if": TEXT, "never": TRUTH, "reads": _of(*get_args(Sight)),
                    "exact": TRUTH,
                }
            )
        ),
        "passes": TRUTH, "simpler": TRUTH, "least_restrictive": TRUTH, "keeps_always_possible": TRUTH,
        "worse": CHANGED, "better": CHANGED,
        "failing_scenarios": _list(_object({"scenario": TEXT, "step": TEXT, "place": PLACE, "why": TEXT})),
        "chatters": TRUTH, "impossible_events": NAMES, "sentences": NAMES,
    },
    {
        "holds_back_more": _list(_object({"transition": TEXT, "while": TEXT, "states": DIGITS, "of_states": DIGITS})),
        "beside_verdict": TEXT,
        "reason": TEXT, "way": _list(STEP),
    },
)  # fmt: skip
NECESSITY = _object(
    {
        "parts": COUNT, "parts_known": COUNT, "parts_noticed": COUNT, "all_who_notice": TRUTH,
        "mirrored_faults": NAMES, "asked_without_mirrored_faults": NAMES,
        "changes": _list(
            _object(
                {"kind": _of(*get_args(ChangeKind)), "transition": TEXT, "place": PLACE, "known": TRUTH},
                {
                    "part": TEXT, "differs": TRUTH, "chatters": TRUTH, "noticed_by": TURNED, "becomes_possible": TRUTH,
                    "run": _list(STEP),
                },
            )
        ),
    },
    {"shortfall": TEXT},
)  # fmt: skip
RESPONSE = _object(
    {
        "requirement": TEXT, "faults": COUNT, "reactions": _or_null(COUNT), "ms": _or_null(NUMBER),
        "without_response": NAMES,
    },
    {
        "verdict": WORD, "longest_wait_ms": NUMBER, "run": _list(STEP), "reaction_begins_after": COUNT,
        "distance": _object(
            {
                "declared_mm": _or_null(NUMBER), "needed_mm": NUMBER, "suffices": _or_null(TRUTH),
                "speed_mm_per_s": NUMBER, "depth_mm": NUMBER, "time_ms": NUMBER, "supposed": NAMES,
            },
            {"not_shown_because": TEXT},
        ),
        "undecided": TEXT,
    },
)  # fmt: skip
MARK = _object(
    {"does": _of(*get_args(Does)), "always": TRUTH, "delayed": TRUTH, "words": TEXT},
    {"only_when": WHEN, "starts": _list(_object({"by": TEXT}, {"only_when": WHEN}))},
)
MATRIX = _object(
    {
        "situations": DIGITS,
        "causes": _list(_object({"name": TEXT, "kind": _of("signal", "state", "act"), "text": TEXT, "place": PLACE})),
        "effects": _list(_object({"name": TEXT, "text": TEXT, "function": TRUTH, "active": TEXT, "place": PLACE})),
        "cells": _list(_object({"cause": COUNT, "effect": COUNT, "marks": _list(MARK)})),
        "not_tried": _list(_object({"cause": COUNT, "effect": COUNT, "what": _list(_of(*get_args(Untried)))})),
        "not_finished": NAMES,
    }
)  # fmt: skip
REVIEWED = _object(
    {
        "format": _of(FORMAT), "spec": SPEC, "engine": TEXT, "engine_reason": TEXT, "tick_ms": _or_null(NUMBER),
        "states": STATES, "undecided": NAMES, "problems": _list(PROBLEM), "seconds": NUMBER,
    },
    {
        "defects": _list(DEFECT), "suggestions": _list(SUGGESTION), "necessity": NECESSITY,
        "response": _list(RESPONSE), "matrix": MATRIX,
    },
)  # fmt: skip

_SCHEMAS: dict[str, Schema] = {
    "verify": {"anyOf": [VERIFIED, UNREAD, _list({"anyOf": [VERIFIED, UNREAD]})]},
    "faults": FAULTS,
    "review": REVIEWED,
    "compare": COMPARED,
}


def results_schema(command: str) -> Schema:
    """The JSON Schema (draft 2020-12) of what this command writes. KeyError where it writes no JSON."""
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": f"safetymodel {command} --json, format {FORMAT}",
        **_SCHEMAS[command],
    }
