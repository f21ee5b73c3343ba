"""From what each pack may carry to what the bank may, by how packs in parallel share a current.

All packs see one bus. Where it is known what an A more raises each pack's voltage by (R_k,
`horizon_mohm`), a change of the bus current splits as the conductances: pack k takes the part
g_k = (1/R_k) / sum(1/R_j) (Millman's theorem; Weng, Pannala, Siegel, Stefanopoulou 2022,
arXiv:2211.04961, for packs of unlike resistance and charge). So the bank may carry, because of a
limit of pack k,

    I + (limit_k - I_k) / g_k

with the currents as they are measured now: offsets of voltage sensors cancel, and a pack that is
nearly full, whose voltage rises steeply with charge, counts with the small part that it takes.

Where it is not known for every pack, a pack is counted with the larger of its part of the nameplate
capacity and what it was seen to take: limit_k / share_k. The sum of shares may then pass 1; that is
on the safe side.

A pack that may not carry (tripped, blocked) is left out, and its part goes to the others.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

# Below this part of capacity in A, how the packs share says nothing (sensors' offsets rule).
LEAST_C_RATE = 0.05
SETTLES_S = 60.0


@dataclass(frozen=True, slots=True)
class Carrier:
    """A pack that carries: its current in A in the direction of the limit, capacity, and R_k."""

    name: str
    current_a: float
    nameplate_ah: float
    horizon_mohm: float | None


class Sharing:
    """How the packs of one bank share its current, as time goes on."""

    def __init__(self, saved: dict[str, Any] | None = None) -> None:
        known = saved or {}
        self._seen: dict[str, float] = dict(known.get("seen", {}))
        self._at: float | None = known.get("at")
        self._parts: dict[str, float] = {}
        self._currents: dict[str, float] = {}
        self._total_a = 0.0
        self._is_learnt = False

    def snapshot(self) -> dict[str, Any]:
        """Plain data from which it goes on."""
        return {"seen": dict(self._seen), "at": self._at}

    def update(self, at: float, carriers: Sequence[Carrier]) -> None:
        """The packs as of `at`; at least one."""
        elapsed_s = at - self._at if self._at is not None else 0.0
        self._at = at
        self._currents = {c.name: c.current_a for c in carriers}
        self._total_a = sum(self._currents.values())
        self._see(carriers, elapsed_s)
        conductances = {c.name: 1.0 / c.horizon_mohm for c in carriers if c.horizon_mohm}
        self._is_learnt = len(conductances) == len(carriers)
        if self._is_learnt:
            whole = sum(conductances.values())
            self._parts = {name: each / whole for name, each in conductances.items()}

    def part(self, name: str) -> float:
        """The part of the current, or of a change of it, that a pack is counted with; 0 to 1."""
        return self._parts[name]

    def bank_a(self, name: str, limit_a: float) -> float:
        """What the bank may carry because of a pack's own limit; never below 0."""
        part = self._parts[name]
        if not self._is_learnt:
            return limit_a / part
        return max(self._total_a + (limit_a - self._currents[name]) / part, 0.0)

    def describe(self, name: str) -> str:
        """How the pack is counted, as the end of a sentence."""
        part = self._parts[name]
        return (
            f"of each A more {name} carries {part:.0%}"
            if self._is_learnt
            else (f"{name} carries {part:.0%} of the current")
        )

    def _see(self, carriers: Sequence[Carrier], elapsed_s: float) -> None:
        total_ah = sum(c.nameplate_ah for c in carriers)
        nominal = {c.name: c.nameplate_ah / total_ah for c in carriers}
        # Remaining packs take over from one that was cut off; old shares are of another bus.
        if set(self._seen) != set(nominal):
            self._seen = dict(nominal)
        if self._total_a >= LEAST_C_RATE * total_ah:
            weight = min(1.0, elapsed_s / SETTLES_S)
            for name, amps in self._currents.items():
                self._seen[name] += weight * (amps / self._total_a - self._seen[name])
        self._parts = {n: min(1.0, max(nominal[n], self._seen[n])) for n in nominal}
