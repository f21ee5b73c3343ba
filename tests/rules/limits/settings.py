"""Limits of the rules about settings."""

from __future__ import annotations

from typing import Any

from tests.rules.limits import Row

WRONG: dict[str, Any] = {"settings_faults": 1, "settings_fault": "full_v is 3.550 V"}
NAMES = ("settings-inconsistent", "bank-settings-inconsistent")

RAISES: list[Row] = [
    row
    for name in NAMES
    for row in (
        (name, WRONG, {}, "599 s", False),
        (name, WRONG, {}, "600 s", True),
        (name, WRONG, {"settings_faults": 0}, "7 d", False),
        (name, WRONG, {"settings_faults": None}, "7 d", False),
    )
]
RETURNS: list[Row] = [
    row
    for name in NAMES
    for row in (
        (name, WRONG, {"settings_faults": 0}, "599 s", False),
        (name, WRONG, {"settings_faults": 0}, "600 s", True),
        (name, WRONG, {"settings_faults": None}, "7 d", False),
    )
]
