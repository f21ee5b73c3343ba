"""The current that is left when a full pack is held at its float voltage for long.

Just above the rest of a full cell a held voltage lets the true current die away within minutes, and
what the sensor goes on showing is its offset. Needs `LONG_H` without a break in which the mean cell
keeps within `STEADY_V`, and no cell so high that a balancer works. Its two halves tell how well the
current has settled, and that the voltage is held: under a load a full pack's falls.
Figures and limits are ours. Constant work, none outside of those voltages.
"""

from __future__ import annotations

from math import hypot
from typing import Any, cast

from watchd.estimators.charging.count import Count, saved_count
from watchd.estimators.estimator import Setting
from watchd.figures import Figures, Value

LONG_H = 0.5
STEADY_V = 0.002  # between the extremes: two steps of a usual cell sensor
HELD_V = 0.0002  # between the means of the halves: a load of 0.05 % of capacity draws that
MOST_C_RATE = 0.01
RESTS_BELOW_V = 0.05  # a full cell rests so far below the upper knee (common practice, no source)
# What may still flow then, as a part of capacity an hour: diffusion, a load that hides there.
STILL_FLOWS = 0.0006


class Settled:
    """Finds such times. Told at most once in `LONG_H`."""

    def __init__(self, setting: Setting, saved: list[Any] | None = None) -> None:
        self._still_flows_a = STILL_FLOWS * setting.nameplate_ah
        knee_v, balancer = setting.profile.upper_knee_v, setting.pack.balancer
        self._from_v = knee_v - RESTS_BELOW_V
        self._to_v = min(knee_v, balancer.from_v) if balancer is not None else knee_v
        begin, middle, volts = saved or (None, None, (0.0, 0.0, 0.0, 0, 0.0))
        self._begin, self._middle = saved_count(begin), saved_count(middle)
        # Extremes; sum and number in this half; mean of the first.
        self._volts: tuple[float, float, float, int, float] = tuple(volts)

    def snapshot(self) -> list[Any]:
        """Plain data from which it goes on."""
        ends = [list(count) if count else None for count in (self._begin, self._middle)]
        return [*ends, list(self._volts)]

    def update(self, figures: Figures) -> tuple[float, float] | None:
        """The mean current of a time that has just become long enough, and its sigma, in A."""
        volts, c_rate = figures["cell_mean_v"], figures["c_rate"]
        if (
            not isinstance(c_rate, float)
            or not -MOST_C_RATE <= c_rate <= MOST_C_RATE
            or not isinstance(volts, float)
            or volts < self._from_v
            or not self._is_below_top(figures["cell_max_v"])
        ):
            self._begin = None
            return None
        low, high, total, n, first_v = self._volts
        low, high = min(volts, low), max(volts, high)
        if self._begin is None or high - low > STEADY_V:
            self._begin, self._middle = Count.of(figures), None
            self._volts = (volts, volts, volts, 1, 0.0)
            return None
        total, n = total + volts, n + 1
        self._volts = (low, high, total, n, first_v)
        hours = cast("float", figures["counted_h"]) - self._begin.counted_h
        if hours < (LONG_H if self._middle is not None else LONG_H / 2):
            return None
        now = Count.of(figures)
        if self._middle is None:
            self._middle, self._volts = now, (low, high, 0.0, 0, total / n)
            return None
        begin, self._begin = self._begin, None
        first, second = self._middle.since(begin), now.since(self._middle)
        if first.has_hole or second.has_hole or abs(total / n - first_v) > HELD_V:
            return None
        mean_a = second.net_ah / second.counted_h
        changed_a = mean_a - first.net_ah / first.counted_h
        return mean_a, hypot(self._still_flows_a, changed_a)

    def _is_below_top(self, high_v: Value) -> bool:
        return isinstance(high_v, float) and high_v <= self._to_v
