"""What current brings a cell to its limit within a horizon, against one that is lived through."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.truth.ocv import ocv_v
from watchd.config import Profile
from watchd.estimators.cells.end_of_charge import LowerEnd, UpperEnd, linear_limit_a

PROFILE = Profile()
TOP = UpperEnd(PROFILE.upper_end.from_v, PROFILE.upper_end.efold_pct / 100.0)
BOTTOM = LowerEnd(PROFILE.low_end)
EXACT = settings(max_examples=200, deadline=None, derandomize=True)
NEAR_V = 1e-4  # a current to the mA, and a cell of a few mOhm


@pytest.mark.parametrize(
    ("open_v", "slope_v", "horizon_s", "amps"),
    [(3.33, 0.05, 600, 265.14), (3.40, 5.0, 600, 39.72), (3.40, 5.0, 10, 176.55)],
)
def test_plett_as_worked_by_hand(
    open_v: float, slope_v: float, horizon_s: float, amps: float
) -> None:
    """I = (limit - U) / (R + T/(3600 Q) dU/dz): 3.55 V, 0.8 mOhm, 280 Ah."""
    found = linear_limit_a(3.55, open_v, 0.0008, slope_v, horizon_s / 3600, 280.0)
    assert found == pytest.approx(amps, abs=0.005)


def lived_through(
    slope: float, open_v: float, amps: float, ohm: float, hours: float, capacity_ah: float
) -> float:
    """A cell whose voltage rises by a constant slope, Euler's steps: exact for a straight line."""
    for _ in range(1000):
        open_v += slope * amps * hours / 1000 / capacity_ah
    return open_v + ohm * amps


@EXACT
@given(
    st.floats(2.9, 3.54),
    st.floats(1e-4, 0.01),
    st.floats(0.0, 20.0),
    st.floats(0.003, 0.5),
    st.floats(20, 1000),
)
def test_a_cell_of_constant_slope_is_at_the_limit_after_the_horizon(
    open_v: float, ohm: float, slope: float, hours: float, capacity_ah: float
) -> None:
    amps = linear_limit_a(3.55, open_v, ohm, slope, hours, capacity_ah)
    assert lived_through(slope, open_v, amps, ohm, hours, capacity_ah) == pytest.approx(3.55)


@st.composite
def tops(draw: st.DrawFn) -> tuple[UpperEnd, tuple[float, float, float, float, float]]:
    """A top, and what a cell is asked: limit, open-circuit voltage, Ohm, horizon, capacity."""
    end = UpperEnd(draw(st.floats(3.25, 3.40)), draw(st.floats(0.001, 0.2)))
    asked = (
        draw(st.floats(3.41, 3.8)),
        draw(st.floats(2.5, 3.9)),
        draw(st.floats(1e-5, 0.02)),
        draw(st.floats(10, 1800)) / 3600,
        draw(st.floats(5, 5000)),
    )
    return end, asked


def integrated_v(
    end: UpperEnd, open_v: float, amps: float, ohm: float, hours: float, ah: float
) -> float:
    """Integrate dx/dz = x / e over the charge that flows, by Runge and Kutta's fourth order."""
    steps = 400
    rise, step = max(open_v - end.flat_v, 0.0005), hours * amps / ah / steps
    base = open_v - rise
    for _ in range(steps):
        k1 = rise / end.efold
        k2 = (rise + step / 2 * k1) / end.efold
        k3 = (rise + step / 2 * k2) / end.efold
        k4 = (rise + step * k3) / end.efold
        rise += step / 6 * (k1 + 2 * k2 + 2 * k3 + k4)
    return base + rise + ohm * amps


