"""Charge and energy against scipy's trapezoidal rule, over the pieces without a hole."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.integrate import trapezoid

from watchd.history.charge import HOLE_S, Counter, Throughput

STEADY = settings(deadline=None, derandomize=True, database=None, max_examples=200)
samples = st.lists(
    st.tuples(
        st.integers(1, 200),  # s since the one before
        st.none() | st.floats(40, 60).map(lambda v: round(v, 3)),
        st.none() | st.floats(-100, 100).map(lambda v: round(v, 3)),
    ),
    max_size=60,
)
Sampled = list[tuple[float, float | None, float | None]]


def counted(rows: Sampled) -> Throughput:
    counter = Counter()
    counter.take([r[0] for r in rows], [r[1] for r in rows], [r[2] for r in rows])
    return counter.result()


def areas(at: NDArray[np.float64], values: NDArray[np.float64]) -> tuple[float, float]:
    """Above and below zero, in h: the curve with its zeros put in, by scipy."""
    order = np.argsort(at)
    at, values = at[order], values[order]
    crossing = np.flatnonzero(values[:-1] * values[1:] < 0)
    part = values[crossing] / (values[crossing] - values[crossing + 1])
    zeros = at[crossing] + part * (at[crossing + 1] - at[crossing])
    at = np.insert(at, crossing + 1, zeros)
    values = np.insert(values, crossing + 1, 0.0)
    above = trapezoid(np.maximum(values, 0), at) / 3600
    below = trapezoid(np.maximum(-values, 0), at) / 3600
    return float(above), float(below)


def by_scipy(rows: Sampled) -> list[float]:
    total = np.zeros(4)
    for one, two in pairwise(rows):
        if two[0] - one[0] > HOLE_S or one[2] is None or two[2] is None:
            continue
        at = np.array([one[0], two[0]])
        total[:2] += areas(at, np.array([one[2], two[2]]))
        if one[1] is not None and two[1] is not None:
            total[2:] += areas(at, np.array([one[1] * one[2], two[1] * two[2]]))
    return list(total)


@STEADY
@given(samples)
def test_against_scipy(steps: list[tuple[int, float | None, float | None]]) -> None:
    at, rows = 0.0, []
    for step, volts, amps in steps:
        at += step
        rows.append((at, volts, amps))
    found = counted(rows)
    assert [found.in_ah, found.out_ah, found.in_wh, found.out_wh] == pytest.approx(
        by_scipy(rows), abs=1e-9
    )


def test_a_sine_is_counted_in_and_out() -> None:
    # The areas of both halves of a sine of 50 A with a period of 1 h, 20 times: 50 / pi Ah each.
    at = np.arange(0.0, 20 * 3600.0 + 1)
    amps = 50 * np.sin(2 * math.pi * at / 3600)
    found = counted([(t, 52.0, a) for t, a in zip(at.tolist(), amps.tolist(), strict=True)])
    assert found.in_ah == pytest.approx(20 * 50 / math.pi, rel=1e-5)
    assert found.out_ah == pytest.approx(found.in_ah, rel=1e-9)
    assert found.in_wh == pytest.approx(52 * found.in_ah, rel=1e-9)
    assert found.counted_s == 20 * 3600


def test_a_hole_is_not_bridged_and_a_clock_that_goes_back_counts_nothing() -> None:
    rows: Sampled = [(0.0, 53.0, 36.0), (HOLE_S, 53.0, 36.0)]
    assert counted(rows).in_ah == pytest.approx(36 * HOLE_S / 3600)
    assert counted([rows[0], (HOLE_S + 0.1, 53.0, 36.0)]) == Throughput()
    assert counted([(100.0, 53.0, 36.0), (40.0, 53.0, 36.0)]) == Throughput()
    back = counted([(100.0, 53.0, 36.0), (40.0, 53.0, 36.0), (50.0, 53.0, 36.0)])
    assert back.in_ah == pytest.approx(0.1), "and goes on from there"
