"""The suggested discharge current limit of a bank, as a magnitude in A.

Like that of the charge: each pack's maximum and fuse, the first cell to come to its lower limit,
and the temperature window, through how the packs share. There is none where the config does not say
what each pack may give.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from watchd.advice.advice import Advice, OwnLimit, PackState, measured, missing
from watchd.advice.charge_limit import FixedLimits, bank_limits, carrying
from watchd.advice.current_limit import Carrying, Ceiling, CurrentLimit
from watchd.advice.of_packs import OfPacks
from watchd.advice.taper import discharge_taper_a
from watchd.advice.temperature import discharge_window
from watchd.config import Bank

NEEDED = ("cell_min_v", "current_a")


class _Seen:
    """Of one pack: what is missing of it, whether it may give; and once it gives, its limits."""

    __slots__ = ("carrying", "lacking", "may_give", "state")

    def __init__(self, state: PackState) -> None:
        self.state = state
        self.lacking = missing(state, NEEDED)
        self.may_give = state.figures["discharge_allowed"] is not False
        self.carrying: Carrying | None = None


class DischargeLimit:
    """The suggestion for one bank as time goes on."""

    def __init__(self, bank: Bank, saved: dict[str, Any] | None = None) -> None:
        self._bank = bank
        self._limit = CurrentLimit(None, saved)
        self._packs = OfPacks(_Seen)
        self._fixed = FixedLimits()
        self._ceiling: tuple[float, Ceiling] | None = None
        self._withdrawn = Advice(None, "withdrawn")

    def snapshot(self) -> dict[str, Any]:
        """Plain data from which it goes on."""
        return self._limit.snapshot()

    def update(self, at: float, packs: Sequence[PackState]) -> Advice:
        """The suggestion as of `at`. `packs`: those of the bank that are in service."""
        for state in packs:
            if state.pack.max_discharge_a is None:
                return self._none(f"the config has no max_discharge_a of {state.name}")
        giving, lacking = [], None
        for each in self._packs.of(packs):
            lacking = lacking or each.lacking
            if each.may_give:
                giving.append(each)
        if lacking is not None:
            return self._none(lacking)
        if not giving:
            why = "no BMS lets its pack discharge" if packs else "no pack is in service"
            return self._limit.nothing(at, "no pack may discharge", why)
        carrying = [each.carrying or self._carrying(each) for each in giving]
        return self._limit.update(at, carrying, self._of_bank(packs))

    def _none(self, why: str) -> Advice:
        if self._withdrawn.because != why:
            self._withdrawn = Advice(None, "withdrawn", why)
        return self._withdrawn

    def _of_bank(self, packs: Sequence[PackState]) -> Ceiling:
        most_a = self._bank.max_discharge_a or sum([p.pack.max_discharge_a or 0.0 for p in packs])
        if self._ceiling is None or self._ceiling[0] != most_a:
            self._ceiling = (most_a, Ceiling(bank_limits(self._bank, most_a)))
        return self._ceiling[1]

    def _carrying(self, seen: _Seen) -> Carrying:
        own = self._own(seen.state, seen.state.pack.max_discharge_a or 0.0)
        seen.carrying = carrying(seen.state, own, -1.0)
        return seen.carrying

    def _own(self, state: PackState, most_a: float) -> list[OwnLimit]:
        found = self._fixed.of(state, most_a, "give")
        voltage = self._voltage(state, most_a)
        if voltage is not None and voltage.limit_a < most_a:
            found.append(voltage)
        found += discharge_window(state)
        return found

    def _voltage(self, state: PackState, most_a: float) -> OwnLimit | None:
        name, figures, pack = state.name, state.figures, state.pack
        headroom_a = figures["discharge_headroom_a"]
        if isinstance(headroom_a, float) and headroom_a >= most_a:
            return None
        under_v, volts = (
            max(pack.bms.undervoltage_v, pack.cell.min_v),
            measured(state, "cell_min_v"),
        )
        no, first = figures["cell_min_no"], figures["discharge_headroom_cell_no"]
        if not isinstance(headroom_a, float):
            return OwnLimit(
                "taper",
                discharge_taper_a(volts, most_a, self._bank, under_v),
                lambda: (
                    f"{name}'s cell {no:.0f} is at {volts:.3f} V, under-voltage is at "
                    f"{under_v:.2f} V"
                ),
            )
        end_v = under_v + self._bank.discharge_limit.margin_v
        horizon_s = self._bank.charge_limit.horizon

        def because() -> str:
            is_at = f", now at {volts:.3f} V," if first == no else ""
            return (
                f"with more than {headroom_a:.3g} A {name}'s cell {first:.0f}{is_at} would pass "
                f"{end_v:.3f} V within {horizon_s:.0f} s"
            )

        return OwnLimit("cell voltage", headroom_a, because)
