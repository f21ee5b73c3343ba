"""When the pack will be full or empty at the current of the last half hour, with an interval.

Time is charge over current: (100 - SoC) or SoC of the pack's capacity, over the mean of the minutes
of one direction, at most the last `MINUTES`. The interval is one of two sigma. What is not sure of
the charge (SoC and capacity) and of the current (the spread of the minutes' means: that of the
coming hours may be any of them) is added in quadrature, to either side by itself, because a low
current makes a time longer by more than a high one makes it shorter. Where the current may as well
be none, the far end is unknown. The answer is to "if it goes on like this": neither the sun's way
nor loads to come are foreseen, and the interval does not hold them.

Full needs the hold of the keeper's definition too. Above the upper knee the charger soon limits
the voltage and the current falls on the way: with a current that falls with the charge that is
missing, from I to the tail I_t, the time is longer by ln(I / I_t) / (1 - I_t / I). The far end
has it, to `TAIL_C_RATE`.

Withheld without our own SoC, while the current is below `full.AT_REST_C_RATE`, and in the first
`LEAST_MIN` minutes of a direction. Without a capacity of our own the nameplate's, as
`capacity` has it. Works once a minute.
"""

from __future__ import annotations

import math
from collections import deque
from typing import Any

from watchd.estimators.charging.count import Count, saved_count
from watchd.estimators.charging.full import AT_REST_C_RATE
from watchd.estimators.estimator import Setting
from watchd.estimators.soc.capacity import known_capacity
from watchd.figures import Figure, Figures, number
from watchd.telemetry.sample import Sample

FIGURES: tuple[Figure, ...] = (
    number(
        "time_to_full_h",
        "h",
        "time until full if the current of the last half hour lasts",
        within=(0, None),
    ),
    number(
        "time_to_full_low_h",
        "h",
        "its early end, by what is not sure of charge and current",
        within=(0, None),
    ),
    number(
        "time_to_full_high_h",
        "h",
        "its late end, likewise; unknown if perhaps never",
        within=(0, None),
    ),
    number(
        "time_to_empty_h",
        "h",
        "time until empty if the current of the last half hour lasts",
        within=(0, None),
    ),
    number(
        "time_to_empty_low_h",
        "h",
        "its early end, by what is not sure of charge and current",
        within=(0, None),
    ),
    number(
        "time_to_empty_high_h",
        "h",
        "its late end, likewise; unknown if perhaps never",
        within=(0, None),
    ),
)
_UNKNOWN: Figures = {figure.name: None for figure in FIGURES}
_TO_FULL = ("time_to_full_h", "time_to_full_low_h", "time_to_full_high_h")
_TO_EMPTY = ("time_to_empty_h", "time_to_empty_low_h", "time_to_empty_high_h")
MINUTE_S = 60.0
MINUTES = 30
LEAST_MIN = 5
# Common practice, no source.
TAIL_C_RATE = 0.01


