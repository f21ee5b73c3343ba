"""The balancer's verdict on simulated banks: right in ten cycles, or too early to say.

Sixteen cells of 100 to 320 Ah, solar days of which a quarter is dull, 1 mV and 0.1 A steps, a
sample each 10 s. A cycle is a day in which the pack was full.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field

import pytest

from tests.truth import Bank, Record, Watched, healthy, simulate
from tests.truth.processes import in_processes
from watchd.estimators.balancing.balancer import (
    CLOSING,
    HOLDING,
    NOT_COPING,
    SMALL_MV,
    TOO_EARLY,
    Balancer,
)
from watchd.estimators.cells.extremes import Extremes
from watchd.estimators.charging.absorption import Absorption
from watchd.estimators.charging.charge import Charge
from watchd.estimators.charging.full import Full

CYCLES = 10
STEPS_A_DAY = 8640
ALONE = (Extremes, Charge, Full, Absorption, Balancer)


def leaks(bank: Bank) -> None:
    """A cell loses 1.2 Ah a day beside what the pack gives; the balancer moves about 0.4."""
    bank.leak_a[:, 0, 4] = 0.05


def leads(bank: Bank) -> None:
    """A cell is 3 Ah ahead; the balancer takes it down in more than ten days."""
    bank.charge[:, 0, 4] += 3.0 / bank.capacity_ah[:, 0, 4]
    bank.balancer_a[:] = 0.1


def is_sound(bank: Bank) -> None:
    """Nothing is wrong."""


def stands(bank: Bank) -> None:
    """A cell is 0.3 % ahead and stays there: there is no balancer, and no leak."""
    bank.charge[:, 0, 4] += 0.003
    bank.balancer_a[:] = 0.0


SCENES: dict[str, tuple[Callable[[Bank], None], str]] = {
    "a leak above the balancer": (leaks, NOT_COPING),
    "3 Ah that close": (leads, CLOSING),
    "a sound pack": (is_sound, HOLDING),
    "wide, and it stands": (stands, HOLDING),
}


@dataclass(slots=True)
class Told:
    """What was told of a scene: at the tenth cycle, and at any."""

    right: int = 0
    early: int = 0
    wrong: int = 0
    ever_wrong: int = 0
    cycles: list[int] = field(default_factory=list)  # the first at which it was right


def right(expected: str, spread_mv: float) -> set[str]:
    """What may be said: of cells that have closed to `SMALL_MV`, that they hold."""
    if expected == CLOSING and spread_mv <= 2 * SMALL_MV:
        return {CLOSING, HOLDING}
    return {expected}


def cycles_of(record: Record, seed: int) -> list[tuple[str, float]]:
    """Verdict and spread at the end of each day in which the pack was full."""
    found, full = [], False
    for step, _, figures in Watched(record, seed, ALONE).run():
        full = full or figures["charge_state"] == "FULL"
        if step % STEPS_A_DAY == STEPS_A_DAY - 1:
            verdict, spread = figures["balancer_verdict"], figures["spread_at_full_mv"]
            if full and isinstance(verdict, str) and isinstance(spread, float):
                found.append((verdict, spread))
            full = False
    return found


def told(scene: str, seeds: int, days: int) -> Told:
    change, expected = SCENES[scene]
    bank = healthy(seeds)
    change(bank)
    record = simulate(bank, days)
    found = Told()
    for seed in range(seeds):
        cycles = cycles_of(record, seed)
        said = [(v, right(expected, mv)) for v, mv in cycles]
        verdict, allowed = said[min(CYCLES, len(said)) - 1]
        found.right += verdict in allowed
        found.early += verdict == TOO_EARLY
        found.wrong += verdict not in {*allowed, TOO_EARLY}
        found.ever_wrong += any(v not in {*a, TOO_EARLY} for v, a in said)
        first = next((n for n, (v, a) in enumerate(said, 1) if v in a), None)
        found.cycles += [first] if first is not None else []
    return found


def table(seeds: int, days: int) -> Counter[str]:
    """Print what was told beside the goal; the sums over all scenes."""
    print(f"\nbalancer's verdict after {CYCLES} cycles, {seeds} seeds a scene; goal: none wrong")
    print(f"{'scene':28}{'right':>6}{'early':>6}{'wrong':>6}{'ever wrong':>12}{'first right':>12}")
    sums: Counter[str] = Counter()
    scenes = in_processes(told, [(scene, seeds, days) for scene in SCENES])
    for scene, found in zip(SCENES, scenes, strict=True):
        first = sorted(found.cycles)[len(found.cycles) // 2] if found.cycles else "-"
        print(
            f"{scene:28}{found.right:6}{found.early:6}{found.wrong:6}{found.ever_wrong:12}{first:>12}"
        )
        sums.update(right=found.right, wrong=found.wrong, ever_wrong=found.ever_wrong)
    return sums


def test_ten_days_of_a_leak_and_of_a_sound_pack() -> None:
    bank = healthy(2)
    bank.leak_a[0, 0, 4] = 0.05
    record = simulate(bank, days=10)
    leak, sound = (cycles_of(record, seed) for seed in range(2))
    assert {verdict for verdict, _ in leak} == {TOO_EARLY, NOT_COPING}
    assert leak[-1][0] == NOT_COPING
    assert {verdict for verdict, _ in sound} == {TOO_EARLY, HOLDING}
    assert sound[-1][0] == HOLDING


@pytest.mark.long
def test_it_is_right_in_ten_cycles_or_too_early() -> None:
    seeds = 20
    sums = table(seeds, days=16)
    assert sums["wrong"] == 0
    assert sums["ever_wrong"] == 0
    # "Too early" would always be right: in most cases it must be more than that.
    assert sums["right"] >= 0.8 * seeds * len(SCENES)
