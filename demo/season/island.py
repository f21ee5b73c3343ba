"""The skerry as it goes on, a third of a minute at a time, and the faults as they come and go."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from demo.season.bank import NAMES, SEASON_PLANS, STEP_S, SeasonBank
from demo.season.bridges import Bridge
from demo.season.cells import Array
from demo.season.scenario import START, Kind, Season
from demo.season.weather import DAY_S, Weather
from demo.skerry.charger import Follower

AUK, TERN = NAMES.index("auk"), NAMES.index("tern")
JOINT_CELL, LEAK_CELL = 12, 3
JOINT_FIRST_MOHM, JOINT_GROWS_MOHM_D, JOINT_MOST_MOHM = 0.45, 0.06, 0.9
# A sound cell loses 1 % a month or less, 0.004 A of 280 Ah (from memory); this one is damaged.
LEAK_A = 0.04
LOWERED_V, LOWERED_RECOVERY_V = 3.47, 3.44
# The inverter sheds what can wait, well before a cell is empty.
SHED_V, RESTORE_V, SHED_SHARE = 48.8, 51.4, 0.12
_DAMP = 0.45  # what of the air's swing is felt inside


class Island:
    """Bank, weather, bridges and faults. People change it through its methods."""

    def __init__(self, season: Season, seed: int) -> None:
        self.season = season
        self.bank = SeasonBank(seed)
        self.weather = Weather(seed, season.spells)
        self.follower = Follower(delay_s=STEP_S)
        self.follower.following = True
        self.bridges = [Bridge(name, seed) for name in NAMES]
        self.steps = 0
        self.now = START
        self.air_degc = self.sun_w = self.load_w = 0.0
        self.shed = False
        self.standing: dict[Kind, float] = {}
        """Faults that have begun and are not mended, and the day on which they began."""
        self._coming = sorted(season.faults, key=lambda fault: fault.begins_d)
        self._box_open = False

    @property
    def day(self) -> float:
        """Days since the season began."""
        return (self.now - START) / DAY_S

    @property
    def over(self) -> bool:
        """Whether the season is."""
        return self.day >= self.season.days

    def step(self) -> tuple[str, bytes] | None:
        """Let a step pass; what the bridge whose turn it is sends at its end, if it sends."""
        self.steps += 1
        self.now = START + self.steps * STEP_S
        self._faults_begin()
        self.sun_w = self.weather.sun_w(self.now)
        self.load_w = self.weather.load_w(self.now)
        bus_v = self.bank.bus_v
        self.shed = bus_v < (RESTORE_V if self.shed else SHED_V)
        if self.shed:
            self.load_w *= SHED_SHARE
        self.bank.step(
            sun_w=self.sun_w,
            load_w=self.load_w,
            limit_a=self.follower.limit_a(self.now),
            ambient_degc=self._ambient(),
        )
        turn = self.steps % len(NAMES)
        return self.bridges[turn].send(self.bank, turn, self.now)

    def _ambient(self) -> Array:
        self.air_degc = air_degc = self.weather.air_degc(self.now)
        # The packs stand in boxes in the store room: warmer than outside, and slower.
        inside = 6.0 + _DAMP * air_degc + 3.0
        open_box = air_degc - 2.0
        return np.array([[open_box if self._box_open else inside], [inside], [inside]])

    # --- what goes wrong ---

    def _faults_begin(self) -> None:
        while self._coming and self._coming[0].begins_d <= self.day:
            fault = self._coming.pop(0)
            self.standing[fault.kind] = self.day
            self._set(fault.kind, on=True)
        if Kind.JOINT in self.standing:
            grown = JOINT_FIRST_MOHM + JOINT_GROWS_MOHM_D * (self.day - self.standing[Kind.JOINT])
            self.bank.cells.joint_mohm[AUK, JOINT_CELL - 1] = min(grown, JOINT_MOST_MOHM)

    def mend(self, kind: Kind) -> None:
        """Take a fault away."""
        if self.standing.pop(kind, None) is not None:
            self._set(kind, on=False)

    def _set(self, kind: Kind, *, on: bool) -> None:
        cells, bms = self.bank.cells, self.bank.bms
        match kind:
            case Kind.JOINT:
                cells.joint_mohm[AUK, JOINT_CELL - 1] = JOINT_FIRST_MOHM if on else 0.0
            case Kind.LEAK:
                # The cell stays as it is; what mends it is time at the top (`absorb`).
                if on:
                    cells.leak_a[AUK, LEAK_CELL - 1] = LEAK_A
            case Kind.THRESHOLD:
                sound = SEASON_PLANS["tern"].protection
                bms[TERN].protection = (
                    replace(
                        sound,
                        overvoltage_v=LOWERED_V,
                        overvoltage_recovery_v=LOWERED_RECOVERY_V,
                    )
                    if on
                    else sound
                )
            case Kind.FROZEN:
                self.bridges[AUK].frozen = on
            case Kind.SILENT:
                self.bridges[TERN].dead = on
            case Kind.COLD:
                self._box_open = on
                self.follower.following = not on
            case Kind.DRIFT:
                if not on:
                    bms[TERN].gauge = replace(bms[TERN].gauge, offset_a=0.0)
            case Kind.CAPACITY:
                # It came with the pack, and nothing takes it away; but its BMS can be told.
                if not on:
                    bms[TERN].gauge = replace(bms[TERN].gauge, capacity_ah=158.0)

    def absorb(self, hours: float) -> None:
        """Let the charger hold the charge voltage for so long."""
        self.bank.stages.absorption_h = hours
