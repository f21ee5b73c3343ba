"""Checks of over-voltage and its recovery, against cell maker, charge voltage and spread.

What is usual there is common practice, no source.
"""

from __future__ import annotations

from watchd.advice.audit.check import Check, above, mv, v
from watchd.advice.audit.finding import Advised, Severity
from watchd.advice.audit.sheet import USUAL_SPREAD_MV, Sheet

FAULT, REMARK = Severity.FAULT, Severity.REMARK
LEAST_MARGIN_V = 0.05  # from the leading cell at the end of the charge to over-voltage
LEAST_HYSTERESIS_V = 0.03  # from recovery to over-voltage
# A full cell at rest comes down to the knee, and a little above it within minutes: from memory.
BELOW_CHARGE_V, ABOVE_KNEE_V = 0.05, 0.05


def _overvoltage_above_maker(s: Sheet) -> str | None:
    if not above(s.overvoltage_v, s.maker_max_v):
        return None
    return (
        f"over-voltage is at {v(s.overvoltage_v)}, above the {v(s.maker_max_v)} that the cell "
        "maker allows"
    )


def _charge_above_maker(s: Sheet) -> str | None:
    if not above(s.charge_cell_v, s.maker_max_v):
        return None
    return (
        f"the charge voltage is {v(s.charge_cell_v)} a cell, above the {v(s.maker_max_v)} that "
        "the cell maker allows"
    )


def _usual_lead_reaches(s: Sheet) -> bool:
    """Whether cells in good order would trip as well: then it is the settings that do not fit."""
    lead_v = min(s.spread_mv, USUAL_SPREAD_MV) / 1000.0
    return not above(s.overvoltage_v, s.charge_cell_v + lead_v)


def _charge_reaches_overvoltage(s: Sheet) -> str | None:
    return _leading(s) if _usual_lead_reaches(s) else None


def _leading(s: Sheet) -> str:
    return (
        f"the charge voltage is {v(s.charge_cell_v)} a cell; {_spread(s)} the leading cell comes "
        f"to {v(s.leading_cell_v)}, and over-voltage is at {v(s.overvoltage_v)}"
    )


def _spread(s: Sheet) -> str:
    seen = "with the spread seen at full," if s.spread_measured else "with a usual spread of"
    return f"{seen} {s.spread_mv:.0f} mV,"


def _spread_reaches_overvoltage(s: Sheet) -> str | None:
    if _usual_lead_reaches(s) or above(s.overvoltage_v, s.leading_cell_v):
        return None
    return _leading(s)


def _charge_near_overvoltage(s: Sheet) -> str | None:
    margin_v = s.overvoltage_v - s.leading_cell_v
    if not above(margin_v, 0.0) or not above(LEAST_MARGIN_V, margin_v) or _usual_lead_reaches(s):
        return None
    return (
        f"at the end of the charge the leading cell is expected at {v(s.leading_cell_v)}, only "
        f"{mv(margin_v)} below over-voltage at {v(s.overvoltage_v)}"
    )


def _recovery_not_below_overvoltage(s: Sheet) -> str | None:
    if above(s.overvoltage_v, s.overvoltage_recovery_v):
        return None
    return (
        f"recovery is at {v(s.overvoltage_recovery_v)}, not below over-voltage at "
        f"{v(s.overvoltage_v)}"
    )


def _recovery_near_overvoltage(s: Sheet) -> str | None:
    gap_v = s.overvoltage_v - s.overvoltage_recovery_v
    if not above(gap_v, 0.0) or not above(LEAST_HYSTERESIS_V, gap_v):
        return None
    return (
        f"recovery is at {v(s.overvoltage_recovery_v)}, only {mv(gap_v)} below over-voltage at "
        f"{v(s.overvoltage_v)}"
    )


def _below_balancer(s: Sheet) -> bool:
    return s.balancer_from_v is not None and not above(s.overvoltage_recovery_v, s.balancer_from_v)


def _recovery_below_balancer(s: Sheet) -> str | None:
    if s.balancer_from_v is None or not _below_balancer(s):
        return None
    return (
        f"recovery is at {v(s.overvoltage_recovery_v)}, not above the {v(s.balancer_from_v)} "
        "where the balancer starts"
    )


def _recovery_below_charge(s: Sheet) -> str | None:
    gap_v = s.charge_cell_v - s.overvoltage_recovery_v
    if _below_balancer(s) or not above(gap_v, 0.0, BELOW_CHARGE_V):
        return None
    if not above(s.upper_knee_v + ABOVE_KNEE_V, s.overvoltage_recovery_v):
        return None
    return (
        f"recovery is at {v(s.overvoltage_recovery_v)}, {mv(gap_v)} below the charge voltage of "
        f"{v(s.charge_cell_v)} a cell"
    )