@EXACT
@given(tops())
def test_a_cell_on_the_steep_top_is_at_the_limit_after_the_horizon(
    case: tuple[UpperEnd, tuple[float, float, float, float, float]],
) -> None:
    end, (limit_v, open_v, *rest) = case
    ohm, hours, ah = rest
    amps = end.most_a(limit_v, open_v, *rest)
    if open_v >= limit_v:
        assert amps == 0
        return
    assert amps > 0
    # The answer is within a mA; what a mA moves is the slope there and the resistance.
    moves_v = 0.001 * (ohm + (limit_v - end.flat_v + 0.4) * hours / ah / end.efold)
    reached_v = integrated_v(end, open_v, amps, ohm, hours, ah)
    assert reached_v == pytest.approx(limit_v, abs=moves_v + NEAR_V)


@EXACT
@given(tops())
def test_it_is_never_more_than_the_slope_of_now_says(
    case: tuple[UpperEnd, tuple[float, float, float, float, float]],
) -> None:
    end, (limit_v, open_v, ohm, hours, ah) = case
    plain = linear_limit_a(limit_v, open_v, ohm, end.slope_v(open_v), hours, ah)
    assert 0 <= end.most_a(limit_v, open_v, ohm, hours, ah) <= max(plain, 0.0) + 1e-6


@EXACT
@given(
    tops(),
    st.sampled_from(["limit", "open", "ohm", "horizon", "capacity"]),
    st.floats(1.01, 1.2),
)
def test_it_goes_one_way_with_all_that_is_asked(
    case: tuple[UpperEnd, tuple[float, float, float, float, float]], what: str, by: float
) -> None:
    end, asked = case
    names = ["limit", "open", "ohm", "horizon", "capacity"]
    more = list(asked)
    more[names.index(what)] *= by
    before, after = end.most_a(*asked), end.most_a(*more)
    if what in ("limit", "capacity"):
        assert after >= before - 0.002
    else:
        assert after <= before + 0.002


def test_a_long_horizon_and_a_flat_start_converge() -> None:
    # Where the slope of now would allow 478 A, a half hour of it ends far beyond the limit.
    amps = TOP.most_a(3.60, 3.30, 0.0005, 0.5, 200.0)
    assert integrated_v(TOP, 3.30, amps, 0.0005, 0.5, 200.0) == pytest.approx(3.60, abs=NEAR_V)
    assert amps < 26


def test_the_default_top_lies_near_the_published_curve() -> None:
    """Afshar et al. 2017 with graphite of Chen et al. 2020, from 3.36 to 3.55 V.

    Both curves are laid together at 3.45 V: where a cell is on the end is read from its voltage.
    """
    charge = np.arange(0.97, 1.03, 1e-5)
    theirs, _ = ocv_v(charge)
    inside = (theirs >= 3.36) & (theirs <= 3.55)
    at = float(np.interp(3.45, theirs, charge))
    ours = TOP.flat_v + (3.45 - TOP.flat_v) * np.exp((charge[inside] - at) / TOP.efold)
    worst_v = float(np.abs(ours - theirs[inside]).max())
    assert worst_v < 0.0003  # 0.15 mV was found, and 0.8 % of the slope
    slopes = np.gradient(theirs, 1e-5)[inside]
    mine = np.array([TOP.slope_v(v) for v in theirs[inside]])
    assert float(np.abs(mine / slopes - 1.0).max()) < 0.01


@pytest.mark.parametrize(("volts", "soc_pct"), PROFILE.low_end)
def test_the_bottom_is_the_profiles_table(volts: float, soc_pct: float) -> None:
    assert BOTTOM.charge(volts) == pytest.approx(soc_pct / 100)
    assert BOTTOM.open_v(soc_pct / 100) == pytest.approx(volts)


@pytest.mark.parametrize(
    ("where", "volts", "charge"),
    [
        ("halfway between two points", 2.85, 0.0415),
        ("above the table, as its last piece runs", 3.20, 0.166),
        ("below it, as its first piece runs", 2.50, -0.0035),
    ],
)
def test_between_and_beyond_the_points(where: str, volts: float, charge: float) -> None:
    assert BOTTOM.charge(volts) == pytest.approx(charge), where


