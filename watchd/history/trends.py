"""What is kept of the figures: a trend of some every five minutes, all of a pack once a day, and
each of its full charges. Samples are in `columns`, what becomes of them in `summaries`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from watchd.figures import Value

EVERY_S = 300.0

# What a trend of a pack or bank has; the figure is left out while it is not known.
PACK_TRENDS = (
    "current_a",
    "soc_pct",
    "soc_estimate_pct",
    "soc_estimate_sigma_pct",
    "cell_spread_mv",
    "cell_max_v",
    "cell_min_v",
    "temperature_max_degc",
    "charge_state",
)
BANK_TRENDS = ("current_a", "soc_pct", "charge_limit_a", "limited_by", "suggested_voltage_v")


@dataclass(frozen=True, slots=True)
class Trend:
    """Figures of a pack or bank as of `at` (Unix s), at most one in five minutes."""

    at: float
    figures: Mapping[str, Value]


@dataclass(frozen=True, slots=True)
class FullCharge:
    """A full charge of a pack. None is unknown.

    `at` (Unix s) is when it became full; the cells are as of the last minutes in which it was.
    `cell_deviation_mv` is each cell minus their mean, in order. `soc_pct` is what the BMS had shown
    before, in the last minute that was not full, `soc_error_pct` that minus watchd's own count: so
    it tells how far the BMS was off before it set itself, if it did.
    """

    at: float
    spread_at_full_mv: float | None
    cell_deviation_mv: tuple[float, ...] | None
    soc_pct: float | None
    soc_error_pct: float | None


@dataclass(frozen=True, slots=True)
class PackDay:
    """One UTC day of a pack, from `at` (Unix s). Today's is as of the last that was kept.

    `figures` are all of the pack's figures at its end (see `watchd fields`), `cell_excess_mohm` and
    `cell_imbalance_ah` those of each cell, in order; None where none of them is known.
    """

    at: float
    figures: Mapping[str, Value]
    cell_excess_mohm: tuple[float | None, ...] | None
    cell_imbalance_ah: tuple[float | None, ...] | None
    full_charges: tuple[FullCharge, ...]
