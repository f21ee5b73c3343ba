"""Limits of the rules that rest on what makes cells differ: bad joints, weak cells."""

from __future__ import annotations

from typing import Any

from tests.rules.limits import Row

JOINT: dict[str, Any] = {"joint_excess_mohm": 0.8, "joint_excess_sigma_mohm": 0.02}
WEAK: dict[str, Any] = {"spread_kind": "small cell", "spread_kind_certainty": "likely"}

RAISES: list[Row] = [
    ("joint-resistance-high", JOINT, {}, "10799 s", False),
    ("joint-resistance-high", JOINT, {}, "10800 s", True),
    ("joint-resistance-high", JOINT, {"joint_excess_mohm": 0.3}, "1 d", False),
    ("joint-resistance-high", JOINT, {"joint_excess_mohm": 0.301}, "1 d", True),
    ("joint-resistance-high", JOINT, {"joint_excess_sigma_mohm": 0.26}, "1 d", True),
    ("joint-resistance-high", JOINT, {"joint_excess_sigma_mohm": 0.27}, "1 d", False),
    ("cell-weak", WEAK, {}, "3599 s", False),
    ("cell-weak", WEAK, {}, "3600 s", True),
    ("cell-weak", WEAK, {"spread_kind_certainty": "observed"}, "1 d", True),
    ("cell-weak", WEAK, {"spread_kind_certainty": "possible"}, "1 d", False),
    ("cell-weak", WEAK, {"spread_kind_certainty": "unknown"}, "1 d", False),
    ("cell-weak", WEAK, {"spread_kind": "charge"}, "1 d", False),
    ("cell-weak", WEAK, {"spread_kind": "joint"}, "1 d", False),
    ("cell-weak", WEAK, {"spread_kind": "unclear"}, "1 d", False),
]
RETURNS: list[Row] = [
    ("joint-resistance-high", JOINT, {"joint_excess_mohm": 0.251}, "1 d", False),
    ("joint-resistance-high", JOINT, {"joint_excess_mohm": 0.25}, "3599 s", False),
    ("joint-resistance-high", JOINT, {"joint_excess_mohm": 0.25}, "3600 s", True),
    ("joint-resistance-high", JOINT, {"joint_excess_mohm": None}, "10 d", False),
    ("cell-weak", WEAK, {"spread_kind": "none"}, "3599 s", False),
    ("cell-weak", WEAK, {"spread_kind": "none"}, "3600 s", True),
    ("cell-weak", WEAK, {"spread_kind": "charge"}, "3600 s", True),
    ("cell-weak", WEAK, {"spread_kind": "none", "spread_kind_certainty": "possible"}, "1 d", False),
    ("cell-weak", WEAK, {"spread_kind": "unclear"}, "1 d", False),
    ("cell-weak", WEAK, {"spread_kind_certainty": "possible"}, "1 d", False),
    ("cell-weak", WEAK, {"spread_kind": None}, "10 d", False),
]
