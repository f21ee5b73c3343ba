"""Where the cells stood when the pack was last full: highest, mean and lowest.

Running means over the last `AVERAGE_S` in which the keeper's definition of full was met, kept until
it is full again. Only there does it show how far the leader comes at the charge voltage: on the
flat part the same cells stand within a few mV. They are the BMS's own measurements, so what its
meter and the charger's differ by is in them. Another charge voltage in the config begins anew.
Needs the cells' voltages. Ours, no source.
"""

from __future__ import annotations

import math
from typing import Any

from watchd.estimators.estimator import Setting
from watchd.figures import Figure, Figures, number
from watchd.telemetry.names import CELL_V
from watchd.telemetry.sample import Sample

FIGURES: tuple[Figure, ...] = (
    number(
        "cell_max_at_full_v",
        "v",
        "voltage of the highest cell when the pack was last full",
        within=CELL_V,
    ),
    number(
        "cell_mean_at_full_v", "v", "mean of the cells when the pack was last full", within=CELL_V
    ),
    number(
        "cell_min_at_full_v",
        "v",
        "voltage of the lowest cell when the pack was last full",
        within=CELL_V,
    ),
)
_OF = {
    "cell_max_at_full_v": "cell_max_v",
    "cell_mean_at_full_v": "cell_mean_v",
    "cell_min_at_full_v": "cell_min_v",
}
AVERAGE_S = 300.0
# A cloud does not end a full charge; an evening does.
APART_S = 3600.0


class AtFull:
    """Watches the cells while a pack is full."""

    def __init__(self, setting: Setting, saved: dict[str, Any] | None = None) -> None:
        self._charge_voltage_v = setting.bank.charge_voltage_v
        self._longest_gap_s = setting.longest_gap_s
        known = saved or {}
        if known.get("charge_voltage_v") != self._charge_voltage_v:
            known = {}
        self._figures: Figures = {**dict.fromkeys(_OF), **known.get("figures", {})}
        self._at: float | None = known.get("at")
        deviation = known.get("deviation_mv")
        self._deviation_mv: list[float] | None = list(deviation) if deviation else None

    def snapshot(self) -> dict[str, Any]:
        """Plain data from which it goes on."""
        return {
            "charge_voltage_v": self._charge_voltage_v,
            "figures": dict(self._figures),
            "at": self._at,
            "deviation_mv": self._deviation_mv,
        }

    def update(self, sample: Sample, figures: Figures) -> None:
        """Write `FIGURES`, from those of `extremes` and `full`."""
        if figures["since_full_h"] == 0.0:
            seen = {name: figures[of] for name, of in _OF.items()}
            volts = {name: v for name, v in seen.items() if isinstance(v, float)}
            if len(volts) == len(_OF):
                self._take(sample.at, volts, sample.cell_v)
        figures.update(self._figures)

    def deviation_mv(self) -> tuple[float, ...] | None:
        """Each cell minus the mean of them, in order, as of then; None until the pack was full."""
        return tuple(self._deviation_mv) if self._deviation_mv is not None else None

    def _take(self, at: float, volts: dict[str, float], cells: tuple[float, ...] | None) -> None:
        step_s = at - self._at if self._at is not None else math.inf
        self._at = at
        anew = step_s > APART_S
        # Weight of what holds since the last look; a break weighs no more than one gap may.
        part = 1.0 - math.exp(-min(step_s, self._longest_gap_s) / AVERAGE_S)
        for name, seen in volts.items():
            mean = self._figures[name]
            moves = isinstance(mean, float) and not anew
            self._figures[name] = mean + part * (seen - mean) if moves else seen  # type: ignore[operator]
        if cells is None:
            return
        mean_v = sum(cells) / len(cells)
        now = [(v - mean_v) * 1000 for v in cells]
        before = self._deviation_mv
        if before is not None and not anew and len(before) == len(now):
            now = [m + part * (v - m) for m, v in zip(before, now, strict=True)]
        # Few digits, for the state is written every few minutes; 0.02 mV at one sample a second.
        self._deviation_mv = [round(mv, 4) for mv in now]
