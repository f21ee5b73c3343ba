"""Trends of a pack or bank as a block of bytes, and pack days and full charges as rows.

Resolution of trends: cells and voltages 0.1 mV, spread 0.1 mV, current 10 mA, percent 0.01, 0.1 K,
time 0.1 s (cut off). Days and full charges have the digits that are told, at most seven.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import isfinite
from typing import Any

from watchd.figures import Value
from watchd.history.columns import TENTHS, Column, tenths
from watchd.history.recorder import day_of
from watchd.history.series import LARGEST, DamagedBlockError, Reader, Writer
from watchd.history.trends import FullCharge, PackDay, Trend

TRENDS_HEAD = b"t\x01"
OPEN_HEAD = b"o\x01"
DAY_HEAD = b"p\x01"
FULL_HEAD = b"f\x01"
MOST_TRENDS = 10_000
MOST_SUBJECTS = 1000
MOST_FIGURES = 100
_MOST_NAME = 200  # bytes
_MOST_TEXT = 1_000_000
LATEST = 10**12
_MOST_AT = LATEST * TENTHS
_PER_UNIT = {"v": 10_000, "mv": 10, "a": 100, "pct": 100, "degc": 10}
_PER_ANY = 1_000_000
# Names of layout 1 by their place, for few bytes: another name stands as text.
_NAMES = (
    "current_a",
    "soc_pct",
    "soc_estimate_pct",
    "soc_estimate_sigma_pct",
    "cell_spread_mv",
    "cell_max_v",
    "cell_min_v",
    "temperature_max_degc",
    "charge_state",
    "charge_limit_a",
    "limited_by",
    "suggested_voltage_v",
)


@dataclass(frozen=True, slots=True)
class TrendBlock:
    """A block of trends and what it holds."""

    subject: str
    first_at: float
    last_at: float
    data: bytes


@dataclass(frozen=True, slots=True)
class DayRow:
    """A pack's day; `day` counts from 1970-01-01."""

    pack: str
    day: int
    data: bytes


@dataclass(frozen=True, slots=True)
class FullRow:
    """A full charge of a pack, which began to be one `at` (Unix s)."""

    pack: str
    at: float
    data: bytes


def trend_block(subject: str, trends: Sequence[Trend]) -> TrendBlock:
    """A block of trends in the order of time."""
    writer = Writer()
    _write(writer, trends)
    first, last = tenths(trends[0].at), tenths(trends[-1].at)
    return TrendBlock(subject, first / TENTHS, last / TENTHS, writer.packed(TRENDS_HEAD))


def unpack_trends(block: bytes) -> list[Trend]:
    """The trends of a block. Raises DamagedBlockError."""
    reader = Reader(block, TRENDS_HEAD)
    found = _read(reader)
    reader.end()
    return found


def pack_open(
    trends: Mapping[str, Sequence[Trend]], full: Mapping[tuple[str, float], FullCharge]
) -> bytes:
    """What makes no block yet: trends by subject, and full charges by pack and time."""
    writer = Writer()
    writer.count(len(trends))
    for subject, found in trends.items():
        writer.text(subject)
        _write(writer, found)
    writer.text(json.dumps([[pack, *_full_data(f)] for (pack, _), f in full.items()]))
    return writer.packed(OPEN_HEAD)


def unpack_open(
    block: bytes,
) -> tuple[dict[str, list[Trend]], dict[tuple[str, float], FullCharge]]:
    """The same again. Raises DamagedBlockError."""
    reader = Reader(block, OPEN_HEAD)
    trends: dict[str, list[Trend]] = {}
    for _ in range(reader.count(MOST_SUBJECTS)):
        subject = reader.text(_MOST_NAME)
        trends[subject] = _read(reader)
    rows = _json(reader.text(_MOST_TEXT))
    reader.end()
    try:
        found = [(str(pack), _full_of(data)) for pack, *data in rows]
    except (TypeError, ValueError, OverflowError) as error:
        raise DamagedBlockError(str(error)) from error
    return trends, {(pack, full.at): full for pack, full in found}


def day_row(pack: str, day: PackDay) -> DayRow:
    """A day, without its full charges: they have rows of their own."""
    figures = {n: _digits(v) if isinstance(v, float) else v for n, v in day.figures.items()}
    return DayRow(
        pack,
        day_of(day.at),
        _packed([day.at, figures, day.cell_excess_mohm, day.cell_imbalance_ah], DAY_HEAD),
    )


