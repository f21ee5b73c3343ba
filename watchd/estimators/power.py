"""Power and C-rate of a pack."""

from __future__ import annotations

from watchd.figures import Figure, Figures, number
from watchd.telemetry.sample import Sample

FIGURES: tuple[Figure, ...] = (
    number("power_w", "w", "power into the pack, charge positive"),
    number("c_rate", "", "current as a part of nameplate capacity, charge positive"),
)


def update(sample: Sample, figures: Figures, nameplate_ah: float, within_s: float) -> None:
    """Write `FIGURES`. Power is withheld where voltage and current are over `within_s` apart."""
    volts, amps = sample.voltage_v, sample.current_a
    figures["power_w"] = figures["c_rate"] = None
    if amps is None:
        return
    figures["c_rate"] = round(amps / nameplate_ah, 5)
    if volts is None:
        return
    apart_s = abs(sample.measured_at["voltage_v"] - sample.measured_at["current_a"])
    if apart_s <= within_s:
        figures["power_w"] = round(volts * amps, 3)
