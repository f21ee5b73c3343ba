"""What a simulation gives: what the sensors showed, and what was true."""

from __future__ import annotations

from dataclasses import dataclass

from tests.truth.bank import Array, Bank
from tests.truth.weather import STEP_S

EVERY = 30  # steps between two rows of the cells' true charge


@dataclass(slots=True)
class Record:
    """Arrays by time (T), seed (S), pack (P), cell (N). The samples are 10 s apart."""

    bank: Bank
    at: Array  # [T], Unix s
    # As the BMS shows it.
    current_a: Array  # [T, S, P], steps of 0.1 A
    cell_mv: Array  # [T, S, P, N], steps of 1 mV
    voltage_v: Array  # [T, S, P], steps of 10 mV
    soc_pct: Array  # [T, S, P], steps of 1 %
    temperature_degc: Array  # [T, S]
    charge_allowed: Array  # [T, S, P]
    tripped: Array  # [T, S, P], over-voltage protection has acted
    # As it is.
    true_current_a: Array  # [T, S, P]
    true_full: Array  # [T, S, P]: voltage and tail met truly for five minutes
    remaining_ah: Array  # [T, S, P]: charge until the first cell is empty
    cell_charge: Array  # [T / EVERY, S, P, N], state of charge from 0 to 1

    def full_ah(self, seed: int, pack: int) -> float:
        """Usable capacity: charge left when the pack is full, mean over the ends of its fulls."""
        full = self.true_full[:, seed, pack]
        left = self.remaining_ah[:, seed, pack]
        best: list[float] = []
        high = 0.0
        for now, ah in zip(full.tolist(), left.tolist(), strict=True):
            if now:
                high = max(high, ah)
            elif high:
                best.append(high)
                high = 0.0
        if not best:
            raise ValueError("this pack was never full")
        return sum(best) / len(best)

    def true_soc_pct(self, seed: int, pack: int) -> Array:
        """100 at the end of the absorption, 0 when the first cell is empty; by time."""
        whole = self.full_ah(seed, pack)
        return self.remaining_ah[:, seed, pack] * (100.0 / whole)

    def imbalance_ah(self, row: int, seed: int, pack: int) -> Array:
        """How far each cell is ahead of the median cell at the top, at `row` of `cell_charge`."""
        capacity = self.bank.capacity_ah[seed, pack]
        room = (1.0 - self.cell_charge[row, seed, pack]) * capacity
        return _median(room) - room

    def bottom_imbalance_ah(self, row: int, seed: int, pack: int) -> Array:
        """How much more each cell has left than the median cell, at `row` of `cell_charge`."""
        left = self.cell_charge[row, seed, pack] * self.bank.capacity_ah[seed, pack]
        return left - _median(left)

    def row_of(self, step: int) -> int:
        """The row of `cell_charge` at or before a step."""
        return step // EVERY


def _median(values: Array) -> float:
    ordered: list[float] = sorted(values.tolist())
    middle = len(ordered) // 2
    return (
        (ordered[middle] + ordered[-middle - 1]) / 2 if len(ordered) % 2 == 0 else ordered[middle]
    )


def steps(hours: float) -> int:
    """Samples in so many hours."""
    return int(hours * 3600.0 / STEP_S)
