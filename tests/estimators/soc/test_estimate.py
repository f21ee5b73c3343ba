"""Our own state of charge: the count from an anchor, what it may be off, and what sets it."""

from __future__ import annotations

import json
from math import hypot, sqrt

import numpy as np
import pytest

from tests.estimators.counting import EXACT, UNLEARNED, Counting
from tests.estimators.moment import sample, setting
from watchd.estimators.charging.charge import Charge
from watchd.estimators.soc.estimate import Soc
from watchd.figures import Figures, Value

NAMEPLATE_AH = 280.0
CAPACITY: Figures = {"capacity_ah": NAMEPLATE_AH, "capacity_sigma_ah": 1e-6}
UNMEASURED: Figures = {"capacity_ah": None, "capacity_sigma_ah": None}


class Counted:
    """A pack whose sensor, losses and capacity are known as a test says."""

    def __init__(self, *known: Figures, offset_a: float = 0.0, gain: float = 1.0) -> None:
        self.count = Counting(offset_a=offset_a, gain=gain)
        self.known: Figures = {**EXACT, **CAPACITY}
        for more in known:
            self.known.update(more)
        self.told = setting(nameplate_ah=NAMEPLATE_AH)
        self.soc = Soc(self.told)
        self.figures: Figures = {}

    def see(self, anchor: str | None = "none", soc: float = 100.0, sigma: float = 0.5) -> Counted:
        known = anchor in ("full", "low")
        self.figures |= self.count.figures(
            **self.known,
            anchor=anchor,
            anchor_soc_pct=soc if known else None,
            anchor_sigma_pct=sigma if known else None,
        )
        self.soc.update(sample(self.count.seconds), self.figures)
        return self

    def flow(self, true_a: float, hours: float, *, times: int = 1) -> Counted:
        for _ in range(times):
            self.count.flow(true_a, hours / times)
            self.see()
        return self

    def full(self) -> Counted:
        return self.see("full")

    @property
    def soc_pct(self) -> float:
        return number(self.figures["soc_estimate_pct"])

    @property
    def sigma_pct(self) -> float:
        return number(self.figures["soc_estimate_sigma_pct"])

    def restart(self) -> None:
        self.soc = Soc(self.told, json.loads(json.dumps(self.soc.snapshot())))
        self.figures = {}


def number(value: Value) -> float:
    assert isinstance(value, float)
    return value


def test_withheld_until_an_anchor_and_never_set_by_anything_else() -> None:
    alder = Counted().see().flow(-20.0, 2)
    assert alder.figures["soc_estimate_pct"] is None
    assert alder.figures["soc_estimate_sigma_pct"] is None
    assert alder.see(None).figures["soc_estimate_pct"] is None
    alder.full()
    assert (alder.soc_pct, alder.sigma_pct) == (100.0, 0.5)


def test_charge_out_and_in() -> None:
    alder = Counted().full().flow(-28.0, 5)
    assert alder.soc_pct == pytest.approx(50.0, abs=1e-4)
    assert alder.flow(14.0, 4).soc_pct == pytest.approx(70.0, abs=1e-4)
    assert alder.see(None).soc_pct == pytest.approx(70.0, abs=1e-4)


# How errors grow, worked by hand for 280 Ah: what is off, flow, off in %.
GROWTH = [
    ({"offset_a": 0.1}, (-1.0, 24.0), 0.857),
    ({"offset_a": 0.1}, (-0.5, 168.0), 6.0),
    ({"gain": 1.01}, (-22.4, 10.0), -0.8),
]


@pytest.mark.parametrize(("sensor", "flow", "off_pct"), GROWTH)
def test_an_error_that_is_not_known_grows_as_worked(
    sensor: dict[str, float], flow: tuple[float, float], off_pct: float
) -> None:
    true_pct = 100 + 100 * flow[0] * flow[1] / NAMEPLATE_AH
    alder = Counted(**sensor).full().flow(*flow)
    assert alder.soc_pct - true_pct == pytest.approx(off_pct, abs=0.001)


def test_white_noise_grows_with_the_root_of_time() -> None:
    """0.5 A at 1 Hz over 280 Ah: 0.0146 % in 24 h, so 0.00298 % in one."""
    rng = np.random.default_rng(1)
    ends = []
    for _ in range(40):
        counter = Charge(setting(nameplate_ah=NAMEPLATE_AH))
        figures: Figures = {}
        for second, amps in enumerate(rng.normal(0, 0.5, 3601).tolist()):
            told = sample(second, current_a=amps, renewed=frozenset({"current_a"}))
            counter.update(told, figures)
        moved_ah = number(figures["charged_ah"]) - number(figures["discharged_ah"])
        ends.append(100 * moved_ah / NAMEPLATE_AH)
    assert sqrt(24) * np.std(ends) == pytest.approx(0.0146, rel=0.25)
    # What sigma allows for it is more: loads switch between two samples, too.
    assert Counted().full().flow(0.0, 24).sigma_pct > hypot(0.5, 0.0146)


def test_offset_and_loss_that_were_learned_are_taken_off() -> None:
    learned: Figures = {
        "current_offset_a": 0.5,
        "current_offset_sigma_a": 0.02,
        "charge_efficiency_pct": 99.0,
        "charge_efficiency_sigma_pct": 0.1,
    }
    alder = Counted(learned, offset_a=0.5).full().flow(-28.5, 5)
    assert alder.soc_pct == pytest.approx(100 - 100 * 28.5 * 5 / 280, abs=1e-3)
    before = alder.soc_pct
    alder.flow(9.5, 10)  # 10 A are shown
    assert alder.soc_pct - before == pytest.approx(100 * (95 - 1.0) / 280, abs=1e-3)


