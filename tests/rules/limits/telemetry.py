"""Limits of the rules about telemetry: silent by its own rhythm, frozen, implausible."""

from __future__ import annotations

from typing import Any

from tests.rules.limits import Row

SILENT: dict[str, Any] = {"telemetry_quality": "good", "telemetry_silent": True}
FROZEN: dict[str, Any] = {"telemetry_frozen": True}
IMPLAUSIBLE: dict[str, Any] = {"telemetry_implausible": True}

ALL_SILENT: dict[str, Any] = {"packs_silent": 3, "packs": 3}

RAISES: list[Row] = [
    ("telemetry-stale", SILENT, {}, "59 s", False),
    ("telemetry-stale", SILENT, {}, "60 s", True),
    ("telemetry-stale", SILENT, {"telemetry_silent": False}, "1 d", False),
    ("telemetry-frozen", FROZEN, {}, "299 s", False),
    ("telemetry-frozen", FROZEN, {}, "300 s", True),
    ("telemetry-frozen", FROZEN, {"telemetry_frozen": False}, "1 d", False),
    ("telemetry-frozen", FROZEN, {"telemetry_frozen": None}, "1 d", False),
    ("telemetry-implausible", IMPLAUSIBLE, {}, "29 s", False),
    ("telemetry-implausible", IMPLAUSIBLE, {}, "30 s", True),
    ("telemetry-implausible", IMPLAUSIBLE, {"telemetry_implausible": False}, "1 d", False),
    ("telemetry-implausible", IMPLAUSIBLE, {"telemetry_implausible": None}, "1 d", False),
    ("bank-silent", ALL_SILENT, {}, "59 s", False),
    ("bank-silent", ALL_SILENT, {}, "60 s", True),
    ("bank-silent", ALL_SILENT, {"packs_silent": 2}, "1 d", False),
    ("bank-silent", ALL_SILENT, {"packs_silent": 1, "packs": 1}, "1 d", False),
    ("bank-silent", ALL_SILENT, {"packs_silent": 2, "packs": 2}, "60 s", True),
    ("bank-silent", ALL_SILENT, {"packs_silent": None}, "1 d", False),
]
RETURNS: list[Row] = [
    ("telemetry-stale", SILENT, {"telemetry_silent": False}, "29 s", False),
    ("telemetry-stale", SILENT, {"telemetry_silent": False}, "30 s", True),
    ("telemetry-frozen", FROZEN, {"telemetry_frozen": False}, "599 s", False),
    ("telemetry-frozen", FROZEN, {"telemetry_frozen": False}, "600 s", True),
    ("telemetry-frozen", FROZEN, {"telemetry_frozen": None}, "1 d", False),
    ("telemetry-implausible", IMPLAUSIBLE, {"telemetry_implausible": False}, "599 s", False),
    ("telemetry-implausible", IMPLAUSIBLE, {"telemetry_implausible": False}, "600 s", True),
    ("telemetry-implausible", IMPLAUSIBLE, {"telemetry_implausible": None}, "1 d", False),
    ("bank-silent", ALL_SILENT, {"packs_silent": 2}, "59 s", False),
    ("bank-silent", ALL_SILENT, {"packs_silent": 2}, "60 s", True),
    ("bank-silent", ALL_SILENT, {"packs_silent": None}, "1 d", False),
]
