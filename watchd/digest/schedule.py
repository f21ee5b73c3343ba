"""When a digest is due: a time of day, on every day or on one of the week, in a time zone.

On the day on which clocks go forward a time of day may not exist: then it is as long after midnight
as it would have been (02:30 becomes 03:30). On the day on which they go back it may exist twice:
then the first counts. All moments are Unix seconds, so none is ambiguous, whatever clocks show.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta, tzinfo
from enum import StrEnum
from types import MappingProxyType

_FORM = re.compile(r"([01][0-9]|2[0-3]):([0-5][0-9])")
WEEKDAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
DAY_S = 86400.0


class Period(StrEnum):
    """What a digest is about."""

    DAILY = "daily"
    WEEKLY = "weekly"


SPAN_S: Mapping[Period, float] = MappingProxyType({Period.DAILY: DAY_S, Period.WEEKLY: 7 * DAY_S})
# A digest that was missed is worth sending for that long (ours): the morning's until noon.
LATEST_S: Mapping[Period, float] = MappingProxyType(
    {Period.DAILY: 6 * 3600.0, Period.WEEKLY: DAY_S}
)


@dataclass(frozen=True, slots=True)
class Schedule:
    """A time of day; `weekday` from 0 for Monday, None: every day."""

    hour: int
    minute: int
    weekday: int | None = None

    def latest(self, at: float, zone: tzinfo) -> float:
        """The last moment at or before `at`."""
        return max(moment for moment in self._around(at, zone) if moment <= at)

    def following(self, at: float, zone: tzinfo) -> float:
        """The first moment after `at`."""
        return min(moment for moment in self._around(at, zone) if moment > at)

    def _around(self, at: float, zone: tzinfo) -> Iterator[float]:
        today = datetime.fromtimestamp(at, UTC).astimezone(zone).date()
        for days in range(-8, 9):
            day = today + timedelta(days=days)
            if self.weekday in (None, day.weekday()):
                yield self._moment(day, zone)

    def _moment(self, day: date, zone: tzinfo) -> float:
        # fold=0: of two the first; of none, by the offset before the clocks go forward (PEP 495).
        return datetime(
            day.year, day.month, day.day, self.hour, self.minute, tzinfo=zone, fold=0
        ).timestamp()


def parse_schedule(period: Period, text: str) -> Schedule:
    """A schedule from `07:30` or `sunday 18:00`.

    Raises ValueError with a sentence for the user where the text is none.

    >>> parse_schedule(Period.WEEKLY, "sunday 18:00")
    Schedule(hour=18, minute=0, weekday=6)
    """
    *before, time = text.split() or [""]
    match = _FORM.fullmatch(time)
    if period is Period.DAILY:
        if match is None or before:
            raise ValueError(f"'{text[:40]}' is no time of day; write \"07:30\", or no for none")
        return Schedule(int(match[1]), int(match[2]))
    if match is None or len(before) != 1 or _lower(before[0]) not in WEEKDAYS:
        raise ValueError(
            f"'{text[:40]}' is no time of a week; write \"sunday 18:00\", or no for none"
        )
    return Schedule(int(match[1]), int(match[2]), WEEKDAYS.index(_lower(before[0])))


def _lower(word: str) -> str:
    """`Sunday` is as good as `sunday`."""
    return word[:1].lower() + word[1:]


def is_due(
    period: Period, schedule: Schedule, zone: tzinfo, at: float, told_at: float | None
) -> bool:
    """Whether a digest is to be sent `at`; `told_at` is when the last was (None: not known).

    Each moment is good for one, and not for long. A last one that lies a day or more ahead is of a
    clock that was wrong, and counts for nothing.
    """
    moment = schedule.latest(at, zone)
    if at - moment > LATEST_S[period]:
        return False
    return told_at is None or told_at < moment or told_at > at + DAY_S
