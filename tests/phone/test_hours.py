"""Quiet hours and times of day, also on the days on which clocks are set.

What is expected on those days follows from the rules of the zone (the IANA database): Europe/Oslo
goes from 02:00 to 03:00 on 2026-03-29 and from 03:00 to 02:00 on 2026-10-25, both at 01:00 UTC.
"""

from __future__ import annotations

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.phone.builders import OSLO, utc
from watchd.phone.hours import Hours, around, minutes, next_time

ZONES = [
    UTC,
    OSLO,
    ZoneInfo("America/Santiago"),  # skips midnight itself
    ZoneInfo("Australia/Lord_Howe"),  # by half an hour
    ZoneInfo("Asia/Kathmandu"),
]


def hours(begin: str, end: str, zone: object = OSLO) -> Hours:
    return Hours(minutes(begin), minutes(end), zone)  # type: ignore[arg-type] # a zone


@pytest.mark.parametrize(
    ("begin", "end", "at", "until"),
    [
        ("22:00", "07:00", "2026-06-21 20:00", "2026-06-22 05:00"),  # 22:00 in summer
        ("22:00", "07:00", "2026-06-21 19:59", None),
        ("22:00", "07:00", "2026-06-22 04:59:59", "2026-06-22 05:00"),
        ("22:00", "07:00", "2026-06-22 05:00", None),
        ("13:00", "15:30", "2026-01-10 12:30", "2026-01-10 14:30"),
        # An hour shorter, and an hour longer.
        ("22:00", "07:00", "2026-03-28 21:00", "2026-03-29 05:00"),
        ("22:00", "07:00", "2026-10-24 20:00", "2026-10-25 06:00"),
        # The end is skipped: quiet until the clock shows 03:00.
        ("22:00", "02:30", "2026-03-29 00:59", "2026-03-29 01:00"),
        # The end comes twice: quiet twice, from 02:00 on again.
        ("22:00", "02:30", "2026-10-25 00:15", "2026-10-25 00:30"),
        ("22:00", "02:30", "2026-10-25 01:15", "2026-10-25 01:30"),
    ],
)
def test_quiet_hours(begin: str, end: str, at: str, until: str | None) -> None:
    quiet = hours(begin, end)
    assert quiet.holds(utc(at)) is (until is not None)
    assert quiet.ends_after(utc(at)) == utc(until or at)


@given(
    st.sampled_from(ZONES),
    st.integers(0, 1439),
    st.integers(0, 1439),
    st.integers(int(utc("2026-01-01 00:00")), int(utc("2027-12-31 00:00"))),
)
def test_it_is_quiet_as_the_clock_on_the_wall_says(zone: object, a: int, b: int, at: int) -> None:
    quiet = Hours(a, b, zone)  # type: ignore[arg-type] # a zone
    wall = datetime.fromtimestamp(at, zone).strftime("%H:%M")  # type: ignore[arg-type]
    begin, end = f"{a // 60:02d}:{a % 60:02d}", f"{b // 60:02d}:{b % 60:02d}"
    inside = begin <= wall < end if begin <= end else wall >= begin or wall < end
    assert quiet.holds(at) is inside
    ends = quiet.ends_after(at)
    assert not quiet.holds(ends)
    assert at <= ends <= at + 26 * 3600
    if inside:
        # The minute before it is still quiet, and so is one anywhere on the way.
        assert quiet.holds(ends - 60)
        assert quiet.holds((at + ends - 60) / 2)


@pytest.mark.parametrize(
    ("of_day", "after", "found"),
    [
        ("07:30", "2026-06-21 05:29:59", "2026-06-21 05:30"),
        ("07:30", "2026-06-21 05:30", "2026-06-22 05:30"),
        ("02:30", "2026-03-29 00:10", "2026-03-29 01:00"),  # skipped: at 03:00
        ("02:30", "2026-10-24 23:00", "2026-10-25 00:30"),
        ("00:00", "2026-06-21 10:00", "2026-06-21 22:00"),
    ],
)
def test_the_next_time(of_day: str, after: str, found: str) -> None:
    assert next_time(minutes(of_day), utc(after), OSLO) == utc(found)


def test_a_midnight_that_is_skipped() -> None:
    """In Santiago the clock goes from 23:59 to 01:00 on 2026-09-06, at 04:00 UTC."""
    zone = ZoneInfo("America/Santiago")
    assert next_time(0, utc("2026-09-06 03:00"), zone) == utc("2026-09-06 04:00")


@given(
    st.sampled_from(ZONES),
    st.integers(0, 1439),
    st.integers(int(utc("2026-01-01 00:00")), int(utc("2027-12-31 00:00"))),
)
def test_now_is_between_the_last_and_the_next(zone: object, of_day: int, now: int) -> None:
    last, following = around(of_day, now, zone)  # type: ignore[arg-type] # a zone
    assert last <= now < following
    assert 22.5 * 3600 <= following - last <= 49 * 3600
