"""All cells of the bank at once: the cell of `demo.skerry.cell`, in arrays [pack, cell].

A step is implicit: the voltage that its current meets is that of its end, so that packs at constant
voltage taper smoothly in steps of a third of a minute, where `demo.skerry` takes a second each.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from demo.skerry.ocv import open_circuit_v

Array = NDArray[np.float64]

_LOWEST, _STEP = -0.05, 1e-4
_CURVE_V = np.array([open_circuit_v(_LOWEST + place * _STEP) for place in range(11_000)])
_RISE_V = np.diff(_CURVE_V)
_GAS_J_PER_MOL_K, _REFERENCE_K, _ACTIVATION_J_PER_MOL = 8.314, 298.15, 35_000.0
_ACTIVATION_K = _ACTIVATION_J_PER_MOL / _GAS_J_PER_MOL_K
RELAXING_S, SURFACE_LEAD_S, SURFACE_S = 40.0, 240.0, 300.0
HEAT_J_PER_K, COOLING_W_PER_K = 1000.0, 0.35


def open_circuit(charge: Array) -> tuple[Array, Array]:
    """Open-circuit voltage, and its slope in V a unit of charge."""
    place = np.clip((charge - _LOWEST) / _STEP, 0.0, len(_RISE_V) - 1.0)
    below: NDArray[Any] = place.astype(np.intp)
    rise_v = _RISE_V[below]
    return _CURVE_V[below] + (place - below) * rise_v, rise_v / _STEP


class Cells:
    """The state of all cells; charge current is positive."""

    def __init__(
        self,
        capacity_ah: Array,
        ohmic_mohm: Array,
        relaxing_mohm: Array,
        charge: Array,
        temperature_degc: Array,
        step_s: float,
    ) -> None:
        self.capacity_ah, self.charge = capacity_ah, charge
        self.ohmic_mohm, self.relaxing_mohm = ohmic_mohm, relaxing_mohm
        self.temperature_degc = temperature_degc
        self.joint_mohm = np.zeros_like(charge)
        """What a joint has too much; it has no temperature."""
        self.leak_a = np.zeros_like(charge)
        """What drains a cell beside the pack's current."""
        self.step_s = step_s
        self._lead = np.zeros_like(charge)
        self._relaxing_v = np.zeros_like(charge)
        self._settles = 1.0 - np.exp(-step_s / SURFACE_S)
        self._relaxes = 1.0 - np.exp(-step_s / RELAXING_S)
        self._factor = resistance_factor(temperature_degc)
        self.per_as = 1.0 / (3600.0 * capacity_ah)

    def ahead(self) -> tuple[Array, Array]:
        """What holds at the end of the step: cell voltage = source (V) + current (A) * ohm."""
        surface_v, slope_v = open_circuit(self.charge + self._lead)
        source_v = surface_v - slope_v * self._lead * self._settles
        source_v += self._relaxing_v * (1.0 - self._relaxes)
        mohm = (self.ohmic_mohm + self.relaxing_mohm * self._relaxes) * self._factor
        moved_s = self.step_s + SURFACE_LEAD_S * self._settles
        return source_v, (mohm + self.joint_mohm) / 1000.0 + slope_v * self.per_as * moved_s

    def move(self, current_a: Array, ambient_degc: Array) -> None:
        """Live through the step; both are arrays [pack, 1]."""
        speed_per_s = current_a * self.per_as
        self.charge += (speed_per_s - self.leak_a * self.per_as) * self.step_s
        self._lead += (speed_per_s * SURFACE_LEAD_S - self._lead) * self._settles
        relaxing_ohm = self.relaxing_mohm * self._factor / 1000.0
        ohmic_ohm = (self.ohmic_mohm * self._factor + self.joint_mohm) / 1000.0
        lost_w = (ohmic_ohm * current_a + self._relaxing_v) * current_a
        self._relaxing_v += (current_a * relaxing_ohm - self._relaxing_v) * self._relaxes
        gained_w = lost_w - (self.temperature_degc - ambient_degc) * COOLING_W_PER_K
        self.temperature_degc += gained_w * (self.step_s / HEAT_J_PER_K)
        self._factor = resistance_factor(self.temperature_degc)

    def shift_ah(self, pack: int, cell: int, moved_ah: float) -> None:
        """What a balancer takes from a cell (negative), or gives to it."""
        self.charge[pack, cell] += moved_ah / self.capacity_ah[pack, cell]


def resistance_factor(temperature_degc: Array) -> Array:
    """How much higher resistance is than at 25 degC (Arrhenius, as in `demo.skerry.cell`)."""
    return np.asarray(
        np.exp(_ACTIVATION_K * (1.0 / (temperature_degc + 273.15) - 1.0 / _REFERENCE_K))
    )
