"""Full is detected soon after the keeper's definition is met in truth, and only then."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest

from tests.truth import Record, Watched, healthy, simulate
from watchd.estimators.cells import extremes
from watchd.estimators.charging import charge, full, power
from watchd.estimators.estimator import Estimator

GOAL_S = 120.0
STEP_S = 10.0
NEEDED: tuple[type[Estimator], ...] = (extremes.Extremes, power.Power, charge.Charge, full.Full)


HOLD_STEPS = 30  # five minutes


@dataclass(frozen=True, slots=True)
class Outcome:
    """One pack. Lateness in s of each full charge, below 0 where a sensor's error made it early."""

    seed: int
    offset_a: float
    late_s: tuple[float, ...]
    missed: int
    false: int


def met_in_truth(record: Record, seed: int) -> np.ndarray:
    """The definition that the config has by default, held for five minutes, on the true current."""
    volts, amps = record.voltage_v[:, seed, 0], record.true_current_a[:, seed, 0]
    nameplate_ah = record.bank.nameplate_ah[seed, 0]
    charge_v = record.bank.charge_voltage_v[seed]
    met = volts > charge_v - 0.1 - 0.005  # steps of 10 mV, and no other error
    met &= (amps > -0.01 * nameplate_ah) & (amps < 0.05 * nameplate_ah)
    held = np.zeros(len(met), int)
    for step in range(1, len(met)):
        held[step] = held[step - 1] + 1 if met[step] and met[step - 1] else 0
    return held >= HOLD_STEPS


def detected(record: Record, seed: int) -> np.ndarray:
    """Whether the definition was met for the hold, as watchd saw it."""
    seen = np.zeros(len(record.at), bool)
    for step, _, figures in Watched(record, seed, NEEDED).run():
        seen[step] = figures["since_full_h"] == 0
    return seen


def runs(true: np.ndarray) -> list[tuple[int, int]]:
    """Begin and end of each time that it was true."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], true.astype(int), [0]])))
    return list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))


def outcome(record: Record, seed: int) -> Outcome:
    true, seen = met_in_truth(record, seed), detected(record, seed)
    within = round(GOAL_S / STEP_S)
    seen_runs = runs(seen)
    late: list[float] = []
    missed = 0
    for begin, end in runs(true):
        begins = [b for b, e in seen_runs if b < end and e > begin]
        if begins:
            late.append(STEP_S * (begins[0] - begin))
        elif end - begin > within:
            missed += 1
    false = sum(not true[max(0, b - within) : e + within].any() for b, e in seen_runs)
    return Outcome(seed, float(record.bank.offset_a[seed, 0]), tuple(late), missed, false)


def hold(outcomes: list[Outcome]) -> None:
    print("\nfull; goal: within 2 min of the definition being met on true values, none false")
    print("seed offset fulls  earliest  latest missed false")
    for o in outcomes:
        print(
            f"{o.seed:4} {o.offset_a:+6.2f} {len(o.late_s):5} {min(o.late_s):+7.0f} s"
            f" {max(o.late_s):+5.0f} s {o.missed:6} {o.false:5}"
        )
    assert all(o.late_s for o in outcomes)
    assert max(abs(late) for o in outcomes for late in o.late_s) <= GOAL_S
    assert sum(o.missed for o in outcomes) == 0
    assert sum(o.false for o in outcomes) == 0


def test_full_of_three_packs() -> None:
    record = simulate(healthy(3), days=3)
    hold([outcome(record, seed) for seed in range(3)])


@pytest.mark.long
def test_full_of_twenty_packs() -> None:
    record = simulate(healthy(20), days=10)
    hold([outcome(record, seed) for seed in range(20)])
