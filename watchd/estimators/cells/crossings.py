"""Charge between cells' crossings of the same voltages, on the way up or down.

Two cells of one pack see the same current. The one that is ahead by L Ah reaches every level of
open-circuit voltage L Ah before the other, so L is the charge that flows between their crossings
(the curve of one cell shifted onto that of the other; 20 A, 9 min later: 3 Ah). What the terminals
show is more than the open-circuit voltage, and where the current differs between two crossings it
shifts them apart. So for each cell the lags at all levels are fitted by

    lag_j = L + dr (I_kj - I_j) / slope_j + tau (S_kj - S_j) + dv / slope_j + dq Q_j

with I the current, S its mean over minutes and slope_j = dV/dq of the median cell at level j: dr
is what the known resistance leaves, tau the time by which the surface of the particles is ahead of
their bulk, dv the offset of the cell's sensor, dq the part by which the cell is larger, which shows
with the charge Q_j that is still to come before the end. Each has a prior; steep levels near the
end and like currents tell most of L.
"""

from __future__ import annotations

from array import array
from dataclasses import dataclass
from itertools import chain
from math import inf
from operator import ge
from typing import Any

from watchd.estimators.cells.least_squares import LeastSquares

SURFACE_S = 300.0  # over which the surface of the particles follows the current
# What is known beforehand; common practice, no source. The resistance is a part of that known.
SURFACE_LEAD_S, SURFACE_LEAD_SIGMA_S = 150.0, 100.0
RESISTANCE_PART = 0.4
OFFSET_MV, LEVEL_MV = 0.7, 0.7
# What the model of surface and resistance does not hold, as time of the currents' difference.
UNLIKE_S = 60.0
ALIKE = 2.0  # neighbouring levels err alike: so many tell no more than one
# A current that rises lifts all cells over a level or two at once, whatever their charge.
FEWEST_LEVELS = 4
LEAST_STEP_AH = 0.01
_UNBOUNDED_AH = 1000.0

Crossing = tuple[float, float, float]  # Ah moved, A, A over minutes


@dataclass(frozen=True, slots=True)
class Lag:
    """By how much a cell is ahead of the median cell on this way, in Ah."""

    ahead_ah: float
    sigma_ah: float


