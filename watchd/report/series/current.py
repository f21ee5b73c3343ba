"""The charge current of a bank against the suggested limit, with the trips of its packs."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from watchd.history.trends import EVERY_S
from watchd.report.occurrences import TRIP, Occurrence
from watchd.report.season import BankSeason, number_of
from watchd.report.series.thinning import bin_s, places, thinned
from watchd.report.span import DAY_S, Span, utc_day
from watchd.report.table import Table, table
from watchd.report.writing import UNKNOWN, count, lasted, shown

# As the shipped rule `charge-limit-exceeded` has it: a tenth, and a fiftieth of capacity.
ABOVE, ABOVE_C = 1.1, 0.02


@dataclass(frozen=True, slots=True)
class DayOfCurrent:
    """Highest charge current and lowest suggestion of a UTC day (A), and trips in it."""

    at: float
    current_a: float | None
    limit_a: float | None
    above_s: float
    trips: int


@dataclass(frozen=True, slots=True)
class Current:
    """Bins of the span: the highest current that charged (A, never below 0), and the lowest limit.

    `above_s`: how long the bank charged with more than was suggested.
    """

    title: ClassVar[str] = "Charge current against the suggestion"
    span: Span
    bin_s: float
    places: tuple[float, ...]
    current_a: tuple[float | None, ...]
    limit_a: tuple[float | None, ...]
    trips: tuple[Occurrence, ...]
    days: tuple[DayOfCurrent, ...]

    @classmethod
    def of(cls, bank: BankSeason, span: Span) -> Current:
        """Of a bank."""
        current = thinned(bank.trends, "current_a", span, max)
        trips = tuple(o for o in bank.occurrences if o.rule == TRIP and o.begin >= span.begin)
        return cls(
            span,
            bin_s(span),
            tuple(places(span)),
            tuple(None if v is None else max(0.0, v) for v in current),
            tuple(thinned(bank.trends, "charge_limit_a", span, min)),
            trips,
            tuple(_days(bank, trips)),
        )

    @property
    def above_s(self) -> float:
        """How long it charged with more than was suggested."""
        return sum(day.above_s for day in self.days)

    @property
    def is_empty(self) -> bool:
        """Nothing is known of the current."""
        return all(v is None for v in self.current_a)

    @property
    def has_limit(self) -> bool:
        """Whether anything was suggested."""
        return any(v is not None for v in self.limit_a)

    @property
    def sentence(self) -> str:
        """The highest, and for how long it was too much."""
        if self.is_empty:
            return "No current of the bank is kept of this span."
        most = max(v for v in self.current_a if v is not None)
        said = f"It charged with up to {shown(most)} A"
        if not self.has_limit:
            said += "; no suggestion is kept of this span"
        elif self.above_s:
            said += f", for {lasted(self.above_s)} in all with more than was suggested"
        else:
            said += ", never for long with more than was suggested"
        return f"{said}; {count(len(self.trips), 'protection trip')}."

    @property
    def key(self) -> str:
        """Area, line, marks."""
        parts = ["Area: the highest charge current"]
        if self.has_limit:
            parts.append("dashed line: the lowest suggestion")
        if self.trips:
            parts.append("triangles: trips")
        return f"{'; '.join(parts)}. Each of {lasted(self.bin_s)}."

    @property
    def table(self) -> Table:
        """Day by day."""
        return table(
            ("Day", "Highest current, A", "Lowest suggestion, A", "Above it", "Trips"),
            [
                (
                    utc_day(d.at),
                    shown(d.current_a),
                    shown(d.limit_a),
                    lasted(d.above_s) if d.above_s else UNKNOWN,
                    str(d.trips or UNKNOWN),
                )
                for d in self.days
            ],
        )


def _days(bank: BankSeason, trips: tuple[Occurrence, ...]) -> list[DayOfCurrent]:
    days: dict[float, tuple[list[float], list[float], list[float]]] = {}
    for trend in bank.trends:
        amps, limits, above = days.setdefault(trend.at // DAY_S, ([], [], []))
        current = number_of(trend.figures.get("current_a"))
        limit = number_of(trend.figures.get("charge_limit_a"))
        if current is not None:
            amps.append(max(0.0, current))
        if limit is not None:
            limits.append(limit)
        if current is not None and limit is not None:
            above.append(EVERY_S * (current > ABOVE * limit + ABOVE_C * bank.nameplate_ah))
    return [
        DayOfCurrent(
            day * DAY_S,
            max(amps, default=None),
            min(limits, default=None),
            sum(above),
            sum(trip.begin // DAY_S == day for trip in trips),
        )
        for day, (amps, limits, above) in days.items()
    ]
