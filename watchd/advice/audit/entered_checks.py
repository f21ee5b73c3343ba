"""Checks of what was entered: against what the BMS reports, temperatures, currents.

What is usual there is common practice, no source, unless one is named.
"""

from __future__ import annotations

from watchd.advice.audit.check import Check, above, v
from watchd.advice.audit.finding import Advised, Severity
from watchd.advice.audit.sheet import PATHS, Sheet

DIFFERS_V = 0.005  # a BMS that counts in hundredths of a volt rounds by that much
# Charge windows of makers' sheets begin at 0 degC and end at 45 to 60 degC: that of a cell of
# 202 Ah, and the manual of a 48 V module, which allows none below 0 and none above 60 degC.
COLDEST_DEGC, HOTTEST_DEGC = 0.0, 60.0
MOST_C_RATE = 1.0  # from memory: sheets of large cells have 0.5 C as standard, 1 C as the most


def _setting_differs(s: Sheet) -> str | None:
    found = []
    for name, path in PATHS.items():
        told, entered = s.reported.get(name), s.entered[name]
        if told is None or entered is None or path in s.assumed:
            continue
        if above(abs(told - entered), 0.0, DIFFERS_V):
            found.append(f"{path}: the config says {v(entered)}, the BMS reports {v(told)}")
    return "; ".join(found) or None


def _charge_below_freezing(s: Sheet) -> str | None:
    if s.charge_min_degc >= COLDEST_DEGC:
        return None
    return f"charging is allowed down to {s.charge_min_degc:g} °C"


def _charge_when_hot(s: Sheet) -> str | None:
    if s.charge_max_degc <= HOTTEST_DEGC:
        return None
    return f"charging is allowed up to {s.charge_max_degc:g} °C"


def _charge_current_high(s: Sheet) -> str | None:
    if s.max_charge_a <= MOST_C_RATE * s.nameplate_ah:
        return None
    return f"max_charge_a is {s.max_charge_a:g} A, and nameplate_ah {s.nameplate_ah:g} Ah"


ENTERED_CHECKS: tuple[Check, ...] = (
    Check(
        Advised(
            "setting-differs",
            Severity.FAULT,
            why="One of the two is wrong, or a threshold was changed for a time and stands so "
            "still. watchd's advice rests on them.",
            usual="The config says what the BMS is set to.",
            do="If it was changed for a time, have it set back; else correct the config.",
            protects=True,
        ),
        _setting_differs,
    ),
    Check(
        Advised(
            "charge-below-freezing",
            Severity.REMARK,
            why="Below 0 °C lithium plates on the anode of most cells: lasting loss, and a risk.",
            usual="No charge below 0 °C, little current up to 10 °C.",
            do="See what the sheet allows in the cold, at what current.",
        ),
        _charge_below_freezing,
    ),
    Check(
        Advised(
            "charge-when-hot",
            Severity.REMARK,
            why="Heat ages cells, and charging adds to it.",
            usual="No charge above 45 to 60 °C.",
            do="See what the sheet allows.",
        ),
        _charge_when_hot,
    ),
    Check(
        Advised(
            "charge-current-high",
            Severity.REMARK,
            why="That is more than 1 C. Few large cells are made for it, and joints and fuses get "
            "hot.",
            usual="0.5 C or less.",
            do="See whether cells, BMS, fuse and wiring all allow it.",
        ),
        _charge_current_high,
    ),
)
