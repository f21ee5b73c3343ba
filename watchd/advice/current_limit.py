"""The current limit of a bank from the limits of its packs: the lowest rules, and it is steady.

It falls at once and rises slowly, so that a cell whose voltage follows the current does not make it
swing; and for `STILL_S` after a fall a small rise is noise, and waits. After a withdrawal the rise
goes on from the last limit, so that telemetry that comes and goes does not make a jump of it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from watchd.advice.advice import Advice, OwnLimit, Part
from watchd.advice.sharing import Carrier, Sharing

MAXIMUM = "maximum"  # how parts are called beyond which it can never go
RISE_PART_A_MIN = 0.1  # of the most that it can be, a minute
STILL_S = 60.0
SMALL_A, SMALL_PART = 1.0, 0.05  # the larger of the two, the part of what stands


class CurrentLimit:
    """One limit of one bank, in one direction, as time goes on."""

    def __init__(self, rise_a_min: float | None, saved: dict[str, Any] | None = None) -> None:
        known = saved or {}
        self._rise_a_min = rise_a_min
        self._sharing = Sharing(known.get("sharing"))
        self._limit_a: float | None = known.get("limit_a")
        self._limit_at: float = known.get("limit_at", 0.0)
        self._fell_at: float = known.get("fell_at", -math.inf)

    def snapshot(self) -> dict[str, Any]:
        """Plain data from which it goes on."""
        return {
            "sharing": self._sharing.snapshot(),
            "limit_a": self._limit_a,
            "limit_at": self._limit_at,
            **({} if self._fell_at == -math.inf else {"fell_at": self._fell_at}),
        }

    def nothing(self, at: float, limited_by: str, because: str) -> Advice:
        """Nothing may flow."""
        self._limit_a, self._limit_at = 0.0, at
        return Advice(0.0, limited_by, because)

    def update(
        self,
        at: float,
        carriers: Sequence[Carrier],
        own: Mapping[str, Sequence[OwnLimit]],
        bank: Sequence[Part],
    ) -> Advice:
        """The limit as of `at`: of the packs that carry, their own limits and those of the bank."""
        sharing = self._sharing
        sharing.update(at, carriers)
        parts = list(bank)
        for carrier in carriers:
            share = sharing.part(carrier.name)
            counted = sharing.describe(carrier.name)
            parts.extend(
                Part(
                    f"pack/{carrier.name} {limit.what}",
                    0.0 if limit.stops else sharing.bank_a(carrier.name, limit.limit_a),
                    f"{limit.because}; {counted}",
                    round(limit.limit_a, 3),
                    round(share, 4),
                )
                for limit in own[carrier.name]
            )
        return self._steady(at, parts)

    def _steady(self, at: float, parts: Sequence[Part]) -> Advice:
        lowest = min(parts, key=lambda p: p.limit_a)
        target_a = math.floor(lowest.limit_a * 10) / 10
        limit_a, limited_by, because = target_a, lowest.what, lowest.because
        before = self._limit_a
        if before is not None and target_a < before:
            self._fell_at = at
        elif before is not None and self._is_noise(at, before, target_a):
            limit_a = before
        elif before is not None and target_a > before:
            most_a = min(p.limit_a for p in parts if p.what.endswith(MAXIMUM))
            rise_a_min = self._rise_a_min or RISE_PART_A_MIN * most_a
            limit_a = min(target_a, before + rise_a_min * (at - self._limit_at) / 60)
            if limit_a < target_a:
                limited_by = "slow rise"
                because = f"rises slowly toward {target_a:.1f} A; there, {lowest.because}"
        self._limit_a, self._limit_at = limit_a, at
        return Advice(math.floor(limit_a * 10) / 10, limited_by, because, tuple(parts))

    def _is_noise(self, at: float, before_a: float, target_a: float) -> bool:
        """Whether a rise is small and follows a fall."""
        small_a = max(SMALL_A, SMALL_PART * before_a)
        return at - self._fell_at < STILL_S and target_a - before_a < small_a
