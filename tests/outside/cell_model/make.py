"""Makes the data files beside it from a published cell model.

    pip install "watchd[reference]" && python tests/outside/cell_model/make.py

The model is the single-particle model with electrolyte, as PyBaMM has it, with its parameter set
Prada2013: the open-circuit potential of LFP from Afshar, Morris, Khajepour 2017 (arXiv:1709.03970),
graphite from Chen et al. 2020 (J. Electrochem. Soc. 167, 080534). SoC 0 and 100 % are 2.5 and 3.5 V
at rest. One cell of 2.3 Ah nominal is solved; the files hold what 100 in parallel do, a cell
of 230 Ah: a hundred times its current and charge, a hundredth of its resistance, its voltage.

Limits of the model: no hysteresis; a full cell rests near 3.49 V, where real ones fall to 3.35 to
3.40 V (from memory); of temperature only the exchange currents know.
"""

from __future__ import annotations

import csv
from collections.abc import Iterable, Sequence
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pybamm

PARALLEL = 100
EMPTY_V, FULL_V = 2.5, 3.5
HERE = Path(__file__).parent
Row = tuple[float, ...]

# Charge to the voltage of 16 cells at 56.0 V, absorb, rest; loads that come and go; then slowly
# to the low knee, and rest there.
LOADS = (
    "Discharge at 0.2C for 20 minutes",
    "Discharge at 0.5C for 5 minutes",
    "Discharge at 0.1C for 15 minutes",
    "Discharge at 0.3C for 20 minutes",
    "Rest for 5 minutes",
)
CYCLES = tuple(
    (
        f"Charge at {rate}C until 3.5 V",
        "Hold at 3.5 V for 30 minutes",
        "Rest for 30 minutes",
        *(LOADS * 3),
        "Discharge at 0.2C until 2.9 V",
        "Discharge at 0.05C until 2.65 V",
        "Rest for 1 hour",
    )
    for rate in (0.3, 0.2, 0.4)
)
PULSES_AT = ((25.0, 80.0), (25.0, 50.0), (25.0, 20.0), (0.0, 50.0))
PULSE_S = (10, 60)


def parameters(temperature_degc: float = 25.0) -> Any:
    """The published set, between our ends."""
    values = pybamm.ParameterValues("Prada2013")
    kelvin = temperature_degc + 273.15
    values.update(
        {
            "Ambient temperature [K]": kelvin,
            "Initial temperature [K]": kelvin,
            "Lower voltage cut-off [V]": EMPTY_V,
            "Upper voltage cut-off [V]": FULL_V + 0.001,
            "Open-circuit voltage at 0% SOC [V]": EMPTY_V,
            "Open-circuit voltage at 100% SOC [V]": FULL_V,
        }
    )
    return values


def solved(steps: Sequence[Any], soc: float, temperature_degc: float = 25.0) -> Any:
    """Time (s), current (A, charge positive), voltage and charge taken out (Ah) of one cell."""
    simulation = pybamm.Simulation(
        pybamm.lithium_ion.SPMe(),
        parameter_values=parameters(temperature_degc),
        experiment=pybamm.Experiment(list(steps), period="10 seconds"),
    )
    solution = simulation.solve(initial_soc=soc)
    names = ("Time [s]", "Current [A]", "Voltage [V]", "Discharge capacity [A.h]")
    at, current_a, volts, out_ah = (solution[name].entries for name in names)
    return np.column_stack([at, -current_a, volts, out_ah])


def open_circuit(soc_pct: Sequence[float]) -> list[float]:
    """Open-circuit voltage at each SoC."""
    values = parameters()
    x0, x100, y100, y0 = pybamm.lithium_ion.get_min_max_stoichiometries(values)
    graphite, lfp = (values[f"{side} electrode OCP [V]"] for side in ("Negative", "Positive"))
    volts = []
    for z in (soc / 100 for soc in soc_pct):
        x, y = pybamm.Scalar(x0 + z * (x100 - x0)), pybamm.Scalar(y0 + z * (y100 - y0))
        volts.append(float(values.evaluate(lfp(y)) - values.evaluate(graphite(x))))
    return volts


def capacity_ah() -> float:
    """Charge of one cell between our ends at rest."""
    values = parameters()
    x0, x100, _, _ = pybamm.lithium_ion.get_min_max_stoichiometries(values)
    return float(x100 - x0) * float(values.evaluate(pybamm.LithiumIonParameters().n.Q_init))


