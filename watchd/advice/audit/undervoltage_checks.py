"""Checks of under-voltage and its recovery, against cell maker and the flat part of the curve.

What is usual there is common practice, no source.
"""

from __future__ import annotations

from watchd.advice.audit.check import Check, above, mv, v, within
from watchd.advice.audit.finding import Advised, Severity
from watchd.advice.audit.sheet import Sheet

FAULT, REMARK = Severity.FAULT, Severity.REMARK
LEAST_MARGIN_V = 0.05  # from under-voltage down to the maker's lowest voltage
LEAST_HYSTERESIS_V = 0.1  # a cell comes up by that much when a load goes
SAG_V = 0.15  # a load pulls a cell of the flat part down by that much


def _undervoltage_below_maker(s: Sheet) -> str | None:
    if not above(s.maker_min_v, s.undervoltage_v):
        return None
    return (
        f"under-voltage is at {v(s.undervoltage_v)}, below the {v(s.maker_min_v)} that the cell "
        "maker allows"
    )


def _undervoltage_on_flat(s: Sheet) -> str | None:
    if above(s.flat_from_v, s.undervoltage_v):
        return None
    return (
        f"under-voltage is at {v(s.undervoltage_v)}, not below the {v(s.flat_from_v)} where the "
        "flat part of the curve begins"
    )


def _recovery_not_above(s: Sheet) -> str | None:
    if above(s.undervoltage_recovery_v, s.undervoltage_v):
        return None
    return (
        f"recovery after under-voltage is at {v(s.undervoltage_recovery_v)}, not above "
        f"under-voltage at {v(s.undervoltage_v)}"
    )


def _recovery_out_of_reach(s: Sheet) -> str | None:
    if above(s.upper_knee_v, s.undervoltage_recovery_v):
        return None
    return (
        f"recovery after under-voltage is at {v(s.undervoltage_recovery_v)}, not below the "
        f"{v(s.upper_knee_v)} where the flat part of the curve ends"
    )


def _undervoltage_near_maker(s: Sheet) -> str | None:
    margin_v = s.undervoltage_v - s.maker_min_v
    if above(0.0, margin_v) or not above(LEAST_MARGIN_V, margin_v):
        return None
    return (
        f"under-voltage is at {v(s.undervoltage_v)}, only {mv(abs(margin_v))} above the "
        f"{v(s.maker_min_v)} that the cell maker allows"
    )


def _undervoltage_high(s: Sheet) -> str | None:
    if not above(s.flat_from_v, s.undervoltage_v):
        return None
    if not within(s.flat_from_v, s.undervoltage_v, SAG_V):
        return None
    return (
        f"under-voltage is at {v(s.undervoltage_v)}, only {mv(s.flat_from_v - s.undervoltage_v)} "
        f"below the {v(s.flat_from_v)} where the flat part of the curve begins"
    )


def _recovery_near(s: Sheet) -> str | None:
    gap_v = s.undervoltage_recovery_v - s.undervoltage_v
    if not above(gap_v, 0.0) or not above(LEAST_HYSTERESIS_V, gap_v):
        return None
    return (
        f"recovery after under-voltage is at {v(s.undervoltage_recovery_v)}, only {mv(gap_v)} "
        f"above under-voltage at {v(s.undervoltage_v)}"
    )


def _recovery_high(s: Sheet) -> str | None:
    if not above(s.upper_knee_v, s.undervoltage_recovery_v):
        return None
    if not above(s.undervoltage_recovery_v, s.flat_from_v):
        return None
    return (
        f"recovery after under-voltage is at {v(s.undervoltage_recovery_v)}, above the "
        f"{v(s.flat_from_v)} where the flat part of the curve begins"
    )


UNDERVOLTAGE_CHECKS: tuple[Check, ...] = (
    Check(
        Advised(
            "undervoltage-below-maker",
            FAULT,
            why="The BMS lets a cell be discharged below its limit: that damages it for good, and "
            "far below it the next charge may short it.",
            usual="Under-voltage 0.1 V or more above the maker's lowest voltage.",
            do="Have the threshold raised to the maker's limit or above; if that limit is not the "
            "one of your cells, correct cell.min_v in the config.",
            protects=True,
        ),
        _undervoltage_below_maker,
    ),
    Check(
        Advised(
            "undervoltage-recovery-not-above",
            FAULT,
            why="The discharge is stopped and let on at one voltage: the switch would chatter.",
            usual="Recovery 0.2 to 0.5 V above under-voltage.",
            do="See what the BMS is really set to. If one of the two was changed for a time, have "
            "it set back; else have recovery set higher.",
            protects=True,
        ),
        _recovery_not_above,
    ),
    Check(
        Advised(
            "undervoltage-on-flat",
            FAULT,
            why="The BMS takes the pack off its loads with most of the charge still in it.",
            usual="Under-voltage at 2.5 to 3.0 V.",
            do="See whether the value is that of a cell; if it is, have under-voltage set lower, "
            "above the maker's limit.",
            protects=True,
        ),
        _undervoltage_on_flat,
    ),
    Check(
        Advised(
            "undervoltage-recovery-out-of-reach",
            FAULT,
            why="An empty pack gives no current again before it is nearly full.",
            usual="Recovery 0.2 to 0.5 V above under-voltage.",
            do="See whether the value is that of a cell; if it is, have recovery set lower.",
            protects=True,
        ),
        _recovery_out_of_reach,
    ),
    Check(
        Advised(
            "undervoltage-near-maker",
            REMARK,
            why="An empty cell falls by tenths of a volt in minutes, and what the BMS itself draws "
            "pulls it on down.",
            usual="Under-voltage 0.1 V or more above the maker's lowest voltage.",
            do="Have under-voltage set higher, or let the loads go before it is reached.",
            protects=True,
        ),
        _undervoltage_near_maker,
    ),
    Check(
        Advised(
            "undervoltage-high",
            REMARK,
            why="In the cold a heavy load pulls a cell that far down while there is much charge in "
            "it: the pack trips early, and the others carry its part.",
            usual="Under-voltage at 2.5 to 3.0 V.",
            do="If it trips early, have it set lower, above the maker's limit.",
            protects=True,
        ),
        _undervoltage_high,
    ),
    Check(
        Advised(
            "undervoltage-recovery-near",
            REMARK,
            why="A cell comes up by that much as soon as the load is gone: the pack is let on at "
            "once, and trips again.",
            usual="Recovery 0.2 to 0.5 V above under-voltage.",
            do="Have recovery set higher.",
            protects=True,
        ),
        _recovery_near,
    ),
    Check(
        Advised(
            "undervoltage-recovery-high",
            REMARK,
            why="There the voltage says little of the charge: after under-voltage the pack may "
            "stay off for much of a charge.",
            usual="Recovery 0.2 to 0.5 V above under-voltage.",
            do="Have recovery set lower.",
            protects=True,
        ),
        _recovery_high,
    ),
)
