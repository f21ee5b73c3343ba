"""Ordinary days before a scenario's morning, in which watchd gets to know the bank.

Sunny days with loads, charged gently by a charger that knows everything, so that nothing of it
depends on what watchd suggests and no BMS trips. On the last evening the bank is discharged to
60 % and rests until the morning, whose temperature it takes on. Telemetry goes on all the time.
The balancers do not bleed in these days: in the morning a cell is as far ahead as the scenario
says.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from tests.truth.loop.controllers import RULES, Clairvoyant, Watchd
from tests.truth.loop.plant import Plant
from tests.truth.loop.scenarios import Scenario
from tests.truth.loop.telemetry import config_of, document
from tests.truth.messages import PACE
from tests.truth.simulation import START
from tests.truth.weather import STEP_S, STEPS_A_DAY, loads, sunshine, temperatures
from watchd.config import Config
from watchd.engine import Engine

DAYS = 1.0  # one is enough for resistances and joints to be told
BELOW_OVERVOLTAGE_V = 0.05  # how far the cells stay away from it on ordinary days
EVENING_C_RATE, MORNING_CHARGE, NIGHT_H = 0.15, 0.6, 5.0


@dataclass(frozen=True, slots=True)
class Start:
    """The morning: the bank, and watchd as it is by then (None: it was not there)."""

    plant: Plant
    config: Config
    at: float
    state: dict[str, Any] | None
    figures: dict[str, dict[str, Any]]

    def obeyed(self, delay_s: float) -> Watchd:
        """A charger that goes on to obey watchd, so many seconds late."""
        now_a = self.figures["bank/hut"]["charge_limit_a"] if self.figures else None
        return Watchd(self.config, delay_s, self.state, now_a)


def learned(scenario: Scenario, days: float = DAYS, *, engine: bool = True) -> Start:
    """The morning after so many days; without `engine`, for a watchd that knows nothing."""
    return _Days(scenario, days, engine=engine).run()


class _Days:
    def __init__(self, scenario: Scenario, days: float, *, engine: bool) -> None:
        bank = scenario.bank()
        bank.dull = 0.0
        self.scenario, self.days = scenario, days
        self.plant = Plant(bank, STEP_S, balances=False)
        self.config = config_of(scenario, bank)
        self.engine = Engine(self.config, RULES, explains=False) if engine else None
        self.gentle = Clairvoyant(replace(scenario, bands=((0.0, 0.5),)), BELOW_OVERVOLTAGE_V)
        self.rng = np.random.default_rng(5)
        self.at = START

    def run(self) -> Start:
        self._live_days()
        self._live_night()
        state = self.engine.snapshot() if self.engine else None
        figures = self.engine.figures() if self.engine else {}
        return Start(self.plant, self.config, self.at, state, figures)

    def _live_days(self) -> None:
        bank, days, rng = self.plant.bank, math.ceil(self.days), np.random.default_rng(6)
        nameplate_ah = sum(self.scenario.nameplate_ah)
        sun_a = np.minimum(sunshine(bank, days, rng)[:, 0] * nameplate_ah, self.scenario.charger_a)
        load_a = loads(bank, days, rng)[:, 0] * nameplate_ah
        degc = temperatures(bank, days, rng)[0][:, 0]
        for step in range(round((days - self.days) * STEPS_A_DAY), days * STEPS_A_DAY):
            self._step(float(degc[step]), float(sun_a[step]), float(load_a[step]))

    def _live_night(self) -> None:
        evening_a = EVENING_C_RATE * sum(self.scenario.nameplate_ah)
        begin_degc, end_degc = self.plant.degc, self.scenario.degc[0]
        steps = round(NIGHT_H * 3600.0 / STEP_S)
        for step in range(steps):
            high = float(self.plant.cells.charge.mean()) > MORNING_CHARGE
            degc = begin_degc + (end_degc - begin_degc) * step / steps
            self._step(degc, 0.0, evening_a if high else 0.0)

    def _step(self, degc: float, sun_a: float, load_a: float) -> None:
        plant = self.plant
        plant.look(degc)
        # What the loads take does not go into the bank.
        plant.step(min(sun_a, self.gentle.limit_a(self.at, plant) + load_a), load_a)
        self.at += STEP_S * PACE
        if self.engine is not None:
            for pack in range(plant.bank.shape[1]):
                self.engine.feed(*document(plant, pack, self.rng), self.at + pack)
            self.engine.take_transitions()
            self.engine.take_advice()
            self.engine.take_notes()
