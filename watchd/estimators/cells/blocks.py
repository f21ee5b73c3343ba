"""Blocks: short stretches of nearly constant current, with the mean of each cell.

A mean takes the noise and the steps of the readings down; a block that ends where the current
steps keeps both sides of a step apart, which is where a resistance shows best.
"""

from __future__ import annotations

from collections.abc import Mapping
from operator import add
from typing import Any, NamedTuple


class Block(NamedTuple):
    """Means over one block: cells in V, current in A."""

    at: float  # middle, Unix s
    cell_v: list[float]
    current_a: float
    samples: int


def is_one_moment(measured_at: Mapping[str, float], within_s: float) -> bool:
    """Whether cells and current were measured together, within so many seconds."""
    return -within_s <= measured_at["cell_v"] - measured_at["current_a"] <= within_s


class Blocks:
    """Gathers readings of cells and current into blocks."""

    def __init__(self, length_s: float, step_a: float, saved: dict[str, Any] | None = None) -> None:
        known = saved or {}
        self._length_s, self._step_a = length_s, step_a
        self._sums = [float(v) for v in known.get("sums", ())]
        self._amps: float = known.get("amps", 0.0)
        self._count: int = known.get("count", 0)
        self._begin: float = known.get("begin", 0.0)
        self._last: float = known.get("last", 0.0)

    def snapshot(self) -> dict[str, Any]:
        """Plain data from which it goes on."""
        return {
            "sums": list(self._sums),
            "amps": self._amps,
            "count": self._count,
            "begin": self._begin,
            "last": self._last,
        }

    def take(self, at: float, cell_v: tuple[float, ...], current_a: float) -> Block | None:
        """Add readings; the block that they end, if they do."""
        count = self._count
        if not count:
            ended = None
        elif (
            at - self._begin < self._length_s
            and -self._step_a < current_a - self._amps / count < self._step_a
        ):
            self._sums = list(map(add, self._sums, cell_v))
            self._amps += current_a
            self._count, self._last = count + 1, at
            return None
        else:
            ended = self._block()
        self._sums, self._amps, self._count = list(cell_v), current_a, 1
        self._begin = self._last = at
        return ended

    def drop(self) -> None:
        """Leave out what was gathered."""
        self._count = 0

    def _block(self) -> Block:
        count = float(self._count)
        return Block(
            (self._begin + self._last) / 2,
            [total / count for total in self._sums],
            self._amps / count,
            self._count,
        )
