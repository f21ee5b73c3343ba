"""When a digest is due, also on the days on which clocks are set.

What zoneinfo says of a wall clock is held against it, and the calendar of APScheduler, which
reckons by itself.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from apscheduler.triggers.cron import CronTrigger
from hypothesis import given, settings
from hypothesis import strategies as st

from watchd.digest.schedule import (
    DAY_S,
    LATEST_S,
    WEEKDAYS,
    Period,
    Schedule,
    is_due,
    parse_schedule,
)

OSLO = ZoneInfo("Europe/Oslo")
ZONES = [ZoneInfo(n) for n in ("Europe/Oslo", "UTC", "America/St_Johns", "Australia/Lord_Howe")]
MORNING = Schedule(7, 30)


def unix(text: str) -> float:
    return datetime.fromisoformat(text).timestamp()


def in_utc(at: float) -> str:
    return datetime.fromtimestamp(at, UTC).strftime("%m-%dT%H:%M")


def test_a_time_that_does_not_exist_is_as_long_after_midnight() -> None:
    """Oslo, 29 March 2026: 02:00 becomes 03:00. 02:30 would have been at 01:30 UTC: it is 03:30."""
    moment = Schedule(2, 30).latest(unix("2026-03-29T12:00:00+02:00"), OSLO)
    assert in_utc(moment) == "03-29T01:30"
    assert datetime.fromtimestamp(moment, OSLO).strftime("%H:%M") == "03:30"
    assert in_utc(Schedule(2, 30).following(moment, OSLO)) == "03-30T00:30"


def test_of_a_time_that_exists_twice_the_first_counts() -> None:
    """Oslo, 25 October 2026: 03:00 becomes 02:00, so 02:30 is at 00:30 and at 01:30 UTC."""
    schedule = Schedule(2, 30)
    first = schedule.following(unix("2026-10-25T00:00:00+02:00"), OSLO)
    assert in_utc(first) == "10-25T00:30"
    assert in_utc(schedule.following(first, OSLO)) == "10-26T01:30"
    again = unix("2026-10-25T02:30:00+01:00")
    assert schedule.latest(again, OSLO) == first
    assert not is_due(Period.DAILY, schedule, OSLO, again, first)


@settings(deadline=None, max_examples=200, derandomize=True, database=None)
@given(
    st.sampled_from(ZONES),
    st.integers(0, 23),
    st.integers(0, 59),
    st.none() | st.integers(0, 6),
    st.integers(1_767_225_600, 1_830_297_600),  # 2026 and 2027
)
def test_it_agrees_with_the_calendar_of_apscheduler(
    zone: ZoneInfo, hour: int, minute: int, weekday: int | None, at: int
) -> None:
    schedule = Schedule(hour, minute, weekday)
    cron = CronTrigger(hour=hour, minute=minute, day_of_week=weekday, timezone=zone)
    now = datetime.fromtimestamp(at + 1, UTC).astimezone(zone)
    theirs = cron.get_next_fire_time(None, now)
    while theirs.fold:  # the second of two, which it takes as well
        theirs = cron.get_next_fire_time(theirs, theirs + timedelta(seconds=1))
    ours = schedule.following(at, zone)
    assert ours == theirs.timestamp()
    assert schedule.latest(ours, zone) == ours
    assert schedule.latest(ours - 1, zone) <= at


def test_once_for_each_moment_and_not_much_too_late() -> None:
    seven = unix("2026-09-21T07:30:00+02:00")
    yesterday = seven - DAY_S + 5

    def due(at: float, told_at: float | None) -> bool:
        return is_due(Period.DAILY, MORNING, OSLO, at, told_at)

    assert not due(seven - 1, yesterday)
    assert due(seven, yesterday)
    assert not due(seven + 1, seven), "told"
    assert due(seven + LATEST_S[Period.DAILY], yesterday), "it was down, and is back by noon"
    assert not due(seven + LATEST_S[Period.DAILY] + 1, yesterday)
    assert due(seven, None)


def test_a_clock_that_was_wrong_does_not_silence_it() -> None:
    seven = unix("2026-09-21T07:30:00+02:00")
    assert is_due(Period.DAILY, MORNING, OSLO, seven, seven + 3650 * DAY_S)
    # Set back by a few seconds just after: the moment comes a second time.
    assert not is_due(Period.DAILY, MORNING, OSLO, seven, seven + 3)
    assert not is_due(Period.DAILY, MORNING, OSLO, seven - 5, seven + 3)


def test_words() -> None:
    assert parse_schedule(Period.DAILY, "07:30") == MORNING
    for index, day in enumerate(WEEKDAYS):
        assert parse_schedule(Period.WEEKLY, f"{day} 18:00") == Schedule(18, 0, index)


@pytest.mark.parametrize("text", ["", "7:30", "24:00", "07:60", "sunday 07:30", "07:30:00", "noon"])
def test_no_time_of_day(text: str) -> None:
    with pytest.raises(ValueError, match='write "07:30", or no for none'):
        parse_schedule(Period.DAILY, text)


@pytest.mark.parametrize("text", ["", "18:00", "sun 18:00", "sunday", "sunday 24:00", "a b 18:00"])
def test_no_time_of_a_week(text: str) -> None:
    with pytest.raises(ValueError, match='write "sunday 18:00", or no for none'):
        parse_schedule(Period.WEEKLY, text)
