"""Where telemetry comes from: topics, and what their payloads mean."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BeforeValidator, Field, model_validator

from watchd.config.values import Bit, Event, JsonPath, PackName, Theirs
from watchd.errors import nearest
from watchd.schema import Duration, PartError, Section
from watchd.telemetry.names import FLAGS, MAPPED, PROTECTION, TIME
from watchd.telemetry.topics import TopicPattern


class FieldMap(Section):
    """How one value is found and turned into ours: raw * scale + offset."""

    path: JsonPath | None = Field(None, description="JSONPath (RFC 9535), in a JSON document")
    name: str | None = Field(None, description="telemetry name, where the payload is the value")
    scale: float = Field(1.0, description="-1 turns discharge-positive current round")
    offset: float = Field(0.0, description="added after scaling; -273.15 for kelvin")
    bits: dict[Bit, Event] | None = Field(
        None, description="protection as a bit mask: bit number to event"
    )
    words: dict[Theirs, Event] | None = Field(
        None, description="protection as text, texts, or an object of yes/no: theirs to event"
    )
    when_true: Event | None = Field(None, description="protection as one yes/no: the event")

    @model_validator(mode="after")
    def _one_way(self) -> FieldMap:
        if sum(x is not None for x in (self.bits, self.words, self.when_true)) > 1:
            raise ValueError("give one of bits, words and when_true")
        if self.scale == 0:
            raise PartError("a scale of 0 would lose the value", "scale")
        return self


def _field_map(value: object) -> object:
    return {"path": value} if isinstance(value, str) else value


def _value_map(value: object) -> object:
    return {"name": value} if isinstance(value, str) else value


def _field_maps(value: object) -> object:
    items = value if isinstance(value, list) else [value]
    return [_field_map(item) for item in items]


OneOrMoreMaps = Annotated[list[FieldMap], BeforeValidator(_field_maps), Field(min_length=1)]
ValueMap = Annotated[FieldMap, BeforeValidator(_value_map)]


class Source(Section):
    """One topic, or family of topics, that carries telemetry."""

    topic: str = Field(description="topic; {bank}, {pack}, {cell} and {sensor} capture a level")
    pack: PackName | None = Field(
        None,
        description="the pack, where the topic does not name it; with {bank}, its name in the bank",
    )
    pack_names: dict[Theirs, PackName] = Field(
        {}, description="their name of a pack to ours; with {bank}, to its name in the bank"
    )
    first_cell: Literal[0, 1] = Field(1, description="number of the first cell in {cell}")
    stale_after: Duration | None = Field(None, gt=0, description="for this source alone")
    json_: dict[str, OneOrMoreMaps] | None = Field(
        None, alias="json", description="the payload is a JSON document: name to path"
    )
    value: ValueMap | None = Field(None, description="the payload is one plain value: its name")

    @model_validator(mode="after")
    def _whole(self) -> Source:
        try:
            pattern = TopicPattern(self.topic)
        except ValueError as error:
            raise PartError(str(error), "topic") from None
        if (self.json_ is None) == (self.value is None):
            raise ValueError("a source has either json: or value:")
        if (self.pack is None) == ("pack" not in pattern.captures):
            raise ValueError("name the pack once: by {pack} in the topic or by pack:")
        for name, maps in (self.json_ or {}).items():
            what = _fault_of_maps(name, maps)
            if what is not None:
                raise PartError(what, "json", name, at_key=True)
        if self.value is not None:
            if self.value.name is None or self.value.path is not None:
                raise PartError("value: wants a telemetry name (and scale, offset, ...)", "value")
            what = _fault_of_maps(self.value.name, [self.value], time=False)
            if what is not None:
                raise PartError(what, "value")
        per_item = {"cell": "cell_v", "sensor": "temperature_degc"}
        for capture, name in per_item.items():
            if capture in pattern.captures and (self.value is None or self.value.name != name):
                raise PartError(f"{{{capture}}} in a topic goes with value: {name}", "topic")
        return self


# With all settings by name it would be no sentence any more.
_SOME_NAMES = (
    "expected one of "
    + ", ".join(f"'{name}'" for name in MAPPED if not name.startswith("setting."))
    + ", or a setting such as 'setting.overvoltage_v'"
)


def _fault_of_maps(name: str, maps: list[FieldMap], *, time: bool = True) -> str | None:
    valid = (*MAPPED, TIME) if time else MAPPED
    if name not in valid:
        return f"unknown telemetry name '{name}'; {nearest(name, valid, many=_SOME_NAMES)}"
    if len(maps) > 1 and name != PROTECTION:
        return f"{name}: only protection may be gathered from several places"
    for item in maps:
        eventful = item.bits or item.words or item.when_true
        if name == PROTECTION and not eventful and item.path is not None:
            return "protection: say by bits, words or when_true what the values mean"
        if name != PROTECTION and eventful:
            return f"{name}: bits, words and when_true go with protection only"
        if time and item.path is None:
            return f"{name}: path is missing"
        if time and item.name is not None:
            return f"{name}: 'name' goes with value: only"
        if name in (*FLAGS, PROTECTION) and (item.scale != 1 or item.offset != 0):
            return f"{name}: has no scale and offset"
    return None
