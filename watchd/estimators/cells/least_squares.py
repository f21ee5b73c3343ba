"""Least squares with what is known beforehand, an equation at a time.

Unknowns b with prior means and variances, equations y = row . b + noise: the estimate after each
equation is that of all so far (recursive least squares: Plackett 1950, Biometrika 37, 149-157, from
memory). For a handful of unknowns.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import sqrt


class LeastSquares:
    """A few unknowns, from equations given one by one."""

    def __init__(self, means: Sequence[float], sigmas: Sequence[float]) -> None:
        self.values = list(means)
        size = range(len(sigmas))
        self._p = [[sigmas[i] ** 2 if i == j else 0.0 for j in size] for i in size]
        self._misfit = self._equations = 0.0

    def add(self, row: Sequence[float], y: float, variance: float) -> None:
        """One equation."""
        common = [sum(map(_times, line, row)) for line in self._p]
        expected = sum(map(_times, row, common)) + variance
        rest = y - sum(map(_times, row, self.values))
        for i, part in enumerate(common):
            gain = part / expected
            self.values[i] += gain * rest
            line = self._p[i]
            for j, other in enumerate(common):
                line[j] -= gain * other
        self._misfit += rest * rest / expected
        self._equations += 1

    def sigma(self, index: int) -> float:
        """Standard error of an unknown, wider where the equations fit worse than they claim."""
        misfit = self._misfit / self._equations if self._equations else 1.0
        return sqrt(max(self._p[index][index], 0.0) * max(misfit, 1.0))


def _times(a: float, b: float) -> float:
    return a * b
