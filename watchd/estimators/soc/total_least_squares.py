"""A line through the origin, y = Q x, from pairs that both err: total least squares, recursive.

Approximate weighted total least squares: each pair is projected on the line at a right angle, in
axes scaled by K = sigma_x / sigma_y of the first pair, and the squared distances in x and in y are
weighted by that pair's own sigmas. Six sums carry all that was seen; a memory that fades multiplies
them by `fading` before each pair. With y~ = K y, Q~ = K Q and

    c1 c2 c3 = sums of x^2, x y~, y~^2 over sigma_y~^2,   c4 c5 c6 = the same over sigma_x^2
    J(Q~) = (c4 Q~^4 - 2 c5 Q~^3 + (c1 + c6) Q~^2 - 2 c2 Q~ + c3) / (Q~^2 + 1)^2

the slope is where J is least, its variance 2 / J''. Where all sigmas keep one ratio it is exact.
Source: Plett, J. Power Sources 196 (2011) 2319-2331. A pair costs six sums; the slope costs the
roots of a polynomial of fourth degree, some hundred microseconds: ask for it at events only.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from math import copysign, sqrt
from typing import Any

HALVINGS = 200  # more than a float has bits: a bisection ends before


class TotalLeastSquares:
    """The slope of y over x and its standard error; None until there is a pair to tell it."""

    def __init__(self, fading: float = 1.0, saved: dict[str, Any] | None = None) -> None:
        known = saved or {}
        self._fading = fading
        self._scale: float | None = known.get("scale")
        self._sums: tuple[float, ...] = tuple(known.get("sums", (0.0,) * 6))

    def snapshot(self) -> dict[str, Any]:
        """Plain data from which it goes on."""
        return {"scale": self._scale, "sums": list(self._sums)}

    def add(self, x: float, y: float, sigma_x: float, sigma_y: float) -> None:
        """Take a pair and its standard errors, both above zero."""
        if self._scale is None:
            self._scale = sigma_x / sigma_y
        y, sigma_y = y * self._scale, sigma_y * self._scale
        products = (x * x, x * y, y * y)
        new = (
            *(product / sigma_y**2 for product in products),
            *(product / sigma_x**2 for product in products),
        )
        self._sums = tuple(self._fading * c + d for c, d in zip(self._sums, new, strict=True))

    def slope(self) -> tuple[float, float] | None:
        """Q and its sigma."""
        if self._scale is None:
            return None
        c1, c2, c3, c4, c5, c6 = self._sums
        # J' = 2 p / (Q~^2 + 1)^3, so that J'' = 2 p' / (Q~^2 + 1)^3 where p is zero.
        p = (-c2, c1 - 2 * c3 + c6, 3 * (c2 - c5), 2 * c4 - c1 - c6, c5)

        def misfit(q: float) -> float:
            top = (((c4 * q - 2 * c5) * q + c1 + c6) * q - 2 * c2) * q + c3
            return top / (q * q + 1) ** 2

        candidates = [q for q in real_roots(p) if q > 0]
        if not candidates:
            return None
        best = min(candidates, key=misfit)
        curvature = 2 * value(derivative(p), best) / (best * best + 1) ** 3
        if curvature <= 0:
            return None
        return best / self._scale, sqrt(2 / curvature) / self._scale


def value(p: Sequence[float], q: float) -> float:
    """The polynomial with these coefficients, the constant first."""
    total = 0.0
    for c in reversed(p):
        total = total * q + c
    return total


def derivative(p: Sequence[float]) -> tuple[float, ...]:
    """Coefficients of the derivative."""
    return tuple(n * c for n, c in enumerate(p))[1:]


def real_roots(p: Sequence[float]) -> list[float]:
    """Every real root that p crosses zero at, rising.

    Between two extremes a polynomial is monotone: there bisection cannot miss. The extremes are
    the roots of the derivative, found the same way; all lie within Cauchy's bound.
    """
    while p and p[-1] == 0:
        p = p[:-1]
    if len(p) < 2:
        return []
    bound = 1 + max(abs(c / p[-1]) for c in p[:-1])
    edges = [-bound, *real_roots(derivative(p)), bound]
    roots = []
    for low, high in pairwise(edges):
        if (root := _crossing(p, low, high)) is not None and root not in roots:
            roots.append(root)
    return roots


def _crossing(p: Sequence[float], low: float, high: float) -> float | None:
    side = copysign(1.0, value(p, low))
    if value(p, low) == 0:
        return low
    if side * value(p, high) > 0:
        return None
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        if middle in (low, high):
            break
        if side * value(p, middle) > 0:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)
