"""Spread at full by day, with its trend."""

from __future__ import annotations

from dataclasses import dataclass
from statistics import median
from typing import ClassVar

from watchd.estimators.balancing.balancer import CHANGE_MV, LEAST, MATTERS_MV, Trend, trend
from watchd.report.season import PackSeason
from watchd.report.span import DAY_S, Span, utc_day
from watchd.report.table import Table, table
from watchd.report.writing import count, shown

# Over a season people tighten, balance and set things: its trend is that of the latest weeks. Ours.
TREND_D = 30.0


@dataclass(frozen=True, slots=True)
class Spread:
    """`points`: days from the begin and mV, of each day's last full charge. `without`: the middle
    of each day that was kept and had none. The trend is that of the balancer's verdict, over the
    span of the report.
    """

    title: ClassVar[str] = "Spread of the cells at full"
    span: Span
    points: tuple[tuple[float, float], ...]
    without: tuple[float, ...]
    trend: Trend | None

    @classmethod
    def of(cls, pack: PackSeason, span: Span) -> Spread:
        """Of a pack."""
        points, without = [], []
        for day in pack.kept:
            known = [(f.at, f.spread_at_full_mv) for f in day.full_charges]
            last = next(((at, mv) for at, mv in reversed(known) if mv is not None), None)
            if last is not None:
                points.append((span.place(last[0]), last[1]))
            elif not day.full_charges:
                without.append(span.place(day.at + DAY_S / 2))
        latest = [p for p in points if p[0] >= span.days - TREND_D]
        return cls(span, tuple(points), tuple(without), trend(latest, MATTERS_MV, CHANGE_MV))

    @property
    def is_empty(self) -> bool:
        """No full charge."""
        return not self.points

    @property
    def has_way(self) -> bool:
        """Whether the trend says anything: else a line would show what is not there."""
        return self.trend is not None and self.trend.way is not None

    @property
    def latest(self) -> tuple[tuple[float, float], ...]:
        """The points that the trend is of."""
        return tuple(p for p in self.points if p[0] >= self.span.days - TREND_D)

    @property
    def middle(self) -> float:
        """The median of their days, through which the line and its band go."""
        return median(d for d, _ in self.latest)

    @property
    def level(self) -> float:
        """The median of their spreads, mV, likewise."""
        return median(v for _, v in self.latest)

    def band(self, days: float) -> tuple[float, float] | None:
        """The 95 % band of the line at a place, mV; None without a trend.

        Its edges are lines with the ends of the slope's interval, through the medians of days and
        spreads, as the line itself is.
        """
        if self.trend is None:
            return None
        slope = self.trend.slope
        ends = [self.level + s * (days - self.middle) for s in (slope.low, slope.high)]
        return min(ends), max(ends)

    @property
    def sentence(self) -> str:
        """What it does."""
        if self.is_empty:
            return "No full charge in this span, so nothing is known of the spread at full."
        last = self.points[-1][1]
        if self.trend is None:
            few = count(len(self.latest), "day")
            lately = "" if self.latest == self.points else f" in the last {TREND_D:.0f} days"
            return (
                f"{shown(last)} mV at the last full charge; {few} with one{lately}, and a trend "
                f"takes {LEAST}."
            )
        slope = self.trend.slope
        form = "+.1f" if max(abs(slope.low), abs(slope.high)) >= 10 else "+.2f"
        by = f"{shown(slope.low, form)} to {shown(slope.high, form)} mV a day (95 % interval)"
        # Whether the balancer copes rests on more than this line, so where it is not clear the
        # sentence has no verdict.
        does = {
            1: "It grows",
            -1: "It falls",
            0: "It stays as it is",
            None: "It has no clear trend",
        }
        return f"{shown(last)} mV at the last full charge. {does[self.trend.way]}: {by}."

    @property
    def key(self) -> str:
        """Dots, line, band, crosses."""
        parts = ["Dots: the last full charge of a day"]
        if self.has_way:
            whole = self.latest == self.points
            of = "trend" if whole else f"trend of the last {TREND_D:.0f} days"
            parts.append(f"line and band: {of} with its 95 % interval")
        if self.without:
            parts.append("crosses at the foot: days without a full charge")
        return "; ".join(parts) + "."

    @property
    def table(self) -> Table:
        """Day by day."""
        rows = [(place, shown(mv, ".1f")) for place, mv in self.points]
        rows += [(place, "no full charge") for place in self.without]
        begin = self.span.begin
        return table(
            ("Day", "Spread, mV"),
            [(utc_day(begin + place * DAY_S), said) for place, said in sorted(rows)],
        )
