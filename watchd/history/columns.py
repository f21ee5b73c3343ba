"""Some minutes of one pack's samples as columns, and as a block of bytes.

Resolution: cells 0.1 mV, pack 1 mV, current 1 mA, SoC 0.01 %, temperature 0.1 K, time 0.1 s (cut
off, not rounded, so that a sample never moves into the next day). Unknown stays unknown.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from math import isfinite
from typing import NamedTuple

from watchd.history.series import LARGEST, DamagedBlockError, Reader, Writer

HEAD = b"s\x01"
TENTHS = 10  # of a second
MOST_ROWS = 10_000
MOST_POSITIONS = 64  # cells or sensors
_MOST_WORDS = 4000  # bytes of one set of protection events
_MOST_AT = 10**12 * TENTHS
_FLAGS = (None, False, True)


class Row(NamedTuple):
    """What was known of a pack at `at` (Unix s). Charge is positive; None is unknown.

    One is made for each message, and a frozen dataclass takes three times as long to make.
    """

    at: float
    voltage_v: float | None = None
    current_a: float | None = None
    soc_pct: float | None = None
    soc_estimate_pct: float | None = None
    cell_v: tuple[float, ...] | None = None
    temperature_degc: tuple[float, ...] | None = None
    charge_allowed: bool | None = None
    discharge_allowed: bool | None = None
    balancing: bool | None = None
    protection: tuple[str, ...] | None = None


# Steps in one unit.
VOLTAGE, CURRENT, SOC, CELL, TEMPERATURE = 1000, 1000, 100, 10_000, 10


@dataclass(frozen=True, slots=True)
class Column:
    """Whole numbers of one quantity: `series` by position (cell, sensor; a single value has one).

    `lengths` says of each row 0 where it is unknown, else one more than it has positions; a series
    holds those rows alone that have its position.
    """

    lengths: list[int]
    series: list[list[int]]

    @classmethod
    def of(cls, found: Sequence[Sequence[int] | None]) -> Column:
        """From the values of each row."""
        lengths = [0 if values is None else 1 + len(values) for values in found]
        positions = max(lengths, default=1) - 1
        return cls(
            lengths,
            [
                [values[p] for values in found if values is not None and len(values) > p]
                for p in range(positions)
            ],
        )

    @property
    def is_even(self) -> bool:
        """Whether every row has every position: then series and rows run side by side."""
        return all(len(values) == len(self.lengths) for values in self.series)

    def position(self, index: int) -> Sequence[int | None]:
        """The values of one position, row by row."""
        series = self.series[index]
        if len(series) == len(self.lengths):
            return series
        values = iter(series)
        return [next(values) if length > index + 1 else None for length in self.lengths]

    def tuples(self, per_unit: int) -> list[tuple[float, ...] | None]:
        """The values of each row, in the unit."""
        if self.series and self.is_even:
            return list(zip(*([v / per_unit for v in s] for s in self.series), strict=True))
        runs = [iter(s) for s in self.series]
        return [
            None if not length else tuple(next(run) / per_unit for run in runs[: length - 1])
            for length in self.lengths
        ]

    def singles(self, per_unit: int) -> list[float | None]:
        """The same of a quantity with one position."""
        return [v[0] if v else None for v in self.tuples(per_unit)]

    def write(self, writer: Writer) -> None:
        """Its part of a block."""
        writer.series(self.lengths)
        for values in self.series:
            writer.series(values)

    @classmethod
    def read(cls, reader: Reader, rows: int, most: int = MOST_POSITIONS) -> Column:
        """The part of a block again."""
        lengths = reader.series(rows, 0, most + 1)
        positions = max(lengths, default=1) - 1
        return cls(
            lengths,
            [reader.series(sum(n > p + 1 for n in lengths)) for p in range(positions)],
        )


@dataclass(frozen=True)
class Columns:
    """A block unpacked. `at` is in tenths of a second and only grows."""

    at: list[int]
    flags: list[int]
    protection: list[int]  # 0 unknown, else one more than the place in `words`
    words: list[tuple[str, ...]]
    voltage: Column
    current: Column
    soc: Column
    soc_estimate: Column
    cell: Column
    temperature: Column

    @cached_property
    def positions(self) -> tuple[int, int]:
        """How many cells, and how many sensors of temperature."""
        return len(self.cell.series), len(self.temperature.series)

    @classmethod
    def of(cls, rows: Sequence[Row]) -> Columns:
        """From rows in the order of time. A value that no number can stand for is unknown."""
        words = list(dict.fromkeys(r.protection for r in rows if r.protection is not None))
        places = {found: place for place, found in enumerate(words, 1)}
        return cls(
            [tenths(r.at) for r in rows],
            [
                _FLAGS.index(r.charge_allowed)
                + 3 * _FLAGS.index(r.discharge_allowed)
                + 9 * _FLAGS.index(r.balancing)
                for r in rows
            ],
            [0 if r.protection is None else places[r.protection] for r in rows],
            words,
            _single([r.voltage_v for r in rows], VOLTAGE),
            _single([r.current_a for r in rows], CURRENT),
            _single([r.soc_pct for r in rows], SOC),
            _single([r.soc_estimate_pct for r in rows], SOC),
            _column([r.cell_v for r in rows], CELL),
            _column([r.temperature_degc for r in rows], TEMPERATURE),
        )

    def rows(self) -> Iterator[Row]:
        """The rows again."""
        words: list[tuple[str, ...] | None] = [None, *self.words]
        for at, flag, protection, volts, amps, soc, estimate, cells, degrees in zip(
            self.at,
            self.flags,
            self.protection,
            self.voltage.singles(VOLTAGE),
            self.current.singles(CURRENT),
            self.soc.singles(SOC),
            self.soc_estimate.singles(SOC),
            self.cell.tuples(CELL),
            self.temperature.tuples(TEMPERATURE),
            strict=True,
        ):
            yield Row(
                at / TENTHS,
                volts,
                amps,
                soc,
                estimate,
                cells,
                degrees,
                _FLAGS[flag % 3],
                _FLAGS[flag // 3 % 3],
                _FLAGS[flag // 9],
                words[protection],
            )

    def packed(self) -> bytes:
        """The block."""
        writer = Writer()
        writer.count(len(self.at))
        writer.series(self.at)
        writer.series(self.flags)
        writer.count(len(self.words))
        for words in self.words:
            writer.text(json.dumps(words))
        writer.series(self.protection)
        for column in self._columns():
            column.write(writer)
        return writer.packed(HEAD)

    @classmethod
    def unpacked(cls, block: bytes) -> Columns:
        """The columns of a block. Raises DamagedBlockError."""
        reader = Reader(block, HEAD)
        number = reader.count(MOST_ROWS)
        at = reader.series(number, -_MOST_AT, _MOST_AT)
        flags = reader.series(number, 0, 26)
        words = [_words(reader.text(_MOST_WORDS)) for _ in range(reader.count(number))]
        protection = reader.series(number, 0, len(words))
        columns = [Column.read(reader, number, most) for most in (1, 1, 1, 1)]
        columns += [Column.read(reader, number) for _ in range(2)]
        reader.end()
        return cls(at, flags, protection, words, *columns)

    def _columns(self) -> tuple[Column, ...]:
        return (
            self.voltage,
            self.current,
            self.soc,
            self.soc_estimate,
            self.cell,
            self.temperature,
        )


def tenths(at: float) -> int:
    """Unix seconds in whole tenths, cut off."""
    return int(at * TENTHS // 1)


def _column(found: Sequence[Sequence[float] | None], per_unit: int) -> Column:
    """Of the values of each row."""
    known = [values for values in found if values is not None]
    lengths = set(map(len, known))
    if len(known) == len(found) and len(lengths) == 1 and max(lengths) <= MOST_POSITIONS:
        # As nearly always: every row has every position. Then whole series are looked at at once.
        series = [_whole_series(values, per_unit) for values in zip(*known, strict=True)]
        if all(whole is not None for whole in series):
            rows = [1 + lengths.pop()] * len(found)
            return Column(rows, [whole for whole in series if whole is not None])
    return Column.of([_whole(values, per_unit) for values in found])


def _single(found: Sequence[float | None], per_unit: int) -> Column:
    """The same of a quantity with one position."""
    return _column([None if value is None else (value,) for value in found], per_unit)


def _whole_series(values: Sequence[float], per_unit: int) -> list[int] | None:
    """In steps of one unit; None where a number can't stand for one of them."""
    low, high = min(values), max(values)
    # A sum that is too large leads here as well as one that holds no number: it is only slower.
    if not (isfinite(sum(values)) and max(-low, high) * per_unit < LARGEST):
        return None
    return [round(v * per_unit) for v in values]


def _whole(values: Sequence[float] | None, per_unit: int) -> list[int] | None:
    if values is None:
        return None
    if not all(isfinite(v) and abs(v) * per_unit < LARGEST for v in values):
        return None
    return [round(v * per_unit) for v in values[:MOST_POSITIONS]]


def _words(text: str) -> tuple[str, ...]:
    try:
        words = json.loads(text)
    except (ValueError, RecursionError) as error:
        raise DamagedBlockError(str(error)) from error
    if not isinstance(words, list) or not all(isinstance(w, str) for w in words):
        raise DamagedBlockError("protection events are no list of words")
    return tuple(words)
