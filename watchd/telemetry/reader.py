"""A source's paths as tables, for a document as most are: an object in which all is in order.

`SourceMapping.decode_document` says what a document means. The reader says the same of those that
it can read, several times faster; where it cannot, it raises, and the long way decides. A test
holds the two against each other.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from typing import Any

from watchd.config import FieldMap, Source
from watchd.telemetry.conversion import Events, Numbers, flag, time_of
from watchd.telemetry.jsonpath import JsonPath, Step, follow
from watchd.telemetry.message import SETTING, Message, protection_key, streams_of
from watchd.telemetry.names import FLAGS, LISTS, PROTECTION, SCALARS, TIME

MOST_SENSORS = 32
Steps = tuple[Step, ...]
Measured = dict[str, float | tuple[float, ...]]


class NotPlainError(Exception):
    """A document that is to be read the long way."""


class Reader:
    """Reads documents of one source, all of whose paths begin with a member of an object.

    Each entry of a table has the name, that member, and the steps onward from it.
    """

    def __init__(self, source: int) -> None:
        self._plain_stream, self._listed_stream = streams_of(source)
        self._numbers: list[tuple[str, str, Steps, Callable[[Any], float]]] = []
        # Whether steps lead to all of the member's own items.
        self._lists: list[tuple[str, str, Steps, bool, Callable[[Any], float]]] = []
        self._flags: list[tuple[str, str, Steps]] = []
        self._settings: list[tuple[str, str, Steps, Callable[[Any], float]]] = []
        self._protection: list[tuple[str, str, Steps, Callable[[Any], tuple[str, ...]]]] = []
        self._time: tuple[str, Steps, FieldMap] | None = None
        self._source = source
        self._all = frozenset[str]()

    def add(self, name: str, place: int, member: str, steps: Steps, field: FieldMap) -> None:
        """Enter a mapped path; `place` is its place among those of the same name."""
        if name == TIME:
            self._time = (member, steps, field)
            return
        self._all |= {name}
        if name == PROTECTION:
            key = protection_key(self._source, place)
            self._protection.append((key, member, steps, Events(field).read))
        elif name in FLAGS:
            self._flags.append((name, member, steps))
        elif name in LISTS:
            is_whole = steps in ((), (None,))
            self._lists.append((name, member, steps, is_whole, Numbers(name, field).__getitem__))
        elif name.startswith(SETTING):
            own = name.removeprefix(SETTING)
            self._settings.append((own, member, steps, Numbers(name, field).__getitem__))
        else:
            self._numbers.append((name, member, steps, Numbers(name, field).__getitem__))

    def read(self, pack: str, cells: int, document: Any) -> Message:
        """What a document says. Raises NotPlainError, PayloadError or TypeError where the long way
        has to be gone.
        """
        if not isinstance(document, dict):
            raise NotPlainError
        measured = self._read_measured(document, cells)
        flags = self._read_flags(document) if self._flags else {}
        protection = self._read_protection(document) if self._protection else {}
        settings = self._read_settings(document) if self._settings else {}
        names = self._all
        if len(measured) + len(flags) + len(settings) + bool(protection) != len(names):
            names = _names_of(measured, flags, protection, settings)
            if not names:
                raise NotPlainError
        measured_at, stream = None, self._plain_stream
        if self._time is not None:
            member, steps, field = self._time
            found = follow(steps, document.get(member))
            measured_at = time_of(found[0] if found else None, field)
            if not names.isdisjoint(LISTS):
                stream = self._listed_stream
        return Message(pack, stream, names, measured_at, measured, flags, protection, settings)

    def _read_measured(self, document: dict[str, Any], cells: int) -> Measured:
        found: Measured = {}
        get = document.get
        for name, member, steps, ours in self._numbers:
            raw = get(member)
            if steps:
                raw = _one(steps, raw)
            if raw is not None:
                found[name] = ours(raw)
        for name, member, steps, is_whole, ours in self._lists:
            raw = get(member)
            if raw is None:
                continue
            values = raw if is_whole and isinstance(raw, list) else _several(steps, raw)
            if values is None:
                continue
            if len(values) != cells if name == "cell_v" else not 0 < len(values) <= MOST_SENSORS:
                raise NotPlainError
            found[name] = tuple(map(ours, values))
        return found

    def _read_flags(self, document: dict[str, Any]) -> dict[str, bool]:
        found: dict[str, bool] = {}
        for name, member, steps in self._flags:
            raw = document.get(member)
            if steps:
                raw = _one(steps, raw)
            if raw is not None:
                found[name] = flag(name, raw)
        return found

    def _read_settings(self, document: dict[str, Any]) -> dict[str, float]:
        found: dict[str, float] = {}
        for name, member, steps, ours in self._settings:
            raw = _one(steps, document.get(member))
            if raw is not None:
                found[name] = ours(raw)
        return found

    def _read_protection(self, document: dict[str, Any]) -> dict[str, tuple[str, ...]]:
        found: dict[str, tuple[str, ...]] = {}
        for key, member, steps, ours in self._protection:
            raw = document.get(member)
            if steps:
                raw = _one(steps, raw)
            if raw is not None:
                found[key] = ours(raw)
        return found


def reader_of(
    number: int, paths: Sequence[tuple[str, list[tuple[JsonPath, FieldMap]]]]
) -> Reader | None:
    """The reader of a source's paths; None where one is not so simple, or nothing is to be read."""
    reader = Reader(number)
    for name, maps in paths:
        for place, (path, field) in enumerate(maps):
            if not path.steps or not isinstance(path.steps[0], str):
                return None
            reader.add(name, place, path.steps[0], path.steps[1:], field)
    return reader if any(name != TIME for name, _ in paths) else None


