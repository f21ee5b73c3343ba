"""Shelving: a person puts an alarm aside for a while. It always ends by itself."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any


@dataclass(frozen=True, slots=True)
class Shelf:
    """Until when nobody is told (Unix seconds), and whether the next clearing ends it before.

    `until` is there in both cases: also one that waits for a clearing ends after the longest time
    for which an alarm may be shelved (OPC 10000-9, OneShotShelve and MaxTimeShelved).
    """

    until: float
    until_cleared: bool = False
    by: str = ""

    def snapshot(self) -> dict[str, Any]:
        """Plain data: `Shelf(**data)` is the same."""
        return asdict(self)
