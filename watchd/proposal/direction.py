"""Is a current positive in charge or in discharge? From how the pack behaves.

A pack's voltage rises by its resistance when more charge current flows, and falls when less does:
steps of current against steps of voltage within seconds tell the direction. Over a longer time the
state of charge does, and far from the flat part of the curve the cells' level.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from watchd.proposal.guess import Certainty, Guess

Series = Sequence[tuple[float, float]]

TOGETHER_S = 3.0  # values that came so near to each other are of one moment
STEP_WITHIN_S = 40.0  # later the cell has relaxed, and its level has moved
# Of a cell with its joints (common practice, no source): 5 Ah at the one end, 500 Ah at the other.
LEAST_OHM, MOST_OHM = 0.00005, 0.02
FLAT_V = 3.10, 3.38
LEAST_STEP_A = 0.5
LEAST_STEPS = 8
LEAST_STEP_PART = 0.03  # of the current; less is noise of its sensor
MOST_DROP_V = 0.06  # in a cell, at the current that flows
LEAST_ERRORS, SURE_ERRORS = 5.0, 8.0  # standard errors of the slope
LEAST_SOC_PCT = 2.0
LEAST_FLOW_A = 2.0
LEAST_LEVEL_A = 5.0
CHARGING_CELL_V, DISCHARGING_CELL_V = 3.42, 3.15  # LFP at rest stands between them (the profile)
NOT_EMPTY_PCT = 30.0
STEADY_V = 0.002


@dataclass(frozen=True, slots=True)
class Behaviour:
    """One pack: amperes as it tells them, volts of its mean cell, percent."""

    current: Series
    cell_v: Series
    soc_pct: Series


def direction(packs: Sequence[Behaviour], outward: bool | None) -> Guess:
    """1.0 where charge is positive, -1.0 where discharge is.

    `outward`: what its name says; None: nothing.
    """
    for look in (_by_steps, _by_soc, _by_level):
        found = look(packs)
        if found is None:
            continue
        if outward is not None and (found.value < 0) is not outward:
            said = "discharge" if outward else "charge"
            why = f"{found.reason}; but its name says {said}-positive. {_HOW}"
            return Guess(found.value, Certainty.NOT_SURE, why)
        return found
    if outward is not None:
        word = "discharge" if outward else "charge"
        return Guess(-1.0 if outward else 1.0, Certainty.LIKELY, f"{word}-positive, by its name")
    flows = any(abs(a) >= LEAST_FLOW_A for p in packs for _, a in p.current)
    why = (
        "the current did not change enough to show it" if flows else "no current to speak of flowed"
    )
    return Guess(1.0, Certainty.NOT_SURE, f"{why}. {_HOW}")


_HOW = "Charge the bank, then see `watchd run --once`: charge is positive"


def _by_steps(packs: Sequence[Behaviour]) -> Guess | None:
    """Least squares of steps of voltage on steps of current, with the current itself beside them.

    What flows moves the state of charge, and voltage with it; the current takes that part.
    """
    steps = [s for pack in packs for s in _steps(_pairs(pack.current, pack.cell_v))]
    if len(steps) < LEAST_STEPS:
        return None
    largest_a = max(abs(step) for step, _, _ in steps)
    most_a = max(abs(amps) for _, amps, _ in steps)
    if largest_a < max(LEAST_STEP_A, LEAST_STEP_PART * most_a):
        return None
    fitted = _slope(steps)
    if fitted is None:
        return None
    slope, error = fitted
    is_resistance = LEAST_OHM <= abs(slope) <= MOST_OHM and abs(slope) * most_a <= MOST_DROP_V
    if abs(slope) < LEAST_ERRORS * error or not is_resistance:
        return None
    sign = 1.0 if slope > 0 else -1.0
    certainty = Certainty.SURE if abs(slope) >= SURE_ERRORS * error else Certainty.LIKELY
    word = "charge" if sign > 0 else "discharge"
    moves = "rise" if sign > 0 else "fall"
    why = (
        f"{word}-positive: cells {moves} by {1000 * abs(slope):.2g} mV with each A more "
        f"({len(steps)} steps)"
    )
    return Guess(sign, certainty, why)


def _slope(steps: Sequence[tuple[float, float, float]]) -> tuple[float, float] | None:
    """Ohm of a cell with its standard error; None where the steps do not tell."""
    count = len(steps)
    means = [sum(column) / count for column in zip(*steps, strict=True)]
    rows = [tuple(v - m for v, m in zip(row, means, strict=True)) for row in steps]
    xx = sum(x * x for x, _, _ in rows)
    xz = sum(x * z for x, z, _ in rows)
    zz = sum(z * z for _, z, _ in rows)
    xy = sum(x * y for x, _, y in rows)
    zy = sum(z * y for _, z, y in rows)
    left = xx * zz - xz * xz
    if xx <= 0 or zz <= 0 or left <= 1e-9 * xx * zz:
        return None
    slope, drift = (zz * xy - xz * zy) / left, (xx * zy - xz * xy) / left
    rest = sum((y - slope * x - drift * z) ** 2 for x, z, y in rows)
    return slope, math.sqrt(rest / (count - 3) * zz / left)


def _steps(
    pairs: Sequence[tuple[float, float, float]],
) -> list[tuple[float, float, float]]:
    """Amperes more, amperes in the middle, volts more: from each moment to the next, in the flat
    part of the curve.
    """
    return [
        (after[1] - before[1], (after[1] + before[1]) / 2, after[2] - before[2])
        for before, after in pairwise(pairs)
        if 0 < after[0] - before[0] <= STEP_WITHIN_S
        and FLAT_V[0] <= min(before[2], after[2])
        and max(before[2], after[2]) <= FLAT_V[1]
    ]


def _by_soc(packs: Sequence[Behaviour]) -> Guess | None:
    agree = against = 0.0
    for pack in packs:
        if len(pack.soc_pct) < 2 or len(pack.current) < 2:
            continue
        moved = pack.soc_pct[-1][1] - pack.soc_pct[0][1]
        mean = sum(a for _, a in pack.current) / len(pack.current)
        if abs(moved) >= LEAST_SOC_PCT and abs(mean) >= LEAST_FLOW_A:
            agree += abs(moved) * (moved * mean > 0)
            against += abs(moved) * (moved * mean < 0)
    if agree == against or min(agree, against) > 0:
        return None
    sign = 1.0 if agree > against else -1.0
    word = "charge" if sign > 0 else "discharge"
    moved = max(agree, against)
    return Guess(
        sign,
        Certainty.LIKELY,
        f"{word}-positive: the state of charge moved by {moved:.0f} % with it",
    )


def _by_level(packs: Sequence[Behaviour]) -> Guess | None:
    signs = set()
    seen = 0.0
    for pack in packs:
        if not pack.current or not pack.cell_v:
            continue
        amps, cell_v = pack.current[-1][1], pack.cell_v[-1][1]
        rise_v = cell_v - pack.cell_v[0][1]
        soc = pack.soc_pct[-1][1] if pack.soc_pct else 0.0
        if abs(amps) < LEAST_LEVEL_A:
            continue
        # What rests after a charge falls, and rises after a discharge: its level says nothing.
        charging = cell_v > CHARGING_CELL_V and rise_v > -STEADY_V
        discharging = cell_v < DISCHARGING_CELL_V and rise_v < STEADY_V and soc > NOT_EMPTY_PCT
        if charging or discharging:
            signs.add((cell_v > CHARGING_CELL_V) == (amps > 0))
            seen = cell_v
    if len(signs) != 1:
        return None
    sign = 1.0 if signs.pop() else -1.0
    word = "charge" if sign > 0 else "discharge"
    state = "charging" if seen > CHARGING_CELL_V else "discharging"
    why = f"{word}-positive: cells at {seen:.2f} V stand so while {state}"
    return Guess(sign, Certainty.LIKELY, why)


def _pairs(current: Series, cell_v: Series) -> list[tuple[float, float, float]]:
    """Time, amperes and volts of each moment at which both are known."""
    found = []
    index = 0
    for at, volts in cell_v:
        while index + 1 < len(current) and current[index + 1][0] <= at + 1e-9:
            index += 1
        near = [c for c in current[index : index + 2] if abs(c[0] - at) <= TOGETHER_S]
        if near:
            best = min(near, key=lambda c: abs(c[0] - at))
            found.append((at, best[1], volts))
    return found
