"""The state of charge that a BMS shows, against watchd's own count with its band."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import fmean
from typing import ClassVar

from watchd.history.trends import FullCharge, Trend
from watchd.report.season import PackSeason, number_of
from watchd.report.series.thinning import places, thinned
from watchd.report.span import DAY_S, Span, utc_day
from watchd.report.table import Table, table
from watchd.report.writing import count, shown

SHOWN_FULL_PCT = 99.0
SOON_S = 2 * 3600.0  # after it became full: so long may it take a BMS to set itself
AGREED_PCT = 2.0  # a BMS shows whole %, and a drawing no less
SIGMAS = 2.0  # of the band
ROUNDED_PCT = 2.0  # what a count may be short of 100 without being wrong


@dataclass(frozen=True, slots=True)
class Anchor:
    """A full charge before which the BMS was off. `reached`: it set itself then."""

    at: float
    place: float
    soc_pct: float
    reached: bool


@dataclass(frozen=True, slots=True)
class Soc:
    """Bins of the span: places in days from the begin, % (None: not known); the anchors."""

    title: ClassVar[str] = "State of charge: the BMS against our own count"
    span: Span
    places: tuple[float, ...]
    bms_pct: tuple[float | None, ...]
    own_pct: tuple[float | None, ...]
    sigma_pct: tuple[float | None, ...]
    anchors: tuple[Anchor, ...]
    daily: tuple[tuple[float, float | None, float | None, float | None], ...]

    @classmethod
    def of(cls, pack: PackSeason, span: Span) -> Soc:
        """Of a pack."""

        def bins(name: str) -> tuple[float | None, ...]:
            return tuple(thinned(pack.trends, name, span, fmean))

        anchors = [
            Anchor(full.at, span.place(full.at), full.soc_pct, _reached(full, pack.trends))
            for full in pack.fulls
            if full.soc_pct is not None and full.soc_pct < 100.0 - ROUNDED_PCT
        ]
        return cls(
            span,
            tuple(places(span)),
            bins("soc_pct"),
            bins("soc_estimate_pct"),
            bins("soc_estimate_sigma_pct"),
            tuple(anchors),
            tuple(_day_ends(pack.trends)),
        )

    @property
    def is_empty(self) -> bool:
        """Neither is known."""
        return all(v is None for v in (*self.bms_pct, *self.own_pct))

    def band(self) -> tuple[list[float | None], list[float | None]]:
        """The edges of our own count's band, within 0 to 100 %."""
        low: list[float | None] = []
        high: list[float | None] = []
        for own, sigma in zip(self.own_pct, self.sigma_pct, strict=True):
            if own is None or sigma is None:
                low.append(None)
                high.append(None)
            else:
                low.append(max(0.0, own - SIGMAS * sigma))
                high.append(min(100.0, own + SIGMAS * sigma))
        return low, high

    @property
    def reanchored(self) -> int:
        """How often the BMS was seen to set itself to 100 %."""
        return sum(a.reached for a in self.anchors)

    @property
    def sentence(self) -> str:
        """How far they were apart."""
        if self.is_empty:
            return "No state of charge is kept of this span."
        apart = [
            (b - o) for b, o in zip(self.bms_pct, self.own_pct, strict=True)
            if b is not None and o is not None
        ]  # fmt: skip
        if not apart:
            only = "the BMS's" if any(b is not None for b in self.bms_pct) else "our own"
            return f"Only {only} is known: our own count begins at the first full charge."
        worst = max(apart, key=abs)
        way = "above" if worst > 0 else "below"
        said = f"The BMS was at most {shown(abs(worst))} % {way} our own count"
        if abs(worst) < AGREED_PCT:
            said = f"The BMS and our own count agreed within {AGREED_PCT:g} %"
        missed = len(self.anchors) - self.reanchored
        if self.reanchored:
            said += f"; it set itself to 100 % at {count(self.reanchored, 'full charge')}"
        if missed:
            said += f"; at {count(missed, 'full charge')} it stayed below 100 %"
        return f"{said}."

    @property
    def key(self) -> str:
        """Lines and marks."""
        parts = ["Solid: the BMS", "dashed, with its band of two standard errors: our own"]
        if self.reanchored:
            parts.append("diamonds: the BMS set itself to 100 %")
        if self.reanchored < len(self.anchors):
            parts.append("crosses: full, and it did not")
        return "; ".join(parts) + "."

    @property
    def table(self) -> Table:
        """As of the end of each day."""
        return table(
            ("Day", "BMS, %", "Our own, %", "Standard error, %"),
            [(utc_day(at), shown(b), shown(o), shown(s, ".1f")) for at, b, o, s in self.daily],
        )


def _reached(full: FullCharge, trends: Sequence[Trend]) -> bool:
    first = bisect_left(trends, full.at, key=_at)
    after = trends[first : bisect_right(trends, full.at + SOON_S, first, key=_at)]
    seen = (number_of(t.figures.get("soc_pct")) for t in after)
    return any(v is not None and v >= SHOWN_FULL_PCT for v in seen)


def _at(trend: Trend) -> float:
    return trend.at


def _day_ends(
    trends: Sequence[Trend],
) -> list[tuple[float, float | None, float | None, float | None]]:
    last = {trend.at // DAY_S: trend for trend in trends}
    names = ("soc_pct", "soc_estimate_pct", "soc_estimate_sigma_pct")
    found = []
    for trend in last.values():
        bms, own, sigma = (number_of(trend.figures.get(name)) for name in names)
        found.append((trend.at, bms, own, sigma))
    return found
