"""The estimators against a published cell model: `make.py` says which, and makes the data.

A pack of 16 such cells of 230 Ah (224.2 Ah between 2.5 and 3.5 V) is charged to 56.0 V, absorbed,
and emptied by changing loads, three times over. What the estimators know is what a BMS reports.
"""

from __future__ import annotations

from math import sqrt

import pytest

from tests.outside.cell_model.model import (
    CAPACITY_AH,
    CELLS,
    NAMEPLATE_AH,
    Truth,
    open_circuit_soc_pct,
    open_circuit_v,
    table,
    watched,
)
from watchd.config import Profile
from watchd.estimators.quality import frozen
from watchd.figures import Figures

Run = list[tuple[Truth, Figures]]


@pytest.fixture(scope="module")
def run() -> Run:
    return list(watched())


def known(run: Run, name: str) -> list[tuple[Truth, float]]:
    """Where a figure is known, and what it is."""
    found = ((truth, figures[name]) for truth, figures in run)
    return [(truth, value) for truth, value in found if isinstance(value, float)]


def number(figures: Figures, name: str) -> float:
    value = figures[name]
    assert isinstance(value, float), f"{name} is {value!r}"
    return value


def test_the_models_curve_is_the_published_one() -> None:
    """LFP of Afshar et al. 2017 less graphite of Chen et al. 2020, worked out once before."""
    curve = {5: 2.892, 20: 3.176, 50: 3.266, 90: 3.314, 98: 3.339, 99: 3.382, 100: 3.500}
    for soc_pct, volts in curve.items():
        assert open_circuit_v(soc_pct) == pytest.approx(volts, abs=0.001)


def test_the_low_end_of_the_profile_is_the_models() -> None:
    for volts, soc_pct in Profile().low_end:
        assert open_circuit_soc_pct(volts) == pytest.approx(soc_pct, abs=0.15), f"at {volts} V"


def test_what_frozen_rests_on_holds_for_the_model() -> None:
    """Each of its limits moves every cell by more than a step of 1 mV."""
    moved_pct = 100 * frozen.MOVED_CHARGE
    steps = (open_circuit_v(soc + moved_pct) - open_circuit_v(soc) for soc in range(94))
    assert min(steps) > 0.001
    for _, _, after_10_s, _ in table("pulses.csv"):
        assert after_10_s * NAMEPLATE_AH > frozen.PATH_MOHM_AH


def test_full_is_found_within_two_minutes_and_never_falsely(run: Run) -> None:
    """The definition that ships, worked out here from what the sensors read."""
    met_since: float | None = None
    was_met, met_at, full_at, fulls = False, [], [], 0
    for truth, figures in run:
        volts, amps = number(figures, "voltage_v"), number(figures, "current_a")
        if not (volts >= 55.9 and -0.01 * NAMEPLATE_AH < amps < 0.05 * NAMEPLATE_AH):
            met_since = None
        elif met_since is None:
            met_since = truth.at_s
        met = met_since is not None and truth.at_s - met_since >= 300
        if met and not was_met:
            met_at.append(truth.at_s)
        was_met = met
        if figures["full_count"] != fulls:
            fulls += 1
            full_at.append(truth.at_s)
            assert figures["charge_state"] == "FULL"
            assert truth.soc_pct > 99
    assert len(met_at) == 3
    assert [pytest.approx(at, abs=120) for at in met_at] == full_at


def test_a_full_pack_is_full_until_a_percent_is_spent(run: Run) -> None:
    for truth, figures in run:
        if figures["charge_state"] == "FULL":
            assert truth.soc_pct > 98.5


def test_soc_follows_the_models(run: Run) -> None:
    """Inside its 2 sigma 95 % of the time; to 1 % once the capacity is known."""
    inside, errors = [], []
    for truth, figures in run:
        soc_pct = figures["soc_estimate_pct"]
        if not isinstance(soc_pct, float):
            continue
        error = soc_pct - truth.soc_pct
        inside.append(abs(error) <= 2 * number(figures, "soc_estimate_sigma_pct"))
        if figures["capacity_ah"] is not None:
            errors.append(error)
    assert len(inside) > 0.9 * len(run)
    rms = sqrt(sum(e * e for e in errors) / len(errors))
    print(f"\nSoC against the model: RMS {rms:.2f} %, goal 1.0 %")
    print(f"inside 2 sigma: {100 * sum(inside) / len(inside):.1f} % of the time, goal 95 %")
    assert rms < 1.0
    assert sum(inside) >= 0.95 * len(inside)


def test_capacity_is_the_models(run: Run) -> None:
    found = known(run, "capacity_ah")
    last = found[-1][1]
    print(f"\ncapacity against the model: {last:.1f} Ah of {CAPACITY_AH}, goal 2 %")
    for _, capacity_ah in found:
        assert capacity_ah == pytest.approx(CAPACITY_AH, rel=0.02)
    sigma_ah = number(run[-1][1], "capacity_sigma_ah")
    assert abs(last - CAPACITY_AH) < 2 * sigma_ah
    assert sigma_ah < 0.02 * CAPACITY_AH


def test_resistance_is_that_of_the_models_pulses(run: Run) -> None:
    """Over a minute, between 80 and 50 %; the model's rises toward the ends of the flat part."""
    minute = [row[3] for row in table("pulses.csv") if row[0] == 25 and 50 <= row[1] <= 80]
    pulse_mohm = CELLS * sum(minute) / len(minute)
    last = known(run, "resistance_mohm")[-1][1]
    print(f"\npack resistance against the model's pulse: {last:.2f} of {pulse_mohm:.2f} mOhm, 10 %")
    assert last == pytest.approx(pulse_mohm, rel=0.1)


def test_the_model_has_no_joint(run: Run) -> None:
    assert max(value for _, value in known(run, "joint_excess_mohm")) < 0.05


def test_time_to_full_holds_the_moment_when_it_is(run: Run) -> None:
    full_at = [t.at_s for (t, f), (_, g) in zip(run[1:], run, strict=False)
               if f["full_count"] != g["full_count"]]  # fmt: skip
    inside = []
    for truth, low_h in known(run, "time_to_full_low_h"):
        left_h = (min(at for at in full_at if at >= truth.at_s) - truth.at_s) / 3600
        figures = run[round(truth.at_s / 10)][1]
        high_h = figures["time_to_full_high_h"]
        inside.append(
            low_h <= left_h and (high_h is None or left_h <= number(figures, "time_to_full_high_h"))
        )
    print(
        f"\ntime to full, inside its interval: {100 * sum(inside) / len(inside):.1f} %, goal 95 %"
    )
    assert sum(inside) >= 0.95 * len(inside)


def test_a_sound_pack_is_neither_frozen_nor_implausible_nor_silent(run: Run) -> None:
    for truth, figures in run:
        for name in ("telemetry_frozen_what", "telemetry_implausible_what"):
            assert figures[name] == "none", f"after {truth.at_s:.0f} s"
        assert figures["telemetry_silent"] is False
