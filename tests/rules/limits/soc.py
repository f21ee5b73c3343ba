"""Limits of the rules about state of charge, full charge and capacity."""

from __future__ import annotations

from typing import Any

from tests.rules.limits import Row

OFF: dict[str, Any] = {
    "soc_error_pct": 9.0,
    "soc_estimate_sigma_pct": 1.0,
    "soc_pct": 59.0,
    "soc_estimate_pct": 50.0,
}
STEPPED: dict[str, Any] = {"soc_stepped": True, "soc_step_pct": 12.0}
OVERDUE: dict[str, Any] = {
    "full_count": 2,
    "since_full_h": 400.0,
    "counted_h": 900.0,
    "uncounted_h": 1.0,
}
NEVER: dict[str, Any] = {"full_count": 0, "since_full_h": None}
SMALL: dict[str, Any] = {"soh_pct": 70.0, "soh_sigma_pct": 1.5, "capacity_ah": 140.0}

RAISES: list[Row] = [
    ("soc-disagrees", OFF, {}, "1799 s", False),
    ("soc-disagrees", OFF, {}, "1800 s", True),
    ("soc-disagrees", OFF, {}, "1801 s", True),
    ("soc-disagrees", OFF, {"soc_error_pct": 8.0}, "1 d", False),
    ("soc-disagrees", OFF, {"soc_error_pct": 8.01}, "1 d", True),
    ("soc-disagrees", OFF, {"soc_error_pct": -8.0}, "1 d", False),
    ("soc-disagrees", OFF, {"soc_error_pct": -8.01}, "1 d", True),
    ("soc-disagrees", OFF, {"soc_estimate_sigma_pct": 6.0}, "1 d", False),
    ("soc-disagrees", OFF, {"soc_estimate_sigma_pct": 2.99}, "1 d", True),
    ("soc-disagrees", OFF, {"soc_error_pct": -9.0, "soc_estimate_sigma_pct": 6.0}, "1 d", False),
    ("soc-disagrees", OFF, {"soc_error_pct": -9.0, "soc_estimate_sigma_pct": 2.99}, "1 d", True),
    ("soc-disagrees", OFF, {"soc_error_pct": None}, "1 d", False),
    ("soc-stepped", STEPPED, {}, "0 s", True),
    ("soc-stepped", STEPPED, {"soc_stepped": False}, "1 d", False),
    ("soc-stepped", STEPPED, {"soc_stepped": None}, "1 d", False),
    ("full-charge-overdue", OVERDUE, {}, "599 s", False),
    ("full-charge-overdue", OVERDUE, {}, "600 s", True),
    ("full-charge-overdue", OVERDUE, {}, "601 s", True),
    # 14 days.
    ("full-charge-overdue", OVERDUE, {"since_full_h": 336.0}, "1 d", False),
    ("full-charge-overdue", OVERDUE, {"since_full_h": 336.1}, "1 d", True),
    # Never full since watchd first saw it, whether its current was known or not.
    ("full-charge-overdue", OVERDUE, {**NEVER, "counted_h": 335.0}, "1 d", False),
    ("full-charge-overdue", OVERDUE, {**NEVER, "counted_h": 335.1}, "1 d", True),
    ("full-charge-overdue", OVERDUE, {**NEVER, "counted_h": 36.0}, "1 d", False),
    (
        "full-charge-overdue",
        OVERDUE,
        {**NEVER, "counted_h": 36.0, "uncounted_h": 301.0},
        "1 d",
        True,
    ),
    ("capacity-low", SMALL, {}, "3599 s", False),
    ("capacity-low", SMALL, {}, "3600 s", True),
    ("capacity-low", SMALL, {}, "3601 s", True),
    ("capacity-low", SMALL, {"soh_pct": 77.0}, "1 d", False),
    ("capacity-low", SMALL, {"soh_pct": 76.9}, "1 d", True),
    ("capacity-low", SMALL, {"soh_pct": 79.0, "soh_sigma_pct": 0.4}, "1 d", True),
    ("capacity-low", SMALL, {"soh_pct": None, "soh_sigma_pct": None}, "1 d", False),
]
RETURNS: list[Row] = [
    ("soc-disagrees", OFF, {"soc_error_pct": 6.01}, "1 d", False),
    ("soc-disagrees", OFF, {"soc_error_pct": 6.0}, "1799 s", False),
    ("soc-disagrees", OFF, {"soc_error_pct": 6.0}, "1800 s", True),
    ("soc-disagrees", OFF, {"soc_error_pct": -6.01}, "1 d", False),
    ("soc-disagrees", OFF, {"soc_error_pct": -6.0}, "1801 s", True),
    ("soc-disagrees", OFF, {"soc_error_pct": None}, "1 d", False),
    ("soc-stepped", STEPPED, {"soc_stepped": False}, "3599 s", False),
    ("soc-stepped", STEPPED, {"soc_stepped": False}, "3600 s", True),
    ("soc-stepped", STEPPED, {"soc_stepped": None}, "2 d", False),
    ("full-charge-overdue", OVERDUE, {"since_full_h": 336.0, "full_count": 3}, "1 s", True),
    ("full-charge-overdue", OVERDUE, {"since_full_h": None}, "1 d", False),
    ("capacity-low", SMALL, {"soh_pct": 78.9}, "1 d", False),
    ("capacity-low", SMALL, {"soh_pct": 79.0}, "3599 s", False),
    ("capacity-low", SMALL, {"soh_pct": 79.0}, "3600 s", True),
    ("capacity-low", SMALL, {"soh_pct": None}, "1 d", False),
]
