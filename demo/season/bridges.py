"""Bridges of the season: one JSON document a pack, and the ways in which a bridge fails."""

from __future__ import annotations

from random import Random
from typing import Any

import numpy as np

from demo.season.bank import SWITCH_MOHM, SeasonBank
from demo.skerry.bms import OVER_VOLTAGE, UNDER_VOLTAGE

# What the sensors of such BMSs resolve: as in `demo.skerry.pack`.
CELL_NOISE_MV, CURRENT_NOISE_A, TEMPERATURE_NOISE_K = 0.6, 0.12, 0.05
_BITS = {OVER_VOLTAGE: 1, UNDER_VOLTAGE: 2}


class Bridge:
    """It tells what a BMS measures, one pack each."""

    def __init__(self, name: str, seed: int) -> None:
        self.topic = f"skerry/{name}/state"
        self.frozen = self.dead = False
        self._noise = np.random.default_rng(Random(f"{seed} bridge {name}").getrandbits(32))
        self._last = b""

    def send(self, bank: SeasonBank, pack: int, at: float) -> tuple[str, bytes] | None:
        """Topic and payload at a moment; None from a link that is dead."""
        if self.dead:
            return None
        if not (self.frozen and self._last):
            self._last = self._document(bank, pack)
        del at  # these have no clock: arrival counts
        return self.topic, self._last

    def _document(self, bank: SeasonBank, pack: int) -> bytes:
        noise = self._noise.standard_normal(20).tolist()
        bms, current_a = bank.bms[pack], bank.currents_a[pack]
        cells_v = bank.cells_v[pack]
        millivolts = [
            round(1000.0 * volts + CELL_NOISE_MV * wobble)
            for volts, wobble in zip(cells_v, noise, strict=False)
        ]
        inside_v = sum(cells_v) + current_a * SWITCH_MOHM / 1000.0 + 0.0018 * noise[16]
        amps = bms.current_a + CURRENT_NOISE_A * noise[17]
        degc: Any = bank.cells.temperature_degc[pack, [0, 8]].tolist()
        protection = sum(_BITS[name] for name in bms.active)
        return (
            f'{{"v":{inside_v:.2f},"a":{amps:.1f},"soc":{int(bms.soc_pct)},"mv":{millivolts},'
            f'"degc":[{degc[0] + TEMPERATURE_NOISE_K * noise[18]:.1f},'
            f"{degc[1] + TEMPERATURE_NOISE_K * noise[19]:.1f}],"
            f'"in":{int(not bms.overvoltage)},"out":{int(not bms.undervoltage)},'
            f'"even":{int(bms.balancing)},"stop":{protection}}}'
        ).encode()
