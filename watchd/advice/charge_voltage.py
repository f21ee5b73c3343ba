"""The suggested charge voltage: the keeper's own, or less while a balancer needs the time.

A pack whose leading cell is held for its balancer wants the bus where that cell stands at the
hold's voltage: as far below the pack's voltage of now as the cell is above it. The lowest of the
packs' rules. It falls at once and rises slowly, in steps of 0.1 V, is never above the keeper's own
charge voltage, and never below what brings cells that are together near full (`NEAR_FULL_V` each).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from watchd.advice.advice import PackState, VoltageAdvice
from watchd.advice.hold import Held
from watchd.config import Bank

# Ours: full cells rest at 3.35 to 3.40 V (common practice, no source).
NEAR_FULL_V = 3.35
RISE_V_MIN = 0.1


class ChargeVoltage:
    """The suggestion for one bank as time goes on."""

    def __init__(self, bank: Bank, saved: dict[str, Any] | None = None) -> None:
        known = saved or {}
        self._own_v = bank.charge_voltage_v
        self._voltage_v: float | None = known.get("voltage_v")
        self._at: float = known.get("at", 0.0)
        because = f"the bank's own charge voltage is {self._own_v:g} V"
        self._own = VoltageAdvice(self._own_v, "charge voltage", because)

    def snapshot(self) -> dict[str, Any]:
        """Plain data from which it goes on."""
        return {"voltage_v": self._voltage_v, "at": self._at}

    def update(
        self, at: float, packs: Sequence[PackState], held: Mapping[str, Held], lacking: str | None
    ) -> VoltageAdvice:
        """The suggestion as of `at`. `lacking`: why no advice can rest on the packs, if so."""
        if lacking is not None:
            return VoltageAdvice(None, "withdrawn", lacking)
        if not held and (self._voltage_v is None or self._voltage_v >= self._own_v):
            self._voltage_v, self._at = self._own_v, at
            return self._own
        target_v, limited_by, because = self._own_v, self._own.limited_by, self._own.because
        for state in packs:
            if state.name not in held:
                continue
            volts = self._wanted_v(state, held[state.name])
            if volts < target_v:
                target_v, limited_by = volts, f"pack/{state.name} balancing hold"
                because = held[state.name].because
        before, floor_v = self._voltage_v, math.floor(target_v * 10 + 1e-6) / 10
        if limited_by == "charge voltage":
            floor_v = self._own_v
        voltage_v = floor_v
        if before is not None and floor_v > before:
            voltage_v = min(floor_v, before + RISE_V_MIN * (at - self._at) / 60)
            if voltage_v < floor_v:
                limited_by, because = "slow rise", f"rises slowly toward {floor_v:.1f} V"
        self._voltage_v, self._at = voltage_v, at
        shown_v = self._own_v if voltage_v == self._own_v else math.floor(voltage_v * 10) / 10
        return VoltageAdvice(shown_v, limited_by, because)

    def _wanted_v(self, state: PackState, held: Held) -> float:
        volts, high_v = state.figures["voltage_v"], state.figures["cell_max_v"]
        cells = state.pack.cells_in_series
        if not isinstance(volts, float) or not isinstance(high_v, float):
            return self._own_v
        return max(volts + held.target_v - high_v, NEAR_FULL_V * cells)
