"""Energy into and out of a pack or a bank, by day."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar

from watchd.report.season import PackSeason
from watchd.report.span import DAY_S, Span, utc_day
from watchd.report.table import Table, table
from watchd.report.writing import count, shown


@dataclass(frozen=True, slots=True)
class Energy:
    """`days`: begin of the UTC day (Unix s), kWh in and kWh out, hours counted of it (of a bank: of
    the pack that has the most).
    """

    title: ClassVar[str] = "Energy in and out"
    span: Span
    days: tuple[tuple[float, float, float, float], ...]

    @classmethod
    def of(cls, packs: Sequence[PackSeason], span: Span) -> Energy:
        """Of one pack, or of those of a bank together."""
        days: dict[float, tuple[float, float, float]] = {}
        for pack in packs:
            for day in pack.days:
                if day.through.counted_s > 0:
                    into, out, hours = days.get(day.at, (0.0, 0.0, 0.0))
                    days[day.at] = (
                        into + day.through.in_wh / 1000,
                        out + day.through.out_wh / 1000,
                        max(hours, day.through.counted_s / 3600),
                    )
        return cls(span, tuple((at, *days[at]) for at in sorted(days)))

    def place(self, at: float) -> float:
        """The middle of a day, in days from the begin."""
        return self.span.place(at + DAY_S / 2)

    @property
    def is_empty(self) -> bool:
        """Nothing was counted."""
        return not self.days

    @property
    def into_kwh(self) -> float:
        """In all."""
        return sum(d[1] for d in self.days)

    @property
    def out_kwh(self) -> float:
        """In all."""
        return sum(d[2] for d in self.days)

    @property
    def sentence(self) -> str:
        """Sums."""
        if self.is_empty:
            return "No current with voltage is kept of this span, so no energy was counted."
        form = ".0f" if self.into_kwh + self.out_kwh >= 20 else ".1f"
        return (
            f"{shown(self.into_kwh, form)} kWh went in and {shown(self.out_kwh, form)} kWh came "
            f"out in {count(len(self.days), 'day')}."
        )

    @property
    def key(self) -> str:
        """Up and down."""
        return "Up, filled: in; down, hatched: out; kWh a UTC day."

    @property
    def table(self) -> Table:
        """Day by day."""
        return table(
            ("Day", "In, kWh", "Out, kWh", "Hours counted"),
            [
                (utc_day(at), shown(into, ".2f"), shown(out, ".2f"), shown(hours, ".1f"))
                for at, into, out, hours in self.days
            ],
        )
