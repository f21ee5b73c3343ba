"""A pack's own rhythm of telemetry, and whether it has broken off.

The usual interval between renewals of one measurement: the median of the first 20, and from then on
a running mean m += (x - m)/20 in which no interval x counts for more than m changed by a fifth, so
that a pause moves it by 1 %. Followed is the measurement that rules rest on most (`FOLLOWED`);
cells that come one by one count when their set is whole.

A BMS that sends on change only has no rhythm: at night its cells rest for an hour. So a pack is
called silent by its rhythm only when it was regular, that is, when over three days or more and
back to a week no interval was longer than five usual ones. An outage makes it irregular for that
week too; the config's `stale_after` holds at all times. Limits are ours, no source.

Withheld until 20 intervals were seen. Time in which nobody watched is no interval.
"""

from __future__ import annotations

from collections import deque
from statistics import median
from typing import Any

from watchd.estimators.estimator import Setting
from watchd.figures import Figure, Figures, number, yes_no
from watchd.telemetry.sample import Sample

FOLLOWED = ("cell_v", "current_a", "voltage_v", "soc_pct", "temperature_degc")  # best first
NEEDED = 20
WEIGHT = 1 / NEEDED
MOST_CHANGE = 0.2
DAY_S = 86400.0
REMEMBERED_D = 7
REGULAR_AFTER_S = 3 * DAY_S
REGULAR = 5.0  # usual intervals: the longest that a regular pack makes
SILENT = 3 * REGULAR  # usual intervals: no pause any more
LEAST_SILENCE_S = 60.0  # a rhythm of a second is no reason to call after a quarter of a minute

FIGURES: tuple[Figure, ...] = (
    number(
        "telemetry_rhythm_s",
        "s",
        "usual interval between the pack's measurements",
        within=(0, None),
    ),
    number(
        "telemetry_missed",
        "",
        "usual intervals that have passed since the last measurement",
        within=(0, None),
    ),
    yes_no("telemetry_silent", "whether a pack of regular rhythm has broken it off"),
)


class Rhythm:
    """Learns one interval. Constant work and memory per sample."""

    def __init__(self, setting: Setting, saved: dict[str, Any] | None = None) -> None:
        del setting
        known = saved or {}
        self._followed: str | None = known.get("followed")
        self._last: float | None = known.get("last")
        self._usual_s: float | None = known.get("usual_s")
        self._first_s: list[float] = list(known.get("first_s", ()))
        self._watched_s: float = known.get("watched_s", 0.0)
        # The longest interval of each of the last days, and when the last of these ends.
        self._longest: deque[float] = deque(known.get("longest", ()), maxlen=REMEMBERED_D)
        self._day_ends: float = known.get("day_ends", 0.0)
        self._better = _better_than(self._followed)
        self._is_punctual = False  # nothing is missed, and so it is written

    def snapshot(self) -> dict[str, Any]:
        """Plain data from which it goes on."""
        return {
            "followed": self._followed,
            "last": self._last,
            "usual_s": self._usual_s,
            "first_s": list(self._first_s),
            "watched_s": self._watched_s,
            "longest": list(self._longest),
            "day_ends": self._day_ends,
        }

    def update(self, sample: Sample, figures: Figures) -> None:
        """Write `FIGURES`."""
        at, renewed = sample.at, sample.renewed
        if self._followed in renewed:
            last, self._last = self._last, at
            if last is not None and at > last:
                self._learn(at, at - last)
                figures["telemetry_rhythm_s"] = self._usual_s
            if not self._is_punctual:
                self._is_punctual = True
                figures["telemetry_rhythm_s"] = self._usual_s
                figures["telemetry_missed"] = 0.0 if self._usual_s is not None else None
                figures["telemetry_silent"] = False
            return
        if not self._better.isdisjoint(renewed):
            self._follow(next(name for name in FOLLOWED if name in renewed), at)
        elif not sample.measured_at and not sample.overdue:
            self._last = None  # nobody watched, or nothing has come yet
        self._is_punctual = False
        silent, missed, usual_s = False, None, self._usual_s
        if usual_s is not None and self._last is not None:
            since_s = at - self._last
            missed = since_s // usual_s
            if missed > SILENT:
                silent = since_s > LEAST_SILENCE_S and self._is_regular(usual_s)
        figures["telemetry_rhythm_s"] = usual_s
        figures["telemetry_missed"] = missed
        figures["telemetry_silent"] = silent

    def _follow(self, name: str, at: float) -> None:
        self._followed, self._last, self._better = name, at, _better_than(name)
        self._usual_s, self._watched_s, self._day_ends = None, 0.0, 0.0
        self._first_s.clear()
        self._longest.clear()

    def _learn(self, at: float, interval_s: float) -> None:
        self._watched_s += interval_s
        if at >= self._day_ends:
            self._day_ends = (at // DAY_S + 1) * DAY_S
            self._longest.append(interval_s)
        elif interval_s > self._longest[-1]:
            self._longest[-1] = interval_s
        usual_s = self._usual_s
        if usual_s is None:
            self._learn_first(interval_s)
            return
        change_s, bound_s = interval_s - usual_s, MOST_CHANGE * usual_s
        if not -bound_s <= change_s <= bound_s:
            change_s = bound_s if change_s > 0.0 else -bound_s
        self._usual_s = usual_s + WEIGHT * change_s

    def _learn_first(self, interval_s: float) -> None:
        self._first_s.append(interval_s)
        if len(self._first_s) == NEEDED:
            self._usual_s, self._is_punctual = median(self._first_s), False
            self._first_s.clear()

    def _is_regular(self, usual_s: float) -> bool:
        return self._watched_s >= REGULAR_AFTER_S and max(self._longest) <= REGULAR * usual_s


def _better_than(followed: str | None) -> frozenset[str]:
    """What would rather be followed."""
    return frozenset(FOLLOWED[: FOLLOWED.index(followed)] if followed else FOLLOWED)
