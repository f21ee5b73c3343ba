"""The suggested discharge current limit of a bank, as a magnitude in A.

Like that of the charge: each pack's maximum and fuse, the first cell to come to its lower limit,
and the temperature window, through how the packs share. There is none where the config does not say
what each pack may give.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from watchd.advice.advice import Advice, OwnLimit, PackState, first_missing, measured
from watchd.advice.charge_limit import bank_limits, carrier, fuse_limit
from watchd.advice.current_limit import CurrentLimit
from watchd.advice.taper import discharge_taper_a
from watchd.advice.temperature import discharge_window
from watchd.config import Bank

NEEDED = ("cell_min_v", "current_a")


class DischargeLimit:
    """The suggestion for one bank as time goes on."""

    def __init__(self, bank: Bank, saved: dict[str, Any] | None = None) -> None:
        self._bank = bank
        self._limit = CurrentLimit(None, saved)

    def snapshot(self) -> dict[str, Any]:
        """Plain data from which it goes on."""
        return self._limit.snapshot()

    def update(self, at: float, packs: Sequence[PackState]) -> Advice:
        """The suggestion as of `at`. `packs`: those of the bank that are in service."""
        maxima = {p.name: p.pack.max_discharge_a for p in packs}
        for name, most in maxima.items():
            if most is None:
                return Advice(None, "withdrawn", f"the config has no max_discharge_a of {name}")
        lacking = first_missing(packs, NEEDED)
        if lacking is not None:
            return Advice(None, "withdrawn", lacking)
        giving = [p for p in packs if p.figures["discharge_allowed"] is not False]
        if not giving:
            why = "no BMS lets its pack discharge" if packs else "no pack is in service"
            return self._limit.nothing(at, "no pack may discharge", why)
        sum_a = sum(most or 0.0 for most in maxima.values())
        most_a = self._bank.max_discharge_a or sum_a
        own = {p.name: list(self._own(p, maxima[p.name] or 0.0)) for p in giving}
        bank = list(bank_limits(self._bank, most_a))
        return self._limit.update(at, [carrier(p, -1.0) for p in giving], own, bank)

    def _own(self, state: PackState, most_a: float) -> Iterator[OwnLimit]:
        yield OwnLimit("maximum", most_a, f"{state.name} may give {most_a:g} A")
        yield from fuse_limit(state)
        voltage = self._voltage(state, most_a)
        if voltage.limit_a < most_a:
            yield voltage
        yield from discharge_window(state)

    def _voltage(self, state: PackState, most_a: float) -> OwnLimit:
        name, figures, pack = state.name, state.figures, state.pack
        under_v, volts = (
            max(pack.bms.undervoltage_v, pack.cell.min_v),
            measured(state, "cell_min_v"),
        )
        amps, first = figures["discharge_headroom_a"], figures["discharge_headroom_cell_no"]
        no, settings = figures["cell_min_no"], self._bank.discharge_limit
        if isinstance(amps, float):
            end_v, horizon_s = under_v + settings.margin_v, self._bank.charge_limit.horizon
            is_at = f", now at {volts:.3f} V," if first == no else ""
            because = (
                f"with more than {amps:.3g} A {name}'s cell {first:.0f}{is_at} would pass "
                f"{end_v:.3f} V within {horizon_s:.0f} s"
            )
            return OwnLimit("cell voltage", amps, because)
        because = f"{name}'s cell {no:.0f} is at {volts:.3f} V, under-voltage is at {under_v:.2f} V"
        return OwnLimit("taper", discharge_taper_a(volts, most_a, self._bank, under_v), because)
