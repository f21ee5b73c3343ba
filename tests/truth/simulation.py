"""The bank in motion: packs in parallel on one bus, a charger with sun behind it, loads, BMSs.

The cells' equations are in `cells.py`.
"""

from __future__ import annotations

import numpy as np

from tests.truth.bank import Array, Bank
from tests.truth.cells import Cells, bus_v
from tests.truth.record import EVERY, Record
from tests.truth.weather import STEP_S, STEPS_A_DAY, loads, sunshine, temperatures

START = 1_790_035_200.0  # 2026-09-22, midnight in UTC
FULL_V, FULL_C_RATE, FULL_HOLD = 55.9, 0.05, 30  # the keeper's definition; 30 samples are 5 min


def simulate(bank: Bank, days: int, *, seed: int = 1) -> Record:
    """Run `bank` for so many days from midnight; its arrays are left as they were."""
    return _Simulation(bank, days, np.random.default_rng([seed, 7])).run()


class _Simulation:
    def __init__(self, bank: Bank, days: int, rng: np.random.Generator) -> None:
        self.bank, self.steps, self.rng = bank, days * STEPS_A_DAY, rng
        nameplate = bank.nameplate_ah.sum(axis=1)
        self.sun_a = np.minimum(sunshine(bank, days, rng) * nameplate, bank.max_charge_a)
        self.load_a = loads(bank, days, rng) * nameplate
        self.degc, self.factor = temperatures(bank, days, rng)
        seeds, packs, cells = bank.shape
        self.cells = Cells(bank, STEP_S)
        self.tripped = np.zeros((seeds, packs), bool)
        self.flat = np.zeros(seeds, bool)  # loads shed
        self.floating = np.zeros(seeds, bool)
        self.absorbed_s = np.zeros(seeds)
        self.held = np.zeros((seeds, packs), int)
        self.bms_soc = bank.bms_soc_pct.copy()
        size, pack = self.steps, (seeds, packs)
        self.record = Record(
            bank=bank,
            at=START + STEP_S * np.arange(size),
            current_a=np.zeros((size, *pack), np.float32),
            cell_mv=np.zeros((size, *pack, cells), np.int16),
            voltage_v=np.zeros((size, *pack), np.float32),
            soc_pct=np.zeros((size, *pack), np.int16),
            temperature_degc=np.round(self.degc, 1).astype(np.float32),
            charge_allowed=np.zeros((size, *pack), bool),
            tripped=np.zeros((size, *pack), bool),
            true_current_a=np.zeros((size, *pack), np.float32),
            true_full=np.zeros((size, *pack), bool),
            remaining_ah=np.zeros((size, *pack), np.float32),
            cell_charge=np.zeros((size // EVERY, *pack, cells), np.float32),
        )

    def run(self) -> Record:
        for step in range(self.steps):
            current, cell_v = self._flow(step)
            self.cells.move(current)
            self._balance(cell_v, current)
            self._protect(cell_v, current)
            self._note(step, current, cell_v)
        return self.record

    def _flow(self, step: int) -> tuple[Array, Array]:
        """Current of each pack, and voltage of each cell at the end of the step."""
        source, whole = self.cells.ahead(self.factor[step][:, None, None])
        current = self._share(step, source.sum(axis=2), whole.sum(axis=2))
        return current, source + whole * current[..., None]

    def _share(self, step: int, source_v: Array, ohm: Array) -> Array:
        bank = self.bank
        conduct = 1.0 / ohm
        surplus = self.sun_a[step] - np.where(self.flat, 0.0, self.load_a[step])
        least = np.where(self.flat, 0.0, -self.load_a[step])
        self._stage(source_v, step)
        limit = np.where(self.floating, bank.float_voltage_v, bank.charge_voltage_v)
        volts = bus_v(source_v, conduct, surplus, least, limit)
        if self.tripped.any():
            # A tripped pack can still give, through the switch that is closed.
            carries = np.where(self.tripped & (volts[:, None] > source_v), 1e-12, 1.0)
            conduct = conduct * carries
            volts = bus_v(source_v, conduct, surplus, least, limit)
        return (volts[:, None] - source_v) * conduct

    def _stage(self, source_v: Array, step: int) -> None:
        at_limit = source_v.max(axis=1) > self.bank.charge_voltage_v - 0.15
        self.absorbed_s += np.where(at_limit & ~self.floating, STEP_S, 0.0)
        done = self.absorbed_s >= self.bank.absorption_h * 3600.0
        night = self.sun_a[step] <= 0.0
        self.floating = (self.floating | done) & ~night
        self.absorbed_s[night] = 0.0

    def _balance(self, cell_v: Array, current: Array) -> None:
        bank = self.bank
        high = cell_v.max(axis=2, keepdims=True)
        if not (high > bank.balancer_from_v).any():
            return
        low = cell_v.min(axis=2, keepdims=True)
        amps = bank.balancer_a * (current[..., None] > -0.02 * bank.nameplate_ah[..., None])
        if bank.balancer_moves:
            works = (high > bank.balancer_from_v) & (high - low > 0.005)
            moved = amps * works * ((cell_v <= low) * 1.0 - (cell_v >= high) * 1.0)
        else:
            moved = -amps * ((cell_v > bank.balancer_from_v) & (cell_v - low > 0.005))
        self.cells.move_aside(moved)

    def _protect(self, cell_v: Array, current: Array) -> None:
        bank = self.bank
        high = cell_v.max(axis=2)
        before = self.tripped
        self.tripped = (high >= bank.overvoltage_v) | (before & (high > bank.recovery_v))
        low = cell_v.min(axis=(1, 2))
        self.flat = (low < bank.load_cut_v) | (self.flat & (low < 3.15))
        seen = current * bank.gain + bank.offset_a
        self.bms_soc += seen * (100.0 * STEP_S / 3600.0) / bank.nameplate_ah
        np.clip(self.bms_soc, 0.0, 99.4, out=self.bms_soc)
        mean = cell_v.mean(axis=2)
        full = (mean >= bank.bms_full_v) & (current < 0.04 * bank.nameplate_ah)
        full |= self.tripped & ~before & bank.bms_full_on_trip
        self.bms_soc[full] = 100.0

    def _note(self, step: int, current: Array, cell_v: Array) -> None:
        bank, record, rng = self.bank, self.record, self.rng
        noise = rng.standard_normal(current.shape) * bank.current_noise_a
        record.current_a[step] = np.round(current * bank.gain + bank.offset_a + noise, 1)
        millivolts = rng.standard_normal(cell_v.shape, np.float32) * bank.cell_noise_mv
        millivolts += cell_v * 1000.0 + bank.cell_offset_mv
        record.cell_mv[step] = np.rint(millivolts)
        volts = cell_v.sum(axis=2)
        record.voltage_v[step] = np.round(volts, 2)
        record.soc_pct[step] = np.rint(self.bms_soc)
        record.tripped[step] = self.tripped
        record.charge_allowed[step] = ~self.tripped
        record.true_current_a[step] = current
        met = (volts >= FULL_V) & (current < FULL_C_RATE * bank.nameplate_ah)
        self.held = np.where(met, self.held + 1, 0)
        record.true_full[step] = self.held > FULL_HOLD
        record.remaining_ah[step] = (self.cells.charge * bank.capacity_ah).min(axis=2)
        if step % EVERY == 0:
            record.cell_charge[step // EVERY] = self.cells.charge
