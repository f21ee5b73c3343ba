"""Rows of the history as a table in the Battery Data Format (BDF) of the Battery Data Alliance.

Labels and units as its Python package batterydf 0.1.0 has them (Apache-2.0): a header of preferred
labels, "Quantity / unit", units fixed, one test object a file; so a file is of one pack. It
prescribes no sign for the current; here charge is positive, as everywhere. What it has no label for
(cells, SoC, lowest and highest, flags) is named in the same style.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import TypeVar

from watchd.history.columns import Row
from watchd.history.summaries import CellPeak, Day, Extent, Minute

Value = float | int | str | None
R = TypeVar("R")


class Resolution(StrEnum):
    """How fine."""

    RAW = "raw"
    MINUTE = "minute"
    DAY = "day"


class Kind(StrEnum):
    """What a column holds."""

    NUMBER = "number"
    WHOLE = "whole number"
    TEXT = "text"


@dataclass(frozen=True, slots=True)
class Heading:
    """A column: its label and what it holds."""

    label: str
    kind: Kind = Kind.NUMBER


def headings(resolution: Resolution, cells: int, sensors: int) -> list[Heading]:
    """The columns of a table of a pack that has so many cells and sensors of temperature."""
    found = [Heading("Test Time / s"), Heading("Unix Time / s")]
    measured = [
        "Voltage / V",
        "Current / A",
        *(f"Surface Temperature T{n} / degC" for n in range(1, sensors + 1)),
        *(f"Cell {n} Voltage / V" for n in range(1, cells + 1)),
    ]
    soc = [Heading("State of Charge / %"), Heading("Estimated State of Charge / %")]
    if resolution is Resolution.RAW:
        flags = ("Charge Allowed / 1", "Discharge Allowed / 1", "Balancing / 1")
        return [
            *found,
            *map(Heading, measured),
            *soc,
            *(Heading(label, Kind.WHOLE) for label in flags),
            Heading("Protection Events", Kind.TEXT),
        ]
    for label in measured:
        found += [Heading(label), Heading(f"Lowest {label}"), Heading(f"Highest {label}")]
    found += [*soc, Heading("Samples / 1", Kind.WHOLE)]
    if resolution is Resolution.DAY:
        found += map(
            Heading,
            (
                "Charging Capacity / Ah",
                "Discharging Capacity / Ah",
                "Charging Energy / Wh",
                "Discharging Energy / Wh",
                "Counted Time / s",
            ),
        )
        for end in ("Highest", "Lowest"):
            found += [
                Heading(f"{end} Cell / 1", Kind.WHOLE),
                Heading(f"{end} Cell Voltage / V"),
                Heading(f"{end} Cell Unix Time / s"),
            ]
    return found


def row_values(row: Row | Minute | Day, begin: float, cells: int, sensors: int) -> list[Value]:
    """The values of a row below `headings`; None is unknown. `begin`: the first row's time (s).

    Of minutes and days the plain label has the mean of the samples, and SoC is the last.
    """
    if isinstance(row, Row):
        return _raw_values(row, begin, cells, sensors)
    if isinstance(row, Minute):
        return _minute_values(row, begin, cells, sensors)
    through = row.through
    return [
        *_minute_values(row.whole, begin, cells, sensors),
        round(through.in_ah, 3),
        round(through.out_ah, 3),
        round(through.in_wh, 3),
        round(through.out_wh, 3),
        round(through.counted_s, 1),
        *_peak_values(row.highest),
        *_peak_values(row.lowest),
    ]


def _raw_values(row: Row, begin: float, cells: int, sensors: int) -> list[Value]:
    events = row.protection
    return [
        round(row.at - begin, 1),
        row.at,
        row.voltage_v,
        row.current_a,
        *_padded(row.temperature_degc or (), sensors),
        *_padded(row.cell_v or (), cells),
        row.soc_pct,
        row.soc_estimate_pct,
        *(None if f is None else int(f) for f in _flags(row)),
        # No event is something else than not to know.
        None if events is None else " ".join(events) or "none",
    ]


def _flags(row: Row) -> tuple[bool | None, ...]:
    return row.charge_allowed, row.discharge_allowed, row.balancing


def _minute_values(minute: Minute, begin: float, cells: int, sensors: int) -> list[Value]:
    found: list[Value] = [round(minute.at - begin, 1), minute.at]
    found += _extent_values(minute.voltage_v, 3)
    found += _extent_values(minute.current_a, 3)
    for extent in _padded(minute.temperature_degc, sensors):
        found += _extent_values(extent, 1)
    for extent in _padded(minute.cell_v, cells):
        found += _extent_values(extent, 4)
    return [*found, minute.soc_pct, minute.soc_estimate_pct, minute.samples]


def _extent_values(extent: Extent | None, digits: int) -> tuple[Value, Value, Value]:
    if extent is None:
        return None, None, None
    return round(extent.mean, digits), extent.lowest, extent.highest


def _peak_values(peak: CellPeak | None) -> tuple[Value, Value, Value]:
    return (None, None, None) if peak is None else (peak.cell_no, peak.cell_v, peak.at)


def _padded(values: Sequence[R], length: int) -> list[R | None]:
    return [*values[:length], *[None] * (length - len(values))]
