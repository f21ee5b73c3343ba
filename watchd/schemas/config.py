"""JSON Schema of the config: what the model says, and which keys of a section go together.

Checks across sections (a pack's bank, the charge voltage of its cells) and those that need a parser
(JSONPath, `full_when`) are left to `watchd check`.
"""

from __future__ import annotations

from pydantic.json_schema import JsonSchemaValue

from watchd.config import Config
from watchd.schemas.files import file_schema, given
from watchd.telemetry.names import MAPPED, PROTECTION, TELEMETRY, TIME
from watchd.telemetry.topics import CAPTURES

_TEXT: JsonSchemaValue = {"type": "string"}
_WORD: JsonSchemaValue = {"type": "string", "minLength": 1}
_NULL: JsonSchemaValue = {"type": "null"}
_SOMETHING: JsonSchemaValue = {"not": _NULL}
_MAP: JsonSchemaValue = {"$ref": "#/$defs/FieldMap"}
# Only protection says what its values mean; with other names these keys are empty.
_MEANINGS = ("bits", "words", "when_true")
_NO_MEANING: JsonSchemaValue = {
    "properties": {"bits": {"maxProperties": 0}, "words": {"maxProperties": 0}, "when_true": _NULL}
}
_ABOUT = {figure.name.replace("setting_", "setting."): figure.meaning for figure in TELEMETRY} | {
    "cell_v": "voltage of each cell",
    "temperature_degc": "temperature of each sensor",
    TIME: "time of measurement: RFC 3339 or Unix seconds",
}


def config_schema() -> JsonSchemaValue:
    """The JSON Schema of a config file."""
    schema = file_schema(Config)
    schema["title"] = "Config of watchd"
    schema["anyOf"] = _banks()
    sections = schema["$defs"]
    sections["Broker"]["allOf"] = _password()
    sections["Phone"]["allOf"] = [*_password(), *_urls()]
    sections["FieldMap"]["properties"]["scale"]["not"] = {"const": 0}
    sections["FieldMap"]["allOf"] = [
        {"not": given(**dict.fromkeys(two, _SOMETHING))}
        for two in (("bits", "words"), ("bits", "when_true"), ("words", "when_true"))
    ]
    path = sections["FieldMap"]["properties"]["path"]
    sections["Maps"] = _maps({"type": "string", "pattern": path["pattern"]})
    sections["MapsOfProtection"] = _maps_of_protection()
    source = sections["Source"]
    source["properties"] |= {
        "topic": source["properties"]["topic"] | {"pattern": _topic()},
        "json": {"description": source["properties"]["json"]["description"], **_names()},
        "value": source["properties"]["value"] | {"anyOf": [*_values(), _NULL]},
    }
    source["allOf"] = _json_or_value_and_pack()
    return schema


def _banks() -> list[JsonSchemaValue]:
    some: JsonSchemaValue = {"minProperties": 1}
    return [given(banks_from=_WORD), given(banks=some, packs=some)]


def _password() -> list[JsonSchemaValue]:
    by_file, by_credential = given(password_file=_WORD), given(password_credential=_WORD)
    return [
        {"not": {"allOf": [by_file, by_credential]}},
        {"if": {"anyOf": [by_file, by_credential]}, "then": given(user=_TEXT)},
    ]


def _urls() -> list[JsonSchemaValue]:
    by_file, by_credential = given(urls_file=_WORD), given(urls_credential=_WORD)
    return [{"anyOf": [by_file, by_credential]}, {"not": {"allOf": [by_file, by_credential]}}]


def _topic() -> str:
    return rf"^([^+#{{}}\0]|\{{({'|'.join(CAPTURES)})\}})+$"


def _names() -> JsonSchemaValue:
    """`json:`, name by name."""
    names = {
        name: {
            "description": _ABOUT[name],
            "$ref": f"#/$defs/{'MapsOfProtection' if name == PROTECTION else 'Maps'}",
        }
        for name in (*MAPPED, TIME)
    }
    return {"type": ["object", "null"], "properties": names, "additionalProperties": False}


def _maps(path: JsonSchemaValue) -> JsonSchemaValue:
    """One value of a document: its path, or a map with more."""
    item = {"anyOf": [path, {"allOf": [_MAP, given(path=_TEXT), _no("name"), _NO_MEANING]}]}
    return {"anyOf": [*item["anyOf"], {"type": "array", "items": item, **_many(1)}]}


def _maps_of_protection() -> JsonSchemaValue:
    """Protection, which may be gathered from several places, each with its meaning."""
    meanings = {"anyOf": [given(**{key: _SOMETHING}) for key in _MEANINGS]}
    item = {"allOf": [_MAP, given(path=_TEXT), _no("name"), meanings]}
    return {"anyOf": [item, {"type": "array", "items": item, **_many()}]}


def _many(most: int | None = None) -> JsonSchemaValue:
    return {"minItems": 1} | ({} if most is None else {"maxItems": most})


def _no(key: str) -> JsonSchemaValue:
    return {"properties": {key: _NULL}}


def _values() -> list[JsonSchemaValue]:
    """`value:`, a telemetry name or a map that has one."""
    others = [name for name in MAPPED if name != PROTECTION]
    return [
        {"enum": list(MAPPED)},
        {"allOf": [_MAP, given(name={"enum": others}), _no("path"), _NO_MEANING]},
        {"allOf": [_MAP, given(name={"const": PROTECTION}), _no("path")]},
    ]


def _json_or_value_and_pack() -> list[JsonSchemaValue]:
    names_pack = {"properties": {"topic": {"pattern": r"\{pack\}"}}}
    return [
        {"oneOf": [given(json=_SOMETHING), given(value=_SOMETHING)]},
        {"if": names_pack, "then": _no("pack"), "else": given(pack=_TEXT)},
    ]
