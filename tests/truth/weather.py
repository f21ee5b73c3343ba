"""Sun, loads and temperature of each seed, as parts of the bank's nameplate capacity."""

from __future__ import annotations

import numpy as np

from tests.truth.bank import Array, Bank

STEP_S = 10.0
STEPS_A_DAY = 8640
_GAS_J_PER_MOL_K = 8.314
# Resistance in the cold: 35 kJ/mol, as in the Chen et al. 2020 set; 3.64 times at 0 degC.
_ACTIVATION_J_PER_MOL = 35_000.0


def _hours(days: int) -> Array:
    return np.arange(days * STEPS_A_DAY) * (STEP_S / 3600.0)


def sunshine(bank: Bank, days: int, rng: np.random.Generator) -> Array:
    """Current that the sun gives over nameplate capacity, [T, S]: dull and clear days, clouds."""
    seeds = bank.shape[0]
    hour = _hours(days) % 24.0
    height = np.clip(np.sin((hour - 6.0) * np.pi / 12.0), 0.0, None)
    dull = rng.random((days, seeds)) < bank.dull
    day = np.where(dull, rng.uniform(0.15, 0.45, (days, seeds)), rng.uniform(0.8, 1.0, dull.shape))
    minutes = days * 1440
    cloud = np.zeros((minutes, seeds))
    level = np.zeros(seeds)
    shocks = rng.normal(0.0, 0.12, (minutes, seeds))
    for minute in range(minutes):  # a first-order process with a memory of ten minutes
        level = 0.9 * level + shocks[minute]
        cloud[minute] = level
    clear = np.repeat(np.clip(1.0 - np.abs(cloud), 0.2, 1.0), 6, axis=0)
    return np.asarray(height[:, None] * np.repeat(day, STEPS_A_DAY, axis=0) * clear * bank.sun)


def loads(bank: Bank, days: int, rng: np.random.Generator) -> Array:
    """Current that the loads take over nameplate capacity, [T, S]."""
    seeds = bank.shape[0]
    hour = _hours(days) % 24.0
    base = np.where((hour > 18.0) & (hour < 23.0), 0.035, 0.009)
    total = np.repeat(base[:, None], seeds, axis=1)
    for seed in range(seeds):
        cycle = rng.uniform(0.6, 0.9)  # a refrigerator
        total[:, seed] += 0.008 * ((_hours(days) / cycle + rng.random()) % 1.0 < 0.4)
        for day in range(days):
            # Cooking, twice; a kettle or a pump, now and then.
            times = [12.0, 19.0, *rng.uniform(6.0, 22.0, 8)]
            sizes = [0.08, 0.10, *rng.uniform(0.05, 0.25, 8)]
            minutes = [30.0, 40.0, *rng.uniform(2.0, 8.0, 8)]
            for at, size, long in zip(times, sizes, minutes, strict=True):
                begin = int((day * 24.0 + at + rng.normal(0, 0.3)) * 360.0)
                total[max(begin, 0) : begin + int(long * 6.0), seed] += size
    return np.asarray(total * bank.load)


def temperatures(bank: Bank, days: int, rng: np.random.Generator) -> tuple[Array, Array]:
    """Temperature of the cells in degC and the factor on their resistance, [T, S]."""
    seeds = bank.shape[0]
    hour = _hours(days)
    day = np.repeat(rng.normal(18.0, 3.0, (days, seeds)).clip(8.0, 28.0), STEPS_A_DAY, axis=0)
    # The bank is heavy: it follows the days slowly.
    width = STEPS_A_DAY
    smooth = np.cumsum(np.vstack([np.repeat(day[:1], width, axis=0), day]), axis=0)
    mean = (smooth[width:] - smooth[:-width]) / width
    degc = mean + 3.0 * np.sin((hour - 10.0) * np.pi / 12.0)[:, None]
    return degc, resistance_factor(degc)


def resistance_factor(degc: Array) -> Array:
    """What the resistance of a cell is, over that at 25 degC."""
    return np.asarray(
        np.exp(_ACTIVATION_J_PER_MOL / _GAS_J_PER_MOL_K * (1 / (degc + 273.15) - 1 / 298.15))
    )
