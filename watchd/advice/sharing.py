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


@dataclass(slots=True)
class Carrier:
    """A pack that carries: its current in A in the direction of the limit, capacity, and R_k.

    Never changed, though not frozen: one is made for each sample, and that would double its cost.
    """

    name: str
    current_a: float
    nameplate_ah: float
    horizon_mohm: float | None


class Split:
    """How the current splits among the packs that carry, as of one moment; never changed.

    `parts`: of each carrier in order, the part of the current, or of a change of it, that it is
    counted with (0 to 1).
    """

    __slots__ = ("carriers", "is_learnt", "parts", "total_a")

    def __init__(
        self, carriers: tuple[Carrier, ...], parts: Sequence[float], total_a: float, is_learnt: bool
    ) -> None:
        self.carriers, self.parts = carriers, parts
        self.total_a, self.is_learnt = total_a, is_learnt

    def bank_a(self, index: int, limit_a: float) -> float:
        """What the bank may carry because of a pack's own limit; never below 0."""
        if not self.is_learnt:
            return limit_a / self.parts[index]
        change_a = (limit_a - self.carriers[index].current_a) / self.parts[index]
        return max(self.total_a + change_a, 0.0)

    def describe(self, index: int) -> str:
        """How a pack is counted, as the end of a sentence."""
        name, part = self.carriers[index].name, self.parts[index]
        return (
            f"of each A more {name} carries {part:.0%}"
            if self.is_learnt
            else (f"{name} carries {part:.0%} of the current")
        )


class Sharing:
    """How the packs of one bank share its current, as time goes on."""

    def __init__(self, saved: dict[str, Any] | None = None) -> None:
        known = saved or {}
        self._seen: dict[str, float] = dict(known.get("seen", {}))
        self._at: float | None = known.get("at")
        self._carriers: list[Carrier] = []
        self._currents_a: list[float] = []
        self._nominal: list[float] = []
        self._least_a = 0.0
        self._siemens: list[float | None] = []
        # As of the last update; another list where the parts are others.
        self.parts: list[float] = []
        self.is_learnt = False

    def snapshot(self) -> dict[str, Any]:
        """Plain data from which it goes on."""
        return {"seen": dict(self._seen), "at": self._at}

    def update(self, at: float, carriers: Sequence[Carrier]) -> Split:
        """How the packs share as of `at`; at least one."""
        total_a = self.take(at, carriers)
        return Split(tuple(carriers), self.parts, total_a, self.is_learnt)

    def take(self, at: float, carriers: Sequence[Carrier]) -> float:
        """The same, as `parts` and `is_learnt`; what the packs carry together, in A."""
        elapsed_s = at - self._at if self._at is not None else 0.0
        self._at = at
        is_other = self._take(carriers)
        total_a = sum(self._currents_a, 0.0)
        sees = total_a >= self._least_a
        if sees:
            self._see(total_a, min(1.0, elapsed_s / SETTLES_S))
        if is_other or (sees and not self.is_learnt):
            self._share()
        return total_a

    def _take(self, carriers: Sequence[Carrier]) -> bool:
        """Whether they share in another way than those of before."""
        known, is_other = self._carriers, False
        if len(known) != len(carriers):
            return self._meet(carriers)
        for index, carrier in enumerate(carriers):
            before = known[index]
            if carrier is before:
                continue
            if carrier.name != before.name or carrier.nameplate_ah != before.nameplate_ah:
                return self._meet(carriers)
            known[index] = carrier
            self._currents_a[index] = carrier.current_a
            if carrier.horizon_mohm != before.horizon_mohm:
                self._siemens[index] = _siemens(carrier)
                is_other = True
        return is_other

    def _meet(self, carriers: Sequence[Carrier]) -> bool:
        """Other packs carry than before."""
        total_ah = sum(c.nameplate_ah for c in carriers)
        nominal = {c.name: c.nameplate_ah / total_ah for c in carriers}
        self._carriers, self._nominal = list(carriers), list(nominal.values())
        self._currents_a = [c.current_a for c in carriers]
        self._least_a = LEAST_C_RATE * total_ah
        self._siemens = [_siemens(c) for c in carriers]
        # Remaining packs take over from one that was cut off; old shares are of another bus.
        if self._seen.keys() != nominal.keys():
            self._seen = nominal
        return True

    def _see(self, total_a: float, weight: float) -> None:
        seen = self._seen
        for carrier in self._carriers:
            before = seen[carrier.name]
            seen[carrier.name] = before + weight * (carrier.current_a / total_a - before)

    def _share(self) -> None:
        """Make another list of parts: a `Split` keeps that of its moment."""
        siemens = [each for each in self._siemens if each is not None]
        self.is_learnt = len(siemens) == len(self._siemens)
        if self.is_learnt:
            whole = sum(siemens, 0.0)
            self.parts = [each / whole for each in siemens]
        else:
            seen = [self._seen[carrier.name] for carrier in self._carriers]
            self.parts = [min(1.0, max(n, s)) for n, s in zip(self._nominal, seen, strict=True)]


def _siemens(carrier: Carrier) -> float | None:
    return 1.0 / carrier.horizon_mohm if carrier.horizon_mohm else None
