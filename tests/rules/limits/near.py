"""Limits of the rules that warn before the BMS acts: cells near their ends, hot packs."""

from __future__ import annotations

from typing import Any

from tests.rules.limits import Row

# Thresholds of the pack: 3.65 V, 2.60 V, 45 degC.
HIGH: dict[str, Any] = {"cell_max_v": 3.62, "current_a": 12.0}
LOW: dict[str, Any] = {"cell_min_v": 2.65, "current_a": -30.0}
HOT: dict[str, Any] = {"temperature_max_degc": 57.0, "current_a": -30.0}
HOT_CHARGING: dict[str, Any] = {"temperature_max_degc": 46.0, "current_a": 60.0}

RAISES: list[Row] = [
    ("cell-near-overvoltage", HIGH, {}, "9 s", False),
    ("cell-near-overvoltage", HIGH, {}, "10 s", True),
    ("cell-near-overvoltage", HIGH, {"cell_max_v": 3.609}, "1 h", False),
    ("cell-near-overvoltage", HIGH, {"cell_max_v": 3.611}, "1 h", True),
    ("cell-near-overvoltage", HIGH, {"overvoltage_v": 3.8}, "1 h", False),
    ("cell-near-overvoltage", HIGH, {"current_a": 0.0}, "1 h", False),
    ("cell-near-overvoltage", HIGH, {"current_a": 0.1}, "1 h", True),
    ("cell-near-undervoltage", LOW, {}, "29 s", False),
    ("cell-near-undervoltage", LOW, {}, "30 s", True),
    ("cell-near-undervoltage", LOW, {"cell_min_v": 2.701}, "1 h", False),
    ("cell-near-undervoltage", LOW, {"cell_min_v": 2.699}, "1 h", True),
    ("cell-near-undervoltage", LOW, {"undervoltage_v": 2.5}, "1 h", False),
    ("cell-near-undervoltage", LOW, {"current_a": 0.0}, "1 h", False),
    ("cell-near-undervoltage", LOW, {"current_a": -0.1}, "1 h", True),
    ("pack-hot", HOT, {}, "59 s", False),
    ("pack-hot", HOT, {}, "60 s", True),
    ("pack-hot", HOT, {"temperature_max_degc": 55.0}, "1 h", False),
    ("pack-hot", HOT, {"temperature_max_degc": 55.1}, "1 h", True),
    ("pack-hot", HOT_CHARGING, {}, "60 s", True),
    ("pack-hot", HOT_CHARGING, {"temperature_max_degc": 45.0}, "1 h", False),
    ("pack-hot", HOT_CHARGING, {"temperature_max_degc": 45.1}, "1 h", True),
    ("pack-hot", HOT_CHARGING, {"charge_max_degc": 50.0}, "1 h", False),
    # 0.01 of 200 Ah.
    ("pack-hot", HOT_CHARGING, {"current_a": 2.0}, "1 h", False),
    ("pack-hot", HOT_CHARGING, {"current_a": 2.1}, "1 h", True),
]
RETURNS: list[Row] = [
    ("cell-near-overvoltage", HIGH, {"cell_max_v": 3.581}, "1 d", False),
    ("cell-near-overvoltage", HIGH, {"cell_max_v": 3.579}, "299 s", False),
    ("cell-near-overvoltage", HIGH, {"cell_max_v": 3.579}, "300 s", True),
    ("cell-near-overvoltage", HIGH, {"current_a": -1.0}, "300 s", True),
    ("cell-near-overvoltage", HIGH, {"cell_max_v": None}, "1 d", False),
    ("cell-near-undervoltage", LOW, {"cell_min_v": 2.799}, "1 d", False),
    ("cell-near-undervoltage", LOW, {"cell_min_v": 2.801}, "299 s", False),
    ("cell-near-undervoltage", LOW, {"cell_min_v": 2.801}, "300 s", True),
    ("cell-near-undervoltage", LOW, {"current_a": 1.0}, "300 s", True),
    ("cell-near-undervoltage", LOW, {"cell_min_v": None}, "1 d", False),
    ("pack-hot", HOT, {"temperature_max_degc": 43.1}, "1 d", False),
    ("pack-hot", HOT, {"temperature_max_degc": 42.9}, "299 s", False),
    ("pack-hot", HOT, {"temperature_max_degc": 42.9}, "300 s", True),
    # With a wider window, 55 degC less 2.
    ("pack-hot", HOT, {"temperature_max_degc": 53.1, "charge_max_degc": 60.0}, "1 d", False),
    ("pack-hot", HOT, {"temperature_max_degc": 52.9, "charge_max_degc": 60.0}, "1 d", True),
    # While it is hot, a charge that stopped is no reason to begin it again.
    ("pack-hot", HOT_CHARGING, {"current_a": 0.0}, "1 d", False),
    ("pack-hot", HOT, {"temperature_max_degc": None}, "1 d", False),
]
