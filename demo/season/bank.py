"""The bank through the season: packs in parallel, each with its BMS, and a charger with stages."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from random import Random

import numpy as np

from demo.season.cells import Array, Cells
from demo.skerry.bms import Bms, Gauge
from demo.skerry.charger import Charger
from demo.skerry.network import Branch, Shared, at_current, at_voltage
from demo.skerry.station import CELLS, CHARGER, PLANS, PackPlan

STEP_S = 20.0
START_DEGC = 18.0
NAMES = tuple(PLANS)
SWITCH_MOHM = 0.6
_FULL_CHARGE = 0.80


# What is at the start. In spring auk's cells were brought together. tern was bought used, and holds
# two thirds of what its sheet says.
SEASON_PLANS: Mapping[str, PackPlan] = {
    "auk": replace(
        PLANS["auk"],
        charge=_FULL_CHARGE,
        charge_scatter=0.0004,
        shows_soc_pct=80.0,
        ahead={},
        gauge=Gauge(capacity_ah=272.0, offset_a=-0.05, gain=1.002, full_at_v=3.48),
    ),
    "tern": replace(
        PLANS["tern"],
        kind=replace(PLANS["tern"].kind, capacity_ah=158.0, ohmic_mohm=0.42, relaxing_mohm=0.32),
        charge=_FULL_CHARGE,
        shows_soc_pct=87.0,
        # Its BMS has the nameplate as its capacity, and takes its cells for full only after more
        # than an hour at the charge voltage.
        gauge=Gauge(
            capacity_ah=230.0, offset_a=-0.04, gain=1.0, full_at_v=3.485, full_for_s=4500.0
        ),
    ),
    "eider": replace(
        PLANS["eider"],
        charge=_FULL_CHARGE,
        shows_soc_pct=80.0,
        # In order: it counts well enough to go without a full charge for two weeks.
        gauge=replace(PLANS["eider"].gauge, offset_a=0.01),
    ),
}


@dataclass(slots=True)
class Stages:
    """A charger that holds its voltage for a while, then a lower one until the bank has given."""

    charge_voltage_v: float
    float_voltage_v: float = 54.0
    absorption_h: float = 0.75
    again_below_v: float = 53.0
    """Bus voltage, while nothing charges, from which it begins anew."""
    _held_s: float = 0.0
    _floats: bool = False

    def voltage_v(self, bus_v: float, *, sunny: bool) -> float:
        """What it holds in the coming step."""
        if self._floats and (not sunny or bus_v < self.again_below_v):
            self._floats, self._held_s = False, 0.0
        if not sunny:
            self._held_s = 0.0
        elif bus_v > self.charge_voltage_v - 0.15:
            self._held_s += STEP_S
        if self._held_s >= self.absorption_h * 3600.0:
            self._floats = True
        return self.float_voltage_v if self._floats else self.charge_voltage_v


class SeasonBank:
    """Cells, BMSs, bus and charger."""

    def __init__(self, seed: int) -> None:
        plans = list(SEASON_PLANS.items())
        draws = [Random(f"{seed} season {name}") for name, _ in plans]

        def spread(of: str, part: float) -> Array:
            return np.array(
                [
                    [getattr(plan.kind, of) * draw.gauss(1.0, part) for _ in range(CELLS)]
                    for (_, plan), draw in zip(plans, draws, strict=True)
                ]
            )

        charge = np.array(
            [
                [plan.charge + draw.gauss(0.0, plan.charge_scatter) for _ in range(CELLS)]
                for (_, plan), draw in zip(plans, draws, strict=True)
            ]
        )
        self.cells = Cells(
            spread("capacity_ah", 0.0015),
            spread("ohmic_mohm", 0.03),
            spread("relaxing_mohm", 0.03),
            charge,
            np.full_like(charge, START_DEGC),
            STEP_S,
        )
        self.bms = [
            Bms(plan.protection, plan.balancer, plan.gauge, plan.shows_soc_pct) for _, plan in plans
        ]
        self.cable_ohm = [(plan.cable_mohm + SWITCH_MOHM) / 1000.0 for _, plan in plans]
        self.charger: Charger = CHARGER
        self.stages = Stages(CHARGER.charge_voltage_v)
        self.bus_v = float(self.cells.ahead()[0].sum(axis=1).mean())
        self.currents_a: tuple[float, ...] = (0.0,) * len(plans)
        self.cells_v: list[list[float]] = self.cells.ahead()[0].tolist()

    @property
    def current_a(self) -> float:
        """Current into the bank."""
        return sum(self.currents_a)

    def charge_of(self, pack: int) -> float:
        """True state of charge of a pack: of its lowest cell, which ends a discharge."""
        return float(self.cells.charge[pack].min())

    def step(
        self, *, sun_w: float, load_w: float, limit_a: float | None, ambient_degc: Array
    ) -> None:
        """Share the current between the packs and let it flow for `STEP_S`.

        `limit_a` caps the current into the bank, as in `demo.skerry.bank`.
        """
        source_v, ohm = self.cells.ahead()
        load_a = load_w / self.bus_v
        offered_a = self.charger.available_a(sun_w, self.bus_v) - load_a
        if limit_a is not None:
            offered_a = min(offered_a, max(limit_a, 0.0))
        branches = self._branches(source_v, ohm)
        ceiling_v = self.stages.voltage_v(self.bus_v, sunny=sun_w > 30.0)
        shared = _settle(branches, offered_a, load_a, ceiling_v)
        self.bus_v, self.currents_a = shared.bus_v, shared.currents_a
        current_a = np.array(shared.currents_a)[:, None]
        self.cells_v = (source_v + current_a * ohm).tolist()
        self.cells.move(current_a, ambient_degc)
        for pack, (bms, cells_v) in enumerate(zip(self.bms, self.cells_v, strict=True)):
            moved = bms.step(cells_v, shared.currents_a[pack], STEP_S)
            for cell, moved_ah in moved.items():
                self.cells.shift_ah(pack, cell, moved_ah)

    def _branches(self, source_v: Array, ohm: Array) -> list[Branch]:
        return [
            Branch(volts, ohms + cable_ohm, not bms.overvoltage, not bms.undervoltage)
            for volts, ohms, cable_ohm, bms in zip(
                source_v.sum(axis=1).tolist(),
                ohm.sum(axis=1).tolist(),
                self.cable_ohm,
                self.bms,
                strict=True,
            )
        ]


def _settle(branches: list[Branch], offered_a: float, load_a: float, ceiling_v: float) -> Shared:
    shared = at_current(branches, offered_a, open_v=ceiling_v)
    if shared.bus_v <= ceiling_v:
        return shared
    shared = at_voltage(branches, ceiling_v)
    if shared.total_a >= -load_a:
        return shared
    # Packs above what the charger holds carry the loads alone, and the charger rests.
    return at_current(branches, -load_a, open_v=ceiling_v)
