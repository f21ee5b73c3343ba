"""Checks of where a charge ends: full, the balancer's start, the charge voltage itself.

What is usual there is common practice, no source.
"""

from __future__ import annotations

from watchd.advice.audit.check import Check, above, mv, v, within
from watchd.advice.audit.finding import Advised, Severity
from watchd.advice.audit.sheet import Sheet

FAULT, REMARK = Severity.FAULT, Severity.REMARK
FULL_BELOW_CHARGE_V = 0.02
BALANCER_WINDOW_V = 0.05


def _full_not_below_overvoltage(s: Sheet) -> str | None:
    if s.full_v is None or above(s.overvoltage_v, s.full_v):
        return None
    return f"full_v is {v(s.full_v)}, not below over-voltage at {v(s.overvoltage_v)}"


def _full_never_reached(s: Sheet) -> str | None:
    if s.full_v is None or not above(s.overvoltage_v, s.full_v):
        return None
    if not above(s.full_v, s.charge_cell_v):
        return None
    return f"full_v is {v(s.full_v)}, above the charge voltage of {v(s.charge_cell_v)} a cell"


def _full_at_charge(s: Sheet) -> str | None:
    if s.full_v is None or above(s.full_v, s.charge_cell_v):
        return None
    if not within(s.charge_cell_v, s.full_v, FULL_BELOW_CHARGE_V):
        return None
    if not above(s.charge_cell_v, s.full_v):
        return f"full_v is {v(s.full_v)}, just the charge voltage of a cell"
    return (
        f"full_v is {v(s.full_v)}, only {mv(s.charge_cell_v - s.full_v)} below the charge voltage "
        f"of {v(s.charge_cell_v)} a cell"
    )


def _full_too_early(s: Sheet) -> str | None:
    if s.full_v is None or not above(s.upper_knee_v, s.full_v):
        return None
    return f"full_v is {v(s.full_v)}, below the {v(s.upper_knee_v)} where the curve begins to rise"


def _balancer_out_of_reach(s: Sheet) -> str | None:
    if s.balancer_from_v is None or above(s.leading_cell_v, s.balancer_from_v):
        return None
    return (
        f"the balancer starts at {v(s.balancer_from_v)}, and at the charge voltage the leading "
        f"cell comes to {v(s.leading_cell_v)}"
    )


def _balancer_window_narrow(s: Sheet) -> str | None:
    if s.balancer_from_v is None or not above(s.leading_cell_v, s.balancer_from_v):
        return None
    if not within(s.charge_cell_v, s.balancer_from_v, BALANCER_WINDOW_V):
        return None
    return (
        f"the balancer starts at {v(s.balancer_from_v)}, and the charge voltage is "
        f"{v(s.charge_cell_v)} a cell"
    )


def _balancer_on_flat(s: Sheet) -> str | None:
    if s.balancer_from_v is None or not above(s.upper_knee_v, s.balancer_from_v):
        return None
    return (
        f"the balancer starts at {v(s.balancer_from_v)}, below the {v(s.upper_knee_v)} where the "
        "curve begins to rise"
    )


def _charge_voltage_low(s: Sheet) -> str | None:
    if not above(s.upper_knee_v, s.charge_cell_v):
        return None
    return (
        f"the charge voltage is {v(s.charge_cell_v)} a cell, below the {v(s.upper_knee_v)} where "
        "the curve begins to rise"
    )


# The worst first: the first fault is what the alarm tells.
FULL_CHECKS: tuple[Check, ...] = (
    Check(
        Advised(
            "full-not-below-overvoltage",
            FAULT,
            why="The protection acts before the BMS can see a full pack: its SoC comes to 100 % "
            "in a trip, or never.",
            usual="full_v 20 to 50 mV below the charge voltage of a cell.",
            do="Have full_v set below the charge voltage of a cell; leave over-voltage as it is.",
            protects=True,
        ),
        _full_not_below_overvoltage,
    ),
    Check(
        Advised(
            "full-never-reached",
            FAULT,
            why="The BMS never sets its SoC to 100 %, and its count drifts on from day to day.",
            usual="full_v 20 to 50 mV below the charge voltage of a cell.",
            do="See whether the charge voltage is as meant. If it is, and 3.45 V a cell or more, "
            "have full_v set below it.",
            protects=True,
        ),
        _full_never_reached,
    ),
    Check(
        Advised(
            "balancer-out-of-reach",
            FAULT,
            why="The balancer never runs, and the cells drift apart.",
            usual="A start 0.05 to 0.1 V below the charge voltage of a cell, where the curve "
            "rises already.",
            do="See whether the charge voltage is as meant. If it is, and 3.45 V a cell or more, "
            "have the balancer start lower, though not below 3.40 V.",
        ),
        _balancer_out_of_reach,
    ),
    Check(
        Advised(
            "full-at-charge",
            REMARK,
            why="A meter or a cable that is off by that little keeps the BMS from ever setting "
            "its SoC to 100 %.",
            usual="full_v 20 to 50 mV below the charge voltage of a cell.",
            do="If its SoC does not come to 100 % at the end of a charge, have full_v set a "
            "little lower.",
            protects=True,
        ),
        _full_at_charge,
    ),
    Check(
        Advised(
            "full-too-early",
            REMARK,
            why="At much current a cell is there long before it is full, and the BMS sets 100 % "
            "too early.",
            usual="full_v 20 to 50 mV below the charge voltage of a cell.",
            do="Have full_v set higher, below the charge voltage of a cell.",
            protects=True,
        ),
        _full_too_early,
    ),
    Check(
        Advised(
            "balancer-window-narrow",
            REMARK,
            why="The balancer works only in the last minutes of a charge, or on a cell far ahead.",
            usual="A start 0.05 to 0.1 V below the charge voltage of a cell.",
            do="Have the balancer start lower, where the curve rises already.",
        ),
        _balancer_window_narrow,
    ),
    Check(
        Advised(
            "balancer-on-flat",
            REMARK,
            why="On the flat part of the curve the higher cell need not be the fuller one: "
            "the balancer may move charge the wrong way.",
            usual="A start at 3.40 V or above.",
            do="Have the balancer start higher, though well below the charge voltage of a cell.",
        ),
        _balancer_on_flat,
    ),
    Check(
        Advised(
            "charge-voltage-low",
            REMARK,
            why="The pack takes very long to get full, nobody can see that it is, and the cells "
            "cannot be balanced.",
            usual="3.45 to 3.55 V a cell.",
            do="See whether charge_voltage_v and cells_in_series are right; if they are, a higher "
            "charge voltage now and then does the cells good.",
        ),
        _charge_voltage_low,
    ),
)
