"""The cells of a simulated bank, and the bus that they share: the equations.

Each cell is an open-circuit voltage behind a resistance, a resistor-capacitor pair, and a surface
that is ahead of the bulk in proportion to the current (in a particle the surface leads the mean:
Subramanian, Diwakar, Tapriyal 2005, J. Electrochem. Soc. 152, A2002; from memory). The currents of
parallel packs follow from Millman's theorem, implicit in the step, so that a pack at constant
voltage tapers smoothly.
"""

from __future__ import annotations

import copy

import numpy as np

from tests.truth.bank import Array, Bank
from tests.truth.ocv import ocv_v


class Cells:
    """What moves in the cells of `bank`, in steps of `step_s`; arrays [S, P, N]."""

    def __init__(self, bank: Bank, step_s: float) -> None:
        self.bank = bank
        self.charge = bank.charge.copy()
        self.lead, self.relaxing_v = np.zeros(bank.shape), np.zeros(bank.shape)
        self._relaxing_ohm = np.zeros(bank.shape)
        self.per_as = 1.0 / (3600.0 * bank.capacity_ah)
        self._pace(step_s)

    def at_pace(self, step_s: float) -> Cells:
        """A copy that goes on in other steps."""
        found = copy.copy(self)
        found.charge, found.lead = self.charge.copy(), self.lead.copy()
        found.relaxing_v = self.relaxing_v.copy()
        found._pace(step_s)
        return found

    def _pace(self, step_s: float) -> None:
        self.step_s = step_s
        self.settle = 1.0 - np.exp(-step_s / self.bank.surface_s)
        self.relax = 1.0 - np.exp(-step_s / self.bank.relaxing_s)

    def ahead(self, factor: Array) -> tuple[Array, Array]:
        """What holds at the end of the step: cell voltage = source (V) + current * ohm.

        `factor` [S, 1, 1] is that of the temperature on the resistances; joints have none.
        """
        bank = self.bank
        relaxing = bank.relaxing_mohm * (factor * 1e-3)
        ohm = bank.ohmic_mohm * (factor * 1e-3) + bank.joint_mohm * 1e-3
        surface_v, slope = ocv_v(self.charge + self.lead)
        source = surface_v - slope * self.lead * self.settle + self.relaxing_v * (1.0 - self.relax)
        moved_s = self.step_s + bank.surface_lead_s * self.settle
        whole = ohm + relaxing * self.relax + slope * self.per_as * moved_s
        self._relaxing_ohm = relaxing
        return source, whole

    def move(self, current: Array) -> None:
        """Live through the step with `current` [S, P]."""
        bank = self.bank
        amps = current[..., None]
        kept = np.where(amps > 0.0, amps * bank.efficiency, amps) - bank.leak_a
        self.charge += kept * self.per_as * self.step_s
        self.lead += (amps * self.per_as * bank.surface_lead_s - self.lead) * self.settle
        self.relaxing_v += (amps * self._relaxing_ohm - self.relaxing_v) * self.relax

    def move_aside(self, amps: Array) -> None:
        """What a balancer takes from (negative) or gives to each cell in the step."""
        self.charge += amps * self.per_as * self.step_s


def bus_v(source_v: Array, conduct: Array, surplus: Array, least: Array, limit: Array) -> Array:
    """Voltage of the bus [S] over packs of `source_v` and `conduct` (1 / ohm), both [S, P].

    All of `surplus` (A) goes into the bank until the charger's `limit` (V), and never less than
    `least` (A).
    """
    whole = conduct.sum(axis=1)
    open_v = (source_v * conduct).sum(axis=1) / whole
    highest, lowest = open_v + surplus / whole, open_v + least / whole
    # The charger holds the limit while the sun allows; below it all goes into the bank.
    return np.minimum(highest, np.maximum(limit, lowest))
