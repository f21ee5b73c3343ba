"""The knee of a curve, against closed forms and what was published of the method."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watchd.tuning.knee import find_knee


def test_a_worked_example() -> None:
    # The chord goes from (20, 40) to (60, 0). At 30 the curve is at 4 of 40 where the chord is at
    # 30 of 40: 0.65 of the height below it; at 25 only 0.525, at 35 only 0.6.
    knee = find_knee([20, 25, 30, 35, 40, 60], [40, 14, 4, 1, 0, 0])
    assert (knee.index, knee.quiet_beyond) == (2, True)
    assert knee.distance == pytest.approx(0.65)


@pytest.mark.parametrize(("low", "high"), [(1.0, 16.0), (2.0, 8.0), (10.0, 1000.0)])
def test_of_a_hyperbola_it_is_the_geometric_mean(low: float, high: float) -> None:
    # The slope of c/x is that of the chord, -c/(low * high), where x = sqrt(low * high).
    values = [low + (high - low) * i / 3000 for i in range(3001)]
    knee = find_knee(values, [1000 / x for x in values])
    assert knee.index is not None
    assert values[knee.index] == pytest.approx(math.sqrt(low * high), abs=(high - low) / 1000)


def test_of_an_exponential() -> None:
    # exp(-x) on 0..b has the slope of its chord at x = ln(b / (1 - exp(-b))).
    values = [i / 500 for i in range(3001)]
    knee = find_knee(values, [100 * math.exp(-x) for x in values])
    assert knee.index is not None
    assert values[knee.index] == pytest.approx(math.log(6 / (1 - math.exp(-6))), abs=0.004)


def test_a_published_example() -> None:
    # From the page of an implementation of the method (Kneedle 1.0.1 on nuget.org): for these the
    # knee of a falling curve is at x = 4.
    y = [1, 1, 0.894, 0.864, 0.859, 0.856, 0.852, 0.851, 0.849, 0.848, 0.847, 0.845]
    # Their least taken off and a thousand times as much, as if they were counts.
    knee = find_knee(range(1, 13), [(v - 0.845) * 1000 for v in y])
    assert knee.index == 3


def test_a_limit_from_below_has_its_knee_from_the_other_side() -> None:
    falling, rising = [40, 14, 4, 1, 0, 0], [0, 0, 1, 4, 14, 40]
    assert find_knee([20, 25, 30, 35, 40, 60], falling).index == 2
    knee = find_knee([-60, -40, -35, -30, -25, -20], rising)
    assert (knee.index, knee.quiet_beyond) == (3, True)


def test_a_curve_that_stays_and_then_falls() -> None:
    knee = find_knee([1, 2, 3, 4, 5], [20, 20, 20, 19, 0])
    assert (knee.index, knee.quiet_beyond) == (3, False)


@pytest.mark.parametrize(
    ("counts", "why"),
    [
        ([9, 4, 1, 0], "it takes at least 5 values"),
        ([0, 0, 0, 0, 0], "never raised at any value"),
        ([7, 7, 7, 7, 7], "raised as often at each value"),
        ([24, 23, 23, 21, 21], "raised nearly as often at each value"),
        ([2, 0, 0, 0, 0], "raised nearly as often at each value"),
        ([0, 8, 3, 2, 0], "raised as often at the first value as at the last"),
        ([40, 30, 20, 10, 0], "it changes evenly, without a bend"),
    ],
)
def test_it_is_withheld_with_a_reason(counts: list[float], why: str) -> None:
    knee = find_knee([float(i) for i in range(len(counts))], counts)
    assert (knee.index, knee.why) == (None, why)


counts = st.lists(st.integers(0, 50), min_size=5, max_size=20)


@given(counts, st.floats(0.001, 1000), st.floats(-100, 100))
def test_units_do_not_move_it(counts: list[int], scale: float, offset: float) -> None:
    values = [float(i) for i in range(len(counts))]
    one, other = find_knee(values, counts), find_knee([offset + scale * v for v in values], counts)
    assert one.why == other.why
    assert one.distance == pytest.approx(other.distance, abs=1e-6)


@given(counts)
def test_it_lies_within_or_there_is_a_reason(counts: list[int]) -> None:
    knee = find_knee(range(len(counts)), counts)
    if knee.index is None:
        assert knee.why
    else:
        assert 0 < knee.index < len(counts) - 1
        assert knee.distance >= 0.2
