"""The end of a charge: tail current, how long it lasted, spread at full."""

from __future__ import annotations

import json

import pytest

from tests.estimators.moment import sample, setting
from watchd.estimators.cells.extremes import Extremes
from watchd.estimators.charging.absorption import FIGURES, Absorption
from watchd.estimators.charging.charge import Charge
from watchd.estimators.charging.full import Full
from watchd.figures import Figures
from watchd.settings import pack_settings

NAMES = [figure.name for figure in FIGURES]
RENEWED = frozenset({"voltage_v", "current_a", "cell_v"})


class Pack:
    """A pack of 200 Ah at 56.0 V: `look` shows it to the estimators every ten seconds."""

    def __init__(self, *, restarts: bool = False) -> None:
        self.setting = setting()
        self.estimators = [e(self.setting) for e in (Extremes, Charge, Full, Absorption)]
        self.fixed = pack_settings(self.setting.pack, self.setting.bank)
        self.figures: Figures = {}
        self.seconds, self.restarts = 0.0, restarts

    def look(
        self,
        minutes: float,
        volts: float | None,
        amps: float | None,
        spread_mv: float = 0.0,
        falls_to: float | None = None,
    ) -> None:
        """So many minutes of a voltage and a current (that falls to another), and a spread."""
        steps = round(minutes * 6)
        for step in range(steps):
            now = amps
            if amps is not None and falls_to is not None:
                now = amps + (falls_to - amps) * step / steps
            cells = None
            if volts is not None:
                mean, half = volts / 16, spread_mv / 2000
                cells = (mean + half, mean - half, *[mean] * 14)
            self._take(volts, now, cells)

    def _take(
        self, volts: float | None, amps: float | None, cells: tuple[float, ...] | None
    ) -> None:
        moment = sample(
            self.seconds,
            voltage_v=volts,
            current_a=amps,
            cell_v=cells,
            renewed=RENEWED if volts is not None else frozenset(),
        )
        if self.restarts:
            self.figures = {}
            saved = json.loads(json.dumps([e.snapshot() for e in self.estimators]))
            self.estimators = [
                type(e)(self.setting, s) for e, s in zip(self.estimators, saved, strict=True)
            ]
        self.figures |= {**self.fixed, "voltage_v": volts, "current_a": amps}
        for estimator in self.estimators:
            estimator.update(moment, self.figures)
        self.seconds += 10.0

    def __getitem__(self, name: str) -> float | None:
        value = self.figures[name]
        assert value is None or isinstance(value, float)
        return value


def test_nothing_is_known_before_the_first_absorption() -> None:
    pack = Pack()
    pack.look(30, 53.6, 60.0)
    pack.look(30, 55.8, 60.0)
    assert [pack[name] for name in NAMES] == [None, None, None]


def test_the_tail_is_the_lowest_minute_and_no_single_sample() -> None:
    pack = Pack()
    pack.look(40, 56.0, 60.0, falls_to=4.0)
    pack.look(1 / 6, 56.0, 0.0)
    pack.look(20, 56.0, 4.0)
    assert pack["tail_current_a"] == pytest.approx(4.0, abs=0.7)
    assert pack["absorption_h"] == pytest.approx(1.0, abs=0.04)


def test_it_is_kept_until_the_next_and_then_forgotten() -> None:
    pack = Pack()
    pack.look(30, 56.0, 3.0)
    pack.look(12 * 60, 53.2, -10.0)
    assert pack["tail_current_a"] == pytest.approx(3.0)
    assert pack["absorption_h"] == pytest.approx(0.5, abs=0.02)
    pack.look(10, 56.0, 50.0)
    assert pack["tail_current_a"] == pytest.approx(50.0)
    assert pack["absorption_h"] == pytest.approx(1 / 6, abs=0.02)


def test_a_cloud_does_not_end_it() -> None:
    pack = Pack()
    pack.look(20, 56.0, 8.0)
    pack.look(30, 53.5, -5.0)
    pack.look(20, 56.0, 12.0)
    assert pack["tail_current_a"] == pytest.approx(8.0)
    assert pack["absorption_h"] == pytest.approx(2 / 3, abs=0.04)


@pytest.mark.parametrize("volts", [55.87, 56.3])
def test_meters_differ(volts: float) -> None:
    pack = Pack()
    pack.look(5, volts, 3.0)
    assert pack["tail_current_a"] == pytest.approx(3.0)


def test_what_flows_out_at_the_voltage_is_no_tail() -> None:
    pack = Pack()
    pack.look(10, 56.0, 5.0)
    pack.look(10, 56.0, -5.0)
    assert pack["tail_current_a"] is not None
    assert pack["tail_current_a"] >= 0.0


def test_a_minute_with_a_hole_in_its_count_tells_nothing() -> None:
    pack = Pack()
    pack.look(10, 56.0, 50.0)
    for _ in range(10):
        pack.look(0.5, 56.0, None)
        pack.look(0.5, 56.0, 50.0)
    assert pack["tail_current_a"] == pytest.approx(50.0)


def test_the_spread_at_full_is_that_of_the_last_minutes() -> None:
    pack = Pack()
    pack.look(30, 56.0, 60.0, spread_mv=90.0)
    assert pack["spread_at_full_mv"] is None  # at the voltage, and not yet full
    pack.look(20, 56.0, 4.0, spread_mv=40.0)
    assert pack["spread_at_full_mv"] == pytest.approx(40.0, abs=0.1)
    pack.look(30, 56.0, 3.0, spread_mv=30.0)
    assert pack["spread_at_full_mv"] == pytest.approx(30.0, abs=0.1)
    # Still full and at rest: the flat part of the curve shows nothing.
    pack.look(30, 53.6, 0.0, spread_mv=2.0)
    assert pack.figures["charge_state"] == "FULL"
    assert pack["spread_at_full_mv"] == pytest.approx(30.0, abs=0.1)


def test_noise_is_averaged() -> None:
    pack = Pack()
    pack.look(10, 56.0, 4.0, spread_mv=30.0)
    for _ in range(60):
        pack.look(1 / 6, 56.0, 4.0, spread_mv=26.0)
        pack.look(1 / 6, 56.0, 4.0, spread_mv=34.0)
    assert pack["spread_at_full_mv"] == pytest.approx(30.0, abs=0.5)


def test_the_next_full_begins_anew() -> None:
    pack = Pack()
    pack.look(20, 56.0, 4.0, spread_mv=30.0)
    pack.look(10 * 60, 53.0, -20.0, spread_mv=2.0)
    assert pack["spread_at_full_mv"] == pytest.approx(30.0)
    pack.look(5.5, 56.0, 4.0, spread_mv=60.0)
    assert pack["spread_at_full_mv"] == pytest.approx(60.0)


def test_a_restart_anywhere_changes_nothing() -> None:
    found = []
    for restarts in (False, True):
        pack = Pack(restarts=restarts)
        for _ in range(2):
            pack.look(30, 56.0, 60.0, 80.0, falls_to=4.0)
            pack.look(20, 56.0, 4.0, 40.0)
            pack.look(7 * 60, 53.2, -10.0, 3.0)
        found.append(pack.figures)
    assert found[0] == found[1]
