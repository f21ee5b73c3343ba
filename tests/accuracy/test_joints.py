"""Accuracy of the joints' excess resistance after one day of solar charge.

Goal: 0.05 mOhm. Truth is the excess of the named cell's path over the median path: its joint, and
what the cell itself has more than the others at the day's temperature (35 kJ/mol, the Chen et al.
2020 set).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest

from tests.truth import Bank, Record, Watched, healthy, simulate
from watchd.estimators.cells import extremes, joints
from watchd.estimators.charging import charge, full, power
from watchd.estimators.estimator import Estimator

GOAL_MOHM = 0.05
NEEDED: tuple[type[Estimator], ...] = (
    extremes.Extremes,
    power.Power,
    charge.Charge,
    full.Full,
    joints.Joints,
)


@dataclass(frozen=True, slots=True)
class Found:
    seed: int
    nameplate_ah: float
    joint_mohm: float
    true_mohm: float
    told_mohm: float
    sigma_mohm: float
    right_cell: bool

    @property
    def error_mohm(self) -> float:
        return self.told_mohm - self.true_mohm

    def __str__(self) -> str:
        return (
            f"{self.seed:4} {self.nameplate_ah:6.0f} {self.joint_mohm:7.3f} {self.true_mohm:7.3f}"
            f" {self.told_mohm:7.3f} {self.sigma_mohm:7.3f} {self.error_mohm:+7.3f}"
        )


def banks(seeds: int) -> tuple[Bank, np.ndarray]:
    """Every fourth pack is sound; the others have a joint of 0.1 to 1.5 mOhm at some cell."""
    bank = healthy(seeds)
    rng = np.random.default_rng(5)
    bad = rng.integers(bank.shape[2], size=seeds)
    for seed in range(seeds):
        mohm = rng.uniform(0.1, 1.5)
        if seed % 4:
            bank.joint_mohm[seed, 0, bad[seed]] = mohm
        # A cell a little ahead in charge must not look like a joint.
        bank.charge[seed, 0, (bad[seed] + 5) % 16] += 0.01
    return bank, bad


def measured(record: Record, seed: int, bad: int) -> Found:
    bank = record.bank
    told: dict[str, float | None] = {}
    for _, _, figures in Watched(record, seed, NEEDED).run():
        told = {n: v for n in FIGURES if (v := figures[n]) is None or isinstance(v, int | float)}
    excess, sigma, cell_no = (told[n] for n in FIGURES)
    assert excess is not None
    assert sigma is not None
    assert cell_no is not None
    kelvin = float(record.temperature_degc[:, seed].mean()) + 273.15
    factor = np.exp(35_000.0 / 8.314 * (1 / kelvin - 1 / 298.15))
    path = bank.ohmic_mohm[seed, 0] * factor + bank.joint_mohm[seed, 0]
    joint = float(bank.joint_mohm[seed, 0].max())
    return Found(
        seed=seed,
        nameplate_ah=float(bank.nameplate_ah[seed, 0]),
        joint_mohm=joint,
        true_mohm=float(path[int(cell_no) - 1] - np.median(path)),
        told_mohm=excess,
        sigma_mohm=sigma,
        right_cell=not joint or cell_no == bad + 1,
    )


FIGURES = ("joint_excess_mohm", "joint_excess_sigma_mohm", "joint_cell_no")


def check(seeds: int) -> None:
    bank, bad = banks(seeds)
    record = simulate(bank, 1)
    found = [measured(record, seed, int(bad[seed])) for seed in range(seeds)]
    print(f"\nexcess joint resistance after one day (mOhm), goal {GOAL_MOHM} mOhm")
    print("seed     Ah   joint    true    told   sigma   error")
    print("\n".join(map(str, found)))
    worst = max(abs(f.error_mohm) for f in found)
    print(f"worst error {worst:.3f} mOhm (goal {GOAL_MOHM}), {seeds} seeds")
    assert worst <= GOAL_MOHM
    assert all(f.right_cell for f in found)


def test_a_joint_after_one_day() -> None:
    check(3)


@pytest.mark.long
def test_joints_after_one_day_over_twenty_seeds() -> None:
    check(20)
