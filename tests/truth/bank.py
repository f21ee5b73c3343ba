"""What a simulated bank is: arrays over seeds (S), packs (P) and cells (N), free to be changed.

The figures of cells and habits are of the order that the trade knows (common practice, no source)
unless a source is named.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

CELLS = 16
Array = NDArray[Any]


@dataclass(slots=True)
class Bank:
    """One bank for each seed. Charge positive, everywhere."""

    nameplate_ah: Array  # [S, P]
    capacity_ah: Array  # [S, P, N], between 2.5 V and 3.5 V of open-circuit voltage
    charge: Array  # [S, P, N], state of charge from 0 to 1 at the start
    ohmic_mohm: Array  # [S, P, N] at 25 degC, without joints
    joint_mohm: Array  # [S, P, N], excess of a joint; has no temperature
    relaxing_mohm: Array  # [S, P, N]
    leak_a: Array  # [S, P, N], what drains a cell beside the pack's current
    efficiency: Array  # [S, P, 1], coulombs kept of those that went in
    balancer_a: Array  # [S, P, 1]
    balancer_from_v: float
    balancer_moves: bool  # from the highest to the lowest cell; else it bleeds the high ones
    overvoltage_v: Array  # [S, P], where the BMS stops the charge
    recovery_v: Array  # [S, P]
    bms_full_v: Array  # [S, P], mean cell where the BMS says 100 %; infinite: only at a trip
    bms_full_on_trip: Array  # [S, P] yes/no
    bms_soc_pct: Array  # [S, P] at the start
    offset_a: Array  # [S, P], of the current's sensor
    gain: Array  # [S, P], 1.0 is right
    current_noise_a: float
    cell_offset_mv: Array  # [S, P, N], of the cells' sensors
    cell_noise_mv: float
    charge_voltage_v: Array  # [S]
    float_voltage_v: Array  # [S]
    absorption_h: float
    max_charge_a: Array  # [S]
    sun: Array  # [S], current at noon of a clear day over the bank's nameplate capacity
    load: Array  # [S], 1.0 is about half of the nameplate capacity a day
    dull: float  # part of the days that are dull
    load_cut_v: float = 2.65  # lowest cell at which the loads are shed
    surface_s: float = 300.0
    surface_lead_s: float = 200.0  # the surface is ahead of the bulk by so many seconds of current
    relaxing_s: float = 40.0

    @property
    def shape(self) -> tuple[int, int, int]:
        """Seeds, packs, cells."""
        seeds, packs, cells = self.capacity_ah.shape
        return seeds, packs, cells


def healthy(
    seeds: int = 20, nameplate_ah: Sequence[float] | None = None, *, first_seed: int = 1
) -> Bank:
    """Banks of sound packs. `nameplate_ah` of each pack; None: one pack of 100 to 320 Ah.

    Cells differ by 0.3 % in capacity, 0.04 % in charge at full, 3 % in resistance; sensors are off
    by at most 0.5 A and 1 %, each cell's by 1 mV.
    """
    rng = np.random.default_rng(first_seed)
    packs = 1 if nameplate_ah is None else len(nameplate_ah)
    shape = (seeds, packs, CELLS)
    nameplate = (
        rng.uniform(100, 320, (seeds, 1)).round(-1)
        if nameplate_ah is None
        else np.tile(np.asarray(nameplate_ah, float), (seeds, 1))
    )
    age = rng.uniform(0.97, 1.03, (seeds, packs, 1))
    capacity = nameplate[..., None] * age * rng.normal(1.0, 0.003, shape)
    full = rng.normal(0.0, 0.0004, shape)  # how far the cells differ at full
    start = rng.uniform(0.5, 0.8, (seeds, 1, 1))
    return Bank(
        nameplate_ah=nameplate,
        capacity_ah=capacity,
        charge=1.0 - ((1.0 - start) * nameplate[..., None] / capacity) + full,
        # 0.25 mOhm for 280 Ah: DC is 2 to 4 times the 1 kHz figure of the sheet (from memory).
        ohmic_mohm=70.0 / nameplate[..., None] * rng.normal(1.0, 0.03, shape),
        joint_mohm=np.zeros(shape),
        relaxing_mohm=40.0 / nameplate[..., None] * rng.normal(1.0, 0.03, shape),
        leak_a=np.zeros(shape),
        efficiency=rng.uniform(0.995, 0.999, (seeds, packs, 1)),
        balancer_a=np.full((seeds, packs, 1), 0.2),
        balancer_from_v=3.40,
        balancer_moves=False,
        overvoltage_v=np.full((seeds, packs), 3.65),
        recovery_v=np.full((seeds, packs), 3.45),
        bms_full_v=np.full((seeds, packs), 3.47),
        bms_full_on_trip=np.ones((seeds, packs), bool),
        bms_soc_pct=np.tile(start[..., 0] * 100.0, (1, packs)),
        offset_a=rng.uniform(-0.5, 0.5, (seeds, packs)),
        gain=rng.uniform(0.99, 1.01, (seeds, packs)),
        current_noise_a=0.05,
        cell_offset_mv=rng.uniform(-1.0, 1.0, shape),
        cell_noise_mv=0.5,
        charge_voltage_v=np.full(seeds, 56.0),
        float_voltage_v=np.full(seeds, 53.8),
        absorption_h=1.5,
        max_charge_a=0.3 * nameplate.sum(axis=1),
        sun=rng.uniform(0.20, 0.26, seeds),
        load=rng.uniform(0.8, 1.1, seeds),
        dull=0.25,
    )
