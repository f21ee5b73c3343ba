"""Measurements that contradict each other, and those that only look odd."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.estimators.moment import START, sample, setting
from tests.scene import Scene, leading
from tests.scene import pack as sent
from watchd.estimators.cells.extremes import Extremes
from watchd.estimators.quality.implausible import HOLD_S, Implausible
from watchd.figures import Figures
from watchd.loading import load_rules, shipped

ALL = frozenset({"cell_v", "current_a", "voltage_v", "temperature_degc"})


class Watched:
    """A pack of 200 Ah, 100 A in and 150 A out, through `Implausible` and what it rests on."""

    def __init__(self, saved: dict[str, Any] | None = None) -> None:
        told = setting(max_discharge_a=150.0)
        self.cells, self.implausible, self.at = Extremes(told), Implausible(told, saved), 0.0
        self.figures: Figures = {}

    def look(self, **known: Any) -> Figures:
        now = sample(self.at, **{"renewed": ALL, **known})
        self.cells.update(now, self.figures)
        self.implausible.update(now, self.figures)
        return dict(self.figures)

    def run(self, *sets: dict[str, Any], every_s: float = 10.0) -> str:
        """Samples one after the other; what the last shows."""
        figures: Figures = {}
        for known in sets:
            figures = self.look(**known)
            self.at += every_s
        return what(figures)


def what(figures: Figures) -> str:
    found = figures["telemetry_implausible_what"]
    assert isinstance(found, str)
    assert figures["telemetry_implausible"] is (found != "none")
    return found


def pack(volts: float = 3.3, seventh: float | None = None, **more: Any) -> dict[str, Any]:
    """A pack whose cells are alike, but for the seventh."""
    cells = [volts] * 16
    cells[6] = volts if seventh is None else seventh
    known = {"cell_v": tuple(cells), "voltage_v": round(sum(cells), 2), "current_a": 10.0}
    return {**known, "temperature_degc": (20.0, 22.0), **more}


def test_a_pack_at_peace_shows_nothing() -> None:
    assert Watched().run(*[pack()] * 50) == "none"


@pytest.mark.parametrize(
    ("voltage_v", "amps", "implausible"),
    [
        # The cells sum to 52.8 V: 0.6 % of the pack's voltage, and 2 mOhm at 10 A.
        (52.47, 10.0, False),
        (52.46, 10.0, True),
        (53.13, 10.0, False),
        (53.14, 10.0, True),
        (52.29, 100.0, False),
        (52.28, 100.0, True),
    ],
)
def test_the_sum_of_cells_is_the_packs_voltage(
    voltage_v: float, amps: float, *, implausible: bool
) -> None:
    found = Watched().run(*[pack(voltage_v=voltage_v, current_a=amps)] * 7)
    words = f"the cells sum to 52.80 V where the pack reports {voltage_v:.2f} V"
    assert found == (words if implausible else "none")


def test_a_small_pack_may_differ_by_a_quarter_of_a_volt() -> None:
    small: dict[str, Any] = {"cell_v": (3.3,) * 4, "current_a": 0.0}
    assert Watched().run(*[{**small, "voltage_v": 13.44}] * 10) == "none"
    assert Watched().run(*[{**small, "voltage_v": 13.46}] * 10) != "none"


def test_a_sum_that_differs_for_less_than_a_minute_is_a_load() -> None:
    watched = Watched()
    assert watched.run(*[pack(voltage_v=50.0)] * 6, pack(), *[pack(voltage_v=50.0)] * 6) == "none"
    assert watched.run(pack(voltage_v=50.0)) != "none"


def test_three_sums_are_wanted_however_slow() -> None:
    watched, wrong = Watched(), pack(voltage_v=50.0)
    assert watched.run(wrong, wrong, every_s=70.0) == "none"
    assert watched.run(wrong) != "none"


def test_a_voltage_that_comes_alone_is_compared_with_the_last_cells() -> None:
    watched = Watched()
    alone = pack(voltage_v=50.0, renewed=frozenset({"voltage_v"}))
    found = [
        (watched.run(pack(voltage_v=None), every_s=2.0), watched.run(alone, every_s=28.0))
        for _ in range(4)
    ]
    assert found[1:] == [("none", "none"), ("none", found[3][1]), (found[3][1],) * 2]
    assert found[3][1] != "none"


def test_a_load_that_comes_and_goes_differs_to_both_sides() -> None:
    assert Watched().run(*[pack(voltage_v=50.0), pack(voltage_v=55.0)] * 20) == "none"


def test_a_sum_of_another_moment_is_not_compared() -> None:
    watched = Watched()
    for _ in range(20):
        times = {"cell_v": START + watched.at - 6.0, "voltage_v": START + watched.at}
        assert watched.run(pack(voltage_v=50.0, measured_at=times)) == "none"


@pytest.mark.parametrize(
    ("volts", "amps", "implausible"),
    [
        # From 3.3 V; at 10 A, 10 s are 0.014 % of 200 Ah, at 30 V a unit of SoC 4 mV.
        (3.045, 10.0, True),
        (3.046, 10.0, False),
        (3.555, 10.0, True),
        (3.554, 10.0, False),
        # 40 A more or less through 5 mOhm are 200 mV.
        (3.000, 50.0, False),
        (3.000, -30.0, False),
        (2.800, 50.0, True),
    ],
)
def test_a_cell_moves_no_faster_than_physics(
    volts: float, amps: float, *, implausible: bool
) -> None:
    found = Watched().run(pack(), pack(seventh=volts, current_a=amps))
    words = f"cell 7 went from 3.300 to {volts:.3f} V in 10 s"
    assert found == (words if implausible else "none")


def test_a_cell_that_comes_back_moves_too() -> None:
    found = Watched().run(pack(seventh=2.0), pack())
    assert found == "cell 7 went from 2.000 to 3.300 V in 10 s"


def test_all_cells_may_move_together() -> None:
    assert Watched().run(pack(3.3), pack(3.0), pack(3.4)) == "none"
    assert Watched().run(pack(3.3, 3.1), pack(3.0, 2.8), pack(3.4, 3.2)) == "none"


def test_a_cell_may_move_within_minutes() -> None:
    assert Watched().run(pack(), pack(seventh=2.9), every_s=61.0) == "none"


def test_an_empty_cell_falls_as_it_likes() -> None:
    assert Watched().run(pack(2.9, 2.45), pack(2.9, 1.9)) == "none"


def test_a_reading_lost_for_a_moment_is_seen() -> None:
    assert (
        Watched().run(pack(), pack(seventh=2.0), pack())
        == "cell 7 went from 3.300 to 2.000 V in 10 s"
    )


@pytest.mark.parametrize(
    ("degc", "within_s", "implausible"),
    [(25.0, 10, False), (25.1, 10, True), (14.9, 60, True), (30.0, 61, False)],
)
def test_a_temperature_does_not_jump(degc: float, within_s: float, *, implausible: bool) -> None:
    jumped = pack(temperature_degc=(degc, 22.0))
    found = Watched().run(pack(), jumped, every_s=within_s)
    words = f"temperature sensor 1 jumped from 20 to {degc:.0f} °C"
    assert found == (words if implausible else "none")


def test_a_sensor_more_is_no_jump() -> None:
    more = pack(temperature_degc=(35.0, 20.0, 22.0))
    assert Watched().run(pack(), more, more) == "none"


@pytest.mark.parametrize(("degc", "implausible"), [(-20.0, False), (-20.1, True), (62.1, True)])
def test_an_open_sensor_reads_an_end_of_its_scale(degc: float, *, implausible: bool) -> None:
    sensors = pack(temperature_degc=(20.0, degc))
    watched = Watched()
    found = watched.run(sensors)
    assert (found != "none") is implausible
    # It lasts as long as it is so, though nothing changes.
    assert (watched.run(*[sensors] * 200) != "none") is implausible


@pytest.mark.parametrize(
    ("volts", "implausible"), [(1.5, False), (1.49, True), (4.5, False), (4.51, True)]
)
def test_a_cell_outside_its_range(volts: float, *, implausible: bool) -> None:
    found = Watched().run(pack(seventh=volts))
    words = f"cell 7 at {volts:.2f} V, outside 1.5 to 4.5 V"
    assert found == (words if implausible else "none")


@pytest.mark.parametrize(
    ("amps", "implausible"), [(450.0, False), (451.0, True), (-450.0, False), (-451.0, True)]
)
def test_a_current_three_times_what_it_may_carry(amps: float, *, implausible: bool) -> None:
    found = Watched().run(pack(current_a=amps))
    words = f"a current of {amps:.0f} A, above three times what the pack may carry"
    assert found == (words if implausible else "none")


def test_without_a_limit_of_discharge_one_c_stands_for_it() -> None:
    implausible, figures = Implausible(setting()), Figures()
    for amps, found in ((599.0, False), (601.0, True)):
        renewed = frozenset({"current_a"})
        implausible.update(sample(current_a=amps, renewed=renewed), figures)
        assert figures["telemetry_implausible"] is found


def test_what_lasted_a_moment_is_told_for_ten_minutes() -> None:
    watched = Watched()
    told = watched.run(pack(), pack(current_a=500.0))
    ends = watched.at - 10.0 + HOLD_S
    while watched.at < ends:
        assert watched.run(pack()) == told
    assert watched.run(pack()) == "none"


def test_all_that_was_found_is_told() -> None:
    odd = pack(current_a=-500.0, temperature_degc=(48.0, 22.0))
    assert Watched().run(pack(), odd) == (
        "temperature sensor 1 jumped from 20 to 48 °C; "
        "a current of -500 A, above three times what the pack may carry"
    )


def test_it_is_unknown_while_nothing_is_measured() -> None:
    watched = Watched()
    watched.run(pack(current_a=500.0))
    figures = watched.look(renewed=frozenset())
    assert figures["telemetry_implausible"] is None
    assert figures["telemetry_implausible_what"] is None
    assert watched.look(**pack(), renewed=frozenset())["telemetry_implausible"] is True


def test_the_keeper_is_told_of_a_moment() -> None:
    """One reading of one cell is lost, once."""
    hut = Scene(load_rules(shipped("rules")))
    alarm = ("telemetry-implausible", "pack/alder")
    hut.run(minutes=5, alder=sent(), birch=sent())
    hut.run(seconds=5, alder=sent(cell_v=leading(3.33, by_mv=-900)), birch=sent())
    hut.run(minutes=1, alder=sent(), birch=sent())
    assert hut.raised(*alarm)
    record = hut.retained["watchd/alarm/telemetry-implausible/pack/alder"]
    assert record["text"] == "alder: cell 7 went from 3.330 to 2.430 V in 5 s"
    hut.run(minutes=25, alder=sent(), birch=sent())
    assert not hut.raised(*alarm)
    assert not hut.raised("telemetry-implausible", "pack/birch")


def test_a_look_without_news_finds_nothing() -> None:
    watched = Watched()
    for _ in range(20):
        assert watched.run(pack(voltage_v=40.0, renewed=frozenset())) == "none"


def test_restarts_change_nothing() -> None:
    """One at every sample, while one thing after the other is found and lapses."""
    odd = [
        *[pack(voltage_v=50.0)] * 10,
        pack(seventh=2.9),
        pack(seventh=1.4, current_a=460.0),
        *[pack(temperature_degc=(-30.0, 22.0))] * 70,
        *[pack()] * 70,
    ]
    straight, restarted = Watched(), Watched()
    found: list[str] = []
    for known in odd:
        state = json.loads(json.dumps(restarted.implausible.snapshot()))
        restarted = Watched(state)
        restarted.at = straight.at
        figures = straight.look(**known)
        assert figures == restarted.look(**known)
        found.append(what(figures))
        straight.at += 10.0
    assert len(set(found)) > 5
    assert found[-1] == "none"


# Nothing that is not finite: the gate refuses it.
NUMBERS = st.sampled_from([None, 0.0, -5.0, 80.0, 700.0])
SETS = st.sampled_from([None, (3.3,) * 16, (3.3,) * 15 + (2.6,), (0.5,) * 16])
STEPS = st.tuples(
    st.sampled_from([0.0, 10.0, 70.0, 7200.0]),
    NUMBERS,
    SETS,
    st.sampled_from([None, 52.8, 50.0, 56.0]),
    st.sampled_from([None, (20.0,), (20.0, 30.0), (80.0, 20.0)]),
    st.frozensets(st.sampled_from(sorted(ALL))),
)


@given(samples=st.lists(STEPS, max_size=60), cut=st.integers(0, 60))
def test_it_goes_on_from_a_snapshot_as_if_nothing_had_been(
    samples: list[tuple[Any, ...]], cut: int
) -> None:
    watched, again = Watched(), Watched()
    for index, (step_s, amps, cells, volts, temperatures, renewed) in enumerate(samples):
        if index == cut:
            state = json.loads(json.dumps(again.implausible.snapshot()))
            again = Watched(state)
            again.at = watched.at
        known = {
            "current_a": amps,
            "cell_v": cells,
            "voltage_v": volts,
            "temperature_degc": temperatures,
            "renewed": renewed,
        }
        for one in (watched, again):
            one.at += step_s
        assert json.dumps(watched.look(**known)) == json.dumps(again.look(**known))
    state, other = watched.implausible.snapshot(), again.implausible.snapshot()
    assert json.dumps(state) == json.dumps(other)
