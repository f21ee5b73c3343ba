"""Usable capacity from pairs of a full charge and a low anchor, and what it refuses."""

from __future__ import annotations

import json
from math import hypot

import numpy as np
import pytest

from tests.estimators.counting import EXACT, UNLEARNED, Counting
from tests.estimators.moment import sample, setting
from watchd.estimators.soc.capacity import SYSTEMATIC, Capacity
from watchd.figures import Figures, Value

NAMEPLATE_AH = 200.0
NAMES = ("capacity_ah", "capacity_sigma_ah", "soh_pct", "soh_sigma_pct")


class Cycled:
    """A pack of some true capacity, between its anchors."""

    def __init__(
        self, capacity_ah: float, *, learned: Figures | None = None, **sensor: float
    ) -> None:
        self.capacity_ah = capacity_ah
        self.count = Counting(**sensor)
        self.learned = EXACT if learned is None else learned
        self.told = setting(nameplate_ah=NAMEPLATE_AH)
        self.capacity = Capacity(self.told)
        self.soc = 1.0
        self.figures: Figures = {}

    def see(
        self, anchor: str | None = "none", off_pct: float = 0.0, state: str = "CHARGING"
    ) -> None:
        known = anchor in ("full", "low")
        self.figures |= self.count.figures(
            **self.learned,
            anchor=anchor,
            anchor_soc_pct=100 * self.soc + off_pct if known else None,
            anchor_sigma_pct=(0.5 if anchor == "full" else 1.0) if known else None,
            charge_state="FULL" if anchor == "full" else state,
        )
        self.capacity.update(sample(self.count.seconds), self.figures)

    def move(self, to: float, c_rate: float = 0.1) -> Cycled:
        change_ah = (to - self.soc) * self.capacity_ah
        amps = c_rate * self.capacity_ah * (1 if change_ah > 0 else -1)
        self.count.flow(amps, change_ah / amps)
        self.soc = to
        self.see()
        return self

    def full(self, off_pct: float = 0.0) -> Cycled:
        if self.soc < 1:
            self.move(1.0)
        self.see("full", off_pct)
        return self

    def low(self, soc: float = 0.05, off_pct: float = 0.0) -> Cycled:
        """Leave full, and come down to the low knee."""
        self.move(0.98).move(soc)
        self.see("low", off_pct)
        return self

    def leave(self) -> Figures:
        self.move(0.98)
        return self.figures

    def restart(self) -> None:
        self.capacity = Capacity(self.told, json.loads(json.dumps(self.capacity.snapshot())))
        self.figures = {}


def number(value: Value) -> float:
    assert isinstance(value, float)
    return value


def values(figures: Figures) -> list[Value]:
    return [figures[name] for name in NAMES]


def test_withheld_until_the_first_pair() -> None:
    alder = Cycled(180.0).full()
    assert values(alder.leave()) == [None] * 4
    alder.full().low().full()
    assert values(alder.figures) == [None] * 4
    figures = alder.leave()
    assert number(figures["capacity_ah"]) == pytest.approx(180.0, abs=0.5)
    assert number(figures["soh_pct"]) == pytest.approx(90.0, abs=0.3)
    assert number(figures["soh_sigma_pct"]) == pytest.approx(
        number(figures["capacity_sigma_ah"]) / 2
    )


@pytest.mark.parametrize("capacity_ah", [150.0, 190.0, 210.0, 230.0])
def test_the_prior_fades_before_what_was_measured(capacity_ah: float) -> None:
    alder = Cycled(capacity_ah).full()
    for _ in range(5):
        alder.low().full()
    figures = alder.leave()
    assert number(figures["capacity_ah"]) == pytest.approx(capacity_ah, rel=0.004)
    # One per cent of sensor and curve is never averaged away.
    sigma = number(figures["capacity_sigma_ah"]) / capacity_ah
    assert SYSTEMATIC < sigma < hypot(SYSTEMATIC, 0.006)


def test_offset_and_loss_that_were_learned_are_taken_off() -> None:
    learned: Figures = {
        "current_offset_a": 0.5,
        "current_offset_sigma_a": 0.02,
        "charge_efficiency_pct": 100.0,
        "charge_efficiency_sigma_pct": 0.1,
    }
    known = Cycled(200.0, learned=learned, offset_a=0.5).full()
    # Only one way: there the offset counts whole, both ways it takes itself off.
    known.count.flow(0.0, 48)
    known.low()
    known.count.hole(0.1)
    known.full()
    assert number(known.leave()["capacity_ah"]) == pytest.approx(200.0, abs=0.5)
    vague = Cycled(200.0, learned=UNLEARNED, offset_a=0.0).full().low().full()
    assert number(vague.leave()["capacity_sigma_ah"]) > number(known.figures["capacity_sigma_ah"])


