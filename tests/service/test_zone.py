"""Whose clock on the wall times of day in the config go by."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta

import pytest
from tzlocal import reload_localzone

from watchd.shell.zone import zone_of

JULY, JANUARY = datetime(2026, 7, 1, tzinfo=UTC), datetime(2026, 1, 1, tzinfo=UTC)


@pytest.fixture
def computer(monkeypatch: pytest.MonkeyPatch) -> Iterator[pytest.MonkeyPatch]:
    """Whose zone can be set by TZ, see tzset(3)."""
    yield monkeypatch
    monkeypatch.undo()
    reload_localzone()


def offset(moment: datetime) -> timedelta | None:
    return moment.astimezone(zone_of(None)).utcoffset()


def test_the_computers_zone_counts_with_its_rules(computer: pytest.MonkeyPatch) -> None:
    computer.setenv("TZ", "Europe/Oslo")
    reload_localzone()
    assert (offset(JULY), offset(JANUARY)) == (timedelta(hours=2), timedelta(hours=1))
    # The config's goes first.
    assert JULY.astimezone(zone_of("America/Santiago")).utcoffset() == timedelta(hours=-4)


def test_a_zone_that_is_none_is_utc(computer: pytest.MonkeyPatch) -> None:
    computer.setenv("TZ", "No/Such")
    with pytest.raises(Exception):  # noqa: B017, PT011 - tzlocal says so in its own way
        reload_localzone()
    computer.setattr("tzlocal.unix._cache_tz", None)
    assert offset(JULY) == timedelta()
