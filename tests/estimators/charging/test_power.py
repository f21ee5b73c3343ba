"""Power and C-rate of a pack."""

from __future__ import annotations

import pytest

from tests.estimators.moment import START, sample, setting
from watchd.estimators.charging import power
from watchd.figures import Figures


def of(
    volts: float | None, amps: float | None, *, apart_s: float = 0.0, nameplate_ah: float = 230.0
) -> tuple[object, object]:
    """Power and C-rate, with the current measured `apart_s` after the voltage."""
    times = {"voltage_v": START, "current_a": START + apart_s}
    seen = sample(10, voltage_v=volts, current_a=amps, measured_at=times)
    figures: Figures = {}
    power.Power(setting(nameplate_ah=nameplate_ah)).update(seen, figures)
    return figures["power_w"], figures["c_rate"]


@pytest.mark.parametrize(
    ("what", "volts", "amps", "power_w", "c_rate"),
    [
        ("charging", 53.0, 46.0, 2438.0, 0.2),
        ("discharging", 53.0, -23.0, -1219.0, -0.1),
        ("at rest", 53.0, 0.0, 0.0, 0.0),
        ("voltage unknown", None, 46.0, None, 0.2),
        ("current unknown", 53.0, None, None, None),
        ("both unknown", None, None, None, None),
    ],
)
def test_power(
    what: str, volts: float | None, amps: float | None, power_w: float | None, c_rate: float | None
) -> None:
    assert of(volts, amps) == (power_w, c_rate), what


@pytest.mark.parametrize(
    ("apart_s", "known"),
    [(0.0, True), (4.999, True), (5.0, True), (5.001, False), (-5.0, True), (-5.001, False)],
)
def test_it_is_withheld_where_voltage_and_current_are_not_of_one_moment(
    apart_s: float, known: bool
) -> None:
    power_w, c_rate = of(53.0, 46.0, apart_s=apart_s)
    assert (power_w is not None) is known
    assert c_rate == 0.2


def test_c_rate_goes_by_nameplate() -> None:
    assert of(53.0, 50.0, nameplate_ah=100.0)[1] == 0.5
    assert of(53.0, 50.0, nameplate_ah=280.0)[1] == pytest.approx(0.17857, abs=5e-6)
