"""Payload of one topic -> readings in our names, units and sign.

The one place where a value is converted, and the gate that refuses what cannot be a
measurement. A refused payload changes nothing.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from pydantic_core import from_json

from watchd.config import Config, FieldMap, Pack, Source
from watchd.config.many import name_in_bank
from watchd.telemetry.events import EVENTS
from watchd.telemetry.jsonpath import JsonPath
from watchd.telemetry.names import FLAGS, LISTS, PROTECTION, RANGES, TIME
from watchd.telemetry.topics import TopicPattern

_YES = frozenset({"true", "on", "yes", "1"})
_NO = frozenset({"false", "off", "no", "0"})
_CELL_RANGE = RANGES["cell_v"]
MOST_SENSORS = 32


def names_in_banks(config: Config) -> dict[tuple[str, str], str]:
    """Our name of each pack, by its bank's name in topics and its own name in that bank."""
    shown = {name: bank.topic_name or name for name, bank in config.banks.items()}
    return {(shown[p.bank], name_in_bank(n, p)): n for n, p in config.packs.items()}


class PayloadError(Exception):
    """A payload that cannot be used; the text says why, without the payload itself."""


@dataclass(frozen=True, slots=True)
class Reading:
    """One value of one message. `index` is the 0-based cell or the sensor's name."""

    name: str
    value: float | bool | tuple[float, ...] | tuple[str, ...]
    index: int | str | None = None


@dataclass(frozen=True, slots=True)
class Message:
    """What one payload says of one pack."""

    pack: str
    source: int
    readings: tuple[Reading, ...]
    measured_at: float | None
    unmapped: tuple[str, ...] = ()  # protection words that the mapping does not know


class SourceMapping:
    """A compiled source: matches topics and decodes payloads."""

    def __init__(
        self,
        number: int,
        source: Source,
        packs: dict[str, Pack],
        in_banks: Mapping[tuple[str, str], str] | None = None,
    ) -> None:
        self.number = number
        self.pattern = TopicPattern(source.topic)
        self._in_banks = in_banks or {}
        self._source = source
        self._packs = packs
        self._paths = [
            (name, [(JsonPath(m.path or "$"), m) for m in maps])
            for name, maps in (source.json_ or {}).items()
        ]

    def names(self) -> frozenset[str]:
        """The telemetry names that this source gives."""
        if self._source.value is not None:
            return frozenset({self._source.value.name or ""})
        return frozenset(name for name, _ in self._paths if name != TIME)

    def pack_of(self, captures: dict[str, str]) -> str | None:
        """Our name of the pack that a matched topic is about; None where it is not ours."""
        theirs = self._source.pack or captures.get("pack", "")
        ours = self._source.pack_names.get(theirs, theirs)
        bank = captures.get("bank")
        if bank is not None:
            return self._in_banks.get((bank, ours))
        return ours if ours in self._packs else None

    def decode(self, captures: dict[str, str], payload: bytes) -> Message:
        """Readings of a payload. Raises PayloadError."""
        pack = self.pack_of(captures)
        if pack is None:
            raise PayloadError("unknown pack")
        unmapped: list[str] = []
        measured_at: float | None = None
        if self._source.value is not None:
            readings = list(self._plain(pack, captures, payload, unmapped))
        else:
            document = _json(payload)
            readings = []
            for name, maps in self._paths:
                if name == TIME:
                    measured_at = _time_of(_found(name, maps[0][0], document), maps[0][1])
                else:
                    readings.extend(self._mapped(pack, name, maps, document, unmapped))
            if not readings:
                raise PayloadError("none of the mapped values is in this document")
        return Message(pack, self.number, tuple(readings), measured_at, tuple(unmapped))

    def _mapped(
        self,
        pack: str,
        name: str,
        maps: list[tuple[JsonPath, FieldMap]],
        document: Any,
        unmapped: list[str],
    ) -> Iterator[Reading]:
        for position, (path, field) in enumerate(maps):
            found = _found(name, path, document)
            if not found or (len(found) == 1 and found[0] is None):
                continue  # not in this message: a partial update, or the BMS does not know
            if name in LISTS:
                values = found[0] if len(found) == 1 and isinstance(found[0], list) else found
                yield self._whole_list(pack, name, values, field)
                continue
            if len(found) > 1 and name != PROTECTION:
                raise PayloadError(f"{name}: the path finds {len(found)} values, not one")
            raw = found if len(found) > 1 else found[0]
            yield _one(name, raw, field, position, unmapped)

    def _plain(
        self, pack: str, captures: dict[str, str], payload: bytes, unmapped: list[str]
    ) -> Iterator[Reading]:
        field = self._source.value
        name = field.name if field is not None else None
        if field is None or name is None:
            raise TypeError("not a source of plain values")
        text = _text(payload)
        try:
            raw = _json(payload)
        except PayloadError:
            if name not in (*FLAGS, PROTECTION):
                raise PayloadError(f"{name}: not a number") from None
            raw = text.strip()
        if name == "cell_v" and "cell" in captures:
            cells = self._packs[pack].cells_in_series
            number = captures["cell"]
            index = int(number) - self._source.first_cell if number.isdecimal() else -1
            if not 0 <= index < cells:
                raise PayloadError(f"cell_v: cell '{number[:8]}' of a pack with {cells} cells")
            yield Reading(name, _number(name, raw, field), index)
        elif name == "temperature_degc" and "sensor" in captures:
            yield Reading(name, _number(name, raw, field), captures["sensor"][:40])
        elif name in LISTS:
            values = raw if isinstance(raw, list) else [raw]
            yield self._whole_list(pack, name, values, field)
        else:
            yield _one(name, raw, field, 0, unmapped)

    def _whole_list(self, pack: str, name: str, values: list[Any], field: FieldMap) -> Reading:
        if name == "cell_v":
            cells = self._packs[pack].cells_in_series
            if len(values) != cells:
                raise PayloadError(f"cell_v: {len(values)} values for {cells} cells")
        elif not 0 < len(values) <= MOST_SENSORS:
            raise PayloadError(f"{name}: {len(values)} values")
        return Reading(name, tuple([_number(name, v, field) for v in values]))


