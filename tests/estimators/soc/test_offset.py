"""The current sensor's offset and the cells' loss, from what closes between two full charges."""

from __future__ import annotations

import json
from dataclasses import dataclass
from math import sqrt

import numpy as np
import pytest

from tests.estimators.counting import UNLEARNED, Counting
from tests.estimators.moment import sample, setting
from watchd.estimators.charging.count import Count
from watchd.estimators.soc import offset
from watchd.estimators.soc.offset import Learned, Offset
from watchd.figures import Figures, Value

NAMEPLATE_AH = 200.0
QUIET: Figures = {"cell_mean_v": 3.30, "cell_max_v": 3.31}


class Cycled:
    """A pack that is full, gives charge, takes it again; seen by a sensor that errs."""

    def __init__(self, *, offset_a: float = 0.0, loss: float = 0.003) -> None:
        self.count = Counting(offset_a=offset_a)
        self.loss = loss
        self.told = setting(nameplate_ah=NAMEPLATE_AH)
        self.offset = Offset(self.told)
        self.figures: Figures = {}

    def see(self, state: str | None, since_full_h: float | None, amps: float = 0.0) -> Figures:
        self.figures |= self.count.figures(
            charge_state=state, since_full_h=since_full_h, c_rate=amps / NAMEPLATE_AH, **QUIET
        )
        self.offset.update(sample(self.count.seconds, current_a=amps), self.figures)
        return self.figures

    def full(self, amps: float = 0.0) -> Cycled:
        """The end of an absorption."""
        self.see("FULL", 0.0, amps)
        return self

    def day(self, out_ah: float = 80.0, *, hours: float = 24.0, hole_h: float = 0.0) -> Cycled:
        """Discharge, charge again, to the end of the next absorption."""
        self.count.flow(-5.0, 0.5)
        self.see("DISCHARGING", 0.5, -5.0)
        self.count.flow(-(out_ah - 2.5) / 12, 12).hole(hole_h)
        rest_h = hours - 12.5
        self.count.flow(out_ah / (1 - self.loss) / rest_h, rest_h)
        self.see("CHARGING", hours, 7.0)
        return self.full()

    def leave(self) -> Figures:
        """It is full no longer."""
        return self.see("DISCHARGING", 1.0, -5.0)

    def restart(self) -> None:
        self.offset = Offset(self.told, json.loads(json.dumps(self.offset.snapshot())))
        self.figures = {}


def number(value: Value) -> float:
    assert isinstance(value, float)
    return value


def test_withheld_until_a_closure_was_seen() -> None:
    alder = Cycled(offset_a=0.3).full()
    assert {alder.leave()[name] for name in UNLEARNED} == {None}
    alder.day()
    assert alder.figures["current_offset_a"] is None  # the full charge still goes on
    assert number(alder.leave()["current_offset_a"]) == pytest.approx(0.3, abs=0.05)


@pytest.mark.parametrize("offset_a", [-0.5, -0.1, 0.0, 0.2, 0.5])
@pytest.mark.parametrize("loss", [0.001, 0.005])
def test_ten_days_tell_the_offset(offset_a: float, loss: float) -> None:
    alder = Cycled(offset_a=offset_a, loss=loss).full()
    for _ in range(10):
        alder.day()
    figures = alder.leave()
    assert number(figures["current_offset_a"]) == pytest.approx(offset_a, abs=0.03)
    assert 0.005 < number(figures["current_offset_sigma_a"]) < 0.04
    assert abs(number(figures["charge_efficiency_pct"]) - 100 * (1 - loss)) < 2 * number(
        figures["charge_efficiency_sigma_pct"]
    )


def test_days_of_rest_and_days_of_work_tell_offset_and_loss_apart() -> None:
    alder = Cycled(offset_a=0.2, loss=0.006).full()
    for _ in range(60):
        alder.day(150.0).day(10.0, hours=72)
    figures = alder.leave()
    assert number(figures["current_offset_a"]) == pytest.approx(0.2, abs=0.01)
    assert number(figures["charge_efficiency_pct"]) == pytest.approx(99.4, abs=0.06)


@dataclass
class Closure:
    hours: float
    into_ah: float
    net_ah: float


def all_at_once(closures: list[Closure], equal_ah: float) -> tuple[float, float]:
    """Offset after the last closure and its sigma, by least squares over every unknown at once.

    Unknowns: the offset during each closure (a random walk), the loss, e at each end.
    """
    n = len(closures)
    rows, values, sigmas = [], [], []

    def put(where: dict[int, float], value: float, sigma: float) -> None:
        row = np.zeros(2 * n + 2)
        for place, factor in where.items():
            row[place] = factor
        rows.append(row)
        values.append(value)
        sigmas.append(sigma)

    loss, first_end = n, n + 1
    drift = [offset.DRIFT_A_PER_ROOT_DAY * sqrt(c.hours / 24) for c in closures]
    put({0: 1.0}, 0.0, sqrt(offset.PRIOR_OFFSET_SIGMA_A**2 + drift[0] ** 2))
    put({loss: 1.0}, offset.PRIOR_LOSS, offset.PRIOR_LOSS_SIGMA)
    put({first_end: 1.0}, 0.0, equal_ah)
    for k, c in enumerate(closures):
        if k:
            put({k: 1.0, k - 1: -1.0}, 0.0, drift[k])
        end = first_end + k + 1
        put({end: 1.0}, 0.0, equal_ah)
        noise = offset.COUNT_NOISE * NAMEPLATE_AH * sqrt(c.hours)
        put({k: c.hours, loss: c.into_ah, end: 1.0, end - 1: -1.0}, c.net_ah, noise)
    weighted = np.array(rows) / np.array(sigmas)[:, None]
    covariance = np.linalg.inv(weighted.T @ weighted)
    mean = covariance @ weighted.T @ (np.array(values) / np.array(sigmas))
    return float(mean[n - 1]), float(np.sqrt(covariance[n - 1, n - 1]))


