"""Limits of the rules about packs in parallel."""

from __future__ import annotations

from typing import Any

from tests.rules.limits import Row

UNEVEN = {"share_pct": 15.0, "share_usual_pct": 30.0, "share_expected_pct": 33.0}
IDLE: dict[str, Any] = {"carries": False, "voltage_v": 53.1}

RAISES: list[Row] = [
    ("current-sharing-uneven", UNEVEN, {}, "21599 s", False),
    ("current-sharing-uneven", UNEVEN, {}, "21600 s", True),
    # 0.8 of the usual 30, and 0.6 of 33 by size.
    ("current-sharing-uneven", UNEVEN, {"share_pct": 24.1}, "2 d", False),
    ("current-sharing-uneven", UNEVEN, {"share_pct": 23.9}, "2 d", True),
    ("current-sharing-uneven", UNEVEN, {"share_pct": 19.9, "share_usual_pct": 20.0}, "2 d", False),
    ("current-sharing-uneven", UNEVEN, {"share_pct": 19.7, "share_usual_pct": 20.0}, "2 d", True),
    ("current-sharing-uneven", UNEVEN, {"share_pct": 90.0}, "2 d", False),
    ("pack-not-carrying", IDLE, {}, "0 s", True),
    ("pack-not-carrying", IDLE, {"carries": True}, "1 d", False),
    ("pack-not-carrying", IDLE, {"carries": None}, "1 d", False),
]
RETURNS: list[Row] = [
    # 3 % above the limit that was crossed: 24, and 19.8.
    ("current-sharing-uneven", UNEVEN, {"share_pct": 26.9}, "7 d", False),
    ("current-sharing-uneven", UNEVEN, {"share_pct": 27.1}, "21599 s", False),
    ("current-sharing-uneven", UNEVEN, {"share_pct": 27.1}, "21600 s", True),
    ("current-sharing-uneven", UNEVEN, {"share_pct": None}, "7 d", False),
    ("pack-not-carrying", IDLE, {"carries": True}, "299 s", False),
    ("pack-not-carrying", IDLE, {"carries": True}, "300 s", True),
    ("pack-not-carrying", IDLE, {"carries": None}, "7 d", False),
]
