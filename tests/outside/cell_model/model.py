"""The data that `make.py` wrote, and 16 such cells as a pack under the estimators' eyes."""

from __future__ import annotations

import csv
from bisect import bisect_left
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from tests.estimators.moment import sample, setting
from watchd.estimators import ESTIMATORS
from watchd.figures import Figures
from watchd.settings import pack_settings

HERE = Path(__file__).parent
NAMEPLATE_AH = 230.0
CAPACITY_AH = 224.21  # between 2.5 and 3.5 V at rest, as open_circuit.csv says
CELLS = 16
EVERY_S = 10.0
RENEWED = frozenset({"voltage_v", "current_a", "soc_pct", "cell_v", "temperature_degc"})


@dataclass(frozen=True, slots=True)
class Truth:
    """One cell of the model. SoC in %, charge current positive."""

    at_s: float
    current_a: float
    volts: float
    soc_pct: float


@cache
def table(name: str) -> tuple[tuple[float, ...], ...]:
    """The numbers of a file."""
    with (HERE / name).open(encoding="utf-8") as file:
        rows = csv.reader(line for line in file if not line.startswith("#"))
        next(rows)
        return tuple(tuple(float(value) for value in row) for row in rows)


def between(x: float, xs: list[float], ys: list[float]) -> float:
    """On straight lines through the points, whose xs rise."""
    k = min(max(bisect_left(xs, x), 1), len(xs) - 1)
    part = (x - xs[k - 1]) / (xs[k] - xs[k - 1])
    return ys[k - 1] + part * (ys[k] - ys[k - 1])


def open_circuit_v(soc_pct: float) -> float:
    """Open-circuit voltage of the model's cell."""
    socs, volts = map(list, zip(*table("open_circuit.csv"), strict=True))
    return between(soc_pct, socs, volts)


def open_circuit_soc_pct(volts: float) -> float:
    """The SoC at which the model's cell rests at this voltage."""
    socs, known = map(list, zip(*table("open_circuit.csv"), strict=True))
    return between(volts, known, socs)


def truth() -> Iterator[Truth]:
    """Three days' work of a cell, each 10 s."""
    times, *columns = map(list, zip(*table("cycles.csv"), strict=True))
    for step in range(int(times[-1] / EVERY_S)):
        at = step * EVERY_S
        yield Truth(at, *(between(at, times, column) for column in columns))


def watched() -> Iterator[tuple[Truth, Figures]]:
    """What the estimators make of 16 such cells in series, through the sensors of a BMS.

    Cells to 1 mV and up to 0.5 mV apart, so that not all of them round alike; the pack to 0.01 V,
    its current to 0.1 A, its SoC to 1 %; 25 degC.
    """
    told = setting(nameplate_ah=NAMEPLATE_AH, max_charge_a=115.0, max_discharge_a=150.0)
    estimators = [estimator(told) for estimator in ESTIMATORS]
    figures = pack_settings(told.pack, told.bank)
    figures |= dict.fromkeys(
        ("setting_overvoltage_v", "setting_overvoltage_recovery_v", "setting_full_v")
    )
    for now in truth():
        measured = {
            "voltage_v": round(now.volts * CELLS, 2),
            "current_a": round(now.current_a, 1),
            "soc_pct": float(round(now.soc_pct)),
            "charge_allowed": True,
            "discharge_allowed": True,
            "balancing": None,
            "protection": (),
        }
        seen = sample(
            now.at_s,
            renewed=RENEWED,
            cell_v=tuple(round(now.volts + (no / 15 - 0.5) / 1000, 3) for no in range(CELLS)),
            temperature_degc=(25.0, 25.0),
            **measured,
        )
        figures |= {**measured, "temperature_min_degc": 25.0, "temperature_max_degc": 25.0}
        for estimator in estimators:
            estimator.update(seen, figures)
        yield now, dict(figures)