def test_the_same_as_all_closures_at_once() -> None:
    """Source: least squares by NumPy over all unknowns; the estimator keeps three."""
    rng = np.random.default_rng(5)
    alder, closures = Cycled(offset_a=0.15).full(), []
    for _ in range(7):
        before = Count.of(alder.count.figures())
        alder.day(float(rng.uniform(30, 150)), hours=float(rng.uniform(20, 60)))
        alder.count.charged_ah += float(rng.uniform(0, 1))  # not equally full
        alder.full()
        c = Count.of(alder.count.figures()).since(before)
        closures.append(Closure(c.counted_h, c.charged_ah, c.net_ah))
    figures = alder.leave()
    mean, sigma = all_at_once(closures, offset.EQUAL_FULL * NAMEPLATE_AH)
    assert number(figures["current_offset_a"]) == pytest.approx(mean, rel=1e-9)
    assert number(figures["current_offset_sigma_a"]) == pytest.approx(sigma, rel=1e-9)


def test_the_last_end_of_a_full_charge_counts_not_its_first_moment() -> None:
    """Charge that goes in while the pack is full already belongs to this full charge."""
    alder = Cycled().full()
    for _ in range(5):
        alder.day()
        alder.count.flow(6.0, 0.5)  # 3 Ah of absorption after the first moment of full
        alder.full()
        alder.count.discharged_ah += 3.0  # and as much less next day: equally full at each end
    assert abs(number(alder.leave()["current_offset_a"])) < 0.02


def test_a_tail_that_still_flows_makes_an_end_less_sure() -> None:
    def sigma(tail_a: float) -> float:
        alder = Cycled().full().day().full(tail_a)
        return number(alder.leave()["current_offset_sigma_a"])

    assert sigma(0.0) < sigma(5.0) < sigma(10.0)


def test_a_hole_in_the_count_voids_the_closure_and_the_next_begins_anew() -> None:
    alder = Cycled(offset_a=0.3).full().day(hole_h=0.2)
    assert alder.leave()["current_offset_a"] is None
    alder.day()
    assert number(alder.leave()["current_offset_a"]) == pytest.approx(0.3, abs=0.06)


def test_a_closure_that_cannot_be_is_not_believed() -> None:
    alder = Cycled(offset_a=0.1).full()
    for _ in range(5):
        alder.day()
    before = number(alder.leave()["current_offset_a"])
    alder.count.discharged_ah += 30.0  # a hundredth of it would be much
    alder.day()
    assert number(alder.leave()["current_offset_a"]) == pytest.approx(before, abs=1e-9)
    for _ in range(2):
        alder.day()
    assert number(alder.leave()["current_offset_a"]) == pytest.approx(0.1, abs=0.04)


def test_another_sensor_is_believed_after_three_closures() -> None:
    alder = Cycled(offset_a=-0.3).full()
    for _ in range(5):
        alder.day()
    alder.count.offset_a = 0.4
    seen = [number(alder.day().leave()["current_offset_a"]) for _ in range(4)]
    assert seen[:2] == pytest.approx([-0.3, -0.3], abs=0.05)
    assert seen[2:] == pytest.approx([0.4, 0.4], abs=0.06)


def test_an_offset_that_drifts_is_followed() -> None:
    alder = Cycled(offset_a=0.0).full()
    for day in range(60):
        alder.count.offset_a = 0.005 * day
        alder.day()
    figures = alder.leave()
    assert abs(number(figures["current_offset_a"]) - 0.295) < 2 * number(
        figures["current_offset_sigma_a"]
    )


def test_unknown_state_leaves_the_full_charge_open() -> None:
    alder = Cycled(offset_a=0.2).full().day()
    alder.see(None, None)
    assert alder.figures["current_offset_a"] is None
    assert alder.leave()["current_offset_a"] is not None


def test_restarts_change_nothing() -> None:
    whole, resumed = Cycled(offset_a=0.2).full(), Cycled(offset_a=0.2).full()
    for _ in range(6):
        whole.day()
        resumed.restart()
        resumed.day()
        resumed.restart()
        assert whole.leave() == resumed.leave()


def test_what_others_take_where_nothing_was_learned() -> None:
    learned = Learned.of(dict(UNLEARNED))
    assert learned == (0.0, 0.3, 0.003, 0.003)
    moved_ah, sigma_ah = learned.corrected(Count(100.0, 40.0, 10.0, 0.0))
    assert moved_ah == pytest.approx(60 - 0.3)
    assert sigma_ah == pytest.approx(sqrt(3.0**2 + 0.3**2))