class ValueReader:
    """Reads plain numbers of one source: of a cell, of a sensor, or of the pack."""

    def __init__(self, source: int, name: str, field: FieldMap, first_cell: int) -> None:
        self._stream, _ = streams_of(source)
        self._name, self._names = name, frozenset({name})
        self._ours = Numbers(name, field).__getitem__
        self._first_cell = first_cell

    def read(self, pack: str, cells: int, captures: dict[str, str], raw: Any) -> Message:
        """What a number says. Raises as `Reader.read`."""
        value = self._ours(raw)
        cell = captures.get("cell")
        if cell is not None:
            index = int(cell) - self._first_cell if cell.isdecimal() else -1
            if not 0 <= index < cells:
                raise NotPlainError
            return Message(pack, self._stream, self._names, None, {}, {}, {}, {}, (index, value))
        sensor = captures.get("sensor")
        if sensor is not None:
            own = (sensor[:40], value)
            return Message(pack, self._stream, self._names, None, {}, {}, {}, {}, None, own)
        return Message(pack, self._stream, self._names, None, {self._name: value}, {}, {}, {})


def value_reader_of(number: int, source: Source, captures: Collection[str]) -> ValueReader | None:
    """The reader of a source of plain numbers; None where it gives something else."""
    field = source.value
    if field is None or field.name is None:
        return None
    if field.name in SCALARS or "cell" in captures or "sensor" in captures:
        return ValueReader(number, field.name, field, source.first_cell)
    return None


def _one(steps: Steps, raw: Any) -> Any:
    """The one value to which steps lead; None where there is none."""
    found = follow(steps, raw)
    if len(found) > 1:
        raise NotPlainError
    return found[0] if found else None


def _several(steps: Steps, raw: Any) -> list[Any] | None:
    """What steps lead to, item by item where that is a list; None where they lead to nothing."""
    found = follow(steps, raw)
    if len(found) == 1 and isinstance(found[0], list):
        return found[0]
    return found or None


def _names_of(
    measured: Measured,
    flags: dict[str, bool],
    protection: dict[str, tuple[str, ...]],
    settings: dict[str, float],
) -> frozenset[str]:
    names = [*measured, *flags, *(SETTING + name for name in settings)]
    if protection:
        names.append(PROTECTION)
    return frozenset(names)
