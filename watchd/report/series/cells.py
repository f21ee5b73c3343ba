"""How far each cell was from the mean of its pack at full, day by day."""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil
from typing import ClassVar

from watchd.report.season import PackSeason
from watchd.report.span import DAY_S, Span, utc_day
from watchd.report.table import Table, table
from watchd.report.writing import MINUS, UNKNOWN, shown

# Steps of the scale in mV. Below the first a balancer has nothing to do; the second is what counts
# as balanced (`estimators/balancing`); 40 mV is where the shipped rule of a wide spread begins.
STEPS_MV = (5.0, 15.0, 30.0)
MOST_COLUMNS = 62


@dataclass(frozen=True, slots=True)
class Column:
    """The last full charge of a day (or of some, in a long span)."""

    place: float  # middle, days from the begin
    at: float
    deviation_mv: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Cells:
    """`width` is that of a column in days."""

    title: ClassVar[str] = "Each cell against the mean, at full"
    span: Span
    width: int
    columns: tuple[Column, ...]

    @classmethod
    def of(cls, pack: PackSeason, span: Span) -> Cells:
        """Of a pack."""
        width = max(1, ceil(span.days / MOST_COLUMNS))
        first_day = span.begin // DAY_S
        found: dict[int, Column] = {}
        for full in pack.fulls:
            if full.cell_deviation_mv is not None:
                number = int((full.at // DAY_S - first_day) // width)
                middle = (first_day + (number + 0.5) * width) * DAY_S
                found[number] = Column(span.place(middle), full.at, full.cell_deviation_mv)
        return cls(span, width, tuple(found[n] for n in sorted(found)))

    @property
    def cells(self) -> int:
        """How many."""
        return max((len(c.deviation_mv) for c in self.columns), default=0)

    @property
    def is_empty(self) -> bool:
        """No full charge."""
        return not self.columns

    def last(self) -> tuple[float, ...]:
        """The deviations at the last full charge, in order of the cells."""
        return self.columns[-1].deviation_mv

    @property
    def sentence(self) -> str:
        """Who leads and who trails."""
        if self.is_empty:
            return "No full charge in this span, so nothing is known of the cells at full."
        last = self.last()
        high, low = max(last), min(last)
        lead, trail = last.index(high) + 1, last.index(low) + 1
        leads = sum(max(c.deviation_mv) == c.deviation_mv[lead - 1] for c in self.columns if
                    len(c.deviation_mv) >= lead)  # fmt: skip
        often = f", as at {leads} of {len(self.columns)}" if len(self.columns) > 1 else ""
        return (
            f"At the last full charge cell {lead} was the highest with {shown(high, '+.0f')} mV"
            f"{often}, cell {trail} the lowest with {shown(low, '+.0f')} mV."
        )

    @property
    def key(self) -> str:
        """The scale."""
        first, second, third = STEPS_MV
        each = "day" if self.width == 1 else f"{self.width} days"
        return (
            f"One square a cell and {each}, the stronger the further from the mean, in steps of "
            f"{first:.0f}, {second:.0f} and {third:.0f} mV; from {second:.0f} mV on + marks a high "
            f"cell, {MINUS} a low one. On the right: mV at the last full charge."
        )

    @property
    def table(self) -> Table:
        """Day by day, a column for each cell."""
        return table(
            ("Day", *(f"Cell {n}" for n in range(1, self.cells + 1))),
            [
                (
                    utc_day(c.at),
                    *(shown(v, "+.0f") for v in c.deviation_mv),
                    *(UNKNOWN,) * (self.cells - len(c.deviation_mv)),
                )
                for c in self.columns
            ],
        )


def level(deviation_mv: float) -> int:
    """Its step of the scale: 0 near the mean, 1 to 3 above it, -1 to -3 below."""
    size = sum(abs(deviation_mv) >= step for step in STEPS_MV)
    return size if deviation_mv > 0 else -size
