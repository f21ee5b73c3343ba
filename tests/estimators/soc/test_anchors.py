"""When the charge is known without counting: while full, and at the low knee; never between."""

from __future__ import annotations

import json
from math import exp

import numpy as np
import pytest

from tests.estimators.counting import UNLEARNED
from tests.estimators.moment import sample, setting
from tests.truth.ocv import ocv_v
from watchd.config import Profile
from watchd.estimators.soc.anchors import FULL_SIGMA_PCT, TABLE_SIGMA_PCT, Anchors
from watchd.figures import Figures, Value


class Seen:
    """A pack as the estimators before see it; time goes on by ten seconds a sample."""

    def __init__(self, profile: Profile | None = None) -> None:
        self.told = setting(profile=profile)
        self.anchors = Anchors(self.told)
        self.figures: Figures = {}
        self.now = 0.0

    def see(self, lowest_v: float | None, c_rate: float | None = -0.02, **known: Value) -> Figures:
        self.figures |= {
            **UNLEARNED,
            "charge_state": "DISCHARGING",
            "since_full_h": 20.0,
            "cell_min_v": lowest_v,
            "c_rate": c_rate,
            "temperature_min_degc": 25.0,
            **known,
        }
        self.anchors.update(sample(self.now), self.figures)
        self.now += 10
        return {
            name: self.figures[name] for name in ("anchor", "anchor_soc_pct", "anchor_sigma_pct")
        }

    def hold(self, lowest_v: float, c_rate: float = -0.02, **known: Value) -> Figures:
        """The same for three minutes."""
        for _ in range(18):
            self.see(lowest_v, c_rate, **known)
        return self.see(lowest_v, c_rate, **known)

    def restart(self) -> None:
        self.anchors = Anchors(self.told, json.loads(json.dumps(self.anchors.snapshot())))
        self.figures = {}


def full(c_rate: float | None, **known: Value) -> Figures:
    return Seen().see(3.49, c_rate, **{"charge_state": "FULL", "since_full_h": 0.0, **known})


def number(value: Value) -> float:
    assert isinstance(value, float)
    return value


def test_full_is_an_anchor_while_the_definition_is_met() -> None:
    assert full(0.0) == {
        "anchor": "full",
        "anchor_soc_pct": 100.0,
        "anchor_sigma_pct": FULL_SIGMA_PCT,
    }
    assert full(0.0, since_full_h=0.003)["anchor"] == "none"
    assert full(0.0, charge_state="CHARGING")["anchor"] == "none"


def test_a_current_that_still_flows_is_charge_to_come() -> None:
    early = full(0.05)
    assert number(early["anchor_soc_pct"]) == pytest.approx(99.4, abs=0.3)
    assert number(early["anchor_sigma_pct"]) > 100 - number(early["anchor_soc_pct"])
    # It is the true current that counts: 0.05 of 200 Ah is an offset here.
    assert full(0.05, current_offset_a=10.0)["anchor_soc_pct"] == 100.0
    assert full(-0.01)["anchor_soc_pct"] == 100.0
    assert full(None)["anchor_soc_pct"] == 100.0


@pytest.mark.parametrize("millivolts", range(3110, 3400, 10))
@pytest.mark.parametrize("c_rate", [-0.02, 0.0, 0.02])
def test_never_on_the_flat_part(millivolts: int, c_rate: float) -> None:
    seen = Seen().hold(millivolts / 1000, c_rate)
    drop_v = -c_rate * 0.15
    if millivolts / 1000 + drop_v > 3.10:
        assert seen == {"anchor": "none", "anchor_soc_pct": None, "anchor_sigma_pct": None}


@pytest.mark.parametrize("soc_pct", [1.0, 2.0, 4.0, 6.0, 9.0, 12.0])
def test_at_rest_at_the_low_end_the_voltage_tells(soc_pct: float) -> None:
    """Source: Afshar et al. 2017 and Chen et al. 2020, by way of the simulated cells' curve."""
    volts = float(ocv_v(np.array([soc_pct / 100]))[0][0])
    seen = Seen().hold(volts, 0.0)
    assert seen["anchor"] == "low"
    assert number(seen["anchor_soc_pct"]) == pytest.approx(soc_pct, abs=0.5)
    assert TABLE_SIGMA_PCT < number(seen["anchor_sigma_pct"]) < 1.1


def test_below_the_table_it_is_empty() -> None:
    seen = Seen().hold(2.3, 0.0)
    assert number(seen["anchor_soc_pct"]) == pytest.approx(0.8)


@pytest.mark.parametrize("c_rate", [-0.1, -0.05, 0.05, 0.1])
@pytest.mark.parametrize("degc", [5.0, 25.0])
def test_under_load_it_is_within_its_sigma(c_rate: float, degc: float) -> None:
    """A cell of R Q = 0.11 V at 25 degC, whose surface leads by 200 s of current."""
    cold = exp(35_000 / 8.314 * (1 / (degc + 273.15) - 1 / 298.15))
    surface = 0.05 + c_rate * 200 / 3600
    volts = float(ocv_v(np.array([surface]))[0][0]) + c_rate * 0.11 * cold
    seen = Seen().hold(volts, c_rate, temperature_min_degc=degc)
    off = abs(number(seen["anchor_soc_pct"]) - 5.0)
    assert off < (0.25 if degc == 25.0 else 0.7)
    assert off < number(seen["anchor_sigma_pct"])
    rest = Seen().hold(2.9, 0.0)
    assert number(seen["anchor_sigma_pct"]) > number(rest["anchor_sigma_pct"])


def test_a_load_is_no_low_end() -> None:
    """What heavy current pulls down is not empty."""
    assert Seen().hold(2.95, -0.11)["anchor"] == "none"
    assert Seen().hold(3.095, -0.1)["anchor"] == "none"
    assert Seen().hold(3.05, -0.09)["anchor"] == "low"


def test_it_must_last_two_minutes_without_a_break() -> None:
    alder = Seen()
    shown = [alder.see(3.0)["anchor"] for _ in range(14)]
    assert shown == ["none"] * 12 + ["low"] * 2
    alder.see(3.0, -0.3)
    assert [alder.see(3.0)["anchor"] for _ in range(13)] == ["none"] * 12 + ["low"]
    alder.see(3.2)
    assert alder.see(3.0)["anchor"] == "none"


def test_what_is_not_known_is_no_anchor_and_breaks_the_time() -> None:
    alder = Seen()
    assert alder.hold(3.0)["anchor"] == "low"
    assert alder.see(None) == {"anchor": None, "anchor_soc_pct": None, "anchor_sigma_pct": None}
    assert alder.see(3.0)["anchor"] == "none"
    alder.hold(3.0)
    assert alder.see(3.0, None)["anchor"] is None
    assert alder.see(3.0)["anchor"] == "none"


def test_another_chemistry_has_its_own_table() -> None:
    other = Profile(low_end=[[2.0, 0.0], [2.2, 10.0]])
    assert Seen(other).hold(3.0)["anchor"] == "none"
    assert number(Seen(other).hold(2.1, 0.0)["anchor_soc_pct"]) == pytest.approx(5.0)


def test_a_restart_changes_nothing() -> None:
    alder = Seen()
    for _ in range(8):
        alder.see(3.0)
    alder.restart()
    assert [alder.see(3.0)["anchor"] for _ in range(5)] == ["none"] * 4 + ["low"]
