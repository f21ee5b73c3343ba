"""Samples made up for the history: any that can be, and days like those of a real pack."""

from __future__ import annotations

import math
from collections.abc import Iterator
from random import Random

from hypothesis import strategies as st

from watchd.history.columns import Row
from watchd.telemetry.events import EVENTS
from watchd.telemetry.names import RANGES
from watchd.telemetry.sample import Sample
from watchd.watch.measured import Measured

MIDNIGHT = 1_790_035_200.0  # the beginning of 2026-09-22
# Half a step of what a block resolves; time is cut off, by one step.
RESOLVED = {
    "voltage_v": 0.0005,
    "current_a": 0.0005,
    "soc_pct": 0.005,
    "soc_estimate_pct": 0.005,
    "cell_v": 0.00005,
    "temperature_degc": 0.05,
}


def measurement(name: str) -> st.SearchStrategy[float]:
    """Whatever the gate lets through of it."""
    return st.floats(RANGES[name].low, RANGES[name].high)


def any_rows(most: int = 40) -> st.SearchStrategy[list[Row]]:
    """Rows in the order of time, with anything unknown, and cells and sensors that come and go."""

    def several(name: str, most: int) -> st.SearchStrategy[tuple[float, ...] | None]:
        return st.none() | st.lists(measurement(name), max_size=most).map(tuple)

    flag = st.sampled_from([None, False, True])
    row = st.builds(
        Row,
        at=st.floats(0, 1e11),
        voltage_v=st.none() | measurement("voltage_v"),
        current_a=st.none() | measurement("current_a"),
        soc_pct=st.none() | measurement("soc_pct"),
        soc_estimate_pct=st.none() | st.floats(-5, 110),
        cell_v=several("cell_v", 32),
        temperature_degc=several("temperature_degc", 6),
        charge_allowed=flag,
        discharge_allowed=flag,
        balancing=flag,
        protection=st.none() | st.lists(st.sampled_from(EVENTS), max_size=5).map(tuple),
    )
    return st.lists(row, max_size=most).map(lambda rows: sorted(rows, key=lambda r: r.at))


def day(
    seconds: int = 86_400, *, every: int = 1, begin: float = MIDNIGHT, seed: int = 1, noise: int = 1
) -> Iterator[Row]:
    """A pack that charges by day, as a BMS of 1 mV, 10 mA and 0.1 K sends it; invented.

    `noise`: 0.7 mV of each cell, 50 mA and 0.05 K times this.
    """
    rng = Random(seed)
    rest = [3.32 + rng.gauss(0, 0.003) for _ in range(16)]
    for second in range(0, seconds, every):
        amps = 30 * math.sin(second / 9000) + 5 * math.sin(second / 60) + rng.gauss(0, 0.05) * noise
        lift = 0.02 * math.sin(second / 9000) + amps * 0.0003
        cells = tuple(round(v + lift + rng.gauss(0, 0.0007) * noise, 3) for v in rest)
        warm = 20 + 3 * math.sin(second / 10_000)
        yield Row(
            begin + second + 0.3 + rng.gauss(0, 0.01) * noise,
            round(sum(cells), 2),
            round(amps, 2),
            round(60 + 20 * math.sin(second / 20_000), 1),
            round(60.4 + 20 * math.sin(second / 20_000), 2),
            cells,
            tuple(round(warm + k + rng.gauss(0, 0.05) * noise, 1) for k in range(4)),
            True,
            True,
            False,
            (),
        )


def measured(at: float, amps: float = 1.0, name: str = "alder") -> Measured:
    """A sample in which only a current is known."""
    sample = Sample(
        at, None, amps, None, None, None, None, None, None, None, {}, {}, frozenset(), (), 0.0, None
    )
    return Measured(name, at, sample, None)
