"""The table of format 1 as pydantic models, and their JSON Schema for editors. The one room that knows pydantic.

Nothing else imports this room at the top of a file: a verification holds a spec against the table
itself (`fit`), which knows places and words, and does not wait for pydantic to load.
"""

from __future__ import annotations

from functools import cache
from keyword import iskeyword
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, create_model
from pydantic.json_schema import GenerateJsonSchema, JsonSchemaValue
from pydantic_core import core_schema

from safetymodel.spec.schema import (
    DOCUMENT,
    FORMAT,
    NAME,
    Choice,
    Condition,
    Form,
    Listing,
    MapOr,
    Record,
    Shape,
    StuckAt,
    Table,
    Truth,
    Whole,
    Words,
    may_be_null,
)

_TEXT: Any = str | int | float | bool
"""Text for people or for a later look, taken as it is written."""


def json_schema() -> dict[str, Any]:
    """The JSON Schema (draft 2020-12) of format 1, for editors."""
    return {
        "$schema": GenerateJsonSchema.schema_dialect,
        **document_model().model_json_schema(schema_generator=_ForEditors),
        "title": f"safetymodel spec, format {FORMAT}",
    }


def document_model() -> type[BaseModel]:
    """The model of a whole spec file, as plain data: maps, lists, texts, whole numbers, truth values, None.

    It refuses what `fit` refuses. The ``rules`` of a record, such as exactly one form for a
    requirement, stand in the JSON Schema only; the reader looks at them after `fit`.
    """
    return _model(DOCUMENT)


class _ForEditors(GenerateJsonSchema):
    """An optional key has no default value to show: it is absent."""

    def default_schema(self, schema: core_schema.WithDefaultSchema) -> JsonSchemaValue:
        return self.generate_inner(schema["schema"])


@cache
def _model(record: Record) -> type[BaseModel]:
    fields: dict[str, Any] = {}
    for key in record.keys:
        kind = _type(key.shape)
        if may_be_null(key.shape) and not key.required:
            kind = kind | None
        default = ... if key.required else None  # None is not validated: it stands for an absent key
        attribute = f"{key.name}_" if iskeyword(key.name) else key.name
        fields[attribute] = (kind, Field(default, alias=key.name, description=key.about))
    config = ConfigDict(extra="forbid", strict=True, json_schema_extra=dict(record.rules))
    model: type[BaseModel] = create_model(record.title, __config__=config, __doc__=record.about, **fields)
    return model


def _text(pattern: str) -> Any:
    return Annotated[str, Field(pattern=f"^({pattern})$")]


def _type(shape: Shape) -> Any:
    """The type of a shape; the table is fixed and shallow, so this may recurse."""
    match shape:
        case Form():
            return _text(shape.pattern)
        case Words():
            return _TEXT
        case Condition():
            return str | bool
        case Truth():
            return bool
        case Whole():
            return Annotated[int, Field(ge=shape.least, le=shape.most)]
        case Choice():
            return Literal[shape.words]
        case StuckAt():
            return bool | _text(NAME)
        case Listing():
            item = _type(shape.item)
            many = Annotated[list[item], Field(min_length=0 if shape.empty else 1)]  # type: ignore[valid-type]
            return item | many if shape.alone else many
        case Table():
            item = _type(shape.item)
            item = item | None if shape.null_item else item
            known = Field(min_length=0 if shape.empty else 1, json_schema_extra={"additionalProperties": False})
            return Annotated[dict[_text(shape.names), item], known]  # type: ignore[misc]
        case MapOr():
            return _type(shape.value) | _model(shape.map)
        case Record():
            return _model(shape)
