"""The taper: what a pack may take as its highest cell rises toward over-voltage."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.advice.bench import ALDER, HUT, PROFILE
from watchd.advice.taper import charge_taper_a
from watchd.config import Bank, ChargeLimit, Pack, Profile, Taper

BIRCH_8S = Pack(bank="hut", cells_in_series=8, nameplate_ah=100.0, max_charge_a=50.0)
HALF = Bank(charge_voltage_v=28.0)
SMALL = Pack(bank="hut", nameplate_ah=200.0, max_charge_a=8.0)
EARLY = Bank(
    charge_voltage_v=56.0,
    charge_limit=ChargeLimit(taper=Taper(from_v=3.30, margin_v=0.10, tail_c_rate=0.1)),
)


@pytest.mark.parametrize(
    ("where", "volts", "amps"),
    [
        ("on the flat part", 3.33, 100.0),
        ("at the knee", 3.40, 100.0),
        ("halfway from the knee to the charge voltage", 3.45, 55.0),
        ("a tenth before the charge voltage", 3.49, 19.0),
        ("at the charge voltage per cell: the tail current", 3.50, 10.0),
        ("halfway from there to the end", 3.55, 5.0),
        ("just below the end", 3.599, 0.1),
        ("at over-voltage less the margin", 3.60, 0.0),
        ("between there and over-voltage", 3.63, 0.0),
        ("at over-voltage", 3.65, 0.0),
        ("above it", 3.80, 0.0),
        ("an empty cell", 2.0, 100.0),
    ],
)
def test_along_the_curve(where: str, volts: float, amps: float) -> None:
    assert charge_taper_a(volts, ALDER, HUT, PROFILE, 3.65) == pytest.approx(amps, abs=1e-6), where


@pytest.mark.parametrize(
    ("what", "pack", "bank", "overvoltage_v", "points"),
    [
        ("8 cells at 28 V", BIRCH_8S, HALF, 3.65, {3.40: 50, 3.45: 27.5, 3.50: 5, 3.60: 0}),
        (
            "a pack that never takes more than the tail",
            SMALL,
            HUT,
            3.65,
            {3.40: 8, 3.45: 8, 3.50: 8, 3.55: 4},
        ),
        (
            "the keeper's own taper",
            ALDER,
            EARLY,
            3.65,
            {3.30: 100, 3.40: 60, 3.50: 20, 3.525: 10, 3.55: 0},
        ),
        # The charge voltage lies above the end: the tail is met a centivolt before it.
        ("a threshold lowered for a time", ALDER, HUT, 3.52, {3.40: 100, 3.46: 10, 3.47: 0}),
        # Even the knee lies above the end: it all happens in the last two centivolts.
        ("a threshold below the knee", ALDER, HUT, 3.40, {3.33: 100, 3.34: 10, 3.35: 0, 3.40: 0}),
    ],
)
def test_other_packs_and_settings(
    what: str, pack: Pack, bank: Bank, overvoltage_v: float, points: dict[float, float]
) -> None:
    found = {v: charge_taper_a(v, pack, bank, PROFILE, overvoltage_v) for v in points}
    assert found == pytest.approx(points, abs=1e-6), what


def test_the_knee_is_the_profiles_unless_the_keeper_gives_one() -> None:
    profile = Profile(upper_knee_v=3.45)
    assert charge_taper_a(3.44, ALDER, HUT, profile, 3.65) == 100
    assert charge_taper_a(3.44, ALDER, EARLY, profile, 3.65) < 100


VOLTS = st.floats(2.0, 4.2)
PACKS = st.builds(
    Pack,
    bank=st.just("hut"),
    nameplate_ah=st.floats(5, 1000),
    max_charge_a=st.floats(1, 500),
    cells_in_series=st.just(16),
)
BANKS = st.builds(
    Bank,
    charge_voltage_v=st.floats(52, 58),
    charge_limit=st.builds(
        ChargeLimit,
        taper=st.builds(
            Taper,
            from_v=st.none() | st.floats(3.2, 3.6),
            margin_v=st.floats(0.01, 0.2),
            tail_c_rate=st.floats(0.01, 0.5),
        ),
    ),
)


@settings(max_examples=150, deadline=None, derandomize=True)
@given(pack=PACKS, bank=BANKS, overvoltage_v=st.floats(3.3, 3.9), low=VOLTS, high=VOLTS)
def test_it_lies_between_nothing_and_the_maximum_and_never_rises(
    pack: Pack, bank: Bank, overvoltage_v: float, low: float, high: float
) -> None:
    low, high = sorted((low, high))
    at_low = charge_taper_a(low, pack, bank, PROFILE, overvoltage_v)
    at_high = charge_taper_a(high, pack, bank, PROFILE, overvoltage_v)
    assert 0 <= at_high <= at_low + 1e-9
    assert at_low <= pack.max_charge_a
    assert charge_taper_a(overvoltage_v - 0.01, pack, bank, PROFILE, overvoltage_v) == 0


@settings(max_examples=150, deadline=None, derandomize=True)
@given(pack=PACKS, bank=BANKS, volts=VOLTS, one=st.floats(3.3, 3.9), other=st.floats(3.3, 3.9))
def test_a_lower_threshold_never_allows_more(
    pack: Pack, bank: Bank, volts: float, one: float, other: float
) -> None:
    lower, higher = sorted((one, other))
    with_lower = charge_taper_a(volts, pack, bank, PROFILE, lower)
    assert with_lower <= charge_taper_a(volts, pack, bank, PROFILE, higher) + 1e-9
