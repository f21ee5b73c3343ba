"""Whether a short series rises or falls: Theil-Sen slope with interval, Mann-Kendall test.

Both rest on ranks, so that a bad day does not bend them (the slope bears 29 % of outliers).

- Slope: the median of the slopes of all pairs of points. Its interval takes the slopes that lie
  as far from the middle of their order as Kendall's S may lie from 0 (Sen, J. American Statistical
  Association 63 (1968) 1379-1389). Conventions as in `scipy.stats.theilslopes`.
- Test: S = sum of sgn(later - earlier); Var S = (n(n-1)(2n+5) - sum over ties t(t-1)(2t+5)) / 18;
  Z = (S -+ 1) / sqrt(Var S) (Gilbert, Statistical Methods for Environmental Pollution Monitoring,
  1987, ch. 16).
- Days that follow each other are alike (a week of clouds), which makes chance look like a trend.
  `likeness` says by how much Var S grows then: 1 + 2 sum (1 - k/n) r^k, with r the correlation of
  neighbours after the slope was taken out (Yue and Wang, Water Resources Management 18 (2004)
  201-218).

Work is O(n^2) for n points: for some tens of points, at events.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import fmean, median

Z_95 = 1.959963984540054  # of the normal distribution, two-sided 95 %


@dataclass(frozen=True, slots=True)
class Slope:
    """A slope in units of the values over units of the times, with its 95 % interval."""

    slope: float
    low: float
    high: float
    intercept: float

    def at(self, time: float) -> float:
        """The value of the line."""
        return self.intercept + self.slope * time


@dataclass(frozen=True, slots=True)
class Evidence:
    """Mann-Kendall: S, its variance, Z with correction for continuity, two-sided p."""

    s: int
    variance: float
    z: float
    p: float


def theil_sen(
    times: Sequence[float], values: Sequence[float], likeness: float = 1.0
) -> Slope | None:
    """Slope of `values` over `times`; None where fewer than two times differ."""
    points = list(zip(times, values, strict=True))
    slopes = sorted(
        (w - v) / (u - t) if u > t else (v - w) / (t - u)
        for i, (t, v) in enumerate(points)
        for u, w in points[i + 1 :]
        if u != t
    )
    if not slopes:
        return None
    half = Z_95 * math.sqrt(likeness * _variance(len(points), times, values))
    count = len(slopes)
    # The differences of whole numbers are rounded half to even, as NumPy does.
    low = max(round((count - half) / 2) - 1, 0)
    high = min(round((count + half) / 2), count - 1)
    slope = median(slopes)
    return Slope(slope, slopes[low], slopes[high], median(values) - slope * median(times))


def mann_kendall(values: Sequence[float], likeness: float = 1.0) -> Evidence:
    """Test of `values`, in order of time, for a trend of one direction."""
    s = sum(
        (later > earlier) - (later < earlier)
        for i, earlier in enumerate(values)
        for later in values[i + 1 :]
    )
    variance = likeness * _variance(len(values), (), values)
    if s == 0 or variance <= 0:
        return Evidence(s, variance, 0.0, 1.0)
    z = (s - math.copysign(1, s)) / math.sqrt(variance)
    return Evidence(s, variance, z, math.erfc(abs(z) / math.sqrt(2)))


def likeness(times: Sequence[float], values: Sequence[float]) -> float:
    """By how much the likeness of neighbours widens the variance of S; never less than 1."""
    line = theil_sen(times, values)
    n = len(values)
    if line is None or n < 3:
        return 1.0
    left = [v - line.at(t) for t, v in zip(times, values, strict=True)]
    mean = fmean(left)
    left = [v - mean for v in left]
    power = sum(v * v for v in left)
    if power <= 0:
        return 1.0
    r = sum(a * b for a, b in pairwise(left)) / power
    if r <= 0:
        return 1.0
    return 1 + 2 * sum(((1 - k / n) * r**k for k in range(1, n)), 0.0)


def _variance(n: int, *series: Sequence[float]) -> float:
    """Variance of S of n points, less what ties in each series take."""
    ties = (t for values in series for t in Counter(values).values() if t > 1)
    return (n * (n - 1) * (2 * n + 5) - sum(t * (t - 1) * (2 * t + 5) for t in ties)) / 18
