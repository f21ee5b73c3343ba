"""A slope from pairs that both err: against worked vectors, NumPy, SciPy and Plett's scenario."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from itertools import repeat
from typing import Any

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from scipy.optimize import minimize_scalar

from watchd.estimators.soc.total_least_squares import TotalLeastSquares, real_roots

X = (0.40, 0.50, 0.30, 0.60, 0.45)
Y = (112.0, 140.5, 83.2, 168.9, 125.4)


def fitted(
    x: Iterable[float],
    y: Iterable[float],
    sigma_x: Iterable[float],
    sigma_y: Iterable[float],
    fading: float = 1.0,
) -> TotalLeastSquares:
    line = TotalLeastSquares(fading)
    for pair in zip(x, y, sigma_x, sigma_y, strict=False):
        line.add(*pair)
    return line


def slope(
    x: Iterable[float], y: Iterable[float], sigma_x: Iterable[float], sigma_y: Iterable[float]
) -> float:
    found = fitted(x, y, sigma_x, sigma_y).slope()
    assert found is not None
    return found[0]


def orthogonal(x: Sequence[float], y: Sequence[float], scale: float) -> float:
    """Orthogonal regression: the direction of least spread, of all that NumPy's SVD finds."""
    directions = np.linalg.svd(np.column_stack([x, np.asarray(y) * scale]))[2]
    across = directions[-1]
    return float(-across[0] / across[1] / scale)


def misfit(q: float, x: Any, y: Any, sigma_x: Any, sigma_y: Any) -> float:
    """The exact weighted total least squares; the approximation is exact at a constant ratio."""
    return float(np.sum((y - q * x) ** 2 / (q**2 * sigma_x**2 + sigma_y**2)))


LONG_X = (-0.334, 0.395, -0.621, 0.533, -0.338, 0.473, -0.492, 0.364, -0.594, 0.345, -0.456, 0.507)
LONG_Y = (
    -60.26,
    70.06,
    -112.67,
    95.15,
    -60.06,
    84.57,
    -87.12,
    65.06,
    -106.53,
    63.75,
    -81.15,
    90.35,
)
# Worked by hand and by SVD; the third is the approximation's own, 0.03 % from the exact 280.8769.
VECTORS = [
    (X, Y, repeat(0.02, 5), repeat(1.0, 5), 280.26999, 1e-5),
    ((0.42, 0.47, 0.33, 0.58, 0.43), Y, repeat(0.02, 5), repeat(1.0, 5), 285.38778, 1e-5),
    (X, Y, (0.02, 0.01, 0.03, 0.01, 0.02), (1.0, 1.0, 0.5, 2.0, 1.0), 280.96139, 1e-5),
    (LONG_X, LONG_Y, repeat(0.012, 12), repeat(1.2, 12), 179.1675, 1e-4),
]


@pytest.mark.parametrize(("x", "y", "sigma_x", "sigma_y", "expected", "within"), VECTORS)
def test_worked_vectors(
    x: Sequence[float],
    y: Sequence[float],
    sigma_x: Iterable[float],
    sigma_y: Iterable[float],
    expected: float,
    within: float,
) -> None:
    assert slope(x, y, list(sigma_x), list(sigma_y)) == pytest.approx(expected, abs=within)


def test_the_same_as_an_orthogonal_regression() -> None:
    # Source: numpy.linalg.svd.
    assert slope(X, Y, repeat(0.02), repeat(1.0)) == pytest.approx(
        orthogonal(X, Y, 0.02), rel=1e-12
    )


changes = st.floats(0.05, 0.95).map(lambda v: round(v, 4))
pairs = st.tuples(changes, st.floats(-0.05, 0.05), st.sampled_from([-1.0, 1.0]))