def _recovery_above_full(s: Sheet) -> str | None:
    if s.full_v is None or not above(s.overvoltage_recovery_v, s.full_v):
        return None
    return (
        f"recovery is at {v(s.overvoltage_recovery_v)}, "
        f"{mv(s.overvoltage_recovery_v - s.full_v)} above full_v {v(s.full_v)}"
    )


# The worst first: the first fault is what the alarm tells.
OVERVOLTAGE_CHECKS: tuple[Check, ...] = (
    Check(
        Advised(
            "charge-above-maker",
            FAULT,
            why="The charger alone takes the cells beyond their limit; only the BMS stops it.",
            usual="3.45 to 3.55 V a cell.",
            do="Lower the voltage of the charger, and charge_voltage_v in the config with it.",
        ),
        _charge_above_maker,
    ),
    Check(
        Advised(
            "overvoltage-above-maker",
            FAULT,
            why="The BMS lets a cell be overcharged: it ages, swells, and at worst vents.",
            usual="Over-voltage at the maker's highest voltage, or up to 0.1 V below it.",
            do="Have the threshold lowered to the maker's limit; if that limit is not the one of "
            "your cells, correct cell.max_v in the config.",
            protects=True,
        ),
        _overvoltage_above_maker,
    ),
    Check(
        Advised(
            "charge-reaches-overvoltage",
            FAULT,
            why="Each full charge ends in a trip, which throws the pack's current on the others.",
            usual="Over-voltage 0.1 V or more above the charge voltage of a cell.",
            do="Lower the charge voltage. If the threshold was lowered for a time, have it set "
            "back; never raise it above the maker's limit.",
            protects=True,
        ),
        _charge_reaches_overvoltage,
    ),
    Check(
        Advised(
            "recovery-not-below-overvoltage",
            FAULT,
            why="Charging is stopped and let on at one voltage: the switch would chatter.",
            usual="Recovery 0.05 to 0.2 V below over-voltage.",
            do="See what the BMS is really set to. If one of the two was changed for a time, have "
            "it set back; else have recovery set lower.",
            protects=True,
        ),
        _recovery_not_below_overvoltage,
    ),
    Check(
        Advised(
            "recovery-below-balancer",
            FAULT,
            why="After a trip the balancer stops before the pack is let on again. A cell that "
            "rests between the two is pulled down no further, and the pack stays off.",
            usual="Recovery 0.05 to 0.15 V above the balancer's start.",
            do="Have recovery set above the balancer's start, and below over-voltage.",
            protects=True,
        ),
        _recovery_below_balancer,
    ),
    Check(
        Advised(
            "spread-reaches-overvoltage",
            REMARK,
            why="The leading cell trips the pack before the others are full. The settings would "
            "do for cells in balance.",
            usual="10 to 30 mV at the end of a charge.",
            do="Lower the charge voltage or current until the balancer has worked the spread off; "
            "leave the threshold as it is.",
        ),
        _spread_reaches_overvoltage,
    ),
    Check(
        Advised(
            "charge-near-overvoltage",
            REMARK,
            why="A cell a little further ahead, or a charger a little off, trips the pack.",
            usual="Over-voltage 0.1 V or more above the charge voltage of a cell.",
            do="Lower the charge voltage a little.",
        ),
        _charge_near_overvoltage,
    ),
    Check(
        Advised(
            "recovery-near-overvoltage",
            REMARK,
            why="A cell falls by that much as soon as the current stops: the pack is let on at "
            "once, and trips again.",
            usual="Recovery 0.05 to 0.2 V below over-voltage.",
            do="Have recovery set lower.",
            protects=True,
        ),
        _recovery_near_overvoltage,
    ),
    Check(
        Advised(
            "recovery-far-below-charge",
            REMARK,
            why="A pack that tripped stays off until its highest cell has sunk that far below what "
            "the charger holds: that may take hours, in which the others carry its part.",
            usual="Recovery not above full_v, at most 50 mV below the charge voltage of a cell.",
            do="First keep the pack from tripping. If trips are rare it may stay so; else have "
            "recovery set higher.",
            protects=True,
        ),
        _recovery_below_charge,
    ),
    Check(
        Advised(
            "recovery-above-full",
            REMARK,
            why="A pack that tripped is let on while it is still full: if the charger still holds "
            "its voltage, it soon trips again.",
            usual="Recovery not above full_v, at most 50 mV below the charge voltage of a cell.",
            do="If the pack trips again and again at the end of a charge, have recovery set lower.",
            protects=True,
        ),
        _recovery_above_full,
    ),
)
