"""What the end of a charge shows: its tail current, how long it lasted, the spread at full.

An absorption is the time at the charge voltage. Its tail current is the lowest mean of a minute of
the charge current then, from the charge counted by `charge`. The spread at full is a running mean
of the spread of the cells over the last `SPREAD_S` in which the keeper's definition of full was
met; where the cells stand on the steep end of the curve, a few mV stand for tenths of an Ah, and on
the flat part for many Ah (`balancer` draws its trend from it).
"""

from __future__ import annotations

import math
from typing import Any

from watchd.estimators.charging.count import Count, saved_count
from watchd.estimators.estimator import Setting
from watchd.figures import Figure, Figures, number
from watchd.telemetry.names import SPREAD_MV, within
from watchd.telemetry.sample import Sample

FIGURES: tuple[Figure, ...] = (
    number(
        "tail_current_a",
        "a",
        "lowest charge current, over a minute, of this or the last absorption",
        within=within("current_a"),
    ),
    number(
        "absorption_h",
        "h",
        "time at the charge voltage, of this or the last absorption",
        within=(0, None),
    ),
    number(
        "spread_at_full_mv",
        "mv",
        "spread over the last minutes in which the pack was full; kept until it is full again",
        within=SPREAD_MV,
    ),
)
_UNKNOWN: Figures = {figure.name: None for figure in FIGURES}
# Common practice, no source: meters of charger and BMS differ by so much.
TOLERANCE = 0.0025
MINUTE_S = 60.0
SPREAD_S = 300.0
# A cloud does not end an absorption; an evening does.
APART_S = 3600.0


class Absorption:
    """Watches the top of the charge of one pack; idle below the charge voltage."""

    def __init__(self, setting: Setting, saved: dict[str, Any] | None = None) -> None:
        self._from_v = setting.bank.charge_voltage_v * (1 - TOLERANCE)
        self._longest_gap_s = setting.longest_gap_s
        known = saved or {}
        self._figures: Figures = {**_UNKNOWN, **known.get("figures", {})}
        # Where the count stood when the minute at the voltage began, and when that was.
        self._minute = saved_count(known.get("minute"))
        self._began_at: float = known.get("began_at", 0.0)
        self._last_at: float | None = known.get("last_at")  # when it was at the voltage
        self._full_at: float | None = known.get("full_at")  # when the spread at full was renewed
        self._is_written = False

    def snapshot(self) -> dict[str, Any]:
        """Plain data from which it goes on."""
        return {
            "figures": dict(self._figures),
            "minute": list(self._minute) if self._minute else None,
            "began_at": self._began_at,
            "last_at": self._last_at,
            "full_at": self._full_at,
        }

    def update(self, sample: Sample, figures: Figures) -> None:
        """Write `FIGURES`, from those of `extremes`, `charge` and `full`."""
        volts = sample.voltage_v
        if volts is None or volts < self._from_v:
            self._minute = None
        else:
            self._absorb(sample.at, figures)
        # Full is met now, not only still so: at rest the spread tells nothing.
        if figures["since_full_h"] == 0.0:
            self._take_spread(sample.at, figures["cell_spread_mv"])
        if not self._is_written:
            figures.update(self._figures)
            self._is_written = True

    def _absorb(self, at: float, figures: Figures) -> None:
        before, step_s = self._minute, at - self._began_at
        if before is not None and step_s < MINUTE_S:
            return
        self._minute, self._began_at = Count.of(figures), at
        if before is None:
            return
        net_ah = self._minute.net_since(before)
        # Above the voltage because of another charger, a pack may still give.
        if net_ah is not None and net_ah >= 0.0:
            self._take_minute(at, step_s, net_ah * 3600.0 / step_s)

    def _take_minute(self, at: float, step_s: float, amps: float) -> None:
        known = self._figures
        tail, lasted = known["tail_current_a"], known["absorption_h"]
        begins = self._last_at is None or at - step_s - self._last_at > APART_S
        self._last_at, self._is_written = at, False
        if begins or not isinstance(tail, float) or not isinstance(lasted, float):
            known["tail_current_a"], known["absorption_h"] = amps, step_s / 3600.0
            return
        known["tail_current_a"] = min(tail, amps)
        known["absorption_h"] = lasted + step_s / 3600.0

    def _take_spread(self, at: float, spread: object) -> None:
        if not isinstance(spread, int | float):
            return
        mean, since, self._full_at = self._figures["spread_at_full_mv"], self._full_at, at
        self._is_written = False
        step_s = at - since if since is not None else math.inf
        if not isinstance(mean, float) or step_s > APART_S:
            self._figures["spread_at_full_mv"] = float(spread)
            return
        # Weight of what holds since the last look; a break weighs no more than one gap may.
        part = 1.0 - math.exp(-min(step_s, self._longest_gap_s) / SPREAD_S)
        self._figures["spread_at_full_mv"] = mean + part * (spread - mean)
