"""The time that a report is about, and how its moments are written."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

Clock = Callable[[float], datetime]
DAY_S = 86400.0
MOST_LABELS = 5
# Not the locale's: a page is the same wherever it is made.
MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
_HOURS = (1, 2, 3, 6, 12)
_DAYS = (1, 2, 3, 5, 7, 10, 14, 28, 56, 91, 182, 364)


@dataclass(frozen=True, slots=True)
class Span:
    """From `begin` up to `end` (Unix s). `clock` gives a moment as the keeper's clock shows it."""

    begin: float
    end: float
    clock: Clock

    @property
    def days(self) -> float:
        """Its length."""
        return (self.end - self.begin) / DAY_S

    def place(self, at: float) -> float:
        """A moment in days from the begin, for a drawing."""
        return (at - self.begin) / DAY_S

    def moment(self, at: float) -> str:
        """`21 Sep 14:05`, by the keeper's clock."""
        when = self.clock(at)
        return f"{_day(when)} {when:%H:%M}"

    def date(self, at: float) -> str:
        """`21 Sep 2026`, by the keeper's clock."""
        when = self.clock(at)
        return f"{_day(when)} {when.year}"

    def ticks(self) -> list[tuple[float, str]]:
        """Places on the axis of time with their labels: midnights, or hours of a short span."""
        hours = self.days * 24
        if hours <= 48:
            step = timedelta(hours=next(h for h in _HOURS if hours / h <= MOST_LABELS))
        else:
            long = _DAYS[-1]
            step = timedelta(days=next((d for d in _DAYS if self.days / d <= MOST_LABELS), long))
        when = self.clock(self.begin).replace(hour=0, minute=0, second=0, microsecond=0)
        found = []
        while when.timestamp() <= self.end:
            if when.timestamp() >= self.begin - 1:
                label = f"{when:%H:%M}" if hours <= 48 else _day(when)
                found.append((self.place(when.timestamp()), label))
            when += step
        return found


def utc_day(at: float) -> str:
    """`21 Sep`: the UTC day that begins at `at`."""
    return _day(datetime.fromtimestamp(at, UTC))


def _day(when: datetime) -> str:
    return f"{when.day} {MONTHS[when.month - 1]}"
