"""Usable capacity as it was measured, against nameplate."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from watchd.report.season import PackSeason, number_of
from watchd.report.span import DAY_S, Span, utc_day
from watchd.report.table import Table, table
from watchd.report.writing import shown

SIGMAS = 2.0


@dataclass(frozen=True, slots=True)
class Capacity:
    """`points`: days from the begin, Ah and its standard error in Ah, as of the end of each day."""

    title: ClassVar[str] = "Usable capacity"
    span: Span
    nameplate_ah: float
    points: tuple[tuple[float, float, float], ...]

    @classmethod
    def of(cls, pack: PackSeason, span: Span) -> Capacity:
        """Of a pack."""
        points = []
        for day in pack.kept:
            ah = number_of(day.figures.get("capacity_ah"))
            sigma = number_of(day.figures.get("capacity_sigma_ah"))
            if ah is not None and sigma is not None:
                points.append((span.place(day.at + DAY_S / 2), ah, sigma))
        return cls(span, pack.nameplate_ah, tuple(points))

    @property
    def is_empty(self) -> bool:
        """Not measured."""
        return not self.points

    @property
    def sentence(self) -> str:
        """The last, with its interval."""
        if self.is_empty:
            return "Capacity was not measured yet: it takes deep discharges between full charges."
        _, ah, sigma = self.points[-1]
        return (
            f"{shown(ah)} Ah (within {shown(SIGMAS * sigma)}) of {self.nameplate_ah:g} Ah on the "
            f"nameplate: {shown(100 * ah / self.nameplate_ah)} %."
        )

    @property
    def key(self) -> str:
        """Dots, bars, line."""
        return "Dots with bars: as measured, with two standard errors; dashed: nameplate."

    @property
    def table(self) -> Table:
        """Day by day."""
        return table(
            ("Day", "Capacity, Ah", "Standard error, Ah"),
            [
                (utc_day(self.span.begin + place * DAY_S), shown(ah, ".1f"), shown(sigma, ".1f"))
                for place, ah, sigma in self.points
            ],
        )
