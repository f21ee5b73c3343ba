"""Packs on one bus with their BMSs and sensors, step by step; what gives current is not in it.

One bank, so S of the shapes elsewhere is 1: arrays [1, P] and [1, P, N].
"""

from __future__ import annotations

import copy

import numpy as np

from tests.truth.bank import Array, Bank
from tests.truth.cells import Cells, bus_v
from tests.truth.weather import resistance_factor

BLEEDS_ABOVE_LOWEST_V = 0.008
TRIPS_AFTER_S = 1.0


class Plant:
    """The bank as it is. `look`, then `step`, for each step."""

    def __init__(self, bank: Bank, step_s: float, *, balances: bool = True) -> None:
        self.bank, self.balances = bank, balances
        self.cells = Cells(bank, step_s)
        packs = bank.shape[1]
        self.tripped = np.zeros((1, packs), bool)
        self.opened = np.zeros((1, packs), bool)  # the BMS stops the charge for another reason
        self.trips = 0
        self.bms_soc_pct = bank.bms_soc_pct.copy()
        self.degc = 25.0
        self.current_a = np.zeros((1, packs))
        self.cell_v = np.zeros(bank.shape)
        self._over_s = np.zeros((1, packs))
        # As of `look`: cell voltage at the end of the step = source + pack's current * ohm.
        self.source_v, self.ohm = self.cell_v, self.cell_v

    def at_pace(self, step_s: float, *, balances: bool) -> Plant:
        """A copy that goes on in other steps; its trips are counted anew."""
        found = copy.deepcopy(self)
        found.cells, found.balances, found.trips = self.cells.at_pace(step_s), balances, 0
        return found

    @property
    def blocked(self) -> Array:
        """Packs [1, P] that cannot be charged now; they can still give."""
        return np.asarray(self.tripped | self.opened)

    def look(self, degc: float, opened: Array | None = None) -> None:
        """Where the step would lead from here, at this temperature of the cells."""
        self.degc = degc
        if opened is not None:
            self.opened = opened
        self.source_v, self.ohm = self.cells.ahead(resistance_factor(np.full((1, 1, 1), degc)))

    def step(self, most_a: float, load_a: float = 0.0) -> None:
        """Live through the step: a charger with so much (A), and loads, on the bus."""
        source, ohm = self.source_v.sum(axis=2), self.ohm.sum(axis=2)
        conduct = 1.0 / ohm
        surplus, least = np.array([most_a - load_a]), np.array([-load_a])
        limit = self.bank.charge_voltage_v
        volts = bus_v(source, conduct, surplus, least, limit)
        blocked = self.blocked
        if blocked.any():
            conduct = conduct * np.where(blocked & (volts[:, None] > source), 1e-12, 1.0)
            volts = bus_v(source, conduct, surplus, least, limit)
        self.current_a = (volts[:, None] - source) * conduct
        self.cell_v = self.source_v + self.ohm * self.current_a[..., None]
        self.cells.move(self.current_a)
        if self.balances:
            self._bleed()
        self._protect()

    def _bleed(self) -> None:
        bank, volts = self.bank, self.cell_v
        if volts.max() > bank.balancer_from_v:
            ahead = volts - volts.min(axis=2, keepdims=True) > BLEEDS_ABOVE_LOWEST_V
            self.cells.move_aside(-bank.balancer_a * (ahead & (volts > bank.balancer_from_v)))

    def _protect(self) -> None:
        bank, step_s = self.bank, self.cells.step_s
        high = self.cell_v.max(axis=2)
        over = high >= bank.overvoltage_v
        # Over at the end of a step: from when on within it is not known, so it counts for nothing
        # unless the step is longer than the delay.
        trips = over & ((self._over_s > 0.0) | (step_s > TRIPS_AFTER_S)) & ~self.tripped
        self._over_s = np.where(over, self._over_s + step_s, 0.0)
        self.trips += int(trips.sum())
        self.tripped = trips | (self.tripped & (high > bank.recovery_v))
        seen = self.current_a * bank.gain + bank.offset_a
        self.bms_soc_pct += seen * (100.0 * step_s / 3600.0) / bank.nameplate_ah
        np.clip(self.bms_soc_pct, 0.0, 99.4, out=self.bms_soc_pct)
        full = (self.cell_v.mean(axis=2) >= bank.bms_full_v) & (
            self.current_a < 0.04 * bank.nameplate_ah
        )
        self.bms_soc_pct[full | (trips & bank.bms_full_on_trip)] = 100.0