def test_the_deepest_point_counts() -> None:
    alder = Cycled(180.0).full().low(0.12, off_pct=2.0)
    alder.move(0.05)
    alder.see("low")
    alder.move(0.10)
    alder.see("low", off_pct=-2.0)
    alder.full()
    assert number(alder.leave()["capacity_ah"]) == pytest.approx(180.0, abs=0.5)


def test_a_full_charge_lasts_until_it_ends() -> None:
    """What goes in after the first moment of full belongs to it."""
    alder = Cycled(180.0).full().low().move(0.99)
    alder.see("full")
    alder.full()
    assert number(alder.leave()["capacity_ah"]) == pytest.approx(180.0, abs=0.5)


def test_a_hole_in_the_count_tells_nothing() -> None:
    alder = Cycled(180.0).full().low()
    alder.count.hole(0.1)
    assert number(alder.full().leave()["capacity_ah"]) > 0  # the way down was whole
    birch = Cycled(180.0).full()
    birch.count.hole(0.1)
    birch.low()
    birch.count.hole(0.1)
    assert values(birch.full().leave()) == [None] * 4


def test_a_low_anchor_before_any_full_charge_gives_the_way_up() -> None:
    alder = Cycled(180.0)
    alder.low().full()
    assert number(alder.leave()["capacity_ah"]) == pytest.approx(180.0, abs=1.0)


def test_no_low_anchor_no_pair() -> None:
    alder = Cycled(180.0).full()
    for _ in range(5):
        alder.move(0.98).move(0.2).full()
    assert values(alder.leave()) == [None] * 4


def test_ageing_shows() -> None:
    alder = Cycled(200.0).full()
    for cycle in range(300):
        alder.capacity_ah = 200.0 * (1 - 0.1 * cycle / 300)
        alder.low().full()
    figures = alder.leave()
    assert number(figures["capacity_ah"]) - 180.0 < number(figures["capacity_sigma_ah"])


def test_a_pair_that_cannot_be_is_not_believed_but_three_in_a_row_are() -> None:
    alder = Cycled(200.0).full()
    for _ in range(5):
        alder.low().full()
    before = alder.leave()["capacity_ah"]
    alder.full().move(0.98)
    alder.count.discharged_ah += 80.0
    alder.low()
    alder.count.charged_ah += 80.0
    alder.full()
    assert alder.leave()["capacity_ah"] == before
    alder.full()
    alder.capacity_ah = 120.0  # other cells
    for _ in range(4):
        alder.low().full()
    assert number(alder.leave()["capacity_ah"]) == pytest.approx(120.0, rel=0.03)


def test_sigma_is_honest() -> None:
    """Anchors that err as they say, a gain within 1 %: nine in ten within two sigmas, and more."""
    rng = np.random.default_rng(17)
    off = []
    for _ in range(60):
        gain = float(rng.uniform(0.99, 1.01))
        curve_pct = float(rng.normal(0, 0.8))
        alder = Cycled(float(rng.uniform(170, 215)), gain=gain).full(float(rng.normal(0, 0.3)))
        for _ in range(5):
            alder.low(float(rng.uniform(0.02, 0.1)), curve_pct + float(rng.normal(0, 0.5)))
            alder.full(float(rng.normal(0, 0.3)))
        figures = alder.leave()
        off.append(
            (number(figures["capacity_ah"]) - alder.capacity_ah)
            / number(figures["capacity_sigma_ah"])
        )
    assert np.mean(np.abs(off) < 2) >= 0.95
    assert np.std(off) > 0.4  # and not so wide that it says nothing


def test_restarts_change_nothing() -> None:
    whole, resumed = Cycled(180.0).full(), Cycled(180.0).full()
    for _ in range(3):
        for step in (Cycled.low, Cycled.full, Cycled.leave):
            step(whole)
            resumed.restart()
            step(resumed)
            assert values(whole.figures) == values(resumed.figures)


def test_a_first_pair_far_from_nameplate_is_seen_and_one_that_cannot_be_is_not() -> None:
    assert number(Cycled(110.0).full().low().full().leave()["soh_pct"]) == pytest.approx(55, abs=2)
    assert values(Cycled(60.0).full().low().full().leave()) == [None] * 4
