"""Times of day where the keeper lives: quiet hours, and the daily message.

All follows what a clock on the wall shows, also on the two days of the year on which it is set:
an hour that is skipped is not waited for, and one that comes twice is quiet twice.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, tzinfo

MINUTE_S = 60
# A day of 25 h and a minute more; DST moves no clock in the world by more than 2 h.
LONGEST_MINUTES = 27 * 60


def minutes(text: str) -> int:
    """Minutes since midnight.

    >>> minutes("07:30")
    450
    """
    hours, _, rest = text.partition(":")
    return int(hours) * 60 + int(rest)


@dataclass(frozen=True, slots=True)
class Hours:
    """From one time of day to another, over midnight or not, in minutes since midnight.

    The same twice: never.
    """

    begin: int
    end: int
    zone: tzinfo

    def holds(self, at: float) -> bool:
        """Whether it is quiet at this moment (Unix seconds)."""
        wall = wall_minutes(at, self.zone)
        if self.begin <= self.end:
            return self.begin <= wall < self.end
        return wall >= self.begin or wall < self.end

    def ends_after(self, at: float) -> float:
        """The first whole minute from `at` on at which it is not quiet."""
        if not self.holds(at):
            return at
        moment = (at // MINUTE_S + 1) * MINUTE_S
        for _ in range(LONGEST_MINUTES):
            if not self.holds(moment):
                break
            moment += MINUTE_S
        return moment


def next_time(of_day: int, after: float, zone: tzinfo) -> float:
    """The first whole minute after `after` at which the wall clock has reached this time of day.

    Where that time is skipped, it is the first minute after it.
    """
    before = wall_minutes(after, zone)
    moment = (after // MINUTE_S + 1) * MINUTE_S
    for _ in range(LONGEST_MINUTES):
        wall = wall_minutes(moment, zone)
        # Reached, by going on or over midnight; a clock that is set back reaches nothing.
        if before < of_day <= wall or (wall < before - 12 * 60 and of_day <= wall):
            return moment
        before, moment = wall, moment + MINUTE_S
    return moment


def around(of_day: int, now: float, zone: tzinfo) -> tuple[float, float]:
    """The last moment until now, and the next one, of a time of day."""
    last = next_time(of_day, now - LONGEST_MINUTES * MINUTE_S, zone)
    following = next_time(of_day, last, zone)
    while following <= now:
        last, following = following, next_time(of_day, following, zone)
    return last, following


def wall_minutes(at: float, zone: tzinfo) -> int:
    """Minutes since midnight that a clock there shows."""
    wall = datetime.fromtimestamp(at, zone)
    return wall.hour * 60 + wall.minute


def wall_time(at: float, now: float, zone: tzinfo) -> str:
    """The time of day, with the date where it is not today's.

    >>> from datetime import UTC
    >>> wall_time(8040, 9000, UTC), wall_time(8040, 90000, UTC)
    ('02:14', '1 Jan 02:14')
    """
    wall, today = datetime.fromtimestamp(at, zone), datetime.fromtimestamp(now, zone)
    months = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
    time = f"{wall.hour:02d}:{wall.minute:02d}"
    return time if wall.date() == today.date() else f"{wall.day} {months[wall.month - 1]} {time}"