def cycles() -> Any:
    """Time (s), current (A, charge positive), voltage (V), SoC (%) of our cell, each 10 s."""
    soc = 20.0
    rows = solved([step for cycle in CYCLES for step in cycle], soc / 100)
    rows[:, 3] = soc - 100 * rows[:, 3] / capacity_ah()
    rows[:, 1] *= PARALLEL
    return rows


def thinned(rows: Any, within: Sequence[float]) -> Any:
    """What is left when rows go that straight lines between others show, each column `within`.

    Ramer 1972, Douglas and Peucker 1973 (from memory). The first column is time.
    """
    keep = np.zeros(len(rows), dtype=bool)
    keep[[0, -1]] = True
    # Both ends of a step of current stay.
    steps = np.flatnonzero(np.abs(np.diff(rows[:, 1])) > 10 * within[0])
    keep[steps] = keep[steps + 1] = True
    ends = np.flatnonzero(keep)
    waiting = list(pairwise(ends))
    while waiting:
        first, last = waiting.pop()
        if last - first < 2:
            continue
        part = rows[first : last + 1]
        times = part[:, 0]
        lines = [np.interp(times, times[[0, -1]], column[[0, -1]]) for column in part[:, 1:].T]
        excess = np.abs(part[:, 1:].T - lines) / np.array(within)[:, None]
        worst = int(excess.max(axis=0).argmax())
        if excess[:, worst].max() > 1.0:
            keep[first + worst] = True
            waiting += [(first, first + worst), (first + worst, last)]
    return rows[keep]


def pulse(temperature_degc: float, soc_pct: float) -> list[float]:
    """Resistance of our cell (mOhm) after each of `PULSE_S` of a load of 1 C, from rest.

    From the open-circuit voltage of the moment, not from that of before: what charge flowed out
    meanwhile is no resistance. (Pulse and rest as in hybrid pulse power characterisation,
    INL/EXT-15-34184.)
    """
    steps = ("Rest for 10 seconds", f"Discharge at 1C for {PULSE_S[-1]} seconds")
    rows = solved(steps, soc_pct / 100, temperature_degc)
    amps = -rows[-1, 1] * PARALLEL
    found = []
    for seconds in PULSE_S:
        after_pct = soc_pct - 100 * amps / PARALLEL * seconds / 3600 / capacity_ah()
        (open_v,) = open_circuit([after_pct])
        volts = float(np.interp(10.0 + seconds, rows[:, 0], rows[:, 2]))
        found.append(1000 * (open_v - volts) / amps)
    return found


def write(name: str, about: Iterable[str], head: Sequence[str], rows: Iterable[Row]) -> None:
    """A table with its explanation above it."""
    with (HERE / name).open("w", encoding="utf-8", newline="") as file:
        file.writelines(f"# {line}\n" for line in about)
        table = csv.writer(file, lineterminator="\n")
        table.writerow(head)
        table.writerows(rows)


def main() -> None:
    """Write the files."""
    source = f"Made by make.py with PyBaMM {pybamm.__version__}: what it is of stands there."
    soc_pct = [
        *np.arange(0.0, 20.0, 0.5),
        *np.arange(20.0, 96.0, 1.0),
        *np.arange(96.0, 100.1, 0.2),
    ]
    write(
        "open_circuit.csv",
        [source, f"Capacity between the ends: {capacity_ah() * PARALLEL:.2f} Ah."],
        ["soc_pct", "volts"],
        ((round(z, 1), round(u, 4)) for z, u in zip(soc_pct, open_circuit(soc_pct), strict=True)),
    )
    rows = thinned(cycles(), (0.03, 0.0002, 0.02))
    write(
        "cycles.csv",
        [source, "Straight lines between the rows are within 0.03 A, 0.2 mV and 0.02 %."],
        ["at_s", "current_a", "volts", "soc_pct"],
        ((round(t, 1), round(i, 2), round(u, 4), round(z, 3)) for t, i, u, z in rows.tolist()),
    )
    write(
        "pulses.csv",
        [source, "Resistance of a cell of 230 Ah, in mOhm, so many seconds into a load of 1 C."],
        ["temperature_degc", "soc_pct", *(f"after_{seconds}_s" for seconds in PULSE_S)],
        ((*at, *(round(r, 4) for r in pulse(*at))) for at in PULSES_AT),
    )


if __name__ == "__main__":
    main()
