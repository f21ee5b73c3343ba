"""What is kept of a minute and of a day when its samples are gone: means, and the extremes.

Minutes of a day are one block of columns, a day is a block of one row. Resolution as of samples.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import zip_longest

from watchd.history.charge import Throughput
from watchd.history.columns import (
    CELL,
    CURRENT,
    MOST_POSITIONS,
    SOC,
    TEMPERATURE,
    TENTHS,
    VOLTAGE,
    Column,
)
from watchd.history.series import DamagedBlockError, Reader, Writer

MINUTES_HEAD = b"m\x01"
DAY_HEAD = b"d\x01"
MINUTE_S = 60
MOST_MINUTES = 1440
MOST_SAMPLES = 1 << 40
_MILLIONTHS = 1_000_000  # of an Ah, a Wh, a s: a day may be joined from many parts


@dataclass(frozen=True, slots=True)
class Extent:
    """Of the samples that had a value: how many, their mean, the lowest and the highest."""

    count: int
    mean: float
    lowest: float
    highest: float

    def joined(self, other: Extent) -> Extent:
        """Of both together."""
        count = self.count + other.count
        mean = (self.mean * self.count + other.mean * other.count) / count
        return Extent(count, mean, min(self.lowest, other.lowest), max(self.highest, other.highest))


@dataclass(frozen=True, slots=True)
class Minute:
    """One minute of a pack, from `at` (Unix s). Cells and sensors in their order; SoC is the last
    that was known. None is unknown in all of it.
    """

    at: float
    samples: int
    voltage_v: Extent | None
    current_a: Extent | None
    cell_v: tuple[Extent | None, ...]
    temperature_degc: tuple[Extent | None, ...]
    soc_pct: float | None
    soc_estimate_pct: float | None

    def joined(self, later: Minute) -> Minute:
        """With what came later, as one that begins where this one does."""
        return Minute(
            self.at,
            self.samples + later.samples,
            _both(self.voltage_v, later.voltage_v),
            _both(self.current_a, later.current_a),
            _each(self.cell_v, later.cell_v),
            _each(self.temperature_degc, later.temperature_degc),
            self.soc_pct if later.soc_pct is None else later.soc_pct,
            self.soc_estimate_pct if later.soc_estimate_pct is None else later.soc_estimate_pct,
        )


@dataclass(frozen=True, slots=True)
class CellPeak:
    """The voltage of a cell, which (the first is 1) and when (Unix s)."""

    cell_v: float
    cell_no: int
    at: float


@dataclass(frozen=True, slots=True)
class Day:
    """One UTC day of a pack: as a minute, with charge and energy, and the cells that stood out."""

    whole: Minute
    through: Throughput
    highest: CellPeak | None
    lowest: CellPeak | None

    @property
    def at(self) -> float:
        """Where it begins (Unix s)."""
        return self.whole.at

    def joined(self, later: Day) -> Day:
        """With what came later of the same day."""
        highest = [p for p in (self.highest, later.highest) if p is not None]
        lowest = [p for p in (self.lowest, later.lowest) if p is not None]
        return Day(
            self.whole.joined(later.whole),
            self.through + later.through,
            max(highest, key=lambda p: p.cell_v, default=None),
            min(lowest, key=lambda p: p.cell_v, default=None),
        )


def _both(one: Extent | None, other: Extent | None) -> Extent | None:
    if one is None or other is None:
        return one or other
    return one.joined(other)


def _each(
    one: Sequence[Extent | None], other: Sequence[Extent | None]
) -> tuple[Extent | None, ...]:
    return tuple(_both(a, b) for a, b in zip_longest(one, other))


def pack_minutes(minutes: Sequence[Minute]) -> bytes:
    """Minutes, the earliest first, as a block."""
    writer = Writer()
    _write(writer, minutes)
    return writer.packed(MINUTES_HEAD)


def unpack_minutes(block: bytes, *, with_cells: bool = True) -> list[Minute]:
    """The minutes of a block. Raises DamagedBlockError.

    With its cells a day of a pack takes some MB; without, they and the sensors are left out.
    """
    reader = Reader(block, MINUTES_HEAD)
    found = _read(reader, MOST_MINUTES, with_cells=with_cells)
    if with_cells:
        reader.end()
    return found


def pack_day(day: Day) -> bytes:
    """A day as a block."""
    writer = Writer()
    _write(writer, [day.whole])
    through = day.through
    for number in (
        through.in_ah, through.out_ah, through.in_wh, through.out_wh, through.counted_s
    ):  # fmt: skip
        writer.series([round(number * _MILLIONTHS)])
    for peak in (day.highest, day.lowest):
        writer.count(0 if peak is None else peak.cell_no)
        if peak is not None:
            writer.series([round(peak.cell_v * CELL), round(peak.at * TENTHS)])
    return writer.packed(DAY_HEAD)


def unpack_day(block: bytes) -> Day:
    """The day of a block. Raises DamagedBlockError."""
    reader = Reader(block, DAY_HEAD)
    found = _read(reader, 1)
    if not found:
        raise DamagedBlockError("a day without its row")
    through = Throughput(*(reader.series(1, 0)[0] / _MILLIONTHS for _ in range(5)))
    peaks: list[CellPeak | None] = []
    for _ in range(2):
        cell_no = reader.count(MOST_POSITIONS)
        if cell_no:
            volts, at = reader.series(2)
            peaks.append(CellPeak(volts / CELL, cell_no, at / TENTHS))
        else:
            peaks.append(None)
    reader.end()
    return Day(found[0], through, *peaks)


def _write(writer: Writer, minutes: Sequence[Minute]) -> None:
    writer.count(len(minutes))
    writer.series([round(m.at) for m in minutes])
    writer.series([m.samples for m in minutes])
    for values in ([m.soc_pct for m in minutes], [m.soc_estimate_pct for m in minutes]):
        Column.of([None if v is None else [round(v * SOC)] for v in values]).write(writer)
    _write_extents(writer, [(m.voltage_v,) for m in minutes], VOLTAGE)
    _write_extents(writer, [(m.current_a,) for m in minutes], CURRENT)
    _write_extents(writer, [m.cell_v for m in minutes], CELL)
    _write_extents(writer, [m.temperature_degc for m in minutes], TEMPERATURE)


def _read(reader: Reader, most: int, *, with_cells: bool = True) -> list[Minute]:
    number = reader.count(most)
    at = reader.series(number)
    samples = reader.series(number, 0, MOST_SAMPLES)
    soc, estimate = (Column.read(reader, number, 1).singles(SOC) for _ in range(2))
    volts = _read_extents(reader, number, VOLTAGE)
    amps = _read_extents(reader, number, CURRENT)
    cells = degrees = _without(number)
    if with_cells:  # they come last
        cells = _read_extents(reader, number, CELL)
        degrees = _read_extents(reader, number, TEMPERATURE)
    return [
        Minute(float(t), *row)
        for t, *row in zip(
            at,
            samples,
            (v[0] if v else None for v in volts),
            (v[0] if v else None for v in amps),
            cells,
            degrees,
            soc,
            estimate,
            strict=True,
        )
    ]


def _write_extents(writer: Writer, found: Sequence[Sequence[Extent | None]], per_unit: int) -> None:
    """Position by position: how many samples of each minute had it, then of those that did the
    lowest and mean and highest.
    """
    positions = max(map(len, found), default=0)
    writer.count(positions)
    for p in range(positions):
        extents = [row[p] if len(row) > p else None for row in found]
        writer.series([e.count if e is not None else 0 for e in extents])
        known = [e for e in extents if e is not None]
        writer.series([round(e.lowest * per_unit) for e in known])
        writer.series([round(e.mean * per_unit) for e in known])
        writer.series([round((e.highest - e.lowest) * per_unit) for e in known])


def _read_extents(reader: Reader, rows: int, per_unit: int) -> Iterable[tuple[Extent | None, ...]]:
    found = []
    for _ in range(reader.count(MOST_POSITIONS)):
        counts = reader.series(rows, 0, MOST_SAMPLES)
        known = [n for n in counts if n]
        lowest = reader.series(len(known))
        mean = reader.series(len(known))
        span = reader.series(len(known), 0)
        extents = iter(
            [
                Extent(n, m / per_unit, low / per_unit, (low + s) / per_unit)
                for n, low, m, s in zip(known, lowest, mean, span, strict=True)
            ]
        )
        found.append([next(extents) if n else None for n in counts])
    return list(zip(*found, strict=True)) if found else _without(rows)


def _without(rows: int) -> Iterable[tuple[Extent | None, ...]]:
    return [()] * rows
