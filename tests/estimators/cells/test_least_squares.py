"""Least squares with prior knowledge, an equation at a time."""

from __future__ import annotations

import numpy as np
import pytest

from watchd.estimators.cells.least_squares import LeastSquares

MEANS, SIGMAS = (0.0, 2.0, -1.0), (100.0, 0.5, 0.1)


def system(seed: int = 1) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    rows = rng.normal(size=(12, 3))
    variances = rng.uniform(0.1, 2.0, 12)
    truth = np.array([3.0, 2.3, -0.95])
    return rows, rows @ truth + rng.normal(size=12) * np.sqrt(variances), variances


def test_it_is_the_solution_of_all_equations_at_once() -> None:
    """NumPy's `lstsq`, the priors as three more equations."""
    rows, ys, variances = system()
    found = LeastSquares(MEANS, SIGMAS)
    for row, y, variance in zip(rows, ys, variances, strict=True):
        found.add(row.tolist(), float(y), float(variance))
    weights = np.concatenate([1 / np.sqrt(variances), 1 / np.asarray(SIGMAS)])
    design = np.vstack([rows, np.eye(3)]) * weights[:, None]
    expected, *_ = np.linalg.lstsq(design, np.concatenate([ys, MEANS]) * weights, rcond=None)
    assert found.values == pytest.approx(expected.tolist())
    covariance = np.linalg.inv(design.T @ design)
    assert [found.sigma(k) for k in range(3)] == pytest.approx(
        np.sqrt(np.diag(covariance)).tolist(), rel=0.5
    )


def test_without_an_equation_the_prior_stands() -> None:
    found = LeastSquares(MEANS, SIGMAS)
    assert found.values == list(MEANS)
    assert [found.sigma(k) for k in range(3)] == pytest.approx(list(SIGMAS))


def test_equations_that_contradict_each_other_widen_the_standard_error() -> None:
    alike, apart = LeastSquares((0.0,), (100.0,)), LeastSquares((0.0,), (100.0,))
    for k in range(10):
        alike.add((1.0,), 5.0, 0.01)
        apart.add((1.0,), 5.0 + (-1) ** k, 0.01)
    assert apart.sigma(0) > 3 * alike.sigma(0)
