"""Notices that wait, and what a keeper wants, for tests of what the phone is told."""

from __future__ import annotations

from datetime import UTC, datetime, tzinfo
from itertools import count
from zoneinfo import ZoneInfo

from watchd.phone.hours import Hours, minutes
from watchd.phone.notice import Kind, Notice, Waiting
from watchd.phone.plan import Setting

OSLO = ZoneInfo("Europe/Oslo")
_keys = count(1)


def utc(text: str) -> float:
    """Unix seconds of a moment such as `2026-06-21 22:30`, in UTC."""
    return datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp()


def notice(
    priority: str = "high",
    *,
    at: float = 0.0,
    alarm: str | None = "cell-high/pack/alder",
    title: str = "alder: cell high",
    body: str = "cell 7 is at 3.480 V\nCharge with less current.",
    kind: Kind = Kind.ANNUNCIATION,
    identity: str | None = None,
) -> Notice:
    """One that watchd could have told."""
    known_by = identity or f"made up {next(_keys)}"
    return Notice(known_by, kind, priority, title, body, at, alarm)


def waits(priority: str = "high", *, since: float, tries: int = 0, **more: object) -> Waiting:
    """One that came then, and waits."""
    number = next(_keys)
    made = notice(priority, at=since, **more)  # type: ignore[arg-type] # handed through
    return Waiting(made, number, since, tries, key=number)


def setting(
    quiet: tuple[str, str] | None = ("22:00", "07:00"),
    *,
    wait: tuple[str, ...] = ("medium", "low"),
    gathered: tuple[str, ...] = ("low",),
    most: int = 10,
    zone: tzinfo = UTC,
) -> Setting:
    """What the keeper wants; as the config's defaults have it, but for the quiet hours."""
    hours = Hours(0, 0, zone)
    if quiet is not None:
        hours = Hours(minutes(quiet[0]), minutes(quiet[1]), zone)
    return Setting(hours, frozenset(wait), frozenset(gathered), minutes("07:30"), most)