def unpack_pack_day(data: bytes, full_charges: tuple[FullCharge, ...]) -> PackDay:
    """The day again. Raises DamagedBlockError."""
    try:
        at, figures, excess, imbalance = _unpacked(data, DAY_HEAD)
        return PackDay(
            _time(at),
            {str(n): tuple(v) if isinstance(v, list) else v for n, v in figures.items()},
            _cells(excess),
            _cells(imbalance),
            full_charges,
        )
    except (TypeError, ValueError, OverflowError, AttributeError) as error:
        raise DamagedBlockError(str(error)) from error


def full_row(pack: str, full: FullCharge) -> FullRow:
    """A full charge."""
    return FullRow(pack, full.at, _packed(_full_data(full), FULL_HEAD))


def unpack_full(data: bytes) -> FullCharge:
    """The full charge again. Raises DamagedBlockError."""
    try:
        return _full_of(_unpacked(data, FULL_HEAD))
    except (TypeError, ValueError, OverflowError) as error:
        raise DamagedBlockError(str(error)) from error


def _full_data(full: FullCharge) -> list[Any]:
    return [
        full.at,
        full.spread_at_full_mv,
        full.cell_deviation_mv,
        full.soc_pct,
        full.soc_error_pct,
    ]


def _full_of(data: Any) -> FullCharge:
    at, spread, deviation, soc, error = data
    cells = None if deviation is None else tuple(float(mv) for mv in deviation)
    return FullCharge(_time(at), _number(spread), cells, _number(soc), _number(error))


def _cells(values: Any) -> tuple[float | None, ...] | None:
    return None if values is None else tuple(_number(v) for v in values)


def _time(value: Any) -> float:
    at = float(value)
    if not abs(at) < LATEST:
        raise ValueError(f"{at} is no time")
    return at


def _number(value: Any) -> float | None:
    return None if value is None else float(value)


def _digits(value: float) -> float | None:
    return float(f"{value:.7g}") if isfinite(value) else None


def _packed(data: Any, head: bytes) -> bytes:
    writer = Writer()
    writer.text(json.dumps(data, separators=(",", ":")))
    return writer.packed(head)


def _unpacked(data: bytes, head: bytes) -> Any:
    reader = Reader(data, head)
    found = _json(reader.text(_MOST_TEXT))
    reader.end()
    return found


def _json(text: str) -> Any:
    try:
        return json.loads(text)
    except (ValueError, RecursionError) as error:
        raise DamagedBlockError(str(error)) from error


# --- columns ---


def _write(writer: Writer, trends: Sequence[Trend]) -> None:
    writer.count(len(trends))
    writer.series([tenths(t.at) for t in trends])
    names = list(dict.fromkeys(name for t in trends for name in t.figures))
    writer.count(len(names))
    for name in names:
        place = _NAMES.index(name) + 1 if name in _NAMES else 0
        writer.count(place)
        if not place:
            writer.text(name)
        values = [t.figures.get(name) for t in trends]
        words = list(dict.fromkeys(v for v in values if isinstance(v, str)))
        writer.count(len(words))
        for word in words:
            writer.text(word)
        if words:
            places = {word: n for n, word in enumerate(words, 1)}
            writer.series([places[v] if isinstance(v, str) else 0 for v in values])
        per_unit = _per_unit(name)
        Column.of([_whole(v, per_unit) for v in values]).write(writer)


def _read(reader: Reader) -> list[Trend]:
    number = reader.count(MOST_TRENDS)
    at = reader.series(number, -_MOST_AT, _MOST_AT)
    figures: list[dict[str, Value]] = [{} for _ in at]
    for _ in range(reader.count(MOST_FIGURES)):
        place = reader.count(len(_NAMES))
        name = _NAMES[place - 1] if place else reader.text(_MOST_NAME)
        words = [reader.text(_MOST_TEXT) for _ in range(reader.count(number))]
        if words:
            for row, chosen in zip(figures, reader.series(number, 0, len(words)), strict=True):
                if chosen:
                    row[name] = words[chosen - 1]
        numbers = Column.read(reader, number, 1).singles(_per_unit(name))
        for row, value in zip(figures, numbers, strict=True):
            if value is not None:
                row[name] = value
    return [Trend(t / TENTHS, row) for t, row in zip(at, figures, strict=True)]


def _per_unit(name: str) -> int:
    return _PER_UNIT.get(name.rsplit("_", 1)[-1], _PER_ANY)


def _whole(value: Value, per_unit: int) -> list[int] | None:
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    if not isfinite(value) or abs(value) * per_unit >= LARGEST:
        return None
    return [round(value * per_unit)]
