"""Limits of the rules about protection trips; repeated ones have their own test."""

from __future__ import annotations

from typing import Any

from tests.rules.limits import Row

TRIP: dict[str, Any] = {"protection_trip": True, "trip_events": "OVER_VOLT"}

RAISES: list[Row] = [
    ("protection-trip", TRIP, {}, "0 s", True),
    ("protection-trip", TRIP, {"protection_trip": False}, "1 d", False),
    ("protection-trip", TRIP, {"protection_trip": None}, "1 d", False),
]
RETURNS: list[Row] = [
    ("protection-trip", TRIP, {"protection_trip": False}, "299 s", False),
    ("protection-trip", TRIP, {"protection_trip": False}, "300 s", True),
    ("protection-trip", TRIP, {"protection_trip": None}, "1 d", False),
]
