"""Limits of the rule about a charger that does not follow."""

from __future__ import annotations

from tests.rules.limits import Row

EXCEEDED = {"current_a": 120.0, "charge_limit_a": 40.0, "nameplate_ah": 600.0}

RAISES: list[Row] = [
    ("charge-limit-exceeded", EXCEEDED, {}, "179 s", False),
    ("charge-limit-exceeded", EXCEEDED, {}, "180 s", True),
    # 1.1 times 40 A, and 0.02 of 600 Ah.
    ("charge-limit-exceeded", EXCEEDED, {"current_a": 55.9}, "1 h", False),
    ("charge-limit-exceeded", EXCEEDED, {"current_a": 56.1}, "1 h", True),
    ("charge-limit-exceeded", EXCEEDED, {"charge_limit_a": 0.0, "current_a": 12.1}, "1 h", True),
    ("charge-limit-exceeded", EXCEEDED, {"charge_limit_a": None}, "1 h", False),
    ("charge-limit-exceeded", EXCEEDED, {"current_a": -120.0}, "1 h", False),
]
RETURNS: list[Row] = [
    # 1.05 times 40 A, and 0.01 of 600 Ah.
    ("charge-limit-exceeded", EXCEEDED, {"current_a": 48.1}, "1 d", False),
    ("charge-limit-exceeded", EXCEEDED, {"current_a": 47.9}, "299 s", False),
    ("charge-limit-exceeded", EXCEEDED, {"current_a": 47.9}, "300 s", True),
    ("charge-limit-exceeded", EXCEEDED, {"charge_limit_a": None}, "1 d", False),
]
