"""Usable capacity against the true one, after five cycles from full to the low knee."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest

from tests.truth import Bank, Record, Watched, healthy, simulate
from watchd.estimators.cells import extremes
from watchd.estimators.charging import charge, full, power
from watchd.estimators.estimator import Estimator
from watchd.estimators.soc import anchors, capacity, offset

GOAL, CYCLES, DAYS = 0.02, 5, 8
# What the estimate rests on; the others only cost time.
NEEDED: tuple[type[Estimator], ...] = (
    extremes.Extremes,
    power.Power,
    charge.Charge,
    full.Full,
    offset.Offset,
    anchors.Anchors,
    capacity.Capacity,
)


@dataclass(frozen=True, slots=True)
class Outcome:
    """One pack after `CYCLES` cycles, or as many as there were."""

    seed: int
    true_ah: float
    gain_pct: float
    cycles: int
    found_ah: float
    sigma_ah: float

    @property
    def off(self) -> float:
        return self.found_ah / self.true_ah - 1

    @property
    def sigmas(self) -> float:
        return abs(self.found_ah - self.true_ah) / self.sigma_ah


def deep(seeds: int, *, first_seed: int = 1) -> Bank:
    """Loads that empty the bank each night, and sun that fills it again each day."""
    bank = healthy(seeds, first_seed=first_seed)
    bank.load[:], bank.sun[:], bank.dull = 2.4, 0.40, 0.0
    # Packs of any age.
    bank.capacity_ah *= np.random.default_rng(first_seed).uniform(0.75, 1.0, (seeds, 1, 1))
    return bank


def outcome(record: Record, seed: int) -> Outcome:
    found, cycles, low = (float("nan"), float("nan")), 0, False
    capacity_ah: object = None
    for _, _, figures in Watched(record, seed, NEEDED).run():
        low |= figures["anchor"] == "low"
        if figures["capacity_ah"] == capacity_ah:
            continue
        capacity_ah, sigma_ah = figures["capacity_ah"], figures["capacity_sigma_ah"]
        assert isinstance(capacity_ah, float)
        assert isinstance(sigma_ah, float)
        assert low, "there was nothing that could have told"
        found, cycles = (capacity_ah, sigma_ah), cycles + 1
        if cycles == CYCLES:
            break
    gain_pct = 100 * (float(record.bank.gain[seed, 0]) - 1)
    return Outcome(seed, record.full_ah(seed, 0), gain_pct, cycles, *found)


def hold(outcomes: list[Outcome]) -> None:
    print("\nusable capacity; goal: within 2 % after five cycles, and within its 2 sigma in 95 %")
    print("seed      true  gain cycles     found  sigma    off sigmas")
    for o in outcomes:
        print(
            f"{o.seed:4} {o.true_ah:6.1f} Ah {o.gain_pct:+5.1f} {o.cycles:6} {o.found_ah:6.1f} Ah"
            f" {o.sigma_ah:6.1f} {100 * o.off:+5.2f}% {o.sigmas:6.2f}"
        )
    inside = float(np.mean([o.sigmas <= 2 for o in outcomes]))
    print(f"worst {100 * max(abs(o.off) for o in outcomes):.2f} %, inside {100 * inside:.0f} %")
    assert min(o.cycles for o in outcomes) >= CYCLES
    assert max(abs(o.off) for o in outcomes) <= GOAL
    assert inside >= 0.95


def test_capacity_of_two_packs() -> None:
    record = simulate(deep(2), days=DAYS)
    hold([outcome(record, seed) for seed in range(2)])


@pytest.mark.long
def test_capacity_of_twenty_packs() -> None:
    record = simulate(deep(20), days=DAYS)
    hold([outcome(record, seed) for seed in range(20)])


@pytest.mark.long
def test_capacity_of_twenty_packs_of_other_cells() -> None:
    """Twice the resistance and a surface that lags twice as long: the anchor's prior is wrong."""
    bank = deep(20, first_seed=60)
    bank.ohmic_mohm *= 2
    bank.relaxing_mohm *= 2
    bank.surface_lead_s *= 2
    bank.surface_s *= 2
    record = simulate(bank, days=DAYS + 2)
    hold([outcome(record, seed) for seed in range(20)])