def test_what_is_learned_later_counts_from_the_anchor_on() -> None:
    alder = Counted(UNLEARNED, offset_a=-0.4).full().flow(0.0, 10)
    assert alder.soc_pct == pytest.approx(100 - 400 / 280, abs=0.01)
    alder.known.update(EXACT, current_offset_a=-0.4)
    assert alder.see().soc_pct == pytest.approx(100.0, abs=0.01)


def test_the_error_budget() -> None:
    """sigma by hand: anchor, offset with time, loss with charge in, capacity with charge moved."""
    alder = Counted(UNLEARNED, UNMEASURED).full().flow(-28.0, 5)
    noise = 100 * 0.0003 * sqrt(5)
    by_hand = hypot(0.5, 100 * 0.3 * 5 / 280, 100 * 0.08 * 140 / 280, noise)
    assert alder.sigma_pct == pytest.approx(by_hand, rel=0.01)
    alder.flow(20.0, 7)
    # Back at full the capacity does not matter any more; time and charge in do.
    noise = 100 * 0.0003 * sqrt(12)
    back = hypot(0.5, 100 * 0.3 * 12 / 280, 100 * 0.003 * 140 / 280, noise)
    assert alder.sigma_pct == pytest.approx(back, rel=0.01)


def test_a_measured_capacity_is_taken() -> None:
    alder = Counted({"capacity_ah": 140.0, "capacity_sigma_ah": 2.8}).full().flow(-14.0, 5)
    assert alder.soc_pct == pytest.approx(50.0, abs=1e-3)
    assert alder.sigma_pct == pytest.approx(hypot(0.5, 1.0), rel=0.01)


def test_a_hole_in_the_count_widens_it_and_hides_it() -> None:
    alder = Counted().full().flow(-28.0, 5)
    alder.count.hole(1 / 60)
    assert alder.see().sigma_pct == pytest.approx(hypot(0.5, 0.25), abs=0.02)
    alder.count.hole(0.5)
    assert alder.see().sigma_pct > 7
    alder.count.hole(0.5)
    assert alder.see().figures["soc_estimate_pct"] is None
    assert alder.full().soc_pct == 100.0


def test_no_pack_holds_more_than_full_or_less_than_nothing() -> None:
    alder = Counted(offset_a=0.5).full().flow(0.0, 20, times=20)
    assert alder.soc_pct == 100.0
    # What was counted beyond full is gone, and does not stand for charge later.
    assert alder.flow(-28.5, 5).soc_pct == pytest.approx(50.0, abs=1e-3)
    assert alder.flow(-28.5, 10, times=10).soc_pct == 0.0
    assert alder.flow(27.5, 1).soc_pct == pytest.approx(10.0, abs=1e-3)


def test_full_sets_it_whatever_was_counted() -> None:
    alder = Counted().full().flow(-28.0, 5)
    assert alder.see("full", 99.4, 0.8).soc_pct == pytest.approx(99.4)
    assert alder.sigma_pct == pytest.approx(0.8)
    assert alder.full().soc_pct == 100.0


def test_a_low_anchor_is_weighed_by_the_variances() -> None:
    vague: Figures = {"capacity_ah": NAMEPLATE_AH, "capacity_sigma_ah": NAMEPLATE_AH * 0.02}
    alder = Counted(vague).full().flow(-28.0, 9.3)
    count, sigma = alder.soc_pct, alder.sigma_pct
    alder.see("low", 5.0, 1.2)
    weight = sigma**2 / (sigma**2 + 1.2**2)
    assert alder.soc_pct == pytest.approx(count + weight * (5.0 - count), abs=1e-6)
    assert alder.sigma_pct == pytest.approx(sqrt(weight) * 1.2, abs=1e-6)
    assert alder.flow(28.0, 1).soc_pct == pytest.approx(
        10 + count + weight * (5.0 - count), abs=0.01
    )


def test_a_low_anchor_that_lasts_is_taken_once() -> None:
    vague: Figures = {"capacity_ah": NAMEPLATE_AH, "capacity_sigma_ah": NAMEPLATE_AH * 0.02}
    alder = Counted(vague).full().flow(-28.0, 9.3).see("low", 5.0, 1.2)
    before = (alder.soc_pct, alder.sigma_pct)
    for _ in range(100):
        alder.see("low", 5.0, 1.2)
    assert (alder.soc_pct, alder.sigma_pct) == before


def test_a_low_anchor_worse_than_the_count_does_not_move_it() -> None:
    alder = Counted().full().flow(-28.0, 9.0)
    before = alder.soc_pct
    assert alder.see("low", 8.0, 1.2).soc_pct == before


def test_a_low_anchor_that_contradicts_the_count_is_taken_alone() -> None:
    alder = Counted(UNMEASURED).full().flow(-28.0, 4)
    assert alder.see("low", 6.0, 1.2).soc_pct == pytest.approx(6.0)
    assert alder.sigma_pct == pytest.approx(1.2)


def test_a_low_anchor_may_be_the_first() -> None:
    alder = Counted().see("low", 6.0, 1.2)
    assert [alder.soc_pct, alder.sigma_pct] == pytest.approx([6.0, 1.2])
    assert alder.flow(28.0, 5).soc_pct == pytest.approx(56.0, abs=1e-3)


def test_restarts_change_nothing() -> None:
    whole, resumed = (Counted(UNLEARNED, UNMEASURED, offset_a=0.3) for _ in range(2))
    story = [("full", 0.0), ("none", -20.0), ("low", -20.0), ("none", 30.0), ("none", 30.0)]
    for anchor, amps in story * 2:
        for pack in (whole, resumed):
            pack.count.flow(amps, 5)
            pack.see(anchor, 100.0 if anchor == "full" else 8.0, 1.0)
        assert whole.figures == resumed.figures
        resumed.restart()
