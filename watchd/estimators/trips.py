"""Protection trips of a BMS: present now, and how many in the last 24 hours."""

from __future__ import annotations

from collections import deque
from typing import Any

from watchd.estimators.estimator import Setting
from watchd.figures import Figure, Figures, number, text, yes_no
from watchd.telemetry.events import is_trip
from watchd.telemetry.sample import Sample

DAY_S = 86400.0
# A BMS that trips oftener than every three minutes all day is no longer counted exactly.
MOST = 500

FIGURES: tuple[Figure, ...] = (
    yes_no("protection_trip", "whether a protection of the BMS has acted and not recovered"),
    text("trip_events", "the protection events behind the last trip, in SunSpec's names"),
    number("trips_24h", "", "protection trips in the last 24 hours, as far as watchd saw them"),
)


class Trips:
    """Counts trips of one pack: a trip begins when an event appears that was not there before.

    An event that is there at the first look is present, but was not seen to begin: not counted.
    """

    def __init__(self, setting: Setting, saved: dict[str, Any] | None = None) -> None:
        del setting
        known = saved or {}
        self._events: frozenset[str] | None = (
            frozenset(known["events"]) if known.get("events") is not None else None
        )
        self._times: deque[float] = deque(known.get("times", ()), maxlen=MOST)
        self._last: str | None = known.get("last")

    def snapshot(self) -> dict[str, Any]:
        """Plain data from which it goes on."""
        return {
            "events": sorted(self._events) if self._events is not None else None,
            "times": list(self._times),
            "last": self._last,
        }

    def update(self, sample: Sample, figures: Figures) -> None:
        """Write `FIGURES`. Unknown protection keeps the count, and tells nothing of now."""
        present: bool | None = None
        if sample.protection is not None:
            events = frozenset(e for e in sample.protection if is_trip(e))
            if events - (self._events or frozenset()):
                self._last = ", ".join(sorted(events))
                if self._events is not None:
                    self._times.append(sample.at)
            self._events = events
            present = bool(events)
        while self._times and self._times[0] <= sample.at - DAY_S:
            self._times.popleft()
        figures["protection_trip"] = present
        figures["trip_events"] = self._last
        figures["trips_24h"] = len(self._times) if self._events is not None else None
