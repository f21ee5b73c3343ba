"""The suggested charge current limit of a bank, from a part for each pack.

Each pack has its own limit: its maximum, a taper on its highest cell, its temperature window,
and the caps of raised rules. Packs share the bus current, so a pack's limit divided by its
share is what the bank may carry because of it; the lowest of these and the bank's own limit
is the suggestion. It falls at once and rises slowly, so that a cell whose voltage follows the
current does not make it swing.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

from watchd.config import Bank, Pack, Profile
from watchd.figures import Figures

# Below this part of capacity in A, how the packs share says nothing (sensors' offsets rule).
LEAST_C_RATE_FOR_SHARES = 0.05
SHARE_SETTLES_S = 60.0
# What a change must be to be said at once; smaller ones wait for the next renewal.
LEAST_RISE_A = 1.0
LEAST_FALL_A = 0.5
LEAST_FALL_PART = 0.1  # of what was said before


@dataclass(frozen=True, slots=True)
class Cap:
    """What a raised rule caps the charge current at, in A; `pack` None caps the bank."""

    pack: str | None
    rule: str
    limit_a: float


@dataclass(frozen=True, slots=True)
class Part:
    """What the bank may carry because of one thing, in A, and why.

    `pack_limit_a` is the pack's own limit, `share` the part of the bus current it is counted with.
    """

    what: str
    limit_a: float
    because: str
    pack_limit_a: float | None = None
    share: float | None = None


@dataclass(frozen=True, slots=True)
class Advice:
    """The suggestion: `limit_a` None is "no advice", and `because` says why."""

    limit_a: float | None
    limited_by: str
    because: str
    parts: tuple[Part, ...] = ()

    def as_data(self) -> dict[str, Any]:
        """Plain data, for a payload."""
        parts = [{k: v for k, v in asdict(p).items() if v is not None} for p in self.parts]
        return {
            "limit_a": self.limit_a,
            "limited_by": self.limited_by,
            "because": self.because,
            "parts": parts,
        }


@dataclass(frozen=True, slots=True)
class PackState:
    """A pack with what is known of it now. `has_temperature`: a source maps it."""

    name: str
    pack: Pack
    figures: Figures
    has_temperature: bool


def taper_a(volts: float, pack: Pack, bank: Bank, profile: Profile, overvoltage_v: float) -> float:
    """What a pack may take with its highest cell at `volts`, in A.

    Its maximum up to the knee; from there straight down to the tail current at the charge
    voltage per cell, so that a pack with a leading cell still gets full; and from there straight
    down to nothing `margin_v` below the BMS's over-voltage threshold.
    """
    taper = bank.charge_limit.taper
    end_v = overvoltage_v - taper.margin_v
    begin_v = min(taper.from_v or profile.upper_knee_v, end_v - 0.02)
    tail_v = min(max(bank.charge_voltage_v / pack.cells_in_series, begin_v + 0.01), end_v - 0.01)
    most_a = pack.max_charge_a
    tail_a = min(taper.tail_c_rate * pack.nameplate_ah, most_a)
    if volts <= begin_v:
        return most_a
    if volts <= tail_v:
        return most_a + (tail_a - most_a) * (volts - begin_v) / (tail_v - begin_v)
    if volts < end_v:
        return tail_a * (end_v - volts) / (end_v - tail_v)
    return 0.0


class ChargeLimit:
    """The suggestion for one bank as time goes on."""

    def __init__(self, bank: Bank, profile: Profile, saved: dict[str, Any] | None = None) -> None:
        self._bank, self._profile = bank, profile
        known = saved or {}
        self._shares: dict[str, float] = dict(known.get("shares", {}))
        self._at: float | None = known.get("at")
        # The last limit and its time: after a withdrawal the rise goes on from there, so that
        # telemetry that comes and goes does not make a jump of it.
        self._limit_a: float | None = known.get("limit_a")
        self._limit_at: float = known.get("limit_at", 0.0)

    def snapshot(self) -> dict[str, Any]:
        """Plain data from which it goes on."""
        return {
            "shares": dict(self._shares),
            "at": self._at,
            "limit_a": self._limit_a,
            "limit_at": self._limit_at,
        }

    def update(self, at: float, packs: Sequence[PackState], caps: Sequence[Cap]) -> Advice:
        """The suggestion as of `at`. `packs`: those of the bank that are in service."""
        elapsed_s = at - self._at if self._at is not None else 0.0
        self._at = at
        for state in packs:
            missing = _missing(state)
            if missing is not None:
                return Advice(None, "withdrawn", missing)
        charging = [p for p in packs if p.figures["charge_allowed"] is not False]
        if not charging:
            self._limit_a, self._limit_at = 0.0, at
            why = "no BMS lets its pack charge" if packs else "no pack is in service"
            return Advice(0.0, "no pack may charge", why)
        shares = self._share(charging, elapsed_s)
        parts = [*self._bank_parts(packs, caps)]
        for state in charging:
            parts.extend(self._pack_parts(state, shares[state.name], caps))
        lowest = min(parts, key=lambda p: p.limit_a)
        target_a = math.floor(lowest.limit_a * 10) / 10
        limit_a, limited_by, because = target_a, lowest.what, lowest.because
        before = self._limit_a
        if before is not None and target_a > before:
            most_a = min(
                self._most_a(packs), *(p.pack.max_charge_a / shares[p.name] for p in charging)
            )
            rise_a_min = self._bank.charge_limit.rise_a_min or most_a / 10
            limit_a = min(target_a, before + rise_a_min * (at - self._limit_at) / 60)
            if limit_a < target_a:
                limited_by = "slow rise"
                because = f"rises slowly toward {target_a:.1f} A; there, {lowest.because}"
        self._limit_a, self._limit_at = limit_a, at
        return Advice(math.floor(limit_a * 10) / 10, limited_by, because, tuple(parts))

    def _share(self, charging: Sequence[PackState], elapsed_s: float) -> dict[str, float]:
        """What part of the bus current each pack is counted with: the larger of its part of the
        nameplate capacity and what it was seen to take. The sum may pass 1; that is on the safe
        side.
        """
        total_ah = sum(p.pack.nameplate_ah for p in charging)
        nominal = {p.name: p.pack.nameplate_ah / total_ah for p in charging}
        currents = {p.name: p.figures["current_a"] for p in charging}
        known = {n: i for n, i in currents.items() if isinstance(i, float)}
        total_a = sum(known.values())
        if len(known) < len(charging) or total_a < LEAST_C_RATE_FOR_SHARES * total_ah:
            self._shares = {n: s for n, s in self._shares.items() if n in nominal}
        else:
            weight = min(1.0, elapsed_s / SHARE_SETTLES_S)
            for name, amps in known.items():
                before = self._shares.get(name, nominal[name])
                self._shares[name] = before + weight * (amps / total_a - before)
        # Remaining packs take over from one that was cut off; old shares are of another bus.
        if set(self._shares) != set(nominal):
            self._shares = dict(nominal)
        return {n: min(1.0, max(nominal[n], self._shares[n])) for n in nominal}

    def _most_a(self, packs: Sequence[PackState]) -> float:
        own_a = self._bank.max_charge_a
        return own_a if own_a is not None else sum(p.pack.max_charge_a for p in packs)

    def _bank_parts(self, packs: Sequence[PackState], caps: Sequence[Cap]) -> list[Part]:
        most_a = self._most_a(packs)
        parts = [Part("bank maximum", most_a, f"the bank's own limit is {most_a:g} A")]
        parts.extend(
            Part(f"rule {c.rule}", c.limit_a, f"{c.rule}, raised, caps it at {c.limit_a:.3g} A")
            for c in caps
            if c.pack is None
        )
        return parts

    def _pack_parts(self, state: PackState, share: float, caps: Sequence[Cap]) -> list[Part]:
        name, pack, figures = state.name, state.pack, state.figures
        own: list[tuple[str, float, str]] = [
            ("maximum", pack.max_charge_a, f"{name} may take {pack.max_charge_a:g} A")
        ]
        volts, reported = figures["cell_max_v"], figures["setting_overvoltage_v"]
        if isinstance(volts, float):
            # A threshold that was lowered for a time counts as soon as the BMS reports it.
            over_v = pack.bms.overvoltage_v
            over_v = min(over_v, reported) if isinstance(reported, float) else over_v
            amps = taper_a(volts, pack, self._bank, self._profile, over_v)
            if amps < pack.max_charge_a:
                no = figures["cell_max_no"]
                own.append(
                    (
                        "taper",
                        amps,
                        (
                            f"{name}'s cell {no:.0f} is at {volts:.3f} V, "
                            f"over-voltage is at {over_v:.2f} V"
                        ),
                    )
                )
        own.extend(_temperature(state))
        own.extend(
            (
                f"rule {c.rule}",
                c.limit_a,
                f"{c.rule} is raised for {name} and caps it at {c.limit_a:.3g} A",
            )
            for c in caps
            if c.pack == name
        )
        return [
            Part(
                f"pack/{name} {what}",
                amps / share,
                f"{because}; {name} takes {share:.0%} of the current",
                round(amps, 3),
                round(share, 4),
            )
            for what, amps, because in own
        ]


def _temperature(state: PackState) -> list[tuple[str, float, str]]:
    window, figures = state.pack.temperature, state.figures
    low, high = figures["temperature_min_degc"], figures["temperature_max_degc"]
    found = []
    if isinstance(low, float) and low < window.charge_min_degc:
        found.append((low, "below", window.charge_min_degc))
    if isinstance(high, float) and high > window.charge_max_degc:
        found.append((high, "above", window.charge_max_degc))
    return [
        ("temperature", 0.0, f"{state.name} is at {is_at:.1f} °C; no charge {side} {limit:g} °C")
        for is_at, side, limit in found
    ]


def _missing(state: PackState) -> str | None:
    """Why no advice can rest on this pack; None where it can."""
    figures = state.figures
    needed = ["cell_max_v", "current_a"] + ["temperature_min_degc"] * state.has_temperature
    if all(figures[name] is not None for name in needed):
        return None
    if figures["telemetry_quality"] == "stale":
        return f"{state.name} sends no fresh {figures['telemetry_overdue']}"
    return f"not all of {state.name}'s cell voltages, current and temperature have come yet"


def worth_saying(before: Advice | None, now: Advice) -> bool:
    """Whether a change is worth a message of its own, before the next renewal."""
    if before is None or (before.limit_a is None) != (now.limit_a is None):
        return True
    if before.limit_a is None or now.limit_a is None:
        return before.because != now.because
    # Rounded: amps are said in tenths, and in floats 0.9 is less than a tenth below 1.0.
    change_a = round(now.limit_a - before.limit_a, 3)
    least_fall_a = min(LEAST_FALL_A, round(LEAST_FALL_PART * before.limit_a, 3))
    return change_a >= LEAST_RISE_A or (change_a < 0 and -change_a >= least_fall_a)