@settings(max_examples=300, deadline=None)
@given(
    st.lists(pairs, min_size=2, max_size=12),
    st.floats(50, 500),
    st.floats(0.001, 0.05),
    st.floats(0.05, 5.0),
    st.lists(st.floats(0.2, 5.0), min_size=12, max_size=12),
)
def test_proportional_sigmas_give_total_least_squares(
    found: list[tuple[float, float, float]],
    capacity: float,
    sigma_x: float,
    sigma_y: float,
    weights: list[float],
) -> None:
    x = np.array([sign * change for change, _, sign in found])
    y = np.array([sign * capacity * (change + off) for change, off, sign in found])
    scale = sigma_x / sigma_y
    assert slope(x, y, repeat(sigma_x), repeat(sigma_y)) == pytest.approx(
        orthogonal(x.tolist(), y.tolist(), scale), rel=1e-7
    )
    # Weighted pairs of one ratio: the same line as through pairs that are scaled by their weight.
    w = np.array(weights[: len(x)])
    assert slope(x, y, sigma_x / w, sigma_y / w) == pytest.approx(
        orthogonal((x * w).tolist(), (y * w).tolist(), scale), rel=1e-7
    )


def projected_misfit(q: Any, found: list[tuple[float, float, float, float]]) -> Any:
    """The approximation by its definition: each pair's distance, at a right angle, scaled."""
    scale = found[0][2] / found[0][3]
    total = 0.0
    for x, y, sigma_x, sigma_y in found:
        off = (y * scale - q * x) / (1 + q * q)
        total = total + (q * off / sigma_x) ** 2 + (off / (sigma_y * scale)) ** 2
    return total


THREE_EXTREMES = [
    (0.059, 0.518, 0.471, 1.73),
    (0.74, 3.937, 0.672, 1.508),
    (0.575, 2.026, 0.451, 0.664),
    (0.955, 8.852, 0.136, 1.357),
]
any_sigma = st.floats(0.02, 2.0)
any_pair = st.tuples(st.floats(0.05, 1), st.floats(0.1, 10), any_sigma, any_sigma).map(
    lambda seen: (seen[0], seen[0] * seen[1], seen[2], seen[3])
)


@settings(max_examples=300, deadline=None)
@given(st.lists(any_pair, min_size=1, max_size=6))
@example(THREE_EXTREMES)
def test_of_several_extremes_the_least_is_taken(
    found: list[tuple[float, float, float, float]],
) -> None:
    line = TotalLeastSquares()
    for pair in found:
        line.add(*pair)
    told = line.slope()
    assert told is not None
    best = told[0] * found[0][2] / found[0][3]
    everywhere = projected_misfit(np.geomspace(1e-4, 1e5, 4000), found)
    assert projected_misfit(best, found) <= np.min(everywhere) * (1 + 1e-9) + 1e-12


def test_slope_and_sigma_are_those_of_the_exact_misfit_at_a_constant_ratio() -> None:
    # Source: scipy.optimize.minimize_scalar, and its curvature by differences.
    sigma_x = np.array([0.02, 0.01, 0.03, 0.01, 0.02])
    sigma_y = sigma_x * 50.0
    data = (np.array(X), np.array(Y), sigma_x, sigma_y)
    best = minimize_scalar(
        misfit, args=data, bounds=(200.0, 400.0), method="bounded", options={"xatol": 1e-9}
    ).x
    step = 0.05
    rise = misfit(best + step, *data) + misfit(best - step, *data) - 2 * misfit(best, *data)
    found = fitted(X, Y, sigma_x.tolist(), sigma_y.tolist()).slope()
    assert found is not None
    assert found[0] == pytest.approx(best, rel=1e-6)
    assert found[1] == pytest.approx(np.sqrt(2 * step**2 / rise), rel=1e-3)


