"""Charge and energy in and out of a pack, from samples of its current and voltage.

Trapezoidal rule over each pair of samples, in and out apart: where the current changes its sign
between two, the line between them is cut at zero. Power is taken as the product of voltage and
current at each sample. A pair that lies further apart than `HOLE_S` is not bridged, nor is one
whose time goes back (the clock was set), nor one where a value is unknown.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

HOLE_S = 120.0
_Last = tuple[float, float | None, float | None]


@dataclass(frozen=True, slots=True)
class Throughput:
    """Charge and energy that went in and out, none of them negative, and the time counted."""

    in_ah: float = 0.0
    out_ah: float = 0.0
    in_wh: float = 0.0
    out_wh: float = 0.0
    counted_s: float = 0.0

    def __add__(self, other: Throughput) -> Throughput:
        return Throughput(
            self.in_ah + other.in_ah,
            self.out_ah + other.out_ah,
            self.in_wh + other.in_wh,
            self.out_wh + other.out_wh,
            self.counted_s + other.counted_s,
        )


class Counter:
    """Counts samples in the order in which they came. A pair counts where its later sample is."""

    def __init__(self, last: _Last | None = None) -> None:
        """`last`: at (s), voltage (V), current (A) of the sample before the first, if known."""
        self._last = last
        self._charge = [0.0, 0.0]
        self._energy = [0.0, 0.0]
        self._counted_s = 0.0

    def take(
        self,
        at: Sequence[float],
        voltage_v: Sequence[float | None],
        current_a: Sequence[float | None],
    ) -> None:
        """Some samples: seconds, V, A."""
        charge, energy = self._charge, self._energy
        last = self._last
        for now in zip(at, voltage_v, current_a, strict=True):
            if last is not None and 0 < now[0] - last[0] <= HOLE_S:
                before, amps = last[2], now[2]
                if before is not None and amps is not None:
                    time_s = now[0] - last[0]
                    self._counted_s += time_s
                    _add(charge, before, amps, time_s)
                    if last[1] is not None and now[1] is not None:
                        _add(energy, last[1] * before, now[1] * amps, time_s)
            last = now
        self._last = last

    def result(self) -> Throughput:
        """What was counted so far."""
        (in_as, out_as), (in_ws, out_ws) = self._charge, self._energy
        return Throughput(in_as / 3600, out_as / 3600, in_ws / 3600, out_ws / 3600, self._counted_s)


def _add(both: list[float], before: float, after: float, time_s: float) -> None:
    """Add the area above zero to the first, that below to the second."""
    if before >= 0 and after >= 0:
        both[0] += (before + after) / 2 * time_s
    elif before <= 0 and after <= 0:
        both[1] -= (before + after) / 2 * time_s
    else:
        span = abs(after - before)
        both[before < 0] += before * before / span / 2 * time_s
        both[after < 0] += after * after / span / 2 * time_s
