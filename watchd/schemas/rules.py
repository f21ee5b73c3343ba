"""JSON Schema of a rules file: the model of a rule, and the names of the field list.

Conditions and texts are parsed by `watchd check` alone.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from pydantic.json_schema import JsonSchemaValue

from watchd.figures import About, Figure, Kind, unit_sign
from watchd.rules.entry import RuleEntry
from watchd.rules.fields import FIELDS
from watchd.schemas.files import YES_NO, file_schema, given

Value = Callable[[Figure], JsonSchemaValue | None]
_NAME = "^[a-z0-9][a-z0-9-]{0,59}$"


def rules_schema() -> JsonSchemaValue:
    """The JSON Schema of a file of rules."""
    rule = file_schema(RuleEntry)
    dialect, definitions = rule.pop("$schema"), rule.pop("$defs")
    rule["properties"]["rule"]["pattern"] = _NAME
    rule["properties"]["group"]["pattern"] = _NAME
    until = given(until={"type": "string"})
    rule["allOf"] = [{"not": {"allOf": [until, given(deadband={"minProperties": 1})]}}]
    for about, figures in FIELDS.items():
        definitions[f"Given.{about}"] = _figures(figures, _given_value)
        definitions[f"Deadband.{about}"] = _figures(figures, _deadband_value)
        rule["allOf"].append(_about(about))
    return {
        "$schema": dialect,
        "title": "Rules of watchd",
        "description": "A list of rules.",
        "type": "array",
        "items": {"$ref": "#/$defs/Rule"},
        "$defs": {"Rule": rule, **definitions},
    }


def _about(about: About) -> JsonSchemaValue:
    """The names that a rule about this may use."""
    own = {"$ref": f"#/$defs/Given.{about}"}
    step = {"properties": {"given": own}}
    example = {"properties": {"given": own, "before": {"items": step}}}
    keys = {"deadband": {"$ref": f"#/$defs/Deadband.{about}"}, "examples": {"items": example}}
    # A rule that does not say is about packs.
    about_this: JsonSchemaValue = {"properties": {"about": {"const": str(about)}}}
    if about is not About.PACK:
        about_this["required"] = ["about"]
    return {"if": about_this, "then": {"properties": keys}}


def _figures(figures: Mapping[str, Figure], value: Value) -> JsonSchemaValue:
    """A mapping whose keys are figures; those of which `value` knows none cannot stand there."""
    names = {
        name: {"description": _meaning(figure), **found}
        for name, figure in figures.items()
        if (found := value(figure)) is not None
    }
    return {"type": "object", "properties": names, "additionalProperties": False}


def _meaning(figure: Figure) -> str:
    return f"{figure.meaning} ({unit_sign(figure.unit)})" if figure.unit else figure.meaning


def _given_value(figure: Figure) -> JsonSchemaValue | None:
    """What an example may give; nothing is unknown."""
    match figure.kind:
        case Kind.NUMBER:
            return {"type": ["number", "null"]}
        case Kind.YES_NO:
            return {"anyOf": [*YES_NO["anyOf"], {"type": "null"}]}
        case Kind.WORDS:
            # Any word is taken; those that come are offered.
            word = {"anyOf": [{"enum": list(figure.words)}, {"type": "string"}]}
            return {"type": ["array", "null"], "items": word}
    return {"enum": [*figure.words, None]} if figure.words else {"type": ["string", "null"]}


def _deadband_value(figure: Figure) -> JsonSchemaValue | None:
    return {"type": "number", "exclusiveMinimum": 0} if figure.kind is Kind.NUMBER else None