def test_pletts_first_scenario() -> None:
    """Plett, J. Power Sources 196 (2011) 2319-2331, "BEV 1": 100 Ah, said to be 99, over again.

    x within +-0.4 with sigma sqrt(2) * 0.01; y by a 10-bit sensor of +-500 A over two hours.
    Ordinary least squares tends to 100 E[x^2] / (E[x^2] + sigma_x^2) = 99.63 Ah.
    """
    rng = np.random.default_rng(20110301)
    sigma_x, sigma_y = np.sqrt(2) * 0.01, 1000 / 1024 * np.sqrt(7200 / 12) / 3600
    assert sigma_y == pytest.approx(0.00664, abs=5e-6)
    runs, n = 40, 250
    capacities, sigmas, ordinary = [], [], []
    for _ in range(runs):
        change = rng.uniform(-0.4, 0.4, n)
        x = change + rng.normal(0, sigma_x, n)
        y = 100 * change + rng.normal(0, sigma_y, n)
        line = TotalLeastSquares()
        line.add(1.0, 99.0, 0.1, 0.1 * sigma_y / sigma_x)
        for pair in zip(x.tolist(), y.tolist(), repeat(sigma_x), repeat(sigma_y), strict=False):
            line.add(*pair)
        found = line.slope()
        assert found is not None
        capacities.append(found[0])
        sigmas.append(found[1])
        ordinary.append(float(x @ y / (x @ x)))
    mean_error = np.mean(capacities) - 100
    assert abs(mean_error) < 0.2 / np.sqrt(runs / 4) * 3  # 0.20 Ah a run of 1000; 250 here
    assert np.mean(ordinary) - 100 < -0.25
    off = np.abs(np.array(capacities) - 100) / np.array(sigmas)
    assert np.mean(off < 2) >= 0.9
    assert np.std(capacities) == pytest.approx(np.mean(sigmas), rel=0.35)


def test_a_memory_that_fades_follows_and_one_that_does_not_lags() -> None:
    x, y = [0.8, -0.8] * 60, [80.0, -80.0] * 30 + [72.0, -72.0] * 30
    fading = fitted(x, y, repeat(0.01), repeat(1.0), fading=0.9).slope()
    keeping = fitted(x, y, repeat(0.01), repeat(1.0)).slope()
    assert fading is not None
    assert keeping is not None
    assert fading[0] == pytest.approx(90.0, abs=0.1)
    assert keeping[0] == pytest.approx(orthogonal(x, y, 0.01), rel=1e-9)
    assert keeping[0] > 95
    # It rests on fewer pairs, and says so: of ten pairs' weight here, not of 120.
    assert fading[1] / keeping[1] == pytest.approx(np.sqrt(120 / 10), rel=0.05)


def test_nothing_is_told_by_no_pair_or_by_a_pair_of_the_wrong_direction() -> None:
    assert TotalLeastSquares().slope() is None
    assert fitted([0.0], [0.0], [0.01], [1.0]).slope() is None


def test_a_restart_changes_nothing() -> None:
    whole = fitted(X, Y, repeat(0.02), repeat(1.0), fading=0.95)
    begun = fitted(X[:2], Y[:2], repeat(0.02), repeat(1.0), fading=0.95)
    resumed = TotalLeastSquares(0.95, json.loads(json.dumps(begun.snapshot())))
    for x, y in zip(X[2:], Y[2:], strict=True):
        resumed.add(x, y, 0.02, 1.0)
    assert resumed.slope() == whole.slope()


ends = st.lists(st.integers(-20, 20), min_size=1, max_size=4, unique=True)


@given(ends, st.sampled_from([1.0, -3.0, 250.0]))
def test_every_real_root_is_found(roots: list[int], lead: float) -> None:
    # Source: numpy.polynomial makes the polynomial from its roots.
    p = lead * np.polynomial.polynomial.polyfromroots(roots)
    assert real_roots(p.tolist()) == pytest.approx(sorted(map(float, roots)), abs=1e-6)


@pytest.mark.parametrize("p", [[], [1.0], [1.0, 0.0], [1.0, 0.0, 1.0], [0.0, 0.0]])
def test_polynomials_without_a_root(p: list[float]) -> None:
    assert real_roots(p) == []
