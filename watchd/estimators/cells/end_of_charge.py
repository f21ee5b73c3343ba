"""How the open-circuit voltage runs at both ends of the charge, and what current that allows.

At the top of an LFP cell it stands above the flat part by x = x0 exp(z / e), with z the charge and
`e` the charge in which x grows by a factor e (`upper_end` of the profile): in the curve of Afshar,
Morris, Khajepour 2017 (arXiv:1709.03970) the term 0.5 exp(-150 y) of the positive electrode. At the
bottom it runs as the table `low_end` of the profile does.

The current that brings a cell from its open-circuit voltage U to a limit in a horizon T is that of
Plett (IEEE Trans. Veh. Technol. 53(5), 2004, 1586-1593), I = (limit - U) / (R + T/(3600 Q) dU/dz).
His formula takes the slope as it is now. Here the slope grows on the way, so what is solved is

    U(z + I T / (3600 Q)) + R I = limit

by Newton's method from his I, which is never below the answer where the slope grows, or from what
the growth alone allows, which is not either; the lower of them, for an exponential comes down by
one fold a step.

Voltages in V, resistances in Ohm, charge in Ah, currents in A: magnitudes in the direction asked.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, inf, log

_ROUNDS, _NEAR_A = 20, 0.001
_FAR = 50.0  # e-folds
_SURE_OHM = 1e-9  # far above the rounding of sums, far below any resistance
# Above the flat part by less than this, a voltage says nothing of where on the end a cell is.
_LEAST_RISE_V = 0.0005


def linear_limit_a(
    limit_v: float, open_v: float, ohm: float, slope_v: float, horizon_h: float, capacity_ah: float
) -> float:
    """Plett 2004: A that raise a cell to `limit_v` in the horizon. Slope in V a unit of charge."""
    return (limit_v - open_v) / (ohm + horizon_h / capacity_ah * slope_v)


@dataclass(frozen=True, slots=True)
class UpperEnd:
    """The top of the curve: `flat_v`, and the part of capacity in which the rise grows e-fold."""

    flat_v: float
    efold: float

    def slope_v(self, open_v: float) -> float:
        """V for each unit of charge at an open-circuit voltage."""
        return max(open_v - self.flat_v, _LEAST_RISE_V) / self.efold

    def most_a(
        self,
        limit_v: float,
        open_v: float,
        ohm: float,
        horizon_h: float,
        capacity_ah: float,
        at_most_a: float = inf,
    ) -> float:
        """The current that brings a cell to `limit_v` within the horizon; 0 where it is there."""
        if open_v >= limit_v:
            return 0.0
        rise_v = max(open_v - self.flat_v, _LEAST_RISE_V)
        base_v = open_v - rise_v
        per_a = horizon_h / (capacity_ah * self.efold)
        linear_a = (limit_v - open_v) / (ohm + per_a * rise_v)
        # On the flat part, where cells mostly are, the most that is asked for does no harm.
        if (
            linear_a >= at_most_a
            and per_a * at_most_a < _FAR
            and base_v + rise_v * exp(per_a * at_most_a) + ohm * at_most_a <= limit_v
        ):
            return at_most_a
        amps = min(linear_a, log((limit_v - base_v) / rise_v) / per_a)
        for _ in range(_ROUNDS):
            grown_v = rise_v * exp(per_a * amps)
            step_a = (base_v + grown_v + ohm * amps - limit_v) / (ohm + per_a * grown_v)
            amps -= step_a
            if abs(step_a) < _NEAR_A:
                break
        return min(max(amps, 0.0), at_most_a)

    def ample_ohm(
        self, limit_v: float, to_v: float, horizon_h: float, capacity_ah: float, amps: float
    ) -> float:
        """Up to this resistance every cell up to `to_v` bears so many A; below 0 if none does."""
        if not 0.0 < amps * horizon_h / (capacity_ah * self.efold) < _FAR:
            return -inf
        rise_v = max(to_v - self.flat_v, _LEAST_RISE_V)
        grown_v = to_v - rise_v + rise_v * exp(amps * horizon_h / (capacity_ah * self.efold))
        return (limit_v - grown_v) / amps - _SURE_OHM


class LowerEnd:
    """The bottom of the curve, from pairs of open-circuit voltage and SoC in %; both rise."""

    __slots__ = ("_points", "_rising")

    def __init__(self, points: Sequence[Sequence[float]]) -> None:
        self._points = [(volts, soc_pct / 100.0) for volts, soc_pct in points]
        self._rising = [v for v, _ in self._points], [charge for _, charge in self._points]

    def charge(self, open_v: float) -> float:
        """State of charge from 0 to 1, beyond the table's ends as its last pieces run."""
        (low_v, low), (high_v, high) = self._piece(0, open_v)
        return low + (open_v - low_v) * (high - low) / (high_v - low_v)

    def open_v(self, charge: float) -> float:
        """The inverse of `charge`."""
        (low_v, low), (high_v, high) = self._piece(1, charge)
        return low_v + (charge - low) * (high_v - low_v) / (high - low)

    def most_a(
        self,
        limit_v: float,
        open_v: float,
        ohm: float,
        horizon_h: float,
        capacity_ah: float,
        at_most_a: float = inf,
    ) -> float:
        """The discharge current that brings a cell down to `limit_v` within the horizon."""
        if open_v <= limit_v:
            return 0.0
        charge, per_a = self.charge(open_v), horizon_h / capacity_ah
        # Below what resistance alone allows; the voltage only falls with current, so halve.
        low_a, high_a = 0.0, min((open_v - limit_v) / max(ohm, 1e-6), at_most_a)
        if self.open_v(charge - per_a * high_a) - ohm * high_a >= limit_v:
            return high_a
        for _ in range(2 * _ROUNDS):
            amps = (low_a + high_a) / 2.0
            if self.open_v(charge - per_a * amps) - ohm * amps > limit_v:
                low_a = amps
            else:
                high_a = amps
            if high_a - low_a < _NEAR_A:
                break
        return low_a

    def ample_ohm(
        self, limit_v: float, from_v: float, horizon_h: float, capacity_ah: float, amps: float
    ) -> float:
        """Up to this resistance every cell from `from_v` on gives so many A; below 0 if none."""
        if amps <= 0.0:
            return -inf
        left = self.charge(from_v) - horizon_h / capacity_ah * amps
        return (min(self.open_v(left), from_v) - limit_v) / amps - _SURE_OHM

    def _piece(self, axis: int, value: float) -> tuple[tuple[float, float], tuple[float, float]]:
        points = self._points
        # The first whose upper end is not below; of the beginning of the table and beyond its end,
        # the nearest.
        upper = bisect_left(self._rising[axis], value, 1, len(points) - 1)
        return points[upper - 1], points[upper]
