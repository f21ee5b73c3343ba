"""Time to full and time to empty."""

from __future__ import annotations

import json
import math
import random

import pytest

from tests.estimators.moment import sample, setting
from watchd.estimators.charging.charge import Charge
from watchd.estimators.charging.horizon import FIGURES, Horizon, ahead, taper
from watchd.estimators.estimator import Estimator
from watchd.estimators.soc.capacity import PRIOR_SIGMA
from watchd.figures import Figures, Value

NAMES = [figure.name for figure in FIGURES]
TO_FULL, TO_EMPTY = NAMES[:3], NAMES[3:]
HOLD_H = 300 / 3600


class Pack:
    """A pack of 200 Ah by its nameplate."""

    def __init__(self, *, restarts: bool = False, **known: Value) -> None:
        self.setting = setting()
        self.estimators: list[Estimator] = [Charge(self.setting), Horizon(self.setting)]
        self.restarts, self.seconds = restarts, 0.0
        self.known: Figures = {
            "soc_estimate_pct": 60.0,
            "soc_estimate_sigma_pct": 1.0,
            "capacity_ah": None,
            "capacity_sigma_ah": None,
            "cell_max_v": 3.33,
            "charge_state": "CHARGING",
            **known,
        }
        self.figures: Figures = {}

    def look(self, minutes: float, *amps: float | None, **known: Value) -> None:
        """Minutes of a current, or of several in turn, each for a minute."""
        self.known.update(known)
        for step in range(round(minutes * 6)):
            now = amps[step // 6 % len(amps)]
            renewed = frozenset({"current_a"}) if now is not None else frozenset()
            moment = sample(self.seconds, current_a=now, renewed=renewed)
            if self.restarts:
                self.figures = {}
                self.estimators = [
                    type(e)(self.setting, json.loads(json.dumps(e.snapshot())))
                    for e in self.estimators
                ]
            self.figures |= self.known
            for estimator in self.estimators:
                estimator.update(moment, self.figures)
            self.seconds += 10.0

    def __getitem__(self, name: str) -> float:
        value = self.figures[name]
        assert isinstance(value, float), f"{name} is {value}"
        return value

    def shown(self, names: list[str]) -> list[Value]:
        return [self.figures[name] for name in names]


def test_time_to_full_and_to_empty_at_a_steady_current() -> None:
    pack = Pack(capacity_ah=190.0, capacity_sigma_ah=0.0, soc_estimate_sigma_pct=0.0)
    pack.look(31, 38.0)
    assert pack["time_to_full_h"] == pytest.approx(0.4 * 190 / 38 + HOLD_H)
    assert pack["time_to_full_low_h"] == pytest.approx(2.0)
    assert pack["time_to_full_high_h"] == pytest.approx(2.0 + HOLD_H)
    assert pack.shown(TO_EMPTY) == [None] * 3
    pack.look(31, -19.0)
    assert pack["time_to_empty_h"] == pytest.approx(0.6 * 190 / 19)
    assert pack.shown(TO_FULL) == [None] * 3


def test_what_is_not_sure_of_the_charge_widens_it() -> None:
    pack = Pack(capacity_ah=200.0, capacity_sigma_ah=4.0, soc_estimate_sigma_pct=3.0)
    pack.look(31, -20.0)
    # 120 Ah: 3 % of 200 and 60 % of 4 Ah, two sigma, over 20 A.
    wide = 2 * math.hypot(6.0, 2.4) / 20
    assert pack["time_to_empty_low_h"] == pytest.approx(6.0 - wide)
    assert pack["time_to_empty_high_h"] == pytest.approx(6.0 + wide)


def test_without_a_capacity_the_nameplate_is_sure_as_capacity_has_it() -> None:
    pack = Pack(soc_estimate_sigma_pct=0.0)
    pack.look(31, -20.0)
    assert pack["time_to_empty_h"] == pytest.approx(6.0)
    assert pack["time_to_empty_high_h"] == pytest.approx(6.0 + 2 * PRIOR_SIGMA * 6.0)


def test_a_current_that_swings_widens_it_more_to_the_late_side() -> None:
    pack = Pack(capacity_ah=200.0, capacity_sigma_ah=0.0, soc_estimate_sigma_pct=0.0)
    pack.look(31, -16.0, -24.0)
    time_h, low_h, high_h = (pack[n] for n in TO_EMPTY)
    assert time_h == pytest.approx(6.0, rel=0.02)
    assert 3.9 < low_h < 4.6  # at 20 + 2 * 4 A
    assert 9.0 < high_h < 11.0  # at 20 - 2 * 4 A


def test_where_the_current_may_be_none_it_is_perhaps_never() -> None:
    pack = Pack()
    pack.look(31, -2.0, -2.0, -30.0)
    assert pack["time_to_empty_low_h"] < pack["time_to_empty_h"]
    assert pack.figures["time_to_empty_high_h"] is None


@pytest.mark.parametrize("amps", [0.0, 0.9, -0.9])
def test_at_rest_it_is_unknown(amps: float) -> None:
    pack = Pack()
    pack.look(40, amps)
    assert pack.shown(NAMES) == [None] * 6


def test_the_mean_of_a_direction_forgets_the_other() -> None:
    pack = Pack(soc_estimate_sigma_pct=0.0)
    pack.look(40, -50.0)
    pack.look(4, 20.0)
    assert pack.shown(NAMES) == [None] * 6
    pack.look(4, 20.0)
    assert pack["time_to_full_h"] == pytest.approx(4.0 + HOLD_H)


def test_it_is_the_mean_of_half_an_hour() -> None:
    pack = Pack()
    pack.look(60, -60.0)
    pack.look(31, -20.0)
    assert pack["time_to_empty_h"] == pytest.approx(120 / 20, rel=0.05)


@pytest.mark.parametrize("missing", ["soc_estimate_pct", "soc_estimate_sigma_pct"])
def test_without_our_own_soc_it_is_unknown(missing: str) -> None:
    pack = Pack()
    pack.look(40, 20.0, **{missing: None})
    assert pack.shown(NAMES) == [None] * 6


def test_after_a_hole_it_begins_anew() -> None:
    pack = Pack()
    pack.look(40, 20.0)
    pack.look(5, None)
    assert pack.shown(NAMES) == [None] * 6
    pack.look(5, 20.0)
    assert pack.shown(NAMES) == [None] * 6
    pack.look(4, 20.0)
    assert pack["time_to_full_h"] == pytest.approx(4.0 + HOLD_H)


def test_a_full_pack_is_full() -> None:
    pack = Pack(charge_state="FULL", soc_estimate_pct=99.5)
    pack.look(40, 5.0)
    assert pack.shown(TO_FULL) == [0.0, 0.0, 0.0]


def test_near_the_top_the_far_end_has_the_taper() -> None:
    pack = Pack(soc_estimate_pct=95.0, soc_estimate_sigma_pct=0.0)
    pack.look(31, 20.0)
    straight = pack["time_to_full_high_h"] - HOLD_H
    pack.look(2, 20.0, cell_max_v=3.45)
    assert pack["time_to_full_h"] == pytest.approx(0.5 + HOLD_H)
    assert pack["time_to_full_high_h"] - HOLD_H == pytest.approx(straight * taper(20.0, 2.0))


def test_the_taper_is_that_of_a_current_that_falls_with_what_is_missing() -> None:
    """From 20 A to 2 A in proportion to the charge that is still missing, step by step."""
    missing, amps, hours = 10.0, 20.0, 0.0
    slope = (20.0 - 2.0) / missing
    while amps > 2.0:
        missing -= amps * 1e-4
        amps, hours = 2.0 + slope * missing, hours + 1e-4
    assert hours == pytest.approx(10.0 / 20.0 * taper(20.0, 2.0), rel=1e-3)
    assert taper(2.0, 2.0) == 1.0


def test_the_interval_holds_what_comes() -> None:
    """Charge, current drawn from what is not sure: the true time is inside in 95 of 100."""
    rng = random.Random(4)
    inside = 0
    for _ in range(2000):
        left, sigma, amps, spread = 100.0, rng.uniform(0, 8), 20.0, rng.uniform(0, 3)
        true_h = rng.gauss(left, sigma) / rng.gauss(amps, spread)
        _, low_h, high_h = ahead(left, sigma, amps, spread)
        assert high_h is not None
        inside += low_h <= true_h <= high_h
    assert 0.94 <= inside / 2000 <= 0.97


def test_a_restart_anywhere_changes_nothing() -> None:
    found = []
    for restarts in (False, True):
        pack = Pack(restarts=restarts)
        pack.look(20, -20.0, -31.0, -25.0)
        pack.look(20, 12.0, 14.3)
        found.append((pack.figures, pack.estimators[1].snapshot()))
    assert found[0] == found[1]
