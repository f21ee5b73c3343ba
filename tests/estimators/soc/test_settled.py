"""The offset on the first day: the current that is left when a full pack is held at its voltage."""

from __future__ import annotations

import pytest

from tests.estimators.counting import UNLEARNED, Counting
from tests.estimators.moment import sample, setting
from watchd.estimators.soc.offset import Offset
from watchd.figures import Figures, Value

NAMEPLATE_AH = 200.0


def number(value: Value) -> float:
    assert isinstance(value, float)
    return value


class Floating:
    """A full pack at its float voltage, a sample each ten seconds."""

    def __init__(self, *, offset_a: float = 0.25) -> None:
        self.count = Counting(offset_a=offset_a)
        self.told = setting(nameplate_ah=NAMEPLATE_AH)
        self.offset = Offset(self.told)
        self.figures: Figures = {}

    def run(
        self, minutes: float, *, true_a: float = 0.0, mean_v: float = 3.365, rise_v: float = 0.0
    ) -> Figures:
        for step in range(round(minutes * 6)):
            self.count.flow(true_a, 1 / 360)
            volts = mean_v + rise_v * step / (minutes * 6)
            amps = true_a + self.count.offset_a
            self.figures |= self.count.figures(
                charge_state="FULL",
                since_full_h=1.0,
                c_rate=amps / NAMEPLATE_AH,
                cell_mean_v=volts + 0.0004 * (step % 3 - 1),
                cell_max_v=volts + 0.005,
            )
            self.offset.update(sample(self.count.seconds, current_a=amps), self.figures)
        return self.figures

    def see(self, state: str, since_full_h: float) -> Figures:
        """One sample on the flat part."""
        self.figures |= self.count.figures(
            charge_state=state,
            since_full_h=since_full_h,
            c_rate=0.0,
            cell_mean_v=3.3,
            cell_max_v=3.3,
        )
        self.offset.update(sample(self.count.seconds, current_a=0.0), self.figures)
        return dict(self.figures)


def test_a_held_voltage_tells_the_offset_on_the_first_day() -> None:
    alder = Floating()
    assert alder.run(29)["current_offset_a"] is None
    figures = alder.run(2)
    assert number(figures["current_offset_a"]) == pytest.approx(0.25, abs=0.04)
    assert 0.08 < number(figures["current_offset_sigma_a"]) < 0.15
    assert figures["charge_efficiency_pct"] is None


def test_what_it_tells_each_half_hour_is_the_same_error_and_taken_once() -> None:
    alder = Floating()
    first = number(alder.run(31)["current_offset_sigma_a"])
    assert number(alder.run(300)["current_offset_sigma_a"]) == first


@pytest.mark.parametrize(
    "seen",
    [
        {"true_a": -1.0, "rise_v": -0.003},  # a load that draws the pack down
        {"true_a": -1.0, "rise_v": -0.001},
        {"mean_v": 3.33},  # the flat part
        {"mean_v": 3.45},  # balancers work there
        {"true_a": 5.0},  # a current is no offset
    ],
)
def test_what_is_no_held_voltage_tells_nothing(seen: dict[str, float]) -> None:
    assert Floating().run(60, **seen)["current_offset_a"] is None


def test_a_hole_while_the_voltage_is_held_tells_nothing() -> None:
    alder = Floating()
    alder.run(20)
    alder.count.hole(0.1)
    assert alder.run(20)["current_offset_a"] is None


def test_a_current_that_still_falls_makes_it_vague_or_tells_nothing() -> None:
    def falling(part: float) -> Figures:
        alder = Floating(offset_a=0.0)
        for true_a in (1.2, 1.0, 0.8, 0.6, 0.45, 0.35, 0.3):
            alder.run(5, true_a=part * true_a)
        return alder.figures

    assert falling(1.0)["current_offset_a"] is None
    still_a, sigma_a = (falling(0.25)[name] for name in list(UNLEARNED)[:2])
    assert 0.12 < number(sigma_a) < 0.2
    assert abs(number(still_a)) < number(sigma_a)


def test_a_closure_outweighs_a_held_voltage_that_misled() -> None:
    alder = Floating(offset_a=-0.9)
    alder.run(31)
    alder.count.offset_a = 0.1
    alder.see("FULL", 0.0)
    alder.count.flow(-6.0, 12)
    alder.see("DISCHARGING", 12.0)
    alder.count.flow(6.0, 12)
    alder.see("FULL", 0.0)
    assert number(alder.see("DISCHARGING", 1.0)["current_offset_a"]) == pytest.approx(0.1, abs=0.1)
