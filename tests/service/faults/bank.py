"""The bank of the tests of faults, and what shows that it is watched again."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from tests.scene import cells, leading, pack
from tests.service.clients import Bridge, Heard, Listener
from tests.service.hut import ANNUNCIATION, RULES, write_config

HIGH = pack(cell_v=leading(3.42, by_mv=60))
EVEN = pack(cell_v=cells())
BIRCH_HIGH = "watchd/alarm/cell-high/pack/birch"
ALDER_SILENT = "watchd/alarm/silent/pack/alder"
SILENT = """
- rule: silent
  about: pack
  when: telemetry_quality == "stale"
  priority: medium
  say: "{pack}: no fresh {telemetry_overdue}"
  cause: The bridge or the link is gone.
  consequence: Nobody watches the pack.
  response: See to the bridge.
"""
# Silence shows within seconds, and so does a link that is dead.
QUICK = {"stale_after": "3 s", "figures_every": "1 s"}
KEEPALIVE_S = 5.0
# A test that has to find a dead link waits for two of these, and for the next try.
FOUND_S = 90.0


def config_of(
    folder: Path, port: int, *, broker: dict[str, Any] | None = None, **sections: Any
) -> Path:
    """A config with both rules, a short keepalive and telemetry that goes stale at once."""
    return write_config(
        folder,
        port,
        rules=RULES + SILENT,
        broker={"keepalive": f"{KEEPALIVE_S:g} s", **(broker or {})},
        telemetry=sections.pop("telemetry", QUICK),
        **sections,
    )


def annunciations(listener: Listener, key: str, *, since: int = 0) -> list[Heard]:
    """Those of this alarm."""
    return [h for h in listener.on(ANNUNCIATION, since=since) if h.data["alarm"] == key]


def is_watched(listener: Listener, bridge: Bridge) -> None:
    """Wait until a new alarm of birch has come all the way: telemetry in, its record out."""
    since = listener.now
    bridge.says(birch=HIGH)
    listener(BIRCH_HIGH, lambda d: d and d["state"] == "unacknowledged", since=since)
    listener(ANNUNCIATION, lambda d: d["alarm"] == "cell-high/pack/birch", since=since)
