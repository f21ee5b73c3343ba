"""Power and C-rate of a pack."""

from __future__ import annotations

from typing import Any

from watchd.estimators.estimator import Setting
from watchd.figures import Figure, Figures, number
from watchd.telemetry.sample import Sample

# The highest voltage times the highest current that telemetry can have.
POWER_W = (-320_000.0, 320_000.0)
FIGURES: tuple[Figure, ...] = (
    number("power_w", "w", "power into the pack, charge positive", within=POWER_W, noisy=True),
    number("c_rate", "", "current as a part of nameplate capacity, charge positive", noisy=True),
)


class Power:
    """Power is withheld where voltage and current are too far apart in time. Keeps nothing."""

    def __init__(self, setting: Setting, saved: dict[str, Any] | None = None) -> None:
        del saved
        self._nameplate_ah, self._within_s = setting.nameplate_ah, setting.parts_within_s

    def snapshot(self) -> dict[str, Any]:
        """Plain data from which it goes on."""
        return {}

    def update(self, sample: Sample, figures: Figures) -> None:
        """Write `FIGURES`."""
        volts, amps = sample.voltage_v, sample.current_a
        if amps is None:
            figures["power_w"] = figures["c_rate"] = None
            return
        power_w = None
        if volts is not None:
            times = sample.measured_at
            if abs(times["voltage_v"] - times["current_a"]) <= self._within_s:
                power_w = volts * amps
        figures["power_w"], figures["c_rate"] = power_w, amps / self._nameplate_ah
