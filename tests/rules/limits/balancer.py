"""Limits of the rules about the balance of the cells over the days."""

from __future__ import annotations

from typing import Any

from tests.rules.limits import Row

WIDENING = {"spread_slope_low_mv": 0.8, "spread_slope_mv": 1.4, "spread_at_full_mv": 34.0}
OVERRUN: dict[str, Any] = {
    "balancer_verdict": "not coping",
    "spread_at_full_mv": 64.0,
    "spread_slope_mv": 3.2,
}

RAISES: list[Row] = [
    ("cell-spread-widening", WIDENING, {}, "599 s", False),
    ("cell-spread-widening", WIDENING, {}, "600 s", True),
    ("cell-spread-widening", WIDENING, {"spread_slope_low_mv": 0.5}, "1 d", False),
    ("cell-spread-widening", WIDENING, {"spread_slope_low_mv": 0.51}, "1 d", True),
    ("cell-spread-widening", WIDENING, {"spread_at_full_mv": 20.0}, "1 d", False),
    ("cell-spread-widening", WIDENING, {"spread_at_full_mv": 20.1}, "1 d", True),
    ("balancer-not-coping", OVERRUN, {}, "599 s", False),
    ("balancer-not-coping", OVERRUN, {}, "600 s", True),
    ("balancer-not-coping", OVERRUN, {"balancer_verdict": "closing"}, "1 d", False),
    ("balancer-not-coping", OVERRUN, {"balancer_verdict": "holding"}, "1 d", False),
    ("balancer-not-coping", OVERRUN, {"balancer_verdict": "too early to say"}, "1 d", False),
]
RETURNS: list[Row] = [
    ("cell-spread-widening", WIDENING, {"spread_slope_low_mv": 0.21}, "1 d", False),
    ("cell-spread-widening", WIDENING, {"spread_slope_low_mv": 0.2}, "3599 s", False),
    ("cell-spread-widening", WIDENING, {"spread_slope_low_mv": 0.2}, "3600 s", True),
    ("cell-spread-widening", WIDENING, {"spread_at_full_mv": 15.1}, "1 d", False),
    ("cell-spread-widening", WIDENING, {"spread_at_full_mv": 14.9}, "2 h", True),
    ("cell-spread-widening", WIDENING, {"spread_slope_low_mv": None}, "1 d", False),
    ("balancer-not-coping", OVERRUN, {"balancer_verdict": "closing"}, "3599 s", False),
    ("balancer-not-coping", OVERRUN, {"balancer_verdict": "closing"}, "3600 s", True),
    ("balancer-not-coping", OVERRUN, {"balancer_verdict": "holding"}, "2 h", True),
    ("balancer-not-coping", OVERRUN, {"balancer_verdict": "too early to say"}, "7 d", False),
]
