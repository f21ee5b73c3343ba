"""Cells that arrive one by one, put together into sets that belong to one moment."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Any


@dataclass(frozen=True, slots=True)
class CellSet:
    """One voltage of every cell, V, and the time of the oldest of them."""

    cell_v: tuple[float, ...]
    at: float


class CellCollector:
    """Collects single cells until every one is new and all lie within `within_s`.

    A bridge sends its cells in bursts. Joining in the middle of one would pair the end of a
    burst with the beginning of the next for ever; so a set whose largest gap is plainly the
    pause between bursts is not given out, and what came before the gap is dropped.
    """

    # The pause must stand out this far from the other gaps before it is believed.
    PAUSE_OVER_OTHERS = 3.0
    PAUSE_OVER_LEAD = 2.0

    def __init__(self, cells: int, within_s: float, state: Any = None) -> None:
        self._cells = cells
        self._within_s = within_s
        self._waiting: dict[int, tuple[float, float]] = {}  # cell -> volts, time; oldest first
        self._last_set_at: float | None = None
        if state is not None:
            self._waiting = {int(i): (v, t) for i, v, t in state["waiting"]}
            self._last_set_at = state["last_set_at"]

    def snapshot(self) -> dict[str, Any]:
        """Plain data from which the collector goes on."""
        return {
            "waiting": [[i, v, t] for i, (v, t) in self._waiting.items()],
            "last_set_at": self._last_set_at,
        }

    def add(self, cell: int, volts: float, at: float) -> CellSet | None:
        """Take one cell's voltage (0-based `cell`); the set, where this one completes it."""
        self._waiting.pop(cell, None)
        self._waiting[cell] = (volts, at)
        if len(self._waiting) < self._cells:
            return None
        self._keep_from(at - self._within_s)
        if len(self._waiting) < self._cells:
            return None
        times = [t for _, t in self._waiting.values()]
        gaps = sorted(((b - a, b) for a, b in pairwise(times)), reverse=True)
        if gaps and self._is_pause(gaps, times[0]):
            self._keep_from(gaps[0][1])
            return None
        found = CellSet(tuple(self._waiting[i][0] for i in range(self._cells)), min(times))
        self._waiting.clear()
        self._last_set_at = at
        return found

    def _is_pause(self, gaps: list[tuple[float, float]], first: float) -> bool:
        lead = first - self._last_set_at if self._last_set_at is not None else 0.0
        others = gaps[1][0] if len(gaps) > 1 else 0.0
        return (
            gaps[0][0] > self.PAUSE_OVER_LEAD * lead
            and gaps[0][0] > self.PAUSE_OVER_OTHERS * others
        )

    def _keep_from(self, begin: float) -> None:
        self._waiting = {i: (v, t) for i, (v, t) in self._waiting.items() if t >= begin}
