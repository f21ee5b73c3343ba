"""Protection trips of a BMS: present now, how many in a day and a week, how long the last one was.

A trip begins when an event appears that was not there before, and is over when none is left. An
event that is there at the first look is present, but was not seen to begin: not counted.
"""

from __future__ import annotations

from collections import deque
from typing import Any

from watchd.estimators.estimator import Setting
from watchd.figures import Figure, Figures, number, text, yes_no
from watchd.telemetry.events import is_trip
from watchd.telemetry.sample import Sample

DAY_S = 86400.0
WEEK_S = 7 * DAY_S
# A BMS that trips oftener than every three minutes all day is no longer counted exactly.
MOST = 500

FIGURES: tuple[Figure, ...] = (
    yes_no("protection_trip", "whether a protection of the BMS has acted and not recovered"),
    text("trip_events", "the protection events behind the last trip, in SunSpec's names"),
    number(
        "trips_24h",
        "",
        "protection trips in the last 24 hours, as far as watchd saw them",
        within=(0, None),
    ),
    number("trips_7d", "", "protection trips in the last 7 days, likewise", within=(0, None)),
    number(
        "trip_lasted_s",
        "s",
        "how long the last trip that recovered lasted; unknown if not seen from begin to end",
        within=(0, None),
    ),
)


class Trips:
    """Counts trips of one pack. Constant memory: of each window the last `MOST`."""

    def __init__(self, setting: Setting, saved: dict[str, Any] | None = None) -> None:
        del setting
        known = saved or {}
        self._events: frozenset[str] | None = (
            frozenset(known["events"]) if known.get("events") is not None else None
        )
        self._day: deque[float] = deque(known.get("times", ()), maxlen=MOST)
        self._week: deque[float] = deque(known.get("week", known.get("times", ())), maxlen=MOST)
        self._last: str | None = known.get("last")
        self._began_at: float | None = known.get("began_at")  # of the trip that stands, if seen
        self._lasted_s: float | None = known.get("lasted_s")
        self._said: tuple[str, ...] | None = None  # what `_events` follow from
        self._begins = True

    def snapshot(self) -> dict[str, Any]:
        """Plain data from which it goes on."""
        return {
            "events": sorted(self._events) if self._events is not None else None,
            "times": list(self._day),
            "week": list(self._week),
            "last": self._last,
            "began_at": self._began_at,
            "lasted_s": self._lasted_s,
        }

    def update(self, sample: Sample, figures: Figures) -> None:
        """Write `FIGURES`. Unknown protection keeps the count, and tells nothing of now."""
        at, said, week = sample.at, sample.protection, self._week
        # No trip is in the day that is not in the week.
        if said == self._said and not week and not self._begins:
            return
        self._begins = False
        if said is None:
            # It may recover, and trip again, without being seen.
            self._began_at = None
        elif said != self._said:
            self._take(at, said)
        self._said = said
        day = self._day
        while day and day[0] <= at - DAY_S:
            day.popleft()
        while week and week[0] <= at - WEEK_S:
            week.popleft()
        events = self._events
        figures["protection_trip"] = bool(events) if said is not None else None
        figures["trip_events"] = self._last
        figures["trips_24h"] = len(day) if events is not None else None
        figures["trips_7d"] = len(week) if events is not None else None
        figures["trip_lasted_s"] = self._lasted_s

    def _take(self, at: float, said: tuple[str, ...]) -> None:
        before = self._events
        events = frozenset(e for e in said if is_trip(e))
        if events - (before or frozenset()):
            self._last = ", ".join(sorted(events))
            if before is not None:
                self._day.append(at)
                self._week.append(at)
        if events and before is not None and not before:
            self._began_at = at
        elif before and not events:
            self._lasted_s = at - self._began_at if self._began_at is not None else None
            self._began_at = None
        self._events = events