@EXACT
@given(st.floats(2.0, 3.4))
def test_the_bottom_there_and_back(volts: float) -> None:
    assert BOTTOM.open_v(BOTTOM.charge(volts)) == pytest.approx(volts)


BELOW = st.tuples(
    st.floats(2.5, 2.9), st.floats(2.4, 3.4), st.floats(0.0, 0.02), st.floats(0.003, 0.5),
    st.floats(5, 5000),
)  # fmt: skip


@EXACT
@given(BELOW)
def test_a_cell_at_the_bottom_is_at_the_limit_after_the_horizon(
    asked: tuple[float, float, float, float, float],
) -> None:
    limit_v, open_v, ohm, hours, ah = asked
    amps = BOTTOM.most_a(limit_v, open_v, ohm, hours, ah)
    if open_v <= limit_v:
        assert amps == 0
        return
    points = np.array(PROFILE.low_end)
    # The steepest piece bounds what a mA moves.
    steepest = float((np.diff(points[:, 0]) / np.diff(points[:, 1] / 100)).max())
    charge = BOTTOM.charge(open_v) - amps * hours / ah
    reached_v = BOTTOM.open_v(charge) - ohm * amps
    assert 0 <= reached_v - limit_v < 0.001 * (ohm + steepest * hours / ah) + 1e-9


@EXACT
@given(BELOW, st.sampled_from([1, 2, 3]), st.floats(1.01, 1.3))
def test_a_lower_cell_more_resistance_or_a_longer_horizon_never_give_more(
    asked: tuple[float, float, float, float, float], place: int, by: float
) -> None:
    more = list(asked)
    more[place] *= by if place > 1 else 1 / by
    assert 0 <= BOTTOM.most_a(*more) <= BOTTOM.most_a(*asked) + 0.002


def test_a_steeper_top_allows_less() -> None:
    amps = [
        replace(TOP, efold=TOP.efold / steeper).most_a(3.60, 3.45, 0.0005, 1 / 60, 200.0)
        for steeper in (0.75, 1.0, 2.0, 4.0)
    ]
    assert amps == sorted(amps, reverse=True)
    assert amps[0] > 1.5 * amps[-1] > 0


@EXACT
@given(tops(), st.floats(0.1, 500.0), st.floats(0.0, 0.2))
def test_what_is_called_ample_at_the_top_is_what_comes_out(
    case: tuple[UpperEnd, tuple[float, float, float, float, float]], most_a: float, below_v: float
) -> None:
    """The short way of a calm cell must say what the long one says, to the last bit."""
    end, (limit_v, to_v, _, hours, ah) = case
    ohm = end.ample_ohm(limit_v, to_v, hours, ah, most_a)
    if ohm >= 0.0:
        assert end.most_a(limit_v, to_v - below_v, ohm, hours, ah, most_a) == most_a
        above_ohm = 1.05 * ohm + 1e-5
        assert end.most_a(limit_v, to_v, above_ohm, hours, ah, most_a) < most_a


@EXACT
@given(BELOW, st.floats(0.1, 500.0), st.floats(0.0, 0.2))
def test_what_is_called_ample_at_the_bottom_is_what_comes_out(
    asked: tuple[float, float, float, float, float], most_a: float, above_v: float
) -> None:
    limit_v, from_v, _, hours, ah = asked
    ohm = BOTTOM.ample_ohm(limit_v, from_v, hours, ah, most_a)
    if ohm >= 0.0:
        assert BOTTOM.most_a(limit_v, from_v + above_v, ohm, hours, ah, most_a) == most_a
        assert BOTTOM.most_a(limit_v, from_v, 1.05 * ohm + 1e-5, hours, ah, most_a) < most_a


def test_where_nothing_is_asked_nothing_is_ample() -> None:
    assert TOP.ample_ohm(3.60, 3.37, 0.02, 200.0, 0.0) < 0
    assert BOTTOM.ample_ohm(2.60, 3.20, 0.02, 200.0, 0.0) < 0
