"""The ways of a pack's cells up to full and down to empty, and how far each is ahead at the end.

A way begins when charge has turned, and ends when it turns back; what the cells' crossings of the
levels near the end tell (`crossings`) is kept for each cell and renewed by the next way.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from math import sqrt
from typing import TYPE_CHECKING, Any, NamedTuple

from watchd.estimators.cells.crossings import Crossings

if TYPE_CHECKING:
    from watchd.config import Profile

LEAST_SIGMA_AH = 0.05
# How much charge a balancer and the cells' own leaks may move in a day, where nothing is known.
DAILY_AH = 0.3
DAY_S = 86400.0
# Open-circuit voltages over the upper knee: closer together where the curve is flat.
_OVER_KNEE_V = (*(-0.10 + 0.005 * i for i in range(12)), *(-0.04 + 0.01 * i for i in range(19)))
# Part of a cell's capacity that is still to come, by V over the upper knee (Afshar et al. 2017 and
# graphite of Chen et al. 2020 together).
_TO_FULL = ((-0.10, 0.20), (-0.085, 0.10), (-0.06, 0.02), (-0.02, 0.01), (0.10, 0.0))
_STEP_V, _LOWEST_V = 0.01, 2.65
_FLAT_FROM_PART = 0.25  # what is left where the flat part begins; of the same curve


@dataclass(frozen=True, slots=True)
class Level:
    """An open-circuit voltage on the way, and the part of capacity to come after it."""

    volts: float
    to_come: float


def upper_levels(profile: Profile) -> tuple[Level, ...]:
    """From the end of the flat part through the upper knee, rising."""
    knee = profile.upper_knee_v
    return tuple(Level(round(knee + v, 4), _on_line(v, _TO_FULL)) for v in _OVER_KNEE_V)


def lower_levels(profile: Profile) -> tuple[Level, ...]:
    """From the beginning of the flat part down through the low knee."""
    points = [(v, pct / 100.0) for v, pct in profile.low_end]
    if profile.flat_from_v > points[-1][0]:
        points.append((profile.flat_from_v, max(_FLAT_FROM_PART, points[-1][1])))
    highest_v = points[-1][0]
    count = max(int((highest_v - _LOWEST_V) / _STEP_V), 2)
    volts = (round(highest_v - _STEP_V * i, 4) for i in range(count))
    return tuple(Level(v, _on_line(v, points)) for v in volts)


@dataclass(frozen=True, slots=True)
class End:
    """How far a cell is ahead of the median cell at one end, as of `at`."""

    ahead_ah: float
    sigma_ah: float
    at: float

    def less(self, low: End) -> End:
        """Ahead at the top less left at the bottom: how much smaller the cell is."""
        apart = DAILY_AH**2 * abs(self.at - low.at) / DAY_S
        sigma = sqrt(self.sigma_ah**2 + low.sigma_ah**2 + apart)
        return End(self.ahead_ah - low.ahead_ah, sigma, max(self.at, low.at))

    def turned(self) -> End:
        """Ahead on the way down is less charge."""
        return End(-self.ahead_ah, self.sigma_ah, self.at)

    def renewed(self, new: End) -> End:
        """With a later finding: the weight of this one falls as charge moves between the cells."""
        old = self.sigma_ah**2 + DAILY_AH**2 * (new.at - self.at) / DAY_S
        weight = old / (old + new.sigma_ah**2)
        ahead_ah = self.ahead_ah + weight * (new.ahead_ah - self.ahead_ah)
        return End(ahead_ah, new.sigma_ah * sqrt(weight), new.at)


class Reading(NamedTuple):
    """Mean of a block: cells less what resistance does, charge that has moved in or out."""

    at: float
    volts: list[float]
    moved_ah: float
    current_a: float


class Way:
    """The cells' ways to one end, one after the other; `sign` -1 is the way down."""

    def __init__(
        self,
        sign: float,
        levels: tuple[Level, ...],
        nameplate_ah: float,
        cells: int,
        saved: dict[str, Any] | None,
    ) -> None:
        known = saved or {}
        self._sign = sign
        volts, to_come_ah = _signed(sign, levels, nameplate_ah)
        self._crossings = Crossings(volts, to_come_ah, cells, known.get("crossings"))
        self.going: bool = known.get("going", False)
        # Where the way may have turned: the lowest charge while at rest, the highest while going.
        self._extreme_ah: float | None = known.get("extreme_ah")
        self.ends: list[End | None] = [
            End(*e) if e else None for e in known.get("ends", [None] * cells)
        ]

    def snapshot(self) -> dict[str, Any]:
        """Plain data from which it goes on."""
        return {
            "crossings": self._crossings.snapshot(),
            "going": self.going,
            "extreme_ah": self._extreme_ah,
            "ends": [[e.ahead_ah, e.sigma_ah, e.at] if e else None for e in self.ends],
        }

    def stop(self) -> None:
        """Charge flowed that nobody counted."""
        self._crossings.clear()
        self.going, self._extreme_ah = False, None

    def has_ended(self, moved_ah: float, turn_ah: float, begin_ah: float) -> bool:
        """Follow the charge that has moved; whether the way has ended."""
        ahead, extreme = self._sign * moved_ah, self._extreme_ah
        if extreme is None:
            self._extreme_ah = ahead
        elif not self.going:
            if ahead < extreme:
                self._extreme_ah = ahead
            elif ahead > extreme + begin_ah:
                self.going, self._extreme_ah = True, ahead
        elif ahead > extreme:
            self._extreme_ah = ahead
        elif ahead < extreme - turn_ah:
            self.going, self._extreme_ah = False, ahead
            return True
        return False

    def cross(self, reading: Reading) -> None:
        """Take a reading near the end, while the way is `going`."""
        sign = self._sign
        signed = reading.volts if sign > 0 else [-v for v in reading.volts]
        self._crossings.take(reading.at, signed, sign * reading.moved_ah, sign * reading.current_a)

    def end(self, at: float, cell_mohm: float, sizes: list[tuple[float, float]]) -> None:
        """What the way that ended tells of each cell."""
        for k, lag in enumerate(self._crossings.lags(cell_mohm, sizes)):
            if lag is not None:
                sigma, old = max(lag.sigma_ah, LEAST_SIGMA_AH), self.ends[k]
                new = End(lag.ahead_ah, sigma, at)
                self.ends[k] = old.renewed(new) if old else new
        self._crossings.clear()


@lru_cache
def _signed(
    sign: float, levels: tuple[Level, ...], nameplate_ah: float
) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Voltages that rise on the way, and the charge to come; packs that are alike share them."""
    return (
        tuple(sign * level.volts for level in levels),
        tuple(nameplate_ah * level.to_come for level in levels),
    )


def _on_line(x: float, points: Sequence[tuple[float, float]]) -> float:
    """Straight lines between points; level beyond them."""
    for (x0, y0), (x1, y1) in pairwise(points):
        if x < x1:
            return y0 + (y1 - y0) * max(x - x0, 0.0) / (x1 - x0)
    return points[-1][1]
