"""The simulated truth itself: what it rests on, and the laws that it must keep."""

from __future__ import annotations

import numpy as np
import pytest

from tests.truth import cells, healthy, simulate
from tests.truth.ocv import ocv_v
from tests.truth.weather import STEP_S


def test_the_curve_is_the_published_one() -> None:
    """Full cell of PyBaMM 26.10's `Prada2013`: Afshar et al. 2017 against Chen et al. 2020."""
    charge = np.array([0.05, 0.2, 0.5, 0.9, 0.98, 0.99, 1.0])
    volts, slope = ocv_v(charge)
    published = [2.892, 3.176, 3.266, 3.314, 3.339, 3.382, 3.500]
    assert volts == pytest.approx(published, abs=0.0015)
    later, _ = ocv_v(charge + 1e-6)
    assert (later - volts) / 1e-6 == pytest.approx(slope, rel=1e-3)


@pytest.mark.parametrize(
    ("source_v", "ohm", "amps", "bus_v", "shares"),
    [
        # Millman's theorem (numbers computed from it).
        ([53.2, 53.2, 52.9], [0.010, 0.010, 0.015], 150.0, 53.6875, [48.75, 48.75, 52.5]),
        ([53.2, 53.2, 52.9], [0.010, 0.010, 0.015], 0.0, 53.125, [-7.5, -7.5, 15.0]),
        ([53.0, 53.1], [0.012, 0.024], 60.0, 53.5133, [42.78, 17.22]),
    ],
)
def test_packs_share_by_millmans_theorem(
    source_v: list[float], ohm: list[float], amps: float, bus_v: float, shares: list[float]
) -> None:
    source, conduct = np.array([source_v]), 1.0 / np.array([ohm])
    surplus, limit = np.array([amps]), np.array([60.0])
    volts = cells.bus_v(source, conduct, surplus, np.minimum(surplus, 0.0), limit)
    assert volts[0] == pytest.approx(bus_v, abs=1e-4)
    assert ((volts[:, None] - source) * conduct)[0] == pytest.approx(shares, abs=0.01)


def test_charge_is_conserved_and_the_charger_keeps_its_voltage() -> None:
    bank = healthy(2, [280.0, 230.0])
    bank.balancer_a[:] = 0.0
    record = simulate(bank, days=2)
    amps = record.true_current_a.astype(float)
    kept = np.where(amps > 0, amps * bank.efficiency[..., 0], amps)
    moved_ah = np.cumsum(kept, axis=0) * STEP_S / 3600.0
    began_ah = bank.charge * bank.capacity_ah
    row = len(record.cell_charge) - 1
    now_ah = record.cell_charge[row] * bank.capacity_ah
    expected = began_ah + moved_ah[row * 30][..., None]
    assert now_ah == pytest.approx(expected, abs=0.02)
    assert record.voltage_v.max() < bank.charge_voltage_v.max() + 0.15
    assert record.true_full.any()
    assert not record.tripped.any()


def test_the_same_seeds_give_the_same_record() -> None:
    one, other = (simulate(healthy(2), days=1) for _ in range(2))
    assert (one.cell_mv == other.cell_mv).all()
    assert (one.current_a == other.current_a).all()
