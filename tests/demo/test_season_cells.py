"""The season's cells in arrays: published vectors, closed forms, and the cell of the live day."""

from itertools import pairwise

import numpy as np
import pytest

from demo.season.cells import Array, Cells, open_circuit, resistance_factor
from demo.skerry.cell import Cell, CellKind
from tests.demo.curve import PUBLISHED

KIND = CellKind(capacity_ah=280.0, ohmic_mohm=0.30, relaxing_mohm=0.20)
DAY = 86_400


def cells(
    charge: float = 0.5, *, step_s: float = 20.0, degc: float = 25.0, count: int = 2
) -> Cells:
    """One pack of so many equal cells."""

    def all_of(value: float) -> Array:
        return np.full((1, count), value)

    return Cells(
        all_of(KIND.capacity_ah),
        all_of(KIND.ohmic_mohm),
        all_of(KIND.relaxing_mohm),
        all_of(charge),
        all_of(degc),
        step_s,
    )


def live(found: Cells, current_a: float, seconds: float, degc: float = 25.0) -> list[float]:
    """A constant current for a while; the voltages at its end."""
    amps, air = np.array([[current_a]]), np.array([[degc]])
    volts: list[float] = []
    for _ in range(round(seconds / found.step_s)):
        source_v, ohm = found.ahead()
        volts = (source_v + ohm * amps)[0].tolist()
        found.move(amps, air)
    return volts


@pytest.mark.parametrize(("charge", "volts"), PUBLISHED)
def test_curve_meets_the_published_one(charge: float, volts: float) -> None:
    found, slope_v = open_circuit(np.array([charge]))
    assert found[0] == pytest.approx(volts, abs=0.001)
    assert slope_v[0] > 0.0


def test_curve_only_rises() -> None:
    volts = open_circuit(np.linspace(-0.02, 1.03, 900))[0].tolist()
    assert all(low < high for low, high in pairwise(volts))


def test_resistance_in_the_cold() -> None:
    # 35 kJ/mol of the Chen 2020 set: 3.641 at 0 degC
    assert resistance_factor(np.array([0.0]))[0] == pytest.approx(3.641, abs=0.001)


@pytest.mark.parametrize(
    ("charge", "current_a", "seconds"),
    [(0.6, 90.0, 3600), (0.6, -60.0, 3600), (0.965, 35.0, 900), (0.98, 28.0, 600)],
)
def test_long_steps_come_where_the_live_days_cell_comes(
    charge: float, current_a: float, seconds: int
) -> None:
    found, single = cells(charge), Cell(KIND, charge, 25.0)
    volts = live(found, current_a, seconds)
    for _ in range(seconds):
        single.step(current_a, 1.0, 25.0)
    assert found.charge[0, 0] == pytest.approx(single.charge, abs=1e-9)
    assert found.temperature_degc[0, 0] == pytest.approx(single.temperature_degc, abs=0.1)
    assert volts[0] == pytest.approx(single.voltage_v(current_a), abs=0.001)


def test_charge_counts_the_current() -> None:
    found = cells(0.2)
    live(found, 56.0, 3600.0)
    assert found.charge[0, 0] * 280.0 == pytest.approx(0.2 * 280.0 + 56.0)


def test_a_leak_of_one_percent_a_month() -> None:
    # 1 % a month of 280 Ah is 0.093 Ah a day
    found = cells(0.5)
    found.leak_a[0, 1] = 0.093 / 24.0
    live(found, 0.0, DAY)
    lost_ah = (found.charge[0, 0] - found.charge[0, 1]) * 280.0
    assert lost_ah == pytest.approx(0.093, abs=1e-6)


def test_a_joint_lifts_its_cell_by_what_the_current_drops_in_it() -> None:
    sound, loose = cells(0.5), cells(0.5)
    loose.joint_mohm[0, 1] = 0.5
    charging, discharging = live(loose, 80.0, 20.0), live(loose, -80.0, 20.0)
    assert charging[1] - charging[0] == pytest.approx(0.040, abs=1e-6)
    # Its heat comes on top: a little less resistance in that cell.
    assert discharging[1] - discharging[0] == pytest.approx(-0.040, abs=1e-4)
    assert charging[0] == pytest.approx(live(sound, 80.0, 20.0)[0])


def test_what_a_balancer_moves_arrives() -> None:
    found = cells(0.5)
    found.shift_ah(0, 1, -2.8)
    assert found.charge[0].tolist() == pytest.approx([0.5, 0.49])
