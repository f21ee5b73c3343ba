"""Limits of the first rules: spread, stuck SoC, cold, stale."""

from __future__ import annotations

from typing import Any

from tests.rules.limits import Row

STUCK = {"voltage_v": 56.0, "current_a": 6.0, "soc_pct": 88.0}
SPREAD = {"cell_spread_mv": 55.0, "cell_max_v": 3.45, "current_a": 12.0}
COLD = {"temperature_min_degc": -2.0, "current_a": 20.0}
STALE: dict[str, Any] = {"telemetry_quality": "stale", "telemetry_silent": False}

RAISES: list[Row] = [
    ("cell-spread-wide", SPREAD, {}, "119 s", False),
    ("cell-spread-wide", SPREAD, {}, "120 s", True),
    ("cell-spread-wide", SPREAD, {}, "121 s", True),
    ("cell-spread-wide", SPREAD, {"cell_spread_mv": 40.0}, "1 h", False),
    ("cell-spread-wide", SPREAD, {"cell_spread_mv": 40.001}, "1 h", True),
    ("cell-spread-wide", SPREAD, {"cell_max_v": 3.4}, "1 h", False),
    ("cell-spread-wide", SPREAD, {"cell_max_v": 3.401}, "1 h", True),
    ("cell-spread-wide", SPREAD, {"current_a": 0.0}, "1 h", False),
    ("cell-spread-wide", SPREAD, {"current_a": 0.1}, "1 h", True),
    ("soc-stuck-below-full", STUCK, {}, "899 s", False),
    ("soc-stuck-below-full", STUCK, {}, "900 s", True),
    ("soc-stuck-below-full", STUCK, {}, "901 s", True),
    ("soc-stuck-below-full", STUCK, {"voltage_v": 55.79}, "1 h", False),
    ("soc-stuck-below-full", STUCK, {"voltage_v": 55.81}, "1 h", True),
    # 0.1 and -0.02 of 200 Ah.
    ("soc-stuck-below-full", STUCK, {"current_a": 19.9}, "1 h", True),
    ("soc-stuck-below-full", STUCK, {"current_a": 20.1}, "1 h", False),
    ("soc-stuck-below-full", STUCK, {"current_a": -3.9}, "1 h", True),
    ("soc-stuck-below-full", STUCK, {"current_a": -4.1}, "1 h", False),
    ("soc-stuck-below-full", STUCK, {"soc_pct": 97.9}, "1 h", True),
    ("soc-stuck-below-full", STUCK, {"soc_pct": 98.0}, "1 h", False),
    ("charging-cold", COLD, {}, "29 s", False),
    ("charging-cold", COLD, {}, "30 s", True),
    ("charging-cold", COLD, {}, "31 s", True),
    ("charging-cold", COLD, {"temperature_min_degc": 0.0}, "1 h", False),
    ("charging-cold", COLD, {"temperature_min_degc": -0.1}, "1 h", True),
    # The cell maker's limit is in the config; 0.01 of 200 Ah.
    ("charging-cold", COLD, {"charge_min_degc": -5.0}, "1 h", False),
    ("charging-cold", COLD, {"current_a": 2.0}, "1 h", False),
    ("charging-cold", COLD, {"current_a": 2.1}, "1 h", True),
    ("telemetry-stale", STALE, {}, "59 s", False),
    ("telemetry-stale", STALE, {}, "60 s", True),
    ("telemetry-stale", STALE, {}, "61 s", True),
    ("telemetry-stale", STALE, {"telemetry_quality": "bad"}, "1 h", False),
    ("telemetry-stale", STALE, {"telemetry_quality": "good"}, "1 h", False),
    ("telemetry-stale", STALE, {"telemetry_quality": None}, "1 h", False),
]
RETURNS: list[Row] = [
    ("cell-spread-wide", SPREAD, {"cell_spread_mv": 30.001}, "2 h", False),
    ("cell-spread-wide", SPREAD, {"cell_spread_mv": 30.0}, "599 s", False),
    ("cell-spread-wide", SPREAD, {"cell_spread_mv": 30.0}, "600 s", True),
    ("cell-spread-wide", SPREAD, {"cell_max_v": 3.4}, "599 s", False),
    ("cell-spread-wide", SPREAD, {"cell_max_v": 3.4}, "601 s", True),
    ("cell-spread-wide", SPREAD, {"current_a": 0.0}, "601 s", True),
    ("cell-spread-wide", SPREAD, {"cell_spread_mv": None}, "1 d", False),
    ("soc-stuck-below-full", STUCK, {"voltage_v": 55.21}, "1 d", False),
    ("soc-stuck-below-full", STUCK, {"voltage_v": 55.19}, "1799 s", False),
    ("soc-stuck-below-full", STUCK, {"voltage_v": 55.19}, "1800 s", True),
    ("soc-stuck-below-full", STUCK, {"soc_pct": 98.0}, "1801 s", True),
    ("soc-stuck-below-full", STUCK, {"current_a": None}, "1 d", False),
    ("charging-cold", COLD, {"temperature_min_degc": 0.9}, "1 d", False),
    ("charging-cold", COLD, {"temperature_min_degc": 1.0}, "299 s", False),
    ("charging-cold", COLD, {"temperature_min_degc": 1.0}, "300 s", True),
    ("charging-cold", COLD, {"current_a": 2.0}, "301 s", True),
    ("charging-cold", COLD, {"temperature_min_degc": None}, "1 d", False),
    ("telemetry-stale", STALE, {"telemetry_quality": "good"}, "29 s", False),
    ("telemetry-stale", STALE, {"telemetry_quality": "good"}, "30 s", True),
    ("telemetry-stale", STALE, {"telemetry_quality": "bad"}, "31 s", True),
    ("telemetry-stale", STALE, {"telemetry_quality": None}, "1 d", False),
]
