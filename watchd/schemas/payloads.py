"""JSON Schemas of the payloads: of `watchd.messages`, of requests, and of the figures by name."""

from __future__ import annotations

from typing import Any

from pydantic import TypeAdapter
from pydantic.json_schema import JsonSchemaValue

from watchd.figures import About, Figure, Kind, unit_sign
from watchd.messages import (
    AlarmList,
    AlarmRecord,
    Annunciation,
    Audit,
    ChargeVoltageRecord,
    DigestRecord,
    Done,
    Explanation,
    FiguresRecord,
    History,
    LimitRecord,
    ReanchorAnswer,
    ReanchorStep,
    Refusal,
    ServiceRecord,
    StepAnnunciation,
)
from watchd.requests import WITHOUT_ALARM, Do, RequestEntry
from watchd.rules.fields import FIELDS
from watchd.schemas.files import PayloadSchema, given

_PAYLOADS: tuple[Any, ...] = (
    ServiceRecord, AlarmRecord, Annunciation, LimitRecord, ChargeVoltageRecord, FiguresRecord,
    RequestEntry, Done, AlarmList, Explanation, History, Audit, ReanchorAnswer, ReanchorStep,
    StepAnnunciation, DigestRecord, Refusal,
)  # fmt: skip
_KINDS: dict[Kind, JsonSchemaValue] = {
    Kind.NUMBER: {"type": ["number", "null"]},
    Kind.YES_NO: {"type": ["boolean", "null"]},
    Kind.TEXT: {"type": ["string", "null"]},
    Kind.WORDS: {"type": ["array", "null"], "items": {"type": "string"}},
}


def payload_schemas() -> dict[str, JsonSchemaValue]:
    """Each schema by its name, as they stand in an AsyncAPI document's components."""
    made, shared = TypeAdapter.json_schemas(
        [(of, "validation", TypeAdapter(of)) for of in _PAYLOADS],
        schema_generator=PayloadSchema,
        ref_template="#/components/schemas/{model}",
    )
    schemas: dict[str, JsonSchemaValue] = dict(shared["$defs"])
    for (of, _), schema in made.items():
        schemas.setdefault(of.__name__, schema)
    schemas["RequestEntry"]["allOf"] = _requests()
    record = schemas.pop("FiguresRecord")
    schemas |= {
        "PackFigures": _figures(record, FIELDS[About.PACK]),
        "BankFigures": _figures(record, FIELDS[About.BANK]),
        "Amps": {"type": "number", "minimum": 0, "description": "A"},
        "Volts": {"type": "number", "minimum": 0, "description": "V"},
        "Nothing": {"type": "string", "maxLength": 0},
        "RequestHeaders": {
            "type": "object",
            "description": "Properties of MQTT 5.",
            "properties": {
                "responseTopic": {"type": "string", "description": "where the answer goes"},
                "correlationData": {"type": "string", "description": "comes back with the answer"},
            },
        },
    }
    return dict(sorted(schemas.items()))


def _requests() -> list[JsonSchemaValue]:
    """Which keys of a request go together."""
    alarmless = given(do={"enum": [str(do) for do in WITHOUT_ALARM]})
    ends = [given(**{"for": {"type": "string"}}), given(until_cleared={"const": True})]
    return [
        {"anyOf": [alarmless, given(alarm={"type": "string"})]},
        {"if": given(do={"const": str(Do.REANCHOR)}), "then": given(pack={"type": "string"})},
        {"if": given(do={"const": str(Do.SHELVE)}), "then": {"oneOf": ends}},
    ]


def _figures(record: JsonSchemaValue, figures: dict[str, Figure]) -> JsonSchemaValue:
    """A record of figures with the names that there are."""
    names = {figure.name: _figure(figure) for figure in figures.values()}
    by_name = {
        "type": "object",
        "description": record["properties"]["figures"]["description"],
        "properties": names,
        "additionalProperties": False,
    }
    return {**record, "properties": {**record["properties"], "figures": by_name}}


def _figure(figure: Figure) -> JsonSchemaValue:
    unit = f" ({unit_sign(figure.unit)})" if figure.unit else ""
    schema = {"description": f"{figure.meaning}{unit}", **_KINDS[figure.kind]}
    if figure.kind is Kind.TEXT and figure.words:
        schema["enum"] = [*figure.words, None]
    return schema
