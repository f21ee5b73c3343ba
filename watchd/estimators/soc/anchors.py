"""When a pack's charge is known without counting: while it is full, and at its low knee.

full: the keeper's definition of full is met. The pack is at 100 % when the absorption ends; a
current that still flows is charge to come, 100 * c_rate * TAIL_H, known to about its own size.
low: the lowest cell is on the steep low end of its curve, with little current for `HELD_S`. Its
open-circuit voltage U - I R gives the SoC from the profile's table; the surface of the particles
is ahead of their inside by LEAD_H of current. sigma = the table's own error, beside that of the
voltage by the slope of the table, and that of the lead.
Never on the flat part: there 5 mV of sensor, hysteresis or lag are 5 % of charge (Plett, Battery
Management Systems, vol. II; Dreyer et al., Nature Materials 9 (2010) 448, from memory).
Needs the cells' voltages for low. Resistance is a prior: that of a cell goes with 1/capacity, R Q
near 0.15 V a C-rate at 25 degC, and grows in the cold with 35 kJ/mol (Chen et al. 2020).
"""

from __future__ import annotations

from math import exp, hypot
from typing import Any

from watchd.estimators.estimator import Setting
from watchd.estimators.soc.offset import TAIL_H
from watchd.figures import Figure, Figures, number, text
from watchd.telemetry.sample import Sample

ANCHORS = ("none", "full", "low")
FIGURES: tuple[Figure, ...] = (
    text("anchor", "whether the pack's charge is known without counting, and by what", ANCHORS),
    number("anchor_soc_pct", "pct", "state of charge at an anchor", within=(0, 100)),
    number("anchor_sigma_pct", "pct", "standard error of anchor_soc_pct"),
)

FULL_SIGMA_PCT = 0.5
HELD_S = 120.0
MOST_C_RATE = 0.1
# R Q at 25 degC, ohmic and relaxing: 0.3 mOhm at 280 Ah is 0.08 V a C-rate; joints, age are more.
DROP_V = 0.15
DROP_SIGMA = 0.5  # part of it
MOST_DROP_V = 0.1  # counted with at `MOST_C_RATE`
LEAD_H, LEAD_SIGMA_H = 0.05, 0.035  # ours: what a cell takes to settle
TABLE_SIGMA_PCT = 1.0  # cells of other makes have other curves; ours
SENSOR_SIGMA_V = 0.003
KELVIN, REFERENCE_K = 273.15, 298.15
ACTIVATION_K = 35_000.0 / 8.314

_NONE: Figures = {"anchor": "none", "anchor_soc_pct": None, "anchor_sigma_pct": None}
_UNKNOWN: Figures = dict.fromkeys(_NONE)


def looked_at_from_v(setting: Setting) -> float:
    """Where a cell that falls is looked at for the low end, in V.

    From above it, the drop of voltage of `MOST_C_RATE` brings none into the table, but for charging
    below -10 degC.
    """
    return setting.profile.low_end[-1][0] + MOST_DROP_V


class Anchors:
    """Looks for an anchor in each sample. Keeps only since when the low end is seen."""

    def __init__(self, setting: Setting, saved: dict[str, Any] | None = None) -> None:
        self._nameplate_ah = setting.nameplate_ah
        self._table = [(volts, soc) for volts, soc in setting.profile.low_end]
        self._from_v = looked_at_from_v(setting)
        self._low_since: float | None = (saved or {}).get("low_since")
        self._found: Figures = _UNKNOWN
        self._told: Figures | None = None  # where that stands

    def snapshot(self) -> dict[str, Any]:
        """Plain data from which it goes on."""
        return {"low_since": self._low_since}

    def update(self, sample: Sample, figures: Figures) -> None:
        """Write `FIGURES`."""
        volts = figures["cell_min_v"]
        if figures["since_full_h"] == 0 and figures["charge_state"] == "FULL":
            self._low_since = None
            found = self._full(figures)
        elif not isinstance(volts, float):
            self._low_since = None
            found = _UNKNOWN
        elif volts > self._from_v:
            self._low_since = None
            found = _NONE
        else:
            found = self._low(sample.at, volts, figures)
        if found is not self._found or figures is not self._told:
            figures.update(found)
            self._found, self._told = found, figures

    def _full(self, figures: Figures) -> Figures:
        c_rate, offset_a = figures["c_rate"], figures["current_offset_a"]
        still = 0.0
        if isinstance(c_rate, float):
            known_a = offset_a if isinstance(offset_a, float) else 0.0
            still = max(0.0, c_rate - known_a / self._nameplate_ah) * 100 * TAIL_H
        return {
            "anchor": "full",
            "anchor_soc_pct": 100 - still,
            "anchor_sigma_pct": hypot(FULL_SIGMA_PCT, still),
        }

    def _low(self, at: float, volts: float, figures: Figures) -> Figures:
        c_rate = figures["c_rate"]
        if not isinstance(c_rate, float):
            self._low_since = None
            return _UNKNOWN
        drop_v = c_rate * DROP_V * _cold(figures["temperature_min_degc"])
        open_v = volts - drop_v
        if abs(c_rate) > MOST_C_RATE or open_v > self._table[-1][0]:
            self._low_since = None
            return _NONE
        if self._low_since is None:
            self._low_since = at
        if at - self._low_since < HELD_S:
            return _NONE
        soc_pct, slope = self._soc_at(open_v)
        volts_sigma = hypot(SENSOR_SIGMA_V, DROP_SIGMA * drop_v)
        return {
            "anchor": "low",
            "anchor_soc_pct": max(0.0, soc_pct - 100 * c_rate * LEAD_H),
            "anchor_sigma_pct": hypot(
                TABLE_SIGMA_PCT, slope * volts_sigma, 100 * c_rate * LEAD_SIGMA_H
            ),
        }

    def _soc_at(self, volts: float) -> tuple[float, float]:
        """SoC in % by the table, and its slope in % a volt; below the table, its lowest."""
        (low_v, low), *above = self._table
        if volts <= low_v:
            high_v, high = above[0]
            return low, (high - low) / (high_v - low_v)
        for high_v, high in above:
            if volts <= high_v:
                break
            low_v, low = high_v, high
        slope = (high - low) / (high_v - low_v)
        return low + slope * (volts - low_v), slope


def _cold(temperature_degc: object) -> float:
    """How much higher resistance is than at 25 degC (Arrhenius); 1 where it is not known."""
    if not isinstance(temperature_degc, float):
        return 1.0
    return exp(ACTIVATION_K * (1 / (temperature_degc + KELVIN) - 1 / REFERENCE_K))
