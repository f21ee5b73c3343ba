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
_UNKNOWN: Figures = {figure.name: None for figure in FIGURES}
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
        self._figures: Figures = {**_UNKNOWN, **known.get("figures", {})}
        self._told: Figures | None = None  # where the figures stand
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
            high_v, mean_v, low_v = (
                figures["cell_max_v"],
                figures["cell_mean_v"],
                figures["cell_min_v"],
            )
            if isinstance(high_v, float) and isinstance(mean_v, float) and isinstance(low_v, float):
                self._take(sample, high_v, mean_v, low_v)
        if figures is not self._told:
            figures.update(self._figures)
            self._told = figures

    def deviation_mv(self) -> tuple[float, ...] | None:
        """Each cell minus the mean of them, in order, as of then; None until the pack was full."""
        return tuple(self._deviation_mv) if self._deviation_mv is not None else None

    def _take(self, sample: Sample, high_v: float, mean_v: float, low_v: float) -> None:
        step_s = sample.at - self._at if self._at is not None else math.inf
        self._at, self._told = sample.at, None
        anew = step_s > APART_S
        # Weight of what holds since the last look; a break weighs no more than one gap may.
        part = 1.0 - math.exp(-min(step_s, self._longest_gap_s) / AVERAGE_S)
        known = self._figures
        for name, seen in (
            ("cell_max_at_full_v", high_v),
            ("cell_mean_at_full_v", mean_v),
            ("cell_min_at_full_v", low_v),
        ):
            mean = known[name]
            moves = isinstance(mean, float) and not anew
            known[name] = mean + part * (seen - mean) if moves else seen  # type: ignore[operator]
        cells, before = sample.cell_v, self._deviation_mv
        if cells is None:
            return
        # Few digits, for the state is written every few minutes; 0.02 mV at one sample a second.
        if before is None or anew or len(before) != len(cells):
            self._deviation_mv = [round((v - mean_v) * 1000, 4) for v in cells]
        else:
            # Twice as fast as `round` to so many digits.
            self._deviation_mv = [
                round(10_000.0 * (m + part * ((v - mean_v) * 1000 - m))) / 10_000.0
                for m, v in zip(before, cells, strict=True)
            ]
