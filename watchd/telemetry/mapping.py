"""Payload of one topic -> a message in our names, units and sign. A refused one changes nothing."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from watchd.config import Config, FieldMap, Pack, Source
from watchd.config.many import name_in_bank
from watchd.telemetry.conversion import events, flag, number, time_of
from watchd.telemetry.document import PayloadError, document_of, text_of
from watchd.telemetry.jsonpath import JsonPath
from watchd.telemetry.message import Message, Reading, message_of
from watchd.telemetry.names import FLAGS, LISTS, PROTECTION, TIME
from watchd.telemetry.reader import MOST_SENSORS, NotPlainError, reader_of, value_reader_of
from watchd.telemetry.topics import TopicPattern

Paths = list[tuple[str, list[tuple[JsonPath, FieldMap]]]]


def names_in_banks(config: Config) -> dict[tuple[str, str], str]:
    """Our name of each pack, by its bank's name in topics and its own name in that bank."""
    shown = {name: bank.topic_name or name for name, bank in config.banks.items()}
    return {(shown[p.bank], name_in_bank(n, p)): n for n, p in config.packs.items()}


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
        self._cells = {name: pack.cells_in_series for name, pack in packs.items()}
        self._paths: Paths = [
            (name, [(JsonPath(m.path or "$"), m) for m in maps])
            for name, maps in (source.json_ or {}).items()
        ]
        self._reader = reader_of(number, self._paths)
        self._value = value_reader_of(number, source, self.pattern.captures)

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
        return ours if ours in self._cells else None

    def decode(self, captures: dict[str, str], payload: bytes) -> Message:
        """What a payload says. Raises PayloadError."""
        return self.decode_of(self.pack_of(captures), captures, payload)

    def decode_of(self, pack: str | None, captures: dict[str, str], payload: bytes) -> Message:
        """What a payload says of a pack, where it is known already. Raises PayloadError."""
        if pack is None:
            raise PayloadError("unknown pack")
        if self._source.value is not None:
            return self._decode_value(pack, captures, payload)
        document = document_of(payload)
        if self._reader is not None:
            try:
                return self._reader.read(pack, self._cells[pack], document)
            except (NotPlainError, PayloadError, TypeError):
                pass  # what is wrong with it, if something is, is said by the long way
        return self.decode_document(pack, document)

    def _decode_value(self, pack: str, captures: dict[str, str], payload: bytes) -> Message:
        if self._value is not None:
            try:
                return self._value.read(pack, self._cells[pack], captures, document_of(payload))
            except (NotPlainError, PayloadError, TypeError):
                pass
        unmapped: list[str] = []
        reading = self._plain(pack, captures, payload, unmapped)
        return message_of(pack, self.number, [reading], None, unmapped)

    def decode_document(self, pack: str, document: Any) -> Message:
        """What a document says, path by path as they stand in the config. Raises PayloadError."""
        unmapped: list[str] = []
        measured_at: float | None = None
        readings: list[Reading] = []
        for name, maps in self._paths:
            if name == TIME:
                found = _found(name, maps[0][0], document)
                measured_at = time_of(found[0] if found else None, maps[0][1])
            else:
                readings.extend(self._mapped(pack, name, maps, document, unmapped))
        if not readings:
            raise PayloadError("none of the mapped values is in this document")
        return message_of(pack, self.number, readings, measured_at, unmapped)

    def _mapped(
        self,
        pack: str,
        name: str,
        maps: list[tuple[JsonPath, FieldMap]],
        document: Any,
        unmapped: list[str],
    ) -> Iterator[Reading]:
        for place, (path, field) in enumerate(maps):
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
            yield _one(name, raw, field, place, unmapped)

    def _plain(
        self, pack: str, captures: dict[str, str], payload: bytes, unmapped: list[str]
    ) -> Reading:
        field = self._source.value
        name = field.name if field is not None else None
        if field is None or name is None:
            raise TypeError("not a source of plain values")
        text = text_of(payload)
        try:
            raw = document_of(payload)
        except PayloadError:
            if name not in (*FLAGS, PROTECTION):
                raise PayloadError(f"{name}: not a number") from None
            raw = text.strip()
        if name == "cell_v" and "cell" in captures:
            cells = self._cells[pack]
            cell = captures["cell"]
            index = int(cell) - self._source.first_cell if cell.isdecimal() else -1
            if not 0 <= index < cells:
                raise PayloadError(f"cell_v: cell '{cell[:8]}' of a pack with {cells} cells")
            return Reading(name, number(name, raw, field), index)
        if name == "temperature_degc" and "sensor" in captures:
            return Reading(name, number(name, raw, field), captures["sensor"][:40])
        if name in LISTS:
            values = raw if isinstance(raw, list) else [raw]
            return self._whole_list(pack, name, values, field)
        return _one(name, raw, field, 0, unmapped)

    def _whole_list(self, pack: str, name: str, values: list[Any], field: FieldMap) -> Reading:
        if name == "cell_v":
            cells = self._cells[pack]
            if len(values) != cells:
                raise PayloadError(f"cell_v: {len(values)} values for {cells} cells")
        elif not 0 < len(values) <= MOST_SENSORS:
            raise PayloadError(f"{name}: {len(values)} values")
        return Reading(name, tuple([number(name, v, field) for v in values]))


def _found(name: str, path: JsonPath, document: Any) -> list[Any]:
    try:
        return path.values(document)
    except ValueError as error:
        raise PayloadError(f"{name}: {error}") from None


def _one(name: str, raw: Any, field: FieldMap, place: int, unmapped: list[str]) -> Reading:
    if name == PROTECTION:
        return Reading(name, events(raw, field, unmapped), place)
    if name in FLAGS:
        return Reading(name, flag(name, raw))
    return Reading(name, number(name, raw, field))


__all__ = ["Message", "PayloadError", "Reading", "SourceMapping", "names_in_banks"]
