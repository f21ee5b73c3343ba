"""Cells: the voltage curve, what a current does to it, and what stays conserved."""

from itertools import pairwise

import pytest

from demo.skerry.cell import Cell, CellKind, resistance_factor
from demo.skerry.ocv import ocv_v, open_circuit_v
from tests.demo.curve import PUBLISHED

KIND = CellKind(capacity_ah=280.0, ohmic_mohm=0.30, relaxing_mohm=0.20)


@pytest.mark.parametrize(("charge", "volts"), PUBLISHED)
def test_curve_meets_the_published_one(charge: float, volts: float) -> None:
    assert ocv_v(charge) == pytest.approx(volts, abs=0.001)


def test_curve_only_rises() -> None:
    volts = [ocv_v(step / 1000) for step in range(-20, 1031)]
    assert all(low < high for low, high in pairwise(volts))


def test_table_stays_at_the_curve() -> None:
    charges = [-0.02 + step * 0.000173 for step in range(6000)]
    assert max(abs(ocv_v(charge) - open_circuit_v(charge)) for charge in charges) < 0.0002


def test_charge_counts_the_current() -> None:
    cell = Cell(KIND, 0.5, 20.0)
    for _ in range(3600):
        cell.step(56.0, 1.0, 20.0)
    assert cell.charge_ah == pytest.approx(140.0 + 56.0, abs=1e-6)


def test_long_step_equals_many_short_ones() -> None:
    long, short = Cell(KIND, 0.5, 25.0), Cell(KIND, 0.5, 25.0)
    long.step(100.0, 60.0, 25.0)
    for _ in range(60):
        short.step(100.0, 1.0, 25.0)
    # Only the temperature, and with it resistance, is held during a step.
    assert long.voltage_v(100.0) == pytest.approx(short.voltage_v(100.0), abs=2e-4)
    assert long.surface_lead == pytest.approx(short.surface_lead, rel=1e-9)


def test_current_shows_at_once_by_the_ohmic_resistance_and_later_by_the_rest() -> None:
    cell = Cell(KIND, 0.5, 25.0)
    rest_v = cell.voltage_v(0.0)
    assert cell.voltage_v(100.0) - rest_v == pytest.approx(0.030, abs=1e-6)
    for _ in range(200):
        cell.step(100.0, 1.0, 25.0)
    # 0.3 + 0.2 mOhm, a little charge (2 % on the flat part), a little warmth
    assert cell.voltage_v(100.0) - rest_v == pytest.approx(0.050, abs=0.005)


def test_a_cell_charged_to_3_65_v_rests_where_real_ones_do() -> None:
    cell = Cell(KIND, 0.95, 25.0)
    while cell.voltage_v(84.0) < 3.65:
        cell.step(84.0, 1.0, 25.0)
    cell.step(0.0, 3 * 3600.0, 25.0)
    assert 3.34 < cell.voltage_v(0.0) < 3.41


def test_resistance_in_the_cold() -> None:
    assert resistance_factor(25.0) == pytest.approx(1.0)
    assert resistance_factor(0.0) == pytest.approx(3.641, abs=0.001)


def test_lost_power_warms_the_cell() -> None:
    cell = Cell(KIND, 0.5, 25.0)
    for _ in range(600):
        cell.step(140.0, 1.0, 25.0)
    # 140 A through 0.5 mOhm is 9.8 W; 10 min into 1 kJ/K is 5.9 K less what the air takes.
    assert 28.0 < cell.temperature_degc < 31.0
