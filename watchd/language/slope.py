"""The least-squares slope of weighted points, taken one at a time.

Moments are about the mean so far (Welford 1962, from memory): as exact as a second pass over all
points would be, also far from zero.
"""

from __future__ import annotations

from typing import NamedTuple


class Points(NamedTuple):
    """What is kept of points: their weight, their means, and sums of squares and products."""

    weight: float
    time_s: float
    value: float
    times: float  # of (time - mean) squared
    products: float  # of (time - mean) * (value - mean)


NO_POINTS = Points(0.0, 0.0, 0.0, 0.0, 0.0)


def with_point(points: Points, weight: float, time_s: float, value: float) -> Points:
    """The points and another one."""
    whole = points.weight + weight
    dt, dx = time_s - points.time_s, value - points.value
    share = weight / whole
    return Points(
        whole,
        points.time_s + dt * share,
        points.value + dx * share,
        points.times + dt * dt * points.weight * share,
        points.products + dt * dx * points.weight * share,
    )


def slope_per_s(points: Points) -> float | None:
    """The slope per second; None where there are no two points in time."""
    return points.products / points.times if points.times > 0 else None
