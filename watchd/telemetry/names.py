"""The names of telemetry: what a source may map, and what range each can have at all.

The ranges are physical plausibility for a pack of 4 to 32 lithium cells, not limits: a value
outside can only be a wrong scale, a wrong path or a broken sensor.
"""

from __future__ import annotations

from dataclasses import dataclass

from watchd.figures import Figure, Kind, number, yes_no
from watchd.telemetry.events import EVENTS


@dataclass(frozen=True, slots=True)
class Range:
    """Lowest and highest value that a measurement can have, in its unit."""

    low: float
    high: float


# Common practice, no source: a cell outside 0.5 to 5 V is not being measured. The pack's range
# is that of its cells; currents above 2 kA do not occur in one pack of this size.
RANGES: dict[str, Range] = {
    "voltage_v": Range(0.0, 160.0),
    "current_a": Range(-2000.0, 2000.0),
    "soc_pct": Range(-5.0, 110.0),
    "cell_v": Range(0.5, 5.0),
    "temperature_degc": Range(-60.0, 150.0),
}
# What a BMS may tell of its own settings, per cell.
SETTINGS: tuple[str, ...] = (
    "overvoltage_v",
    "overvoltage_recovery_v",
    "full_v",
    "undervoltage_v",
    "undervoltage_recovery_v",
    "balancer_from_v",
)

# What a mapping may name. Lists (one value a cell, a sensor, or a word an event) are given whole
# by a document, or one at a time by topics that capture {cell} or {sensor}.
SCALARS: tuple[str, ...] = ("voltage_v", "current_a", "soc_pct")
LISTS: tuple[str, ...] = ("cell_v", "temperature_degc")
FLAGS: tuple[str, ...] = ("charge_allowed", "discharge_allowed", "balancing")
PROTECTION = "protection"
TIME = "time"
MAPPED: tuple[str, ...] = (
    *SCALARS,
    *LISTS,
    *FLAGS,
    PROTECTION,
    *(f"setting.{name}" for name in SETTINGS),
)
# Measurements have a rhythm, and go stale when it breaks. States are often sent on change only.
MEASURED: tuple[str, ...] = (*SCALARS, *LISTS)
# What people call them.
WORDS: dict[str, str] = {
    "voltage_v": "pack voltage",
    "current_a": "current",
    "soc_pct": "state of charge",
    "cell_v": "cell voltages",
    "temperature_degc": "temperatures",
}


def within(name: str) -> tuple[float, float]:
    """The range of a measurement, for the figures that are made of it."""
    return RANGES[name].low, RANGES[name].high


CELL_V = within("cell_v")
SPREAD_MV = (0.0, 1000 * (CELL_V[1] - CELL_V[0]))
CELL_NO = (1, 32)
TELEMETRY: tuple[Figure, ...] = (
    number("voltage_v", "v", "voltage of the pack", within=within("voltage_v"), noisy=True),
    number(
        "current_a",
        "a",
        "current of the pack, charge positive",
        within=within("current_a"),
        noisy=True,
    ),
    number("soc_pct", "pct", "state of charge as the BMS reports it", within=within("soc_pct")),
    number(
        "temperature_min_degc",
        "degc",
        "lowest temperature that the BMS reports",
        within=within("temperature_degc"),
        noisy=True,
    ),
    number(
        "temperature_max_degc",
        "degc",
        "highest temperature that the BMS reports",
        within=within("temperature_degc"),
        noisy=True,
    ),
    yes_no("charge_allowed", "whether the BMS lets the pack charge"),
    yes_no("discharge_allowed", "whether the BMS lets the pack discharge"),
    yes_no("balancing", "whether the BMS says that it balances"),
    Figure(
        "protection",
        "",
        Kind.WORDS,
        "protection events present now, in SunSpec's names",
        words=EVENTS,
    ),
    number(
        "setting_overvoltage_v",
        "v",
        "over-voltage threshold that the BMS reports, per cell",
        within=CELL_V,
    ),
    number(
        "setting_overvoltage_recovery_v",
        "v",
        "recovery threshold that the BMS reports",
        within=CELL_V,
    ),
    number(
        "setting_full_v", "v", "full-charge setting that the BMS reports, per cell", within=CELL_V
    ),
    number(
        "setting_undervoltage_v",
        "v",
        "under-voltage threshold that the BMS reports, per cell",
        within=CELL_V,
    ),
    number(
        "setting_undervoltage_recovery_v",
        "v",
        "recovery threshold after under-voltage that the BMS reports",
        within=CELL_V,
    ),
    number(
        "setting_balancer_from_v",
        "v",
        "cell voltage where the balancer starts, as the BMS reports it",
        within=CELL_V,
    ),
)
