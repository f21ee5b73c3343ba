"""What temperature leaves of a pack's current: windows, and bands with less."""

from __future__ import annotations

import json

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.advice.bench import seen
from watchd.advice.advice import OwnLimit, PackState
from watchd.advice.temperature import BACK_K, Bands, discharge_window
from watchd.config import Band, Pack, Temperature

# Invented bands: 0.1 C below 10 degC, 0.2 C below 15, 0.3 C above 40.
SHEET = Temperature(
    charge_min_degc=0.0,
    charge_max_degc=45.0,
    charge_bands=[
        Band(from_degc=0.0, to_degc=10.0, c_rate=0.1),
        Band(from_degc=10.0, to_degc=15.0, c_rate=0.2),
        Band(from_degc=40.0, to_degc=45.0, c_rate=0.3),
    ],
    discharge_min_degc=-20.0,
    discharge_max_degc=60.0,
)
ALDER = Pack(bank="hut", nameplate_ah=200.0, max_charge_a=100.0, temperature=SHEET)


def at(low: float | None, high: float | None = None, *, name: str = "alder") -> PackState:
    high = low if high is None else high
    also = {"temperature_min_degc": low, "temperature_max_degc": high}
    return seen(name, ALDER, also=also)


def amps(found: list[OwnLimit]) -> list[float]:
    return [round(limit.limit_a, 6) for limit in found]


@pytest.mark.parametrize(
    ("where", "low", "high", "left_a"),
    [
        ("below the window", -0.1, -0.1, [0]),
        ("at its lower end: in the first band", 0.0, 0.0, [20]),
        ("at the end of a band the next begins", 10.0, 10.0, [40]),
        ("just before it", 9.99, 9.99, [20]),
        ("where no band is", 15.0, 39.9, []),
        ("in the hot band", 40.0, 40.0, [60]),
        ("at the upper end of the window", 45.0, 45.0, []),
        ("above it", 45.1, 45.1, [0]),
        ("sensors in two bands", 9.0, 12.0, [20, 40]),
        ("one in a cold band, one in a hot", 12.0, 41.0, [40, 60]),
        ("one below the window, one in a band", -1.0, 5.0, [0, 20]),
        ("one below the window, one above", -1.0, 46.0, [0, 0, 20, 40, 60]),
    ],
)
def test_bands_and_window(where: str, low: float, high: float, left_a: list[float]) -> None:
    assert amps(Bands().limits(at(low, high))) == left_a, where


@pytest.mark.parametrize(
    ("low", "high", "degc"), [(12.0, 20.0, "12.0"), (30.0, 41.0, "41.0"), (41.0, 44.0, "41.0")]
)
def test_it_names_a_sensor_that_is_in_the_band(low: float, high: float, degc: str) -> None:
    (limit,) = Bands().limits(at(low, high))
    assert f"alder is at {degc} °C" in limit.because
    assert f"it may take {limit.limit_a:.3g} A" in limit.because


def test_a_sensor_that_flickers_at_the_end_of_a_band_moves_nothing() -> None:
    bands = Bands()
    found = [amps(bands.limits(at(d))) for d in (14.9, 15.1, 14.9, 15.15, 15.19, 15.2, 15.1)]
    # Left at a fifth of a kelvin beyond its end; entered again only at the end itself.
    assert found == [[40]] * 5 + [[]] * 2
    hot = [amps(bands.limits(at(d))) for d in (39.9, 40.0, 39.85, 39.7, 39.9)]
    assert hot == [[], [60], [60], [], []]


def test_between_two_bands_the_lower_holds_until_it_is_left() -> None:
    bands = Bands()
    assert [amps(bands.limits(at(d))) for d in (9.0, 10.1, 10.3)] == [[20], [20, 40], [40]]


def test_each_pack_is_in_its_own_bands() -> None:
    bands = Bands()
    bands.limits(at(14.0))
    assert bands.limits(at(15.1, name="birch")) == []
    assert amps(bands.limits(at(15.1))) == [40]


def test_a_pack_without_temperature_is_in_none_and_forgets() -> None:
    bands = Bands()
    bands.limits(at(14.0))
    assert bands.limits(at(None)) == []
    assert bands.limits(at(15.1)) == []
    assert bands.limits(seen(pack=ALDER, also={"temperature_max_degc": None})) == []


def test_it_goes_on_after_a_restart() -> None:
    bands = Bands()
    bands.limits(at(14.0))
    saved = bands.snapshot()
    again = Bands(json.loads(json.dumps(saved)))
    bands.limits(at(30.0))
    assert amps(again.limits(at(15.1))) == [40]
    assert saved == {"alder": [1]}


@pytest.mark.parametrize(
    ("low", "high", "because"),
    [
        (-20.0, 60.0, []),
        (-20.1, 15.0, ["alder is at -20.1 °C; no discharge below -20 °C"]),
        (15.0, 60.1, ["alder is at 60.1 °C; no discharge above 60 °C"]),
        (-21.0, 61.0, ["no discharge below", "no discharge above"]),
        (None, None, []),
    ],
)
def test_the_window_of_discharging(
    low: float | None, high: float | None, because: list[str]
) -> None:
    found = discharge_window(at(low, high))
    assert amps(found) == [0] * len(because)
    assert all(words in limit.because for words, limit in zip(because, found, strict=True))


@settings(max_examples=200, deadline=None, derandomize=True)
@given(st.lists(st.tuples(st.floats(-5, 50), st.floats(0, 20)), min_size=1, max_size=8))
def test_what_is_left_is_never_more_than_the_bands_of_now_say(
    day: list[tuple[float, float]],
) -> None:
    bands = Bands()
    for low, width in day:
        high = low + width
        found = amps(bands.limits(at(low, high)))
        fresh = amps(Bands().limits(at(low, high)))
        # Those that it is in now, and at most those that it has just left.
        assert set(fresh) <= set(found)
        wider = amps(Bands().limits(at(low - BACK_K, high + BACK_K)))
        assert set(found) <= set(wider) | {0}
        if low < 0 or high > 45:
            assert 0 in found
