"""Limits of the rules about protection trips; repeated ones have their own test."""

from __future__ import annotations

from typing import Any

from tests.rules.limits import Row

TRIP: dict[str, Any] = {"protection_trip": True, "trip_events": "OVER_VOLT"}
TEMPORARY: dict[str, Any] = {
    "setting_temporary": True,
    "setting_temporary_h": 0.0,
    "temporary_overvoltage_v": 3.515,
    "overvoltage_restore_v": 3.65,
}
NOT_TEMPORARY = {"setting_temporary": False}
UNKNOWN_SETTING = {"setting_temporary": None}

RAISES: list[Row] = [
    ("protection-trip", TRIP, {}, "0 s", True),
    ("protection-trip", TRIP, {"protection_trip": False}, "1 d", False),
    ("protection-trip", TRIP, {"protection_trip": None}, "1 d", False),
    ("protection-setting-temporary", TEMPORARY, {}, "0 s", True),
    ("protection-setting-temporary", TEMPORARY, NOT_TEMPORARY, "1 d", False),
    ("protection-setting-temporary", TEMPORARY, UNKNOWN_SETTING, "1 d", False),
]
RETURNS: list[Row] = [
    ("protection-trip", TRIP, {"protection_trip": False}, "299 s", False),
    ("protection-trip", TRIP, {"protection_trip": False}, "300 s", True),
    ("protection-trip", TRIP, {"protection_trip": None}, "1 d", False),
    ("protection-setting-temporary", TEMPORARY, NOT_TEMPORARY, "0 s", True),
    ("protection-setting-temporary", TEMPORARY, UNKNOWN_SETTING, "1 d", False),
]