class Crossings:
    """One way of all cells through `levels_v`, which rise; for the way down all signs are turned.

    `to_come_ah` is about how much charge still flows from each level to the end of the way.
    """

    def __init__(
        self,
        levels_v: tuple[float, ...],
        to_come_ah: tuple[float, ...],
        cells: int,
        saved: dict[str, Any] | None = None,
    ) -> None:
        self._levels, self._to_come_ah, self._cells = levels_v, to_come_ah, cells
        known = saved or {}
        rows = known.get("found", ())
        if any(len(row) != len(levels_v) for row in rows):
            known, rows = {}, ()  # of another profile
        # The level that each cell crosses next, from the lowest; and that level's voltage.
        self._next: list[int] = list(known.get("next", ()))
        self._due = self._due_v()
        self._last: list[float] = list(known.get("last", ()))
        self._when: Crossing | None = tuple(known["when"]) if known.get("when") else None
        self._at: float = known.get("at", 0.0)
        # Of each cell, its crossings of the levels before the next, one after the other. Bare
        # numbers, for tuples of them would be most of what a pack keeps.
        self._found = [array("d", chain.from_iterable(filter(None, row))) for row in rows]

    def snapshot(self) -> dict[str, Any]:
        """Plain data from which it goes on."""
        return {
            "next": list(self._next),
            "last": list(self._last),
            "when": list(self._when) if self._when else None,
            "at": self._at,
            "found": [[list(c) if c else None for c in row] for row in self._rows()],
        }

    def clear(self) -> None:
        """A new way begins."""
        self._next, self._last, self._when = [], [], None
        self._found = []

    def take(self, at: float, volts: list[float], moved_ah: float, current_a: float) -> None:
        """Voltages less what resistance does, and the charge that has flowed."""
        before = self._when
        if before is None:
            self._begin(volts)
            self._when, self._at = (moved_ah, current_a, current_a), at
            return
        step_s = max(at - self._at, 0.0)
        surface_a = before[2] + (current_a - before[2]) * step_s / (step_s + SURFACE_S)
        now = (moved_ah, current_a, surface_a)
        if current_a > 0.0 and any(map(ge, volts, self._due)):
            self._cross(volts, before, now)
        self._last, self._when, self._at = volts, now, at

    def _cross(self, volts: list[float], before: Crossing, now: Crossing) -> None:
        levels, upto = self._levels, len(self._levels)
        for k, (high, low) in enumerate(zip(volts, self._last, strict=True)):
            level = self._next[k]
            while level < upto and high >= levels[level]:
                part = (levels[level] - low) / (high - low) if high > low else 1.0
                self._found[k].extend(_between(before, now, min(max(part, 0.0), 1.0)))
                level += 1
            self._next[k] = level
        self._due = self._due_v()

    def _due_v(self) -> list[float]:
        """The level that each cell crosses next."""
        levels = (*self._levels, inf)
        return [levels[level] for level in self._next]

    def _begin(self, volts: list[float]) -> None:
        # A level that a cell is already at was not seen to be crossed.
        self._last = list(volts)
        self._next = [sum(level <= v + 0.003 for level in self._levels) for v in volts]
        self._due = self._due_v()
        self._found = [array("d") for _ in volts]

    def _rows(self) -> list[list[Crossing | None]]:
        """The crossings of each cell, level by level, None where there was none."""
        rows: list[list[Crossing | None]] = [[None] * len(self._levels) for _ in range(self._cells)]
        for row, found, upto in zip(rows, self._found, self._next, strict=False):
            crossed: list[Crossing] = list(zip(found[::3], found[1::3], found[2::3], strict=True))
            row[upto - len(crossed) : upto] = crossed
        return rows

    def lags(self, cell_mohm: float, sizes: list[tuple[float, float]]) -> list[Lag | None]:
        """Of each cell, None where it shares too few levels with the median cell.

        `sizes`: by which part each is larger than the median cell, as known before, and its sigma.
        """
        rows = self._rows()
        middles = [self._middle(rows, j) for j in range(len(self._levels))]
        slopes = self._slopes_mv_per_ah(middles)
        return [
            self._lag(row, middles, slopes, cell_mohm, size)
            for row, size in zip(rows, sizes, strict=True)
        ]

    def _middle(self, rows: list[list[Crossing | None]], level: int) -> Crossing | None:
        """The crossing of the median cell; cells that have not crossed come after all others."""
        found = sorted(c for row in rows if (c := row[level]) is not None)
        count = len(rows)
        # A cell that was above the level when the way began has an unknown crossing.
        skipped = any(
            row[level] is None and level < upto for row, upto in zip(rows, self._next, strict=False)
        )
        if skipped or len(found) <= count // 2:
            return None
        if count % 2:
            return found[count // 2]
        a, b = found[count // 2 - 1], found[count // 2]
        return ((a[0] + b[0]) / 2, (a[1] + b[1]) / 2, (a[2] + b[2]) / 2)

    def _slopes_mv_per_ah(self, middles: list[Crossing | None]) -> list[float | None]:
        slopes: list[float | None] = []
        for j, here in enumerate(middles):
            below = middles[j - 1] if j else None
            above = middles[j + 1] if j + 1 < len(middles) else None
            low, i = (below, j - 1) if below else (here, j)
            high, m = (above, j + 1) if above else (here, j)
            if here is None or low is None or high is None or m == i:
                slopes.append(None)
                continue
            step_mv = (self._levels[m] - self._levels[i]) * 1000.0
            flowed_ah = max(high[0] - low[0], LEAST_STEP_AH)
            slopes.append(step_mv / flowed_ah)
        return slopes

    def _lag(
        self,
        row: list[Crossing | None],
        middles: list[Crossing | None],
        slopes: list[float | None],
        cell_mohm: float,
        size: tuple[float, float],
    ) -> Lag | None:
        fit = LeastSquares(
            (0.0, 0.0, SURFACE_LEAD_S / 3600.0, 0.0, size[0]),
            (
                _UNBOUNDED_AH,
                RESISTANCE_PART * cell_mohm,
                SURFACE_LEAD_SIGMA_S / 3600.0,
                OFFSET_MV,
                size[1],
            ),
        )
        shared = 0
        for own, middle, slope, to_come_ah in zip(
            row, middles, slopes, self._to_come_ah, strict=True
        ):
            if own is None or middle is None or slope is None:
                continue
            shared += 1
            # Less current at the later crossing: it comes later than the charge alone says.
            now_a, lately_a = own[1] - middle[1], own[2] - middle[2]
            variance = (LEVEL_MV / slope) ** 2 + LEAST_STEP_AH**2
            variance += (UNLIKE_S / 3600.0) ** 2 * (now_a * now_a + lately_a * lately_a)
            equation = (1.0, now_a / slope, lately_a, 1.0 / slope, to_come_ah)
            fit.add(equation, middle[0] - own[0], ALIKE * variance)
        return Lag(fit.values[0], fit.sigma(0)) if shared >= FEWEST_LEVELS else None


def _between(before: Crossing, now: Crossing, part: float) -> Crossing:
    return (
        before[0] + (now[0] - before[0]) * part,
        before[1] + (now[1] - before[1]) * part,
        before[2] + (now[2] - before[2]) * part,
    )
