"""JSON Schema of a file or payload from its model: values and defaults as people write them."""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel
from pydantic.fields import FieldInfo
from pydantic.json_schema import GenerateJsonSchema, JsonSchemaValue
from pydantic_core import core_schema

from watchd.durations import show_duration
from watchd.schema import DURATION_SCHEMA

DIALECT = "https://json-schema.org/draft/2020-12/schema"
# The loader reads YAML 1.1, where these words are yes and no; an editor that reads YAML 1.2 takes
# them for text.
YES_NO: JsonSchemaValue = {
    "anyOf": [
        {"type": "boolean"},
        {"type": "string", "pattern": "^(yes|Yes|YES|no|No|NO|on|On|ON|off|Off|OFF)$"},
    ]
}
_BOUNDS = {"ge": "at least", "gt": "more than", "le": "at most", "lt": "less than"}


def file_schema(model: type[BaseModel]) -> JsonSchemaValue:
    """The JSON Schema of a section as it stands in a file."""
    return {
        "$schema": DIALECT,
        **model.model_json_schema(schema_generator=FileSchema, mode="validation"),
    }


def given(**keys: JsonSchemaValue) -> JsonSchemaValue:
    """A section in which all of these keys stand, with such values."""
    return {"type": "object", "required": list(keys), "properties": keys}


class PayloadSchema(GenerateJsonSchema):
    """Closed sections, and durations as text."""

    def field_title_should_be_set(self, schema: Any) -> bool:
        """Never: a title that repeats the key tells nothing."""
        del schema
        return False

    def nullable_schema(self, schema: core_schema.NullableSchema) -> JsonSchemaValue:
        """A key that may be empty; where it can, without a choice that hides what is wrong."""
        found = super().nullable_schema(schema)
        inner, *others = found.get("anyOf", [{}])
        if isinstance(inner.get("type"), str) and others == [{"type": "null"}]:
            return {**inner, "type": [inner["type"], "null"]}
        return found

    def dict_schema(self, schema: core_schema.DictSchema) -> JsonSchemaValue:
        """A mapping whose keys have a form: no others."""
        found = super().dict_schema(schema)
        return {**found, "additionalProperties": False} if "patternProperties" in found else found

    def typed_dict_schema(self, schema: core_schema.TypedDictSchema) -> JsonSchemaValue:
        """A payload: no other keys."""
        return {**super().typed_dict_schema(schema), "additionalProperties": False}

    def model_schema(self, schema: core_schema.ModelSchema) -> JsonSchemaValue:
        """A section, with the defaults and bounds of its durations in the words of a file."""
        found = super().model_schema(schema)
        for name, field in schema["cls"].model_fields.items():
            _as_written(found["properties"][field.alias or name], field)
        return found


class FileSchema(PayloadSchema):
    """The same for YAML."""

    def bool_schema(self, schema: core_schema.BoolSchema) -> JsonSchemaValue:
        """Yes and no as YAML has them."""
        del schema
        return dict(YES_NO)


def _as_written(key: JsonSchemaValue, field: FieldInfo) -> None:
    """Turn what pydantic says of one key into what stands in a file."""
    # A key without a default of its own, or with a section of defaults, can only be left out.
    if field.default is None or isinstance(field.default, BaseModel) or field.default in ({}, []):
        key.pop("default", None)
    if key.get("pattern") != DURATION_SCHEMA["pattern"]:
        return
    if "default" in key:
        key["default"] = show_duration(field.default)
    for bound in _BOUNDS:
        key.pop(bound, None)  # pydantic leaves it beside a text, where it means nothing
    limits = [
        f"{words} {show_duration(seconds)}"
        for bound, words in _BOUNDS.items()
        for seconds in (getattr(item, bound, None) for item in field.metadata)
        if seconds is not None and (bound, seconds) != ("ge", 0)
    ]
    if limits:
        key["description"] += f" ({', '.join(limits)})"
