"""How long the bank usually still charges today, learnt from made-up suns."""

from __future__ import annotations

import json
from collections.abc import Callable

import pytest

from watchd.estimators.bank.daylight import SLOT_S, Daylight
from watchd.figures import Figures, Value

MIDNIGHT = 20_000 * 86_400.0  # of UTC
NAMEPLATE_AH, CHARGE_VOLTAGE_V = 400.0, 56.0
Weather = Callable[[float], bool]  # hour of the day -> whether the bank charges


def sun(begin_h: float, hours: float) -> Weather:
    """Charges from an hour on for so many; the day may end at midnight UTC or go on."""
    return lambda hour: (hour - begin_h) % 24 < hours


def dark(_hour: float) -> bool:
    return False


def clouds(begin_h: float, hours: float, *gaps: tuple[float, float]) -> Weather:
    """A sun with clouds between hours of the day."""
    return lambda hour: (
        sun(begin_h, hours)(hour) and not any(low <= hour < high for low, high in gaps)
    )


class Hut:
    """A bank of 400 Ah that charges with 40 A or gives 10 A, a look each two minutes."""

    def __init__(self, amps: float = 40.0, volts: float = 53.0) -> None:
        self.daylight = Daylight(NAMEPLATE_AH, CHARGE_VOLTAGE_V)
        self.hour, self.amps, self.volts = 0.0, amps, volts
        self.left: Value = None

    def look(self, current_a: float | None, voltage_v: float | None) -> None:
        figures: Figures = {"current_a": current_a, "voltage_v": voltage_v}
        self.daylight.update(MIDNIGHT + self.hour * 3600, figures)
        self.left = figures["charging_left_h"]

    def until(self, hour: float, weather: Weather = dark) -> Value:
        """Live on to an hour since the start; what is left then."""
        while self.hour < hour - 1e-9:
            charges = weather(self.hour % 24)
            self.look(self.amps if charges else -10.0, self.volts if charges else 52.0)
            self.hour = round(self.hour * 30 + 1) / 30
        self.look(None, None)
        return self.left

    def restart(self) -> None:
        saved = json.loads(json.dumps(self.daylight.snapshot()))
        self.daylight = Daylight(NAMEPLATE_AH, CHARGE_VOLTAGE_V, saved)


def test_in_the_first_days_it_is_not_known() -> None:
    hut = Hut()
    assert [hut.until(h, sun(8, 7)) for h in (10, 34, 58, 71.8)] == [None] * 4
    assert hut.until(72.2, sun(8, 7)) == 0


@pytest.mark.parametrize(
    ("hour", "left_h"),
    [
        (3.0, 0.0), (7.4, 0.0), (8.0, 7.0), (9.0, 6.0), (9.1, 6.0), (12.0, 3.0), (14.9, 1 / 6),
        (15.0, 0.0), (20.0, 0.0),
    ],
)  # fmt: skip
def test_a_sun_of_seven_hours(hour: float, left_h: float) -> None:
    hut = Hut()
    assert hut.until(96 + hour, sun(8, 7)) == pytest.approx(left_h)


@pytest.mark.parametrize(("hour", "left_h"), [(20.0, 7.0), (23.0, 4.0), (24.0, 3.0), (26.5, 0.5)])
def test_midnight_of_utc_is_no_end_of_a_day(hour: float, left_h: float) -> None:
    hut = Hut()
    assert hut.until(96 + hour, sun(20, 7)) == pytest.approx(left_h)


def test_a_cloud_that_is_there_each_day_does_not_end_it() -> None:
    twenty_minutes = clouds(8, 7, (11, 11 + 1 / 3))
    assert Hut().until(96 + 9, twenty_minutes) == pytest.approx(6.0)
    # Half an hour of it does: what comes then is not counted on.
    assert Hut().until(96 + 9, clouds(8, 7, (11, 11.5))) == pytest.approx(2.0)


def test_a_day_of_clouds_is_not_the_usual() -> None:
    hut = Hut()
    hut.until(120, sun(8, 7))
    hut.until(144)
    assert hut.until(144 + 10, sun(8, 7)) == pytest.approx(5.0)


def test_of_the_first_days_each_counts_the_same() -> None:
    hut = Hut()
    hut.until(48, sun(8, 7))
    assert hut.until(72 + 10) == pytest.approx(5.0)  # two of three
    hut = Hut()
    hut.until(24, sun(8, 7))
    assert hut.until(72 + 10) == 0  # one


def test_then_the_memory_fades_by_a_fifth_a_day() -> None:
    hut = Hut()
    hut.until(10 * 24, sun(8, 7))
    found = [hut.until((10 + day) * 24 + 10) for day in range(1, 5)]
    assert found == [5.0, 5.0, 5.0, 0.0]  # 0.8, 0.64, 0.51, 0.41


@pytest.mark.parametrize(
    ("what", "amps", "volts", "charges"),
    [
        ("a hundredth of capacity", 4.0, 53.0, True),
        ("less, and not at the charge voltage", 3.9, 53.0, False),
        ("less, but standing there", 0.0, 55.5, True),
        ("a hundredth below the charge voltage is not there", 0.0, 55.4, False),
        ("there, but it gives", -0.1, 56.0, False),
        ("it is not known", None, 56.0, False),
        ("nor is the voltage", 40.0, None, False),
    ],
)
def test_what_charging_is(
    what: str, amps: float | None, volts: float | None, charges: bool
) -> None:
    hut = Hut()
    while hut.hour < 96 + 10:
        hut.look(amps, volts)
        hut.hour = round(hut.hour * 6 + 1) / 6
    assert hut.left == (24.0 if charges else 0.0), what


@pytest.mark.parametrize("restarts", [False, True])
def test_a_moment_of_charge_is_enough_for_its_slot(restarts: bool) -> None:
    hut = Hut()
    for step in range(4 * 24 * 20):
        hut.hour = step / 20
        # The second of the three or four looks in a slot.
        hut.look(40.0 if step % 10 in (1, 4, 8) and 8 <= hut.hour % 24 < 15 else -10.0, 53.0)
        if restarts:
            hut.restart()
    hut.hour = 96 + 9.0
    hut.look(-10.0, 53.0)
    assert hut.left == pytest.approx(6.0)


def test_hours_in_which_nobody_watched_are_no_dark_ones() -> None:
    hut = Hut()
    hut.until(96 + 10, sun(8, 7))
    hut.hour = 120.0 + 8.0
    assert hut.until(120 + 9, sun(8, 7)) == pytest.approx(6.0)
    # Nor is what was left of a slot when the watch ended.
    for day in range(6, 12):
        hut.hour = day * 24 + 14.9
        hut.look(-10.0, 52.0)
        hut.restart()
    hut.hour = 12 * 24.0 + 8.0
    assert hut.until(12 * 24 + 9, sun(8, 7)) == pytest.approx(6.0)


def test_a_restart_changes_nothing() -> None:
    whole, resumed = Hut(), Hut()
    for hour in (1.1, 9.05, 40.0, 71.9, 81.3, 100.02):
        found = [hut.until(hour, sun(8, 7)) for hut in (whole, resumed)]
        assert found[0] == found[1]
        resumed.restart()
    assert resumed.daylight.snapshot() == whole.daylight.snapshot()


def test_slots_are_of_ten_minutes() -> None:
    assert SLOT_S == 600  # the hours above rest on it
