"""Energy of a time that is no whole day, against the same samples counted at once."""

from __future__ import annotations

import math
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watchd.digest.energy import of_minutes, parts
from watchd.digest.schedule import DAY_S
from watchd.history.charge import Counter
from watchd.history.summaries import Extent, Minute

DAY = 1_790_035_200.0  # midnight, UTC


def minute(at: float, volts: float | None, amps: float | None) -> Minute:
    def extent(value: float | None) -> Extent | None:
        return None if value is None else Extent(60, value, value, value)

    return Minute(at, 60, extent(volts), extent(amps), (), (), None, None)


def test_a_steady_current() -> None:
    """50 V and 20 A for 60 minutes, of which the middles are 59 min apart: 983.3 Wh."""
    found = of_minutes(minute(DAY + 60 * n, 50.0, 20.0) for n in range(60))
    assert found.in_wh == pytest.approx(1000 * 59 / 60)
    assert found.out_wh == 0.0
    assert found.counted_s == 59 * 60


def test_a_hole_is_not_bridged() -> None:
    minutes = [minute(DAY + 60 * n, 50.0, -6.0) for n in range(60) if not 10 <= n < 40]
    found = of_minutes(minutes)
    assert found.counted_s == (9 + 19) * 60
    assert found.out_wh == pytest.approx(300 * 28 / 60)


def test_a_day_of_sun_and_night_within_a_hundredth_of_its_samples() -> None:
    at = [DAY + n for n in range(86_400)]
    amps = [60 * math.sin(2 * math.pi * (n / 86_400 - 0.25)) for n in range(86_400)]
    volts = [52 + a / 30 for a in amps]
    counter = Counter()
    counter.take(at, volts, amps)
    whole = counter.result()
    minutes = []
    for n in range(0, 86_400, 60):
        span = slice(n, n + 60)
        minutes.append(minute(DAY + n, sum(volts[span]) / 60, sum(amps[span]) / 60))
    found = of_minutes(minutes)
    assert found.in_wh == pytest.approx(whole.in_wh, rel=0.01)
    assert found.out_wh == pytest.approx(whole.out_wh, rel=0.01)


@given(st.integers(0, 30 * 864_000), st.integers(1, 20 * 864_000))
def test_the_parts_of_a_time_are_all_of_it(begin_ds: int, span_ds: int) -> None:
    begin, end = DAY + begin_ds / 10, DAY + (begin_ds + span_ds) / 10
    whole, rest = parts(begin, end)
    ranges = sorted([*rest, *([] if whole is None else [whole])])
    assert (ranges[0][0], ranges[-1][1]) == (begin, end)
    assert all(a[1] == b[0] for a, b in pairwise(ranges))
    if whole is not None:
        assert whole[0] % DAY_S == whole[1] % DAY_S == 0
