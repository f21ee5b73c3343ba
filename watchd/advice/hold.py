"""The balancing hold: time at the top with little current, in which a balancer gains on a cell.

Where one cell is ahead, its pack's charge ends when that cell is at its limit, while the others
lack what it is ahead by. From there only the balancer helps, and only while that cell is above the
voltage where the balancer starts. The hold begins when the bank has what it can get fast: every
pack below its tail current, the leading cell at its limit. It leaves the pack as much current as
the balancer takes from the leading cell, so that this cell stands still and the others gain; a
little more where the cell sinks toward the balancer's start.

It needs a balancer in the config and an imbalance that is known and clear. It ends when the cells
are together or the pack gives current; and it lasts `at_most` a day, and only while the hours in
which the bank usually still charges are more than what is missing takes. No source; ours.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from watchd.advice.advice import PackState, measured
from watchd.advice.of_packs import OfPacks
from watchd.advice.taper import tail_current_a
from watchd.config import Balancer, Bank

CLEAR_SIGMAS = 3.0
CLEAR_PART = 0.005  # of nameplate capacity
TOGETHER_MV = 15.0  # a spread at the top that is none
BELOW_TAIL = 0.6  # times the tail current
GIVES_C_RATE = 0.01
# What is missing is taken to flow at so much of capacity, and the sun to be so much shorter.
FILL_C_RATE, RESERVE_H = 0.1, 0.5
APART_S = 8 * 3600.0  # without a hold: another day


@dataclass(frozen=True, slots=True)
class Held:
    """What a pack is held at: A, the voltage at which its leading cell is wanted, and why."""

    limit_a: float
    target_v: float
    because: str


class _Seen:
    """Of one pack: whether a hold that has begun would go on, and what it is held at."""

    __slots__ = ("goes_on", "held", "state")

    def __init__(self, state: PackState) -> None:
        self.state = state
        self.goes_on = _goes_on(state)
        self.held: Held | None = None


class BalancingHold:
    """The holds of one bank as time goes on."""

    def __init__(self, bank: Bank, saved: dict[str, Any] | None = None) -> None:
        known = saved or {}
        self._bank, self._settings = bank, bank.charge_limit.balancing_hold
        self._held: set[str] = set(known.get("held", ()))
        self._spent_s: float = known.get("spent_s", 0.0)
        self._at: float | None = known.get("at")
        self._packs = OfPacks(_Seen)

    def snapshot(self) -> dict[str, Any]:
        """Plain data from which it goes on."""
        return {
            "held": sorted(self._held),
            "spent_s": self._spent_s,
            "at": self._at,
        }

    def update(
        self, at: float, packs: Sequence[PackState], charging_left_h: float | None
    ) -> dict[str, Held]:
        """The packs that are held as of `at`, by name.

        `charging_left_h`: how long the bank usually still charges today; None where not known.
        """
        if self._at is not None:
            self._spend(at, self._at)
        # Mostly no cell is high enough; so far nothing more of the packs is looked at.
        wanting = []
        if _is_high(packs):
            wanting = [each for each in self._packs.of(packs) if each.goes_on]
        if not wanting or not self._has_time(packs, charging_left_h):
            self._held.clear()
            return {}
        charging = (p for p in packs if p.figures["charge_allowed"] is not False)
        at_tail = all(_is_at_tail(p, self._bank) for p in charging)
        found = {}
        for each in wanting:
            state, balancer = each.state, each.state.pack.balancer
            wants = state.name in self._held or (at_tail and _begins(state, self._bank))
            if wants and balancer is not None:
                each.held = each.held or self._hold(state, balancer)
                found[state.name] = each.held
        self._held = set(found)
        if found:
            self._at = at
        return found

    def _spend(self, at: float, held_at: float) -> None:
        """Count the time in which a pack was held; `held_at` is when one last was."""
        if self._held:
            self._spent_s += max(at - held_at, 0.0)
            self._at = at
        elif at - held_at >= APART_S:
            self._spent_s, self._at = 0.0, None

    def _has_time(self, packs: Sequence[PackState], left_h: float | None) -> bool:
        if self._spent_s >= self._settings.at_most:
            return False
        if left_h is None:
            return True
        missing_ah = 0.0
        for state in packs:
            soc_pct = state.figures["soc_estimate_pct"]
            if isinstance(soc_pct, float):
                missing_ah += state.pack.nameplate_ah * max(0.0, 100.0 - soc_pct) / 100.0
        whole_ah = sum(p.pack.nameplate_ah for p in packs)
        return left_h > missing_ah / (FILL_C_RATE * whole_ah) + RESERVE_H

    def _hold(self, state: PackState, balancer: Balancer) -> Held:
        high_v = measured(state, "cell_max_v")
        reach_v = self._settings.reach_v
        target_v = balancer.from_v + reach_v
        tail_a = max(tail_current_a(state.pack, self._bank), balancer.current_a)
        sunk = min(max((target_v - high_v) / reach_v, 0.0), 1.0)
        amps = balancer.current_a + (tail_a - balancer.current_a) * sunk
        imbalance_ah, no = state.figures["imbalance_ah"], state.figures["cell_max_no"]
        ahead = f", {imbalance_ah:.1f} Ah ahead" if isinstance(imbalance_ah, float) else ""
        because = (
            f"{state.name}'s cell {no:.0f}{ahead}, is held near {target_v:.2f} V; its balancer "
            f"moves {balancer.current_a:g} A"
        )
        return Held(amps, target_v, because)


def _is_at_tail(state: PackState, bank: Bank) -> bool:
    amps = state.figures["current_a"]
    return isinstance(amps, float) and amps <= BELOW_TAIL * tail_current_a(state.pack, bank)


def _is_high(packs: Sequence[PackState]) -> bool:
    """Whether a cell of any pack is above the voltage where its balancer starts."""
    for state in packs:
        balancer, high_v = state.pack.balancer, state.figures["cell_max_v"]
        if balancer is not None and isinstance(high_v, float) and high_v >= balancer.from_v:
            return True
    return False


def _goes_on(state: PackState) -> bool:
    """Whether a hold that has begun goes on."""
    figures, pack = state.figures, state.pack
    if pack.balancer is None or state.trip_wanted or figures["charge_allowed"] is False:
        return False
    high_v, spread_mv, amps = figures["cell_max_v"], figures["cell_spread_mv"], figures["current_a"]
    if not (isinstance(high_v, float) and isinstance(amps, float)):
        return False
    together = isinstance(spread_mv, float) and spread_mv < TOGETHER_MV
    gives = amps < -GIVES_C_RATE * pack.nameplate_ah
    return not (together or high_v < pack.balancer.from_v or gives)


def _begins(state: PackState, bank: Bank) -> bool:
    """Whether the leading cell is at its limit, and clearly ahead."""
    figures = state.figures
    headroom_a = figures["charge_headroom_a"]
    return (
        isinstance(headroom_a, float)
        and headroom_a <= BELOW_TAIL * tail_current_a(state.pack, bank)
        and figures["charge_headroom_cell_no"] == figures["imbalance_cell_no"]
        and _is_clear(state)
    )


def _is_clear(state: PackState) -> bool:
    ahead_ah, sigma_ah = (state.figures[f"imbalance{part}_ah"] for part in ("", "_sigma"))
    if not (isinstance(ahead_ah, float) and isinstance(sigma_ah, float)):
        return False
    return ahead_ah > max(CLEAR_SIGMAS * sigma_ah, CLEAR_PART * state.pack.nameplate_ah)
