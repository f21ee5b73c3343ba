"""The charge current of a bank against the suggested limit, with the trips of its packs.

A short span is drawn as it went. A long one has for each day the moment at which the current came
nearest to what was suggested then, or went furthest beyond it: the highest current of a day and its
lowest suggestion belong to different hours, and would look like a fault every day.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import ClassVar

from watchd.history.trends import EVERY_S
from watchd.report.occurrences import Occurrence
from watchd.report.season import BankSeason, number_of
from watchd.report.series.thinning import places, thinned
from watchd.report.span import DAY_S, Span, utc_day
from watchd.report.table import Table, table
from watchd.report.writing import UNKNOWN, count, lasted, shown

# As the shipped rule `charge-limit-exceeded` has it: a tenth, and a fiftieth of capacity.
ABOVE, ABOVE_C = 1.1, 0.02
LONG_D = 4.0


@dataclass(frozen=True, slots=True)
class DayOfCurrent:
    """A UTC day. `current_a` and `limit_a` are of the moment at which the current was the largest
    part of the suggestion (without any, of the highest current); `above_s` is how long it was more.
    """

    at: float
    current_a: float | None
    limit_a: float | None
    highest_a: float | None
    above_s: float
    trips: int


@dataclass(frozen=True, slots=True)
class Current:
    """Bins of the span, A: the highest current that charged (never below 0), the lowest limit."""

    title: ClassVar[str] = "Charge current against the suggestion"
    span: Span
    places: tuple[float, ...]
    current_a: tuple[float | None, ...]
    limit_a: tuple[float | None, ...]
    trips: tuple[Occurrence, ...]
    days: tuple[DayOfCurrent, ...]

    @classmethod
    def of(cls, bank: BankSeason, span: Span) -> Current:
        """Of a bank."""
        current = thinned(bank.trends, "current_a", span, max)
        return cls(
            span,
            tuple(places(span)),
            tuple(None if v is None else max(0.0, v) for v in current),
            tuple(thinned(bank.trends, "charge_limit_a", span, min)),
            tuple(o for o in bank.occurrences if o.is_trip_in(span.begin)),
            tuple(_days(bank, span)),
        )

    @property
    def is_by_day(self) -> bool:
        """Whether the span is long."""
        return self.span.days > LONG_D

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
            said += ", never with more than was suggested"
        return f"{said}; {count(sum(d.trips for d in self.days), 'protection trip')}."

    @property
    def key(self) -> str:
        """Area or bars, line or strokes, marks."""
        if self.is_by_day:
            parts = ["Bars: the current at that moment of a day when it came nearest to the limit"]
            parts += ["strokes: the limit then, as suggested"] if self.has_limit else []
            if any(d.above_s for d in self.days):
                parts.append("hatched: beyond it")
        else:
            parts = ["Area: the charge current"]
            parts += ["dashed line: the suggestion"] if self.has_limit else []
        if self.trips:
            parts.append("triangles: trips, those close together as one")
        return f"{'; '.join(parts)}."

    @property
    def table(self) -> Table:
        """Day by day."""
        return table(
            ("Day", "Nearest to it, A", "Suggested then, A", "Highest, A", "Above it", "Trips"),
            [
                (
                    utc_day(d.at),
                    shown(d.current_a),
                    shown(d.limit_a),
                    shown(d.highest_a),
                    lasted(d.above_s) if d.above_s else UNKNOWN,
                    str(d.trips or UNKNOWN),
                )
                for d in self.days
            ],
        )


def _days(bank: BankSeason, span: Span) -> Iterable[DayOfCurrent]:
    days: dict[float, list[tuple[float | None, float | None]]] = {}
    for trend in bank.trends:
        current = number_of(trend.figures.get("current_a"))
        limit = number_of(trend.figures.get("charge_limit_a"))
        charged = None if current is None else max(0.0, current)
        days.setdefault(trend.at // DAY_S, []).append((charged, limit))
    by_pack = [pack.trips(span) for pack in bank.packs]
    allowance = ABOVE_C * bank.nameplate_ah
    for day, pairs in days.items():
        both = [(a, b) for a, b in pairs if a is not None and b is not None]
        highest = max((a for a, _ in pairs if a is not None), default=None)
        amps, limit = max(both, key=lambda p: p[0] / (p[1] + allowance), default=(highest, None))
        yield DayOfCurrent(
            day * DAY_S,
            amps,
            limit,
            highest,
            sum(EVERY_S for a, b in both if a > ABOVE * b + allowance),
            sum(trips.get(day * DAY_S, 0) for trips in by_pack),
        )
