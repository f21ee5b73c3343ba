"""Some of the data files' numbers, computed once more where PyBaMM is installed."""

from __future__ import annotations

import importlib
from types import ModuleType

import pytest

from tests.outside.cell_model.model import CAPACITY_AH, open_circuit_v, table

pytestmark = [
    pytest.mark.long,
    # A library of its own, with its own dependencies: its warnings are not ours.
    pytest.mark.filterwarnings("ignore"),
]


@pytest.fixture
def make(monkeypatch: pytest.MonkeyPatch) -> ModuleType:
    monkeypatch.setenv("PYBAMM_DISABLE_TELEMETRY", "true")
    pytest.importorskip("pybamm", reason="needs the extra 'reference'")
    return importlib.import_module("tests.outside.cell_model.make")


def test_the_open_circuit_curve(make: ModuleType) -> None:
    assert make.capacity_ah() * make.PARALLEL == pytest.approx(CAPACITY_AH, abs=0.05)
    socs = [0.0, 2.0, 5.0, 20.0, 50.0, 90.0, 99.0, 100.0]
    known = [pytest.approx(open_circuit_v(soc), abs=0.0005) for soc in socs]
    assert make.open_circuit(socs) == known


def test_a_pulse(make: ModuleType) -> None:
    for temperature_degc, soc_pct, *mohm in table("pulses.csv")[1::2]:
        assert make.pulse(temperature_degc, soc_pct) == pytest.approx(mohm, rel=0.01)


def test_the_first_charge(make: ModuleType) -> None:
    """From 20 % at 0.3 C to 3.5 V, and the fall of the current there."""
    rows = make.solved(make.CYCLES[0][:2], 0.20)
    times, *columns = zip(*table("cycles.csv"), strict=True)
    for at, amps, volts, _ in rows[5::60]:
        k = max(i for i, t in enumerate(times) if t <= at)
        part = (at - times[k]) / (times[k + 1] - times[k])
        current_a, known_v = (c[k] + part * (c[k + 1] - c[k]) for c in columns[:2])
        assert volts == pytest.approx(known_v, abs=0.001)
        assert amps * make.PARALLEL == pytest.approx(current_a, abs=0.5)
