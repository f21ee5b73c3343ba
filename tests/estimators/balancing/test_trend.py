"""Slope and trend, held against SciPy, published numbers and their own laws."""

from __future__ import annotations

import random
from statistics import NormalDist

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from watchd.estimators.balancing.trend import Z_95, likeness, mann_kendall, theil_sen

VALUES = st.lists(st.integers(-40, 40), min_size=2, max_size=60)  # whole numbers: many ties


def test_the_hand_worked_example_of_mann_kendall() -> None:
    """Precipitation at Holy Cross, worked by hand in a published lecture."""
    values = [12.9, 14.8, 13.2, 15.7, 13.8, 15.6, 12.9, 11.0, 17.3, 15.9, 19.0, 18.3, 20.1, 21.7]
    found = mann_kendall(values)
    assert found.s == 54
    assert found.variance == pytest.approx(332.6667, abs=1e-4)
    assert found.z == pytest.approx(2.9058, abs=1e-4)
    assert found.p == pytest.approx(2 * (1 - NormalDist().cdf(2.9058)), abs=1e-5)
    line = theil_sen(range(14), values)
    assert line is not None
    assert line.slope == pytest.approx(0.566667, abs=1e-6)


def test_an_outlier_does_not_bend_the_slope() -> None:
    """`scipy.stats.theilslopes` of SciPy 1.17.1; least squares gives 1.4154."""
    values = [12, 13, 15, 14, 17, 18, 20, 60, 22, 23, 25, 26, 28, 29]
    line = theil_sen(range(14), values)
    assert line is not None
    assert line.slope == pytest.approx(1.3333, abs=1e-4)
    assert line.low == pytest.approx(1.25)
    assert line.high == pytest.approx(1.5)
    assert line.intercept == pytest.approx(12.3333, abs=1e-4)


@given(VALUES, st.randoms(use_true_random=False))
def test_the_slope_is_scipys(values: list[int], rng: random.Random) -> None:
    times, time = [], 0.0
    for _ in values:
        time += rng.choice((0.5, 1.0, 1.0, 1.0, 4.0))
        times.append(time)
    line = theil_sen(times, values)
    theirs = stats.theilslopes(values, times, alpha=0.95)
    assert line is not None
    assert line.slope == pytest.approx(theirs.slope)
    assert line.intercept == pytest.approx(theirs.intercept)
    assert line.low == pytest.approx(theirs.low_slope)
    assert line.high == pytest.approx(theirs.high_slope)


@given(st.lists(st.integers(-40, 40), min_size=3, max_size=60))
def test_the_test_is_kendalls(values: list[int]) -> None:
    n = len(values)
    found = mann_kendall(values)
    theirs = stats.kendalltau(range(n), values, method="asymptotic")
    ties = sum(t * (t - 1) / 2 for t in (values.count(v) for v in set(values)))
    pairs = n * (n - 1) / 2
    if ties == pairs:  # all the same: SciPy's tau is none
        assert (found.s, found.z, found.p) == (0, 0.0, 1.0)
        return
    # tau-b = S / sqrt(pairs * (pairs - ties)), with times that never tie.
    assert found.s == pytest.approx(theirs.statistic * (pairs * (pairs - ties)) ** 0.5)
    if 1e-12 < theirs.pvalue < 1 and found.s:
        theirs_z = NormalDist().inv_cdf(1 - theirs.pvalue / 2)  # without the correction by 1
        assert found.variance == pytest.approx((found.s / theirs_z) ** 2, rel=1e-3)


@given(VALUES)
def test_turned_round_it_says_the_opposite(values: list[int]) -> None:
    there, back = mann_kendall(values), mann_kendall(values[::-1])
    assert (there.s, there.z, there.p) == (-back.s, -back.z, back.p)


def test_z_is_that_of_the_normal_distribution() -> None:
    assert pytest.approx(NormalDist().inv_cdf(0.975), abs=1e-12) == Z_95


def test_one_time_has_no_slope() -> None:
    assert theil_sen([], []) is None
    assert theil_sen([1.0], [5.0]) is None
    assert theil_sen([1.0, 1.0], [5.0, 6.0]) is None


def alike(rng: random.Random, n: int, r: float) -> list[float]:
    """Noise in which each value keeps `r` of the one before."""
    values = [rng.gauss(0, 1)]
    while len(values) < n:
        values.append(r * values[-1] + (1 - r * r) ** 0.5 * rng.gauss(0, 1))
    return values


@pytest.mark.parametrize(("r", "expected"), [(0.0, 1.0), (0.5, 3.0), (0.7, 5.7)])
def test_likeness_is_that_of_a_first_order_process(r: float, expected: float) -> None:
    """(1 + r) / (1 - r) for a long one: Yue and Wang 2004."""
    rng = random.Random(7)
    found = [likeness(range(300), alike(rng, 300, r)) for _ in range(3)]
    assert sum(found) / 3 == pytest.approx(expected, rel=0.2)


def test_likeness_makes_false_trends_rarer() -> None:
    rng = random.Random(11)
    plain = wide = 0
    for _ in range(300):
        values = alike(rng, 25, 0.6)
        plain += mann_kendall(values).p < 0.05
        wide += mann_kendall(values, likeness(range(25), values)).p < 0.05
    assert plain > 45  # 5 % were 15
    assert wide < plain / 2


def test_a_wide_variance_widens_the_interval_and_leaves_the_slope() -> None:
    values = [3.0, 5.0, 4.0, 6.0, 9.0, 7.0, 8.0, 12.0, 10.0, 11.0]
    narrow, wide = theil_sen(range(10), values), theil_sen(range(10), values, 3.0)
    assert narrow is not None
    assert wide is not None
    assert wide.slope == narrow.slope
    assert wide.low < narrow.low < narrow.high < wide.high


def test_likeness_is_never_below_one() -> None:
    assert likeness([0, 1], [1.0, 2.0]) == 1.0
    assert likeness(range(6), [2.0] * 6) == 1.0
    assert likeness(range(6), [1.0, 9.0, 1.0, 9.0, 1.0, 9.0]) == 1.0
