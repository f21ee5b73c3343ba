"""While nothing is learnt, the taper alone: a charger that obeys it, and one that does not.

What is learnt is held to its goal in `test_closed_loop_goal.py`.

A toy pack, not a model of any cell: open-circuit voltage over charge in straight pieces, and one
resistance a cell. Its numbers are invented; only the shape is LFP's: flat, then steep at the top.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from itertools import pairwise

import pytest

from tests.scene import Scene, config_of
from watchd.config import Config

NAMEPLATE_AH = 230.0
CHARGER_A = 100.0
CHARGE_VOLTAGE_V = 56.0
OVERVOLTAGE_V = 3.65
# Invented: part of capacity, and volts.
OCV = ((0.0, 2.9), (0.05, 3.2), (0.9, 3.335), (0.97, 3.35), (0.99, 3.40), (1.0, 3.60), (1.02, 4.2))
CELL_OHM = 0.0005
BLEED_A = 0.6  # a balancer that bleeds what is above 3.40 V and 10 mV above the lowest cell
LEAD_AH = 2.3  # one cell is 1 % ahead of the fifteen others
LEADER = 7
DELAY_S = 10  # from the suggestion to the charger that obeys it

CONFIG = f"""
banks:
  hut:
    charge_voltage_v: {CHARGE_VOLTAGE_V}
    max_charge_a: {CHARGER_A}
    full_when: voltage_v >= 55.9 and current_a < 0.05 * nameplate_ah
    full_hold: 5 min
packs:
  alder:
    bank: hut
    nameplate_ah: {NAMEPLATE_AH}
    max_charge_a: 115
    bms: {{overvoltage_v: {OVERVOLTAGE_V}}}
sources:
  - topic: hut/{{pack}}/state
    json: {{voltage_v: $.v, current_a: $.a, cell_v: "$.cells[*]"}}
"""


def open_circuit_v(charge: float) -> float:
    for (begin, low), (end, high) in pairwise(OCV):
        if charge <= end:
            return low + (high - low) * (charge - begin) / (end - begin)
    return OCV[-1][1]


@dataclass
class Pack:
    """Sixteen cells in series at a charger of constant current, then constant voltage."""

    charge: list[float] = field(default_factory=lambda: [0.95] * 16)
    cell_v: list[float] = field(default_factory=list)
    current_a: float = 0.0

    def __post_init__(self) -> None:
        self.charge[LEADER - 1] += LEAD_AH / NAMEPLATE_AH

    def step(self, limit_a: float) -> None:
        """One second at what the charger gives."""
        resting_v = [open_circuit_v(c) for c in self.charge]
        to_voltage_a = (CHARGE_VOLTAGE_V - sum(resting_v)) / (CELL_OHM * len(resting_v))
        self.current_a = max(0.0, min(limit_a, CHARGER_A, to_voltage_a))
        self.cell_v = [v + CELL_OHM * self.current_a for v in resting_v]
        lowest_v = min(self.cell_v)
        for cell, volts in enumerate(self.cell_v):
            bled_a = BLEED_A if volts > max(3.40, lowest_v + 0.010) else 0.0
            self.charge[cell] += (self.current_a - bled_a) / 3600 / NAMEPLATE_AH


@dataclass
class Outcome:
    """What came of a charge."""

    highest_v: float = 0.0
    tripped_after_s: int | None = None
    full_after_s: int | None = None
    suggested_a: list[float] = field(default_factory=list)


def charge(config: Config, *, obeys: bool, hours: float) -> Outcome:
    """Charge until the BMS trips, or so long. Telemetry comes every 5 s, rounded as a BMS does."""
    hut, pack, outcome = Scene(config=config), Pack(), Outcome()
    on_its_way = deque([CHARGER_A] * DELAY_S)
    for second in range(round(hours * 3600)):
        suggested_a = on_its_way.popleft()
        pack.step(suggested_a if obeys else CHARGER_A)
        outcome.highest_v = max(outcome.highest_v, *pack.cell_v)
        if outcome.highest_v >= OVERVOLTAGE_V:
            outcome.tripped_after_s = second
            return outcome
        hut.seconds = float(second)
        if second % 5 == 0:
            cells = [round(v, 3) for v in pack.cell_v]
            document = {"v": round(sum(cells), 2), "a": round(pack.current_a, 1), "cells": cells}
            hut.feed("hut/alder/state", document)
        suggestion = hut.figures("bank/hut")["charge_limit_a"]
        assert suggestion is not None
        outcome.suggested_a.append(suggestion)
        on_its_way.append(suggestion)
        if outcome.full_after_s is None and hut.figures("pack/alder")["full_count"]:
            outcome.full_after_s = second
    return outcome


@pytest.fixture(scope="module")
def obeyed() -> Outcome:
    return charge(config_of(CONFIG), obeys=True, hours=2.2)


def test_a_charger_that_does_not_obey_trips_the_pack_before_it_is_full() -> None:
    outcome = charge(config_of(CONFIG), obeys=False, hours=2.2)
    assert outcome.tripped_after_s is not None
    assert outcome.full_after_s is None


def test_a_charger_that_obeys_never_comes_near_over_voltage(obeyed: Outcome) -> None:
    assert obeyed.tripped_after_s is None
    # Nothing is suggested from the margin of 50 mV on, and the delay carries it no further.
    assert obeyed.highest_v < OVERVOLTAGE_V - 0.05


def test_the_pack_still_gets_full(obeyed: Outcome) -> None:
    assert obeyed.full_after_s is not None


def test_the_suggestion_does_not_swing(obeyed: Outcome) -> None:
    # A cell's voltage follows the current: a suggestion that chased it would go up and down all
    # day. All its rises until the pack is full add up to little.
    rises_a = sum(max(0.0, b - a) for a, b in pairwise(obeyed.suggested_a[: obeyed.full_after_s]))
    assert rises_a < 0.1 * CHARGER_A
    assert obeyed.suggested_a[0] == CHARGER_A
    assert min(obeyed.suggested_a) < 1


def test_a_lazier_taper_lets_it_trip() -> None:
    # What keeps the cell down is the taper: begun late and ended at over-voltage, it is no help.
    lazy = CONFIG.replace(
        "full_hold: 5 min",
        "full_hold: 5 min\n    charge_limit: {taper: {from_v: 3.63, margin_v: 0.01}}",
    )
    assert charge(config_of(lazy), obeys=True, hours=2.2).tripped_after_s is not None
