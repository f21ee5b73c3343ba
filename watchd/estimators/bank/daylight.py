"""How long the bank usually still charges today, learnt from the days before.

The day is cut into slots of ten minutes (UTC). For each, a memory of some days says on what part of
them the bank was seen charging in it, or standing at its charge voltage. What is left of today are
the slots from now on in which it did on half of the days or more; a single one that is missing
(a cloud) does not end the day. Withheld in the first days. No source; ours.
"""

from __future__ import annotations

from typing import Any

from watchd.figures import About, Figure, Figures, number

SLOT_S, SLOTS = 600.0, 144
LEAST_DAYS = 3
FORGET, DAYS = 0.2, 5  # weight of a day, and after how many days it is reached
USUAL = 0.5
CHARGES_C_RATE = 0.01
NEAR_V = 0.01  # part of the charge voltage
MISSING = 2  # slots that may be missing in between

FIGURES: tuple[Figure, ...] = (
    number(
        "charging_left_h",
        "h",
        "how long the bank usually still charges today; unknown in the first days",
        About.BANK,
        within=(0, 24),
    ),
)


class Daylight:
    """Remembers 144 slots. Constant work at each look."""

    def __init__(
        self, nameplate_ah: float, charge_voltage_v: float, saved: dict[str, Any] | None = None
    ) -> None:
        known = saved or {}
        self._from_a = CHARGES_C_RATE * nameplate_ah
        self._from_v = (1.0 - NEAR_V) * charge_voltage_v
        self._parts: list[float] = list(known.get("parts", (0.0,) * SLOTS))
        self._slot: int | None = known.get("slot")  # counted since 1970
        self._charges: bool = known.get("charges", False)
        self._seen: int = known.get("seen", 0)
        self._left: float | None = known.get("figures", {}).get("charging_left_h")

    def snapshot(self) -> dict[str, Any]:
        """Plain data from which it goes on."""
        return {
            "parts": [round(part, 4) for part in self._parts],
            "slot": self._slot,
            "charges": self._charges,
            "seen": self._seen,
            "figures": {"charging_left_h": self._left},
        }

    def update(self, at: float, figures: Figures) -> None:
        """Write `FIGURES`, from current and voltage of the bank."""
        slot = int(at // SLOT_S)
        if slot != self._slot:
            self._turn(slot)
        if not self._charges:
            amps, volts = figures["current_a"], figures["voltage_v"]
            if isinstance(amps, float) and isinstance(volts, float):
                self._charges = amps >= self._from_a or (amps >= 0.0 and volts >= self._from_v)
        figures["charging_left_h"] = self._left

    def _turn(self, slot: int) -> None:
        if self._slot is not None and slot == self._slot + 1:
            place = self._slot % SLOTS
            self._parts[place] = round(
                self._parts[place] + self._weight() * (self._charges - self._parts[place]), 4
            )
            self._seen = min(self._seen + 1, DAYS * SLOTS)
        self._slot, self._charges = slot, False
        known = self._seen >= LEAST_DAYS * SLOTS
        self._left = self._left_h(slot % SLOTS) if known else None

    def _weight(self) -> float:
        """A plain mean of the first days, then a memory that fades."""
        return max(FORGET, 1.0 / (self._seen // SLOTS + 1))

    def _left_h(self, place: int) -> float:
        last, missing = -1, 0
        for ahead in range(SLOTS):
            if self._parts[(place + ahead) % SLOTS] >= USUAL:
                last, missing = ahead, 0
            else:
                missing += 1
                if missing > MISSING:
                    break
        return (last + 1) * SLOT_S / 3600.0
