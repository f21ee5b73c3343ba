"""Where this BMS sets its state of charge to 100 %: learned from the full charges of its past.

A re-anchoring at the top (`bms_reanchored`, at 99 % or more) belongs to an over-voltage event if
one stands or was seen `TRIP_S` before; else to the charge voltage if the pack stands there. A full
charge lasts from when the pack becomes full until it is so no longer. It counts as missed if the
BMS showed less than 99 % all the while: one that shows 100 % has set itself, or had nothing to
set, and by its count alone tells nothing either way. `never` needs `MISSES` missed ones in a row
and nothing seen before; as many take back what was seen at the charge voltage.
Another charge voltage in the config begins anew with what was seen there. Withheld until the BMS
was seen to set itself, or to miss often enough. Needs the BMS's SoC. Ours, no source.
"""

from __future__ import annotations

from typing import Any

from watchd.estimators.charging.absorption import TOLERANCE
from watchd.estimators.estimator import Setting
from watchd.estimators.soc.bms_soc import FULL_PCT
from watchd.figures import Figure, Figures, number, text
from watchd.telemetry.sample import Sample

PLACES = ("charge_voltage", "over_voltage", "never")
FIGURES: tuple[Figure, ...] = (
    text("reanchors_at", "where the BMS was seen to set its SoC to 100 %", PLACES),
    number(
        "reanchored_at_charge_voltage",
        "",
        "how often the BMS set its SoC to 100 % at this charge voltage",
        within=(0, None),
    ),
    number(
        "reanchored_at_overvoltage",
        "",
        "how often the BMS set its SoC to 100 % by an over-voltage trip",
        within=(0, None),
    ),
    number(
        "full_charges_missed",
        "",
        "full charges in a row in which the BMS stayed below 99 %",
        within=(0, None),
    ),
    number(
        "absorption_missed_h",
        "h",
        "the longest absorption of the full charges missed",
        within=(0, None),
    ),
    number(
        "absorption_reanchored_h",
        "h",
        "how long the absorption had lasted when the BMS last set itself at the charge voltage",
        within=(0, None),
    ),
)
MISSES = 3
TRIP_S = 600.0


class Reanchors:
    """Keeps the account of one BMS. Constant work and memory."""

    def __init__(self, setting: Setting, saved: dict[str, Any] | None = None) -> None:
        self._charge_voltage_v = setting.bank.charge_voltage_v
        known = saved or {}
        self._at_overvoltage: int = known.get("at_overvoltage", 0)
        self._trip_at: float | None = known.get("trip_at")
        self._shown = bool(known.get("shown", False))  # bms_reanchored, at the last look
        if known.get("charge_voltage_v") != self._charge_voltage_v:
            known = {}
        self._at_voltage: int = known.get("at_voltage", 0)
        self._missed: int = known.get("missed", 0)
        self._missed_h: float | None = known.get("missed_h")
        self._reanchored_h: float | None = known.get("reanchored_h")
        # The highest SoC shown in the full charge that goes on.
        self._full = bool(known.get("full", False))
        self._highest_pct: float | None = known.get("highest_pct")
        self._told: Figures | None = None  # where the account stands

    def snapshot(self) -> dict[str, Any]:
        """Plain data from which it goes on."""
        return {
            "charge_voltage_v": self._charge_voltage_v,
            "at_overvoltage": self._at_overvoltage,
            "trip_at": self._trip_at,
            "shown": self._shown,
            "at_voltage": self._at_voltage,
            "missed": self._missed,
            "missed_h": self._missed_h,
            "reanchored_h": self._reanchored_h,
            "full": self._full,
            "highest_pct": self._highest_pct,
        }

    def update(self, sample: Sample, figures: Figures) -> None:
        """Write `FIGURES`, from those of `full`, `absorption` and `bms_soc`."""
        protection = sample.protection
        if protection and "OVER_VOLT" in protection:
            self._trip_at = sample.at
        shown = figures["bms_reanchored"] is True
        if shown and not self._shown:
            self._reanchored(sample, figures)
        self._shown = shown
        if self._full or figures["charge_state"] == "FULL":
            self._follow_full(sample, figures)
        if figures is not self._told:
            self._write(figures)
            self._told = figures

    def _write(self, figures: Figures) -> None:
        figures["reanchors_at"] = self._place()
        figures["reanchored_at_charge_voltage"] = self._at_voltage
        figures["reanchored_at_overvoltage"] = self._at_overvoltage
        figures["full_charges_missed"] = self._missed
        figures["absorption_missed_h"] = self._missed_h
        figures["absorption_reanchored_h"] = self._reanchored_h

    def _reanchored(self, sample: Sample, figures: Figures) -> None:
        soc_pct, volts = sample.soc_pct, sample.voltage_v
        if soc_pct is None or soc_pct < FULL_PCT:
            return  # at its low end
        self._told = None
        if self._trip_at is not None and sample.at - self._trip_at <= TRIP_S:
            self._at_overvoltage += 1
        elif volts is not None and volts >= self._charge_voltage_v * (1 - TOLERANCE):
            self._at_voltage += 1
            self._missed, self._missed_h = 0, None
            lasted_h = figures["absorption_h"]
            self._reanchored_h = lasted_h if isinstance(lasted_h, float) else None

    def _follow_full(self, sample: Sample, figures: Figures) -> None:
        state, soc_pct = figures["charge_state"], sample.soc_pct
        if state is None:
            return
        full = state == "FULL"
        if full and not self._full:
            self._highest_pct = None
        if full and soc_pct is not None:
            self._highest_pct = max(soc_pct, self._highest_pct or 0.0)
        if self._full and not full:
            self._ended(figures["absorption_h"])
        self._full = full

    def _ended(self, lasted_h: object) -> None:
        """A full charge has ended."""
        if self._highest_pct is None or self._highest_pct >= FULL_PCT:
            return
        self._missed, self._told = self._missed + 1, None
        if isinstance(lasted_h, float):
            self._missed_h = max(lasted_h, self._missed_h or 0.0)

    def _place(self) -> str | None:
        if self._at_voltage and self._missed < MISSES:
            return "charge_voltage"
        if self._at_overvoltage:
            return "over_voltage"
        return "never" if self._missed >= MISSES else None