def _found(name: str, path: JsonPath, document: Any) -> list[Any]:
    try:
        return path.values(document)
    except ValueError as error:
        raise PayloadError(f"{name}: {error}") from None


def _one(name: str, raw: Any, field: FieldMap, position: int, unmapped: list[str]) -> Reading:
    if name == PROTECTION:
        return Reading(name, _events(raw, field, unmapped), position)
    if name in FLAGS:
        return Reading(name, _flag(name, raw))
    return Reading(name, _number(name, raw, field))


def _text(payload: bytes) -> str:
    try:
        return payload.decode()
    except UnicodeDecodeError:
        raise PayloadError("not UTF-8") from None


def _json(payload: bytes) -> Any:
    try:
        # Refuses NaN and infinities, which JSON does not have, and nesting beyond its own bound.
        return from_json(payload, allow_inf_nan=False)
    except ValueError as error:
        reason = str(error).split(" at line")[0]
        if "recursion" in reason:
            raise PayloadError("nested too deep") from None
        _text(payload)
        raise PayloadError(f"not JSON: {reason}") from None


def _number(name: str, raw: Any, field: FieldMap) -> float:
    if isinstance(raw, bool) or not isinstance(raw, int | float):
        kind = {str: "text", bool: "true/false", type(None): "null"}.get(type(raw), "not a number")
        raise PayloadError(f"{name}: {kind} where a number belongs")
    try:
        value = float(raw * field.scale + field.offset)
    except OverflowError:
        value = math.inf
    allowed = _CELL_RANGE if name.startswith("setting.") else RANGES[name]
    if not allowed.low <= value <= allowed.high:
        raise PayloadError(f"{name}: outside {allowed.low:g} to {allowed.high:g}")
    # Conversion leaves digits that no sensor has (3312 * 0.001 = 3.3120000000000003).
    return round(value, 6)


def _flag(name: str, raw: Any) -> bool:
    if isinstance(raw, bool):
        return raw
    if isinstance(raw, int | float) and raw in (0, 1):
        return bool(raw)
    if isinstance(raw, str) and raw.strip().lower() in _YES:
        return True
    if isinstance(raw, str) and raw.strip().lower() in _NO:
        return False
    raise PayloadError(f"{name}: neither yes nor no")


def _events(raw: Any, field: FieldMap, unmapped: list[str]) -> tuple[str, ...]:
    if field.when_true is not None:
        return (field.when_true,) if _flag(PROTECTION, raw) else ()
    if field.bits is not None:
        number = isinstance(raw, int | float) and not isinstance(raw, bool)
        # 1e400 is an infinity by now.
        if not number or not 0 <= raw < math.inf or raw != int(raw):
            raise PayloadError("protection: not a bit mask")
        mask = int(raw)
        return _unique(event for bit, event in field.bits.items() if mask >> bit & 1)
    if isinstance(raw, str):
        theirs = [raw.strip()] if raw.strip() else []
    elif isinstance(raw, dict):
        theirs = [str(key) for key, value in raw.items() if _flag(PROTECTION, value)]
    elif isinstance(raw, list) and all(isinstance(item, str) for item in raw):
        theirs = list(raw)
    else:
        raise PayloadError("protection: neither text nor a list of texts")
    known = field.words if field.words is not None else {event: event for event in EVENTS}
    unmapped.extend(word[:40] for word in theirs if word not in known)
    return _unique(known[word] for word in theirs if word in known)


def _unique(events: Iterator[str]) -> tuple[str, ...]:
    return tuple(sorted(set(events)))


def _time_of(found: list[Any], field: FieldMap) -> float | None:
    if not found or found[0] is None:
        return None
    raw = found[0]
    if isinstance(raw, str):
        try:
            moment = datetime.fromisoformat(raw)
        except ValueError:
            raise PayloadError("time: not RFC 3339") from None
        if moment.tzinfo is None:
            raise PayloadError("time: without a time zone")
        return moment.timestamp()
    if isinstance(raw, bool) or not isinstance(raw, int | float):
        raise PayloadError("time: neither RFC 3339 nor Unix seconds")
    try:
        return float(raw * field.scale + field.offset)
    except OverflowError:
        raise PayloadError("time: not a time") from None


__all__ = ["Message", "PayloadError", "Reading", "SourceMapping", "names_in_banks"]
