"""The last digest of each period: it stands retained, and tells when the next may come."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from typing import Any

from watchd.digest.schedule import Period

Record = Mapping[str, Any]


class ToldDigests:
    """Those of the periods that are `wanted`, each with its time as the config has it.

    A digest that would have come before `begun_at` (Unix s) is not made up for where there was
    nobody to make it, nor where it has another time since then. `saved` is a snapshot; what of it
    cannot be used is as if it had not been.
    """

    def __init__(
        self, wanted: Mapping[Period, str], begun_at: float, saved: Any | None = None
    ) -> None:
        self.wanted = wanted
        known = saved if isinstance(saved, dict) else {}
        self._told = {
            period: _restored(known.get(period), when, begun_at) for period, when in wanted.items()
        }

    def snapshot(self) -> dict[str, Any]:
        """Plain data from which it goes on."""
        return {
            str(period): {
                "when": self.wanted[period],
                "at": at,
                "record": None if record is None else dict(record),
            }
            for period, (at, record) in self._told.items()
        }

    def tell(self, period: Period, record: Record, at: float) -> bool:
        """This is the last one now; whether it is wanted."""
        if period in self.wanted:
            self._told[period] = (at, record)
        return period in self.wanted

    def told_at(self, period: Period) -> float | None:
        """When the last one was made, or could be at first; None: it is not wanted."""
        at, _ = self._told.get(period, (None, None))
        return at

    def records(self) -> Iterator[tuple[Period, Record]]:
        """Those that stand."""
        for period, (_, record) in self._told.items():
            if record is not None:
                yield period, record


def _restored(saved: Any, when: str, begun_at: float) -> tuple[float, Record | None]:
    if not isinstance(saved, dict):
        return begun_at, None
    at, record = saved.get("at"), saved.get("record")
    if not isinstance(record, dict):
        record = None
    if isinstance(at, bool) or not isinstance(at, int | float) or not math.isfinite(at):
        return begun_at, record
    return float(at) if saved.get("when") == when else max(float(at), begun_at), record