class Horizon:
    """Looks ahead once a minute."""

    def __init__(self, setting: Setting, saved: dict[str, Any] | None = None) -> None:
        self._nameplate_ah = setting.nameplate_ah
        self._rest_a = AT_REST_C_RATE * setting.nameplate_ah
        self._tail_a = TAIL_C_RATE * setting.nameplate_ah
        self._hold_h = setting.bank.full_hold / 3600.0
        self._knee_v = setting.profile.upper_knee_v
        known = saved or {}
        self._figures: Figures = {**_UNKNOWN, **known.get("figures", {})}
        # Where the count stood when the minute began, and when that was.
        self._minute = saved_count(known.get("minute"))
        self._began_at: float = known.get("began_at", 0.0)
        self._means: deque[float] = deque(known.get("means", ()), MINUTES)
        self._squares = deque([mean * mean for mean in self._means], MINUTES)
        self._written_at = -math.inf

    def snapshot(self) -> dict[str, Any]:
        """Plain data from which it goes on."""
        return {
            "figures": dict(self._figures),
            "minute": list(self._minute) if self._minute else None,
            "began_at": self._began_at,
            "means": list(self._means),
        }

    def update(self, sample: Sample, figures: Figures) -> None:
        """Write `FIGURES`, from `extremes`, `charge`, `full`, `capacity`, `estimate`."""
        at = sample.at
        if at - self._written_at < MINUTE_S:
            return
        if self._minute is None or at - self._began_at >= MINUTE_S:
            self._turn(at, figures)
        figures.update(self._figures)
        self._written_at = self._began_at

    def _turn(self, at: float, figures: Figures) -> None:
        now, before, began_at = Count.of(figures), self._minute, self._began_at
        self._minute, self._began_at = now, at
        self._figures = dict(_UNKNOWN)
        net_ah = now.net_since(before) if before is not None else None
        if net_ah is None or at > began_at + 2 * MINUTE_S:
            self._clear()
            return
        mean, means = net_ah * 3600.0 / (at - began_at), self._means
        if means and means[-1] * mean <= 0.0:
            self._clear()
        means.append(mean)
        self._squares.append(mean * mean)
        if len(means) >= LEAST_MIN and abs(mean) >= self._rest_a:
            self._look_ahead(figures)

    def _clear(self) -> None:
        self._means.clear()
        self._squares.clear()

    def _look_ahead(self, figures: Figures) -> None:
        minutes = len(self._means)
        amps = sum(self._means, 0.0) / minutes
        if amps > 0 and figures["charge_state"] == "FULL":
            self._write(_TO_FULL, 0.0, 0.0, 0.0)
            return
        soc, sigma_pct = figures["soc_estimate_pct"], figures["soc_estimate_sigma_pct"]
        if not isinstance(soc, float) or not isinstance(sigma_pct, float):
            return
        if abs(amps) < self._rest_a:
            return
        capacity_ah, sigma_ah = known_capacity(figures, self._nameplate_ah)
        left_pct = min(max(100.0 - soc if amps > 0 else soc, 0.0), 100.0)
        left_ah = left_pct * capacity_ah / 100.0
        left_sigma_ah = math.hypot(sigma_pct * capacity_ah, left_pct * sigma_ah) / 100.0
        squares = sum(self._squares, 0.0) - minutes * amps * amps
        spread_a = math.sqrt(max(0.0, squares) / (minutes - 1))
        time_h, low_h, high_h = ahead(left_ah, left_sigma_ah, abs(amps), spread_a)
        if amps < 0:
            self._write(_TO_EMPTY, time_h, low_h, high_h)
            return
        high_v = figures["cell_max_v"]
        if high_h is not None and isinstance(high_v, float) and high_v >= self._knee_v:
            high_h *= taper(amps, self._tail_a)
        late_h = high_h + self._hold_h if high_h is not None else None
        self._write(_TO_FULL, time_h + self._hold_h, low_h, late_h)

    def _write(
        self, names: tuple[str, str, str], time_h: float, low_h: float, high_h: float | None
    ) -> None:
        known, (middle, low, high) = self._figures, names
        known[middle], known[low], known[high] = time_h, low_h, high_h


def ahead(
    left_ah: float, left_sigma_ah: float, amps: float, spread_a: float
) -> tuple[float, float, float | None]:
    """Time (h) for a charge at a current, with the ends of its interval of two sigma."""
    time_h, unsure_h = left_ah / amps, 2.0 * left_sigma_ah / amps
    early_h = left_ah / (amps + 2.0 * spread_a)
    low_h = max(0.0, time_h - math.hypot(unsure_h, time_h - early_h))
    slow_a = amps - 2.0 * spread_a
    if slow_a <= 0.0:
        return time_h, low_h, None
    return time_h, low_h, time_h + math.hypot(unsure_h, left_ah / slow_a - time_h)


def taper(amps: float, tail_a: float) -> float:
    """How much longer a charge takes with a current that falls to the tail on the way."""
    ratio = amps / tail_a
    return math.log(ratio) / (1.0 - 1.0 / ratio) if ratio > 1.001 else 1.0
