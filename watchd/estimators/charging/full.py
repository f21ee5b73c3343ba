"""When a pack is full, by the keeper's own definition, and what it does otherwise.

A pack is full once `full_when` has held for `full_hold`, and stays so until `SPENT` of its
nameplate capacity has flowed out. Charge states have SunSpec's words (model 802, ChaSt).
"""

from __future__ import annotations

from operator import itemgetter
from typing import Any

from watchd.estimators.estimator import Setting
from watchd.figures import Figure, Figures, number, text
from watchd.language.condition import Condition
from watchd.language.hold import Hold
from watchd.language.together import compile_true
from watchd.telemetry.sample import Sample

# SunSpec's OFF and TESTING are not told from telemetry.
CHARGE_STATES = ("EMPTY", "DISCHARGING", "CHARGING", "FULL", "HOLDING")
# Common practice, no source: below 0.5 % of capacity in A, a current is a sensor's offset.
AT_REST_C_RATE = 0.005
SPENT = 0.01  # part of capacity after which a pack is no longer full: one step of a usual SoC

FIGURES: tuple[Figure, ...] = (
    text("charge_state", "what the pack does, in SunSpec's words", CHARGE_STATES),
    number(
        "since_full_h",
        "h",
        "time since the pack was last full; unknown until it was",
        within=(0, None),
    ),
    number(
        "full_count",
        "",
        "how often the pack became full since watchd first saw it",
        within=(0, None),
    ),
)
_LOW = itemgetter("cell_min_v", "undervoltage_v")


class Full:
    """Watches one pack for full. Constant work and memory per sample."""

    def __init__(self, setting: Setting, saved: dict[str, Any] | None = None) -> None:
        self._hold_s, self._nameplate_ah = setting.bank.full_hold, setting.nameplate_ah
        self._rest_a = AT_REST_C_RATE * setting.nameplate_ah
        self._longest_gap_s, full_when = setting.longest_gap_s, setting.full_when
        known = saved or {}
        # Another definition of full starts its windows anew, and keeps what was counted.
        same = known.get("full_when") == full_when.text
        self._condition = Condition(full_when, known["condition"] if same else None)
        self._hold = Hold(known["hold"] if same else None)
        self._full: bool = known.get("full", False)
        self._last_full_at: float | None = known.get("last_full_at")
        self._count: int = known.get("count", 0)
        self._spent_ah: float = known.get("spent_ah", 0.0)
        self._last: tuple[float, float] | None = tuple(known["last"]) if known.get("last") else None
        self._may_hold = self._is_new = True
        # Windows must see every sample, and there is no way around them.
        self._is_true = compile_true(full_when) if not full_when.calls else None

    def snapshot(self) -> dict[str, Any]:
        """Plain data from which it goes on."""
        return {
            "full_when": self._condition.expression.text,
            "condition": self._condition.snapshot(),
            "hold": self._hold.snapshot(),
            "full": self._full,
            "last_full_at": self._last_full_at,
            "count": self._count,
            "spent_ah": self._spent_ah,
            "last": list(self._last) if self._last else None,
        }

    def update(self, sample: Sample, figures: Figures) -> None:
        """Write `FIGURES`, from telemetry and settings in `figures`."""
        at, amps = sample.at, sample.current_a
        met: bool | None = False
        # What was not met and is not met leaves nothing to count, be it false or not known.
        if self._may_hold or self._is_true is None or self._is_true(figures):
            met = self._condition.update(at, figures)
            self._hold.update(at, met)
            self._may_hold = met is not False
        if self._full:
            self._count_spent(at)
        if met is True and self._hold.reached(self._hold_s):
            if not self._full:
                self._full = self._is_new = True
                self._count += 1
            self._last_full_at, self._spent_ah = at, 0.0
        elif self._full and self._spent_ah > SPENT * self._nameplate_ah:
            self._full = False
        # From here the charge counts that flows out of a full pack.
        self._last = (at, amps) if self._full and amps is not None else None
        if self._full and amps is not None:
            figures["charge_state"] = "FULL"
        else:
            figures["charge_state"] = self._state(amps, figures)
        if self._is_new:
            self._is_new = False
            figures["full_count"], figures["since_full_h"] = self._count, None
        if self._last_full_at is not None:
            figures["since_full_h"] = (at - self._last_full_at) / 3600

    def _count_spent(self, at: float) -> None:
        if self._last is not None:
            begin, before = self._last
            if at - begin <= self._longest_gap_s:
                self._spent_ah = max(0.0, self._spent_ah - before * (at - begin) / 3600)

    def _state(self, amps: float | None, figures: Figures) -> str | None:
        if amps is None:
            return None
        lowest_v, limit_v = _LOW(figures)
        if lowest_v is not None and limit_v is not None and lowest_v <= limit_v:
            return "EMPTY"
        if abs(amps) <= self._rest_a:
            return "HOLDING"
        return "CHARGING" if amps > 0 else "DISCHARGING"
